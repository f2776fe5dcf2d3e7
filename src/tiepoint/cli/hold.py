"""`tiepoint hold`: take how a station looks now for the state that its watch holds it against."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, present, progress
from tiepoint.cli.station import LONGEST_REASON, Folder, one_line, who_is_asking

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.recipe.shots import LoadedShot
    from tiepoint.station.folder import Station
    from tiepoint.station.watch.hold import Reference

LAST = 50
KINDS = {"grey": "light", "blur": "sharpness", "turn": "position"}
"""Numbers whose alarms are called otherwise than they are."""
NO_PLACES = (
    "light, sharpness, position and scale are not watched: [watch] of station.toml names no fixed patch and no edge"
)


def hold(
    station: Folder,
    shots: Annotated[
        list[Path] | None, typer.Argument(metavar="[SHOT]...", help="Shots as parts come; the last kept ones, if none.")
    ] = None,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why; it stays with the station.")] = "as accepted",
    who: Annotated[
        str | None, typer.Option("--who", metavar="NAME", help="Who; you, by the system's account, by default.")
    ] = None,
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
    from tiepoint.station.acts import demand_off_duty, write_act
    from tiepoint.station.folder import open_station
    from tiepoint.station.naming import act_of
    from tiepoint.station.watch.hold import hold as held
    from tiepoint.station.watch.hold import keep_reference, not_held

    there = open_station(station)
    demand_off_duty(there, "the accepted state is not held anew")
    by, reason = who_is_asking(who), one_line("--why", why, LONGEST_REASON)
    loaded, records = _named(shots) if shots else _kept(there, last)
    reference = held(there, loaded, records)
    keep_reference(there, reference)
    entry = write_act(there, act_of(there, "hold", who=by, why=reason, sha=reference.sha, shots=reference.shots))
    kinds = _watched(there, reference)
    lines: tuple[str, ...] = (
        f"Held as accepted: {reference.shots} shots, by entry {entry.seq} of the ledger.",
        f"Watched from now on, besides what needs no shot: {', '.join(kinds) or 'nothing'}.",
    )
    lacking = not_held(reference, there.table.watch)
    lines += tuple(f"Not watched: {one}." for one in lacking)
    document = {"entry": entry.seq, "shots": reference.shots, "watched": kinds, "not_watched": list(lacking)}
    hints = () if there.table.watch.patch or there.table.watch.edge else (NO_PLACES,)
    present(Answer(document, lines, hints=hints), as_json)


def _watched(station: "Station", reference: "Reference") -> list[str]:
    """Return the kinds of alarms that what was held can raise."""
    found = {name.partition("|")[0] for name in reference.centres}
    kinds = {KINDS.get(name, name) for name in found}
    kinds |= {"dirt"} if reference.grounds and station.table.watch.dirt is not None else set()
    return sorted(kinds | ({"edge"} if reference.edges else set()))


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
