"""What a plan is asked for: part, sensor, lens, light and target, as `plan.toml` holds them.

Lengths are in mm unless the name says µm. What is left out the plan chooses (`choose`), and says so.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from tiepoint.recipe.tables import NotNegative, Positive, Table, said
from tiepoint.targets.paper import MATERIALS

Surface = Literal["matt", "shiny"]
Optics = Literal["perspective", "telecentric"]
_Count = Annotated[int, Field(ge=64, le=30_000)]
Length = Annotated[Positive, Field(ge=1e-4, le=1e5)]
Little = Annotated[NotNegative, Field(le=1e4)]


class PartTable(Table):
    """`[part]`: what is to be measured, how well, and how it comes.

    `size_mm`: of the part, long side and short side. `tolerance_mm`: of the drawing, as ±. `feature_mm`: the diameter
    of the smallest bore that is measured. `loading_mm`: how far a part may lie beside its place, as ±. `height_mm`: of
    the measured surface above the plane of the target, with its standard uncertainty `u_height_mm`. `depth_mm`: between
    the lowest and the highest thing that must be sharp at once. `u_edge_mm`: standard uncertainty of what an edge is
    (bevel, burr). `reflectance` of the part and `ground` of what lies behind it, 0 to 1. `slope_deg`: of the raised or
    sunken detail that the light is to show.
    """

    size_mm: Annotated[tuple[Length, Length], Field(strict=False)]
    tolerance_mm: Length
    feature_mm: Length | None = None
    loading_mm: Little = 1.0
    height_mm: Little = 0.0
    u_height_mm: Little = 0.05
    depth_mm: Little = 0.0
    u_edge_mm: Little = 0.002
    speed_mm_s: Annotated[NotNegative, Field(le=1e5)] = 0.0
    surface: Surface = "matt"
    reflectance: Annotated[Positive, Field(le=1)] = 0.5
    ground: Annotated[NotNegative, Field(le=1)] = 0.06
    slope_deg: Annotated[Positive, Field(lt=90)] | None = None

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        """Take only a part that its own numbers allow."""
        short = min(self.size_mm)
        if self.feature_mm is not None and self.feature_mm >= short:
            raise said(
                "feature_mm", f"is {self.feature_mm:g}; a bore is smaller than its part, so choose below {short:g}"
            )
        if self.tolerance_mm >= short:
            raise said("tolerance_mm", f"is {self.tolerance_mm:g}; choose below the part's shorter side, {short:g}")
        if abs(self.reflectance - self.ground) < 0.02:
            raise said(
                "ground", f"is {self.ground:g}, and the part reflects as much: it could not be seen; choose another"
            )
        return self


class SensorTable(Table):
    """`[sensor]`: columns and rows, the pitch of its pixels, and what its data sheet says after EMVA 1288."""

    pixels: Annotated[tuple[_Count, _Count], Field(strict=False)] | None = None
    pixel_um: Annotated[Positive, Field(ge=0.5, le=50)] = 3.45
    bits: Literal[8, 10, 12, 16] = 8
    full_well_e: Annotated[Positive, Field(ge=100, le=1e6)] = 10_000.0
    dark_noise_e: Annotated[NotNegative, Field(le=1000)] = 6.0
    quantum_efficiency: Annotated[Positive, Field(le=1)] = 0.6


class LensTable(Table):
    """`[lens]`: where it stands and what it is.

    `stand_off_mm`: from the lens (its front principal plane) to the measured surface, known within ±
    `stand_off_within_mm`. `focal_within_percent`: how far a focal length may be from what is engraved. `magnification`:
    of a telecentric lens. `nearest_mm`: the nearest distance to which the lens can be focused without an extension.
    `blur_px`: sd of the lens's own blur on the sensor. `distortion_percent`: in the corner of the picture, barrel below
    0. `lean_deg`: of the camera against the plane's normal. `telecentricity_deg`: half-width of the angle of a
    telecentric lens's rays.
    """

    kind: Optics = "perspective"
    stand_off_mm: Length
    stand_off_within_mm: Little = 5.0
    focal_mm: Annotated[Positive, Field(ge=1, le=2000)] | None = None
    focal_within_percent: Annotated[NotNegative, Field(le=20)] = 5.0
    magnification: Annotated[Positive, Field(ge=0.001, le=100)] | None = None
    nearest_mm: Length | None = None
    f_number: Annotated[Positive, Field(ge=0.7, le=64)] | None = None
    blur_px: Annotated[Positive, Field(ge=0.3, le=20)] = 0.5
    distortion_percent: Annotated[float, Field(ge=-15, le=15)] = -1.0
    lean_deg: Annotated[NotNegative, Field(le=45)] = 1.0
    telecentricity_deg: Annotated[NotNegative, Field(le=5)] = 0.1

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        """Take only what belongs to the kind of lens."""
        if self.kind == "perspective" and self.magnification is not None:
            raise said("magnification", 'belongs to a telecentric lens; leave it out, or choose kind = "telecentric"')
        if self.kind == "telecentric" and self.focal_mm is not None:
            raise said("focal_mm", "tells nothing of a telecentric lens; give its magnification instead")
        if self.focal_mm is not None and self.focal_mm >= self.stand_off_mm:
            raise said(
                "focal_mm", f"is {self.focal_mm:g}; below it no picture is formed, so choose below the stand-off"
            )
        if self.stand_off_within_mm >= self.stand_off_mm:
            raise said("stand_off_within_mm", "is as large as the stand-off itself; choose a smaller one")
        return self


class LightTable(Table):
    """`[light]`: its colour and strength.

    `lux`: on the part, as a meter laid there tells; left out, the plan says how much is needed. `exposure_us` is chosen
    where it is left out. `mains_hz`: of lamps that flicker with the mains; 0 where the station is shrouded. `fill`: the
    share of full scale that the brighter of part and ground is to reach.
    """

    wavelength_nm: Annotated[Positive, Field(ge=300, le=1100)] = 550.0
    exposure_us: Annotated[Positive, Field(le=1e8)] | None = None
    lux: Annotated[Positive, Field(le=1e8)] | None = None
    mains_hz: Literal[0, 50, 60] = 0
    fill: Annotated[Positive, Field(ge=0.05, le=0.98)] = 0.8

    @model_validator(mode="after")
    def _can_be_seen(self) -> Self:
        """Take lux only where an eye sees the light."""
        if self.lux is not None and not 400 <= self.wavelength_nm <= 700:
            raise said("lux", f"tells nothing of light of {self.wavelength_nm:g} nm, which no eye sees; leave it out")
        return self


class TargetTable(Table):
    """`[target]`: by which the station is to be tied. `u_bars_mm`: of one reading of its ruler bars; 0 for bars that
    nobody measures."""

    material: str = "paper"
    u_bars_mm: Little = 0.02

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        """Take only a material whose change is known."""
        if self.material not in MATERIALS:
            raise said("material", f'is "{self.material[:40]}"; use one of {", ".join(MATERIALS)}')
        return self


class Asked(Table):
    """All of it."""

    part: PartTable
    lens: LensTable
    sensor: SensorTable = SensorTable()
    light: LightTable = LightTable()
    target: TargetTable = TargetTable()

    @model_validator(mode="after")
    def _goes_together(self) -> Self:
        """Take only a part that leaves room below the lens."""
        most = self.lens.stand_off_mm / 2
        for name in ("depth_mm", "u_height_mm", "height_mm"):
            value = getattr(self.part, name)
            if value > most:
                raise said(
                    f"part.{name}", f"is {value:g}, and the lens stands off by {2 * most:g} mm; choose {most:g} or less"
                )
        return self
