"""`tiepoint hold`: take how a station looks now for the state that its watch holds it against."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, present, progress
from tiepoint.cli.options import Who, Why
from tiepoint.cli.station import LONGEST_REASON, Folder, one_line, who_is_asking

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.recipe.shots import LoadedShot
    from tiepoint.station.folder import Station

LAST = 50
NO_PLACES = (
    "light, sharpness, position and scale are not watched: [watch] of station.toml names no fixed patch and no edge"
)


def hold(
    station: Folder,
    shots: Annotated[
        list[Path] | None, typer.Argument(metavar="[SHOT]...", help="Shots as parts come; the last kept ones, if none.")
    ] = None,
    why: Why = "as accepted",
    who: Who = None,
    last: Annotated[int, typer.Option("--last", metavar="N", min=5, help="So many of the last kept shots.")] = LAST,
    as_json: Json = False,
) -> None:
    """Take how a station looks now as its accepted state: light, sharpness, position and scale, dirt, finds.

    From then on its watch holds every shot on duty against that, and says what has changed, by how much and since when.
    Take shots of a line that runs as it should, over as long a time as it is to be quiet without a cause; 50 are usual.
    What is looked at stands in [watch] of station.toml. Who held it, when and why stands in the station's ledger.

    \b
      tiepoint hold plates --why "after the acceptance of 12 May"
      tiepoint hold plates shots/quiet-shift
    """
    from tiepoint.station.acts import demand_off_duty
    from tiepoint.station.folder import open_station
    from tiepoint.station.watch.holding import hold_now

    there = open_station(station)
    demand_off_duty(there, "the accepted state is not held anew")  # before shots are read, which takes long
    by, reason = who_is_asking(who), one_line("--why", why, LONGEST_REASON)
    loaded, records = _named(shots) if shots else _kept(there, last)
    held = hold_now(there, loaded, records, who=by, why=reason)
    lines: tuple[str, ...] = (
        f"Held as accepted: {held.reference.shots} shots, by entry {held.entry.seq} of the ledger.",
        f"Watched from now on, besides what needs no shot: {', '.join(held.watched) or 'nothing'}.",
    )
    lines += tuple(f"Not watched: {one}." for one in held.not_watched)
    document = {
        "entry": held.entry.seq, "shots": held.reference.shots, "watched": list(held.watched),
        "not_watched": list(held.not_watched),
    }  # fmt: skip
    hints = () if there.table.watch.patch or there.table.watch.edge else (NO_PLACES,)
    present(Answer(document, lines, hints=hints), as_json)


def _named(paths: list[Path]) -> "tuple[list[LoadedShot], list[Record]]":
    from tiepoint.recipe.shots import load_shot, shots_in

    shots = shots_in(paths)
    with progress("Reading shots", len(shots)) as step:
        return [load_shot(path) for path in shots if next(step) is None], []


def _kept(station: "Station", last: int) -> "tuple[list[LoadedShot], list[Record]]":
    """Return the last kept shots of a station, with what was measured in them."""
    from tempfile import TemporaryDirectory

    from tiepoint.recipe.shots import load_shot
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.replay import cases_of

    with Ledger(station.ledger_place) as ledger:
        cases = [case for case in cases_of(station, ledger) if case.kept.state()[0] == "kept"][-last:]
    with TemporaryDirectory() as scratch, progress("Reading shots", len(cases)) as step:
        loaded = [load_shot(case.kept.as_shot(Path(scratch))) for case in cases if next(step) is None]
    return loaded, [case.record for case in cases]
