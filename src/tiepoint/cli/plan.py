"""`tiepoint plan`: what camera, lens and light a part asks for, and how well it would be measured."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, present, progress, table
from tiepoint.foundation.errors import UnusableDocument, UnusableInput

if TYPE_CHECKING:
    from tiepoint.plan.foresee import Expected, Foreseen
    from tiepoint.plan.line import Line
    from tiepoint.plan.sheet import Sheet
    from tiepoint.station.folder import Station
    from tiepoint.station.planning import Beside

GROUPS = {
    "field": "Field and pixels",
    "lens": "Lens",
    "sharpness": "Sharpness",
    "motion": "Motion",
    "light": "Light",
    "height": "Height",
    "uncertainty": "Uncertainty by arithmetic",
}
OPTIONS = {
    "part.size_mm": "--part",
    "part.tolerance_mm": "--tolerance",
    "part.feature_mm": "--feature",
    "part.loading_mm": "--loading",
    "part.height_mm": "--height",
    "part.u_height_mm": "--u-height",
    "part.depth_mm": "--depth",
    "part.speed_mm_s": "--speed",
    "part.surface": "--surface",
    "part.slope_deg": "--slope",
    "sensor.pixels": "--pixels",
    "sensor.pixel_um": "--pixel",
    "lens.kind": "--lens",
    "lens.stand_off_mm": "--stand-off",
    "lens.focal_mm": "--focal",
    "lens.f_number": "--f-number",
    "light.wavelength_nm": "--wavelength",
    "light.exposure_us": "--exposure",
    "light.lux": "--lux",
    "light.mains_hz": "--mains",
    "target.material": "--target-on",
    "target.u_bars_mm": "--u-bars",
}
"""By key of `plan.toml` the option that sets it; the other keys are typed with --set."""


def _typed(name: str, metavar: str, says: str) -> Any:
    return typer.Option(name, metavar=metavar, help=says)


def plan(
    station: Annotated[
        Path | None,
        typer.Argument(metavar="[STATION]", help="The station's folder; its plan.toml is read, changed, and written."),
    ] = None,
    part: Annotated[str | None, _typed("--part", "LENGTH,LENGTH", "Both sides of the part.")] = None,
    tolerance: Annotated[str | None, _typed("--tolerance", "LENGTH", "Of the drawing, as ±.")] = None,
    feature: Annotated[str | None, _typed("--feature", "LENGTH", "Diameter of the smallest bore.")] = None,
    loading: Annotated[str | None, _typed("--loading", "LENGTH", "How far a part lies beside its place, as ±.")] = None,
    height: Annotated[str | None, _typed("--height", "LENGTH", "Of its surface above the target's plane.")] = None,
    u_height: Annotated[str | None, _typed("--u-height", "LENGTH", "Standard uncertainty of that height.")] = None,
    depth: Annotated[str | None, _typed("--depth", "LENGTH", "What must be sharp at once.")] = None,
    speed: Annotated[str | None, _typed("--speed", "SPEED", "As in 300mm/s; at rest where left out.")] = None,
    surface: Annotated[str | None, _typed("--surface", "matt|shiny", "How the part throws light.")] = None,
    slope: Annotated[str | None, _typed("--slope", "DEG", "Of the detail that light is to show.")] = None,
    pixels: Annotated[str | None, _typed("--pixels", "COLUMNSxROWS", "Of the sensor; chosen where left out.")] = None,
    pixel: Annotated[str | None, _typed("--pixel", "LENGTH", "Pitch of a pixel, as in 3.45um.")] = None,
    lens: Annotated[str | None, _typed("--lens", "perspective|telecentric", "Kind of lens.")] = None,
    stand_off: Annotated[str | None, _typed("--stand-off", "LENGTH", "From the lens to the part.")] = None,
    focal: Annotated[str | None, _typed("--focal", "LENGTH", "Focal length; chosen where left out.")] = None,
    f_number: Annotated[str | None, _typed("--f-number", "N", "Chosen where left out.")] = None,
    wavelength: Annotated[str | None, _typed("--wavelength", "NM", "Of the light.")] = None,
    exposure: Annotated[str | None, _typed("--exposure", "TIME", "As in 50us; chosen where left out.")] = None,
    lux: Annotated[str | None, _typed("--lux", "LX", "On the part, as a meter tells.")] = None,
    mains: Annotated[str | None, _typed("--mains", "50|60", "Of lamps that flicker with the mains, in Hz.")] = None,
    target_on: Annotated[str | None, _typed("--target-on", "MATERIAL", "What bears the target.")] = None,
    u_bars: Annotated[str | None, _typed("--u-bars", "LENGTH", "u of a reading of its ruler bars; 0mm: none.")] = None,
    more: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Any other key, as in lens.lean_deg=2.")
    ] = None,
    rendered: Annotated[
        bool, typer.Option("--rendered/--arithmetic", help="Also render that camera's pictures and measure them.")
    ] = True,
    preview: Annotated[
        Path | None, typer.Option("--preview", metavar="PICTURE.png", help="Where the rendered picture is written.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Plan camera, lens and light for a part, and say how well it would be measured.

    Every number comes with its arithmetic. Then that camera's pictures are rendered, of its target and of parts, and
    measured as the station will measure them: the ± that follows is what to expect. What is left out is chosen from
    what is commonly made. Exit code 1 where the plan does not reach the tolerance.

    With a STATION the plan is kept in its plan.toml, and what its ties and records show stands beside what was
    foreseen.

    \b
      tiepoint plan --part 60mm,40mm --tolerance 0.1mm --stand-off 400mm --speed 300mm/s
      tiepoint plan station --focal 50mm --f-number 8
    """
    named = {
        key: text
        for (key, _), text in zip(
            OPTIONS.items(),
            (
                part,
                tolerance,
                feature,
                loading,
                height,
                u_height,
                depth,
                speed,
                surface,
                slope,
                pixels,
                pixel,
                lens,
                stand_off,
                focal,
                f_number,
                wavelength,
                exposure,
                lux,
                mains,
                target_on,
                u_bars,
            ),
            strict=True,
        )
        if text is not None
    }
    _carry_out(station, {**named, **_others(more or ())}, rendered, preview, as_json)


def _carry_out(
    folder: Path | None, typed: Mapping[str, str], rendered: bool, preview: Path | None, as_json: bool
) -> None:
    from tiepoint.documents.files import demand_replaceable
    from tiepoint.plan.sheet import arithmetic
    from tiepoint.station import planning
    from tiepoint.station.folder import open_station

    if preview is not None and not rendered:
        raise UnusableInput("--preview asks for a picture, and --arithmetic for none; leave one of them out")
    if preview is not None and preview.exists() and preview.suffix.lower() != ".png":
        demand_replaceable(preview, "picture")
    station = None if folder is None else open_station(folder)
    kept = None if station is None else planning.read_plan(station)
    text, faults = planning.with_typed("" if kept is None else kept.text, typed)
    for key, fault in faults.items():
        raise UnusableInput(f"{OPTIONS.get(key, f'--set {key}')}: {fault}")
    try:
        asked = planning.asked_by(_demanded(text, station))
    except UnusableDocument as error:
        key, says = planning.at_key(str(error))
        # At the option, where that is what was typed; else at the key, where it stands.
        raise (UnusableInput(f"{OPTIONS[key]} {says}") if key in typed and key in OPTIONS else error) from None
    sheet = arithmetic(asked)
    foreseen = _foreseen(sheet) if rendered else None
    hints: list[str] = []
    if station is not None:
        step = planning.keep(station, text, who=_who(), foreseen=foreseen, says="Plan by command")
        hints.append(f"The plan is in {station.folder / planning.PLAN}." if step.number else "The plan is unchanged.")
    if preview is not None and foreseen is not None:
        from tiepoint.documents.pictures import save_png

        save_png(preview, foreseen.preview)
        hints.append(f"What that camera would see is in {preview}.")
    told: tuple[Beside, ...] = ()
    if station is not None and (now := planning.read_plan(station)) is not None:
        told = planning.beside(station, now)
    good = sheet.good if foreseen is None else foreseen.good
    lines = (*_lines(sheet), *_foreseen_lines(foreseen), *_beside_lines(told))
    present(Answer(_document(sheet, foreseen, told, good), lines, good, tuple(hints)), as_json)


def _others(more: list[str] | tuple[str, ...]) -> dict[str, str]:
    told = {}
    for one in more:
        key, equals, value = one.partition("=")
        if not equals:
            raise UnusableInput(f"--set: {one[:60]!r} is no KEY=VALUE; write it as in lens.lean_deg=2")
        told[key.strip()] = value
    return told


def _demanded(text: str, station: "Station | None") -> str:
    """Return the text of a plan that says what every plan must; `UnusableInput` names what is missing."""
    from tiepoint.plan.typed import FIELDS
    from tiepoint.station.planning import typed_of

    told = typed_of(text)
    missing = [OPTIONS[field.key] for field in FIELDS if field.needed and field.key not in told]
    if missing:
        where = "" if station is None else f", and {station.folder / 'plan.toml'} does not say it"
        raise UnusableInput(
            f"a plan needs {' and '.join(missing)}{where}; as in tiepoint plan --part 60mm,40mm --tolerance 0.1mm "
            "--stand-off 400mm"
        )
    return text


def _who() -> str:
    from tiepoint.cli.station import who_is_asking

    try:
        return who_is_asking(None)
    except UnusableInput:
        return "the command line"


def _foreseen(sheet: "Sheet") -> "Foreseen":
    from tiepoint.plan.foresee import LOADS, foresee

    with progress("Foreseeing", LOADS + 2) as steps:
        done = iter(steps)

        def telling(at: int, of: int, says: str) -> None:
            del of, says
            if at:
                next(done)

        return foresee(sheet, telling=telling)


def _document(sheet: "Sheet", foreseen: "Foreseen | None", beside: "tuple[Beside, ...]", good: bool) -> dict[str, Any]:
    from tiepoint.documents.canonical import plain
    from tiepoint.plan.foresee import told_of

    return {
        "good": good,
        "asked": sheet.asked.model_dump(mode="json"),
        "chosen": plain(sheet.chosen),
        "lines": [plain(line) for line in sheet.lines],
        "faults": list(sheet.faults),
        "cautions": list(sheet.cautions),
        "budget_um": dict(sheet.budget_um),
        "foreseen": None if foreseen is None else told_of(foreseen),
        "beside": [plain(one) for one in beside],
    }


def _lines(sheet: "Sheet") -> Iterator[str]:
    for group, title in GROUPS.items():
        own = [line for line in sheet.lines if line.group == group]
        if not own:
            continue
        yield title
        yield from table([_row(line) for line in own], frozenset({1}))
        yield from (f"  ! {line.says}" for line in own if line.says and line.state != "fine")
        yield from (f"  {line.says}" for line in own if line.says and line.state == "fine")


def _row(line: "Line") -> tuple[str, ...]:
    from tiepoint.cli.told import plain
    from tiepoint.plan.printed import printed

    value, pm = map(plain, printed(line))
    chosen = " (chosen)" if line.chosen else ""
    return line.label, value, f"± {pm}" if pm else "", line.unit, f"{line.how}{chosen}"


def _foreseen_lines(foreseen: "Foreseen | None") -> Iterator[str]:
    if foreseen is None:
        yield "Not rendered: what a lens and a target leave over is not in these numbers."
        return
    yield f"Foreseen on rendered pictures, by a target of {foreseen.target_says}"
    rows: list[tuple[str, ...]] = [("size", "nominal", "U", "largest error", "parts", "mostly")]
    rows += [_expected(one) for one in foreseen.readings]
    if len(rows) > 1:
        yield from table(rows, frozenset({1, 2, 3, 4}))
    yield from foreseen.sentences


def _expected(one: "Expected") -> tuple[str, ...]:
    from tiepoint.cli.told import plain, share_of
    from tiepoint.foundation.words import inside
    from tiepoint.plan.printed import micrometres

    if one.U is None or one.worst is None:
        return one.name, f"{one.nominal:g} mm", "no value", "", f"{one.n}", one.reason
    mostly = f"{inside(one.budget[0].label)} ({share_of(one.budget[0].share)})" if one.budget else ""
    return (
        one.name,
        f"{one.nominal:g} mm",
        f"{plain(micrometres(one.U))} µm",
        f"{plain(micrometres(one.worst))} µm",
        f"{one.n}",
        mostly,
    )


def _beside_lines(told: "tuple[Beside, ...]") -> Iterator[str]:
    if not told:
        return
    yield "Foreseen beside measured"
    from tiepoint.plan.line import g

    rows: list[tuple[str, ...]] = [("", "foreseen", "measured", "", "by")]
    for one in told:
        rows.append(
            (
                one.what,
                "" if one.predicted is None else g(one.predicted),
                "" if one.measured is None else g(one.measured),
                one.unit,
                one.where,
            )
        )
    yield from table(rows, frozenset({1, 2}))
