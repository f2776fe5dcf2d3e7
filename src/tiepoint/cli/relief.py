"""`tiepoint relief`: pictures under several lamps to slopes, relief and what readers see of them."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.cli.load import load_tie
from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.recipe.feature_width import FEATURE_PX

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.documents.pictures import Loaded
    from tiepoint.recipe.lights import LightsDocument
    from tiepoint.recipe.lit import Lit
    from tiepoint.vision.relief import Relief
    from tiepoint.vision.relief_lights import Lights
    from tiepoint.vision.relief_step import Scale

LARGEST_FEATURE_PX = 1000.0
AMPLE = 0.999
"""Share of the values that a viewable picture shows between black and white."""


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

    demand_folder(out)
    document = load_lights(lights)
    loaded = _loaded(images, document)
    for one in loaded:
        for hint in one.hints:
            hint_at(hint)
    placed = None if tie is None else _placed(tie, loaded[0])
    plane, height_mm = (None, 0.0) if placed is None else placed
    if plane is None and any(lamp.position_mm for lamp in document.table.light):
        raise UnusableInput(f"{lights}: position_mm means nothing without a tie; give --tie")
    width = _feature_px(feature, plane)
    lit = Lit(document, feature_px=width)
    lamps = lit.lights(plane, height_mm)
    told = _compute([_pixels(one, lamps) for one in loaded], lit, plane, height_mm)
    files = _write(out, told)
    differing = _lamps_differ(loaded, lamps, document) if plate else ()
    present(
        Answer(
            _document(told, lamps, lit.sha, files, differing, plate),
            tuple(_lines(told, lamps, differing, plate)),
            good=not differing,
            hints=(f"The pictures are in {out}.",),
        ),
        as_json,
    )


def _loaded(images: Sequence[Path], document: "LightsDocument") -> "list[Loaded]":
    """Return the pictures in the order of the lights; a sentence where they are not alike or not as many."""
    from tiepoint.documents.pictures import load_picture
    from tiepoint.recipe.lamp_names import order_fault
    from tiepoint.recipe.lit import roles_of
    from tiepoint.recipe.shots import load_shot

    if len(images) == 1 and images[0].is_dir():
        shot = load_shot(images[0], document.each)
        roles = roles_of(document, shot.shot.pictures)
        missing = [role for role in roles if role not in shot.pictures]
        if missing:
            raise UnusableInput(
                f'{images[0]} holds no picture under the light "{missing[0]}", which {document.where} names; add it, '
                "or name the pictures one by one"
            )
        return _alike([shot.pictures[role] for role in roles], document)
    if (fault := order_fault([path.name for path in images], document.each, "IMAGE...")) is not None:
        raise UnusableInput(fault)
    return _alike([load_picture(path) for path in images], document)


def _alike(loaded: "list[Loaded]", document: "LightsDocument") -> "list[Loaded]":
    wanted = len(document.exposures)
    if len(loaded) != wanted:
        raise UnusableInput(
            f"{len(loaded)} {'picture was' if len(loaded) == 1 else 'pictures were'} given where {document.where} asks "
            f"for {wanted}; give one {'an exposure' if wanted < len(document.table.light) else 'a lamp'}, in its order"
        )
    first = loaded[0]
    for one in loaded[1:]:
        if (one.size, one.bits) != (first.size, first.bits):
            raise UnusablePicture(
                f"{one.path} has {one.size[0]} × {one.size[1]} px of {one.bits} bits where {first.path.name} has "
                f"{first.size[0]} × {first.size[1]} px of {first.bits}; take all pictures of a shot alike"
            )
    return loaded


def _placed(path: Path, first: "Loaded") -> "tuple[NDArray[Any], float]":
    """Return the tie's plane as an affine map (2, 3) of the pictures' pixels, and its height in mm."""
    from tiepoint.recipe.lit import plane_of
    from tiepoint.ties.sensor import Sensor

    tie = load_tie(path).for_sensor(Sensor(*first.size))
    return plane_of(tie, first.grey.shape), tie.height_mm


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


def _pixels(one: "Loaded", lamps: "Lights") -> "NDArray[Any]":
    return one.pixels if lamps.by_channel else one.grey


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
    from tiepoint.vision.relief import NAMES

    files: dict[Path, bytes] = {}
    for name in NAMES:
        picture = told.picture(name)
        files[out / f"{name}.tiff"] = _tiff(picture)
        files[out / f"{name}.png"] = encode_png(_viewable(name, picture))
    write_together(files)
    return {name: f"{name}.tiff" for name in NAMES}


def _tiff(picture: "NDArray[Any]") -> bytes:
    import io

    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(picture).save(data, "TIFF")
    return data.getvalue()


def _viewable(name: str, picture: "NDArray[Any]") -> "NDArray[Any]":
    """Return 8 bits: confidence from 0 to 1, what has a sign about middle grey, all else from its least."""
    import numpy as np

    if picture.dtype == np.uint16:
        return np.asarray(picture >> 8, np.uint8)
    step = max(1, int(np.sqrt(picture.size / 100_000)))
    some = picture[::step, ::step]
    if name == "confidence":
        low, high = 0.0, 1.0
    elif name in ("slope_x", "slope_y", "curvature"):
        high = float(np.quantile(np.abs(some), AMPLE))
        low = -high
    else:
        low, high = (float(v) for v in np.quantile(some, [1 - AMPLE, AMPLE]))
    return np.asarray(np.clip((picture - low) / max(high - low, 1e-12) * 255, 0, 255).round(), np.uint8)


def _lamps_differ(loaded: "list[Loaded]", lamps: "Lights", document: "LightsDocument") -> "tuple[str, ...]":
    from tiepoint.vision.relief import planes_of
    from tiepoint.vision.relief_lamps import against_flat

    if document.flat is None:
        raise UnusableInput(f"--plate compares with [flat], which {document.where} does not name; take it first")
    shot = planes_of([_pixels(one, lamps) for one in loaded], lamps)
    flat = planes_of(document.flat, lamps)
    return tuple(one.sentence for one in against_flat(shot, flat, lamps.ids, lamps.black_level))


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
