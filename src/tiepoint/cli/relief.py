"""`tiepoint relief`: pictures under several lamps to slopes, relief and what readers see of them."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.cli.load import load_tie
from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.recipe.feature_width import FEATURE_PX

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.recipe.lit import Lit
    from tiepoint.vision.relief import Relief
    from tiepoint.vision.relief_lights import Lights
    from tiepoint.vision.relief_step import Scale

LARGEST_FEATURE_PX = 1000.0


def relief(
    images: Annotated[
        list[Path],
        typer.Argument(metavar="IMAGE...", help="One picture a lamp, in the order of the lights; or a shot's folder."),
    ],
    lights: Annotated[
        Path, typer.Option("--lights", metavar="LIGHTS.toml", help="Where the lamps are, and their flat reference.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder that the pictures are written to.")],
    tie: Annotated[
        Path | None, typer.Option("--tie", metavar="TIE.json", help="Take slopes along its plane, lengths in mm.")
    ] = None,
    feature: Annotated[
        str,
        typer.Option("--feature", metavar="WIDTH", help="Width of the detail to bring out, as 6px, or 0.3mm by a tie."),
    ] = f"{FEATURE_PX:g}px",
    plate: Annotated[
        bool, typer.Option("--plate", help="The shot shows the flat plate again: compare the lamps with [flat].")
    ] = False,
    as_json: Json = False,
) -> None:
    """Compute slopes, albedo and relief of a part from pictures under several lamps.

    Writes albedo, slope_x, slope_y, curvature, relief and confidence as 32-bit TIFF, raised and sunken (detail of one
    width, bright on even ground) as 16-bit TIFF, and a PNG of each to look at. Relief is relative: its scale is no
    gauge's, unless the lights name a known step ([step]): then it is in mm. Exit code 1: a lamp differs from
    the flat reference.

    \b
      tiepoint relief east.png north.png west.png south.png --lights lights.toml --out relief
      tiepoint relief shot-0001 --lights lights.toml --tie tie.json --feature 0.3mm --out relief
      tiepoint relief shot-0002 --lights lights.toml --plate --out relief
    """
    from tiepoint.documents.files import demand_folder
    from tiepoint.recipe.lights import load_lights
    from tiepoint.recipe.lit import Lit
    from tiepoint.recipe.lit_files import lamps_differ, pixels, placed, taken

    demand_folder(out)
    document = load_lights(lights)
    loaded = taken(images, document)
    for one in loaded:
        for hint in one.hints:
            hint_at(hint)
    plane, height_mm = (None, 0.0) if tie is None else placed(load_tie(tie), loaded[0])
    if plane is None and any(lamp.position_mm for lamp in document.table.light):
        raise UnusableInput(f"{lights}: position_mm means nothing without a tie; give --tie")
    width = _feature_px(feature, plane)
    lit = Lit(document, feature_px=width)
    lamps = lit.lights(plane, height_mm)
    told = _compute([pixels(one, lamps.by_channel) for one in loaded], lit, plane, height_mm)
    files = _write(out, told)
    differing = tuple(one.sentence for one in lamps_differ(loaded, lamps, document)) if plate else ()
    present(
        Answer(
            _document(told, lamps, lit.sha, files, differing, plate),
            tuple(_lines(told, lamps, differing, plate)),
            good=not differing,
            hints=(f"The pictures are in {out}.",),
        ),
        as_json,
    )


def _feature_px(text: str, plane: "NDArray[Any] | None") -> float:
    import math

    import numpy as np

    from tiepoint.cli.typed import positive_mm
    from tiepoint.documents.tables import plain_number

    if text.strip().endswith("px"):
        width = plain_number(text.strip()[:-2].strip())
        if width is None:
            raise UnusableInput(f"--feature: {text[:40]!r} is no width; type it as 6px or 0.3mm")
    elif plane is None:
        positive_mm("--feature", text)
        raise UnusableInput(
            f"--feature is {text}, and without --tie there are no millimetres; give it in px, as in 6px"
        )
    else:
        width = positive_mm("--feature", text) / math.sqrt(abs(float(np.linalg.det(plane[:, :2]))))
    if not 1 <= width <= LARGEST_FEATURE_PX:
        raise UnusableInput(f"--feature is {text}, {width:.3g} px here; choose 1 px to {LARGEST_FEATURE_PX:g} px")
    return width


def _compute(pictures: "list[NDArray[Any]]", lit: "Lit", plane: "NDArray[Any] | None", height_mm: float) -> "Relief":
    from tiepoint.foundation.reasons import Reason

    told = lit.told(pictures, plane, height_mm)
    if isinstance(told, Reason):
        raise UnusablePicture(told.sentence)
    return told


def _write(out: Path, told: "Relief") -> dict[str, str]:
    """Write all pictures together; return their files by name."""
    from tiepoint.documents.files import write_together
    from tiepoint.documents.pictures import encode_png
    from tiepoint.recipe.lit_files import viewable
    from tiepoint.vision.relief import NAMES

    files: dict[Path, bytes] = {}
    for name in NAMES:
        picture = told.picture(name)
        files[out / f"{name}.tiff"] = _tiff(picture)
        files[out / f"{name}.png"] = encode_png(viewable(name, picture))
    write_together(files)
    return {name: f"{name}.tiff" for name in NAMES}


def _tiff(picture: "NDArray[Any]") -> bytes:
    import io

    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(picture).save(data, "TIFF")
    return data.getvalue()


def _document(
    told: "Relief",
    lamps: "Lights",
    lights_sha: str,
    files: dict[str, str],
    differing: tuple[str, ...],
    plate: bool,
) -> dict[str, Any]:
    return {
        "pictures": files,
        "unit": told.unit,
        "relief_unit": "relative" if told.scale is None else told.relief_unit,
        "scale": None if told.scale is None else _scale(told.scale),
        "feature_px": told.feature_px,
        "noise_grey": told.noise,
        "lights_sha": lights_sha,
        "lights": [
            {"id": lamp.id, "azimuth_deg": a, "elevation_deg": e, "position_mm": lamp.position_mm}
            for lamp, (a, e) in zip(lamps.lights, told.angles_of_lamps(), strict=True)
        ],
        "flags": list(told.flags),
        "notes": list(told.notes),
        "lamps_differ": list(differing) if plate else None,
    }


def _scale(scale: "Scale") -> dict[str, float]:
    """Return the factor and what it rests on; `step_read` and its u are in the relief's unit before it was scaled."""
    read = scale.reading
    return {
        "factor": scale.factor,
        "u_factor": scale.u,
        "step_read": read.step,
        "u_step_read": read.u,
        "u_noise": read.u_noise,
        "u_bow": read.u_bow,
    }


def _lines(told: "Relief", lamps: "Lights", differing: tuple[str, ...], plate: bool) -> Iterator[str]:
    from tiepoint.foundation.reasons import FLAGS

    for lamp, (azimuth, elevation) in zip(lamps.lights, told.angles_of_lamps(), strict=True):
        yield f"Lamp {lamp.id}: seen from the middle at azimuth {azimuth:.1f}°, elevation {elevation:.1f}°."
    known = f"in {told.unit}, relative" if told.scale is None else f"in {told.relief_unit}, after a known step"
    yield f"Noise {told.noise:.2g} grey levels; relief {known}."
    yield from (FLAGS[code].sentence for code in told.flags)
    yield from told.notes
    yield from differing
    if plate and not differing:
        yield "Every lamp is as in the flat reference."
