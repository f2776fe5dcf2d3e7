"""`tiepoint wire`: rehearse a station's wires, prove that the other side rejects what is stale, and ask as a robot."""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, hint_at, present, progress, table
from tiepoint.cli.station import Folder
from tiepoint.foundation.errors import TiepointError, UnusableInput

if TYPE_CHECKING:
    from tiepoint.recipe.runner import Job
    from tiepoint.station.folder import Station
    from tiepoint.station.wires.commission import Answered, Lie
    from tiepoint.station.wires.rehearse import Outcome

SHEET = "wires.html"

app = group("wire")


@app.callback(invoke_without_command=True)
def _wire(context: typer.Context) -> None:
    """Try what a controller and a robot are told, before a part depends on it."""
    help_alone(context)


@app.command()
def rehearse(
    station: Folder,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help=f"Where the interface sheet {SHEET} is written.")
    ] = None,
    send_stale: Annotated[
        str | None,
        typer.Option("--send-stale", metavar="WIRE", help="Commissioning: send stale results to who is connected."),
    ] = None,
    wait_s: Annotated[
        float, typer.Option("--wait", metavar="SECONDS", min=0, help="How long the other side may take to connect.")
    ] = 60.0,
    as_json: Json = False,
) -> None:
    """Play controller and robot through nasty sequences, and see whether the station's wires do what they must.

    Stale ids, double triggers, frozen heartbeats, late acknowledges, halves of results, junk and more are played
    against the wires of station.toml on loopback ports of their own: nothing that is connected hears of it. Exit code
    1: a sequence did not give what was expected. With --out an interface sheet is written: registers, topics and lines
    with samples, for who programs the other side.

    With --send-stale, results that are deliberately stale go to the controller or robot that connects to that wire, to
    prove that it rejects them; you say what it did. The station must be off duty, its line empty and stopped, a robot
    in reduced-speed manual mode with the enabling device in hand (ISO 10218). Exit code 1: something was not rejected.

    \b
      tiepoint wire rehearse plates --out plates-wires
      tiepoint wire rehearse plates --send-stale controller
    """
    from tiepoint.station.folder import STATION, open_station
    from tiepoint.station.wires.known import misfits, readings_of, units_of
    from tiepoint.station.wires.rehearse import cast
    from tiepoint.station.wires.rehearse import rehearse as play
    from tiepoint.station.wires.table import faults

    place = open_station(station)
    tables = place.table.wires
    readings = [m.reading for m in tables.map if m.reading]  # whether a recipe gives them, tiepoint check says
    if tables.robot and place.table.duty.tie_check_h is None:
        hint_at(
            "[duty] states no tie_check_h: a robot is told poses however old the last touch of its tie is. State after "
            "how many hours it has to be touched again, as in tie_check_h = 12."
        )
    jobs = _jobs(place)
    found = list(faults(tables, readings, "")) + list(misfits(tables, jobs))
    if found:
        raise UnusableInput("; ".join(f"{station / STATION}: {fault}" for fault in found))
    answered: list[Answered] = []
    outcomes: list[Outcome] = []
    if send_stale is not None:
        answered = list(_commission(station, send_stale, wait_s, as_json))
    else:
        played = cast(tables)
        with progress("Rehearsing", len(played)) as step:
            for outcome in play(played):
                outcomes.append(outcome)
                next(step)
    if out is not None:
        _write(out, place, outcomes, answered, units_of(readings_of(jobs)))
    document = {
        "sequences": [{**asdict(o), "good": o.good} for o in outcomes],
        "sent": [asdict(a) for a in answered],
        "out": None if out is None else str(out / SHEET),
    }  # fmt: skip
    good = all(o.good for o in outcomes) and all(a.rejected for a in answered)
    present(Answer(document, tuple(_lines(outcomes, answered)), good), as_json)


@app.command()
def ask(
    where: Annotated[str, typer.Argument(metavar="HOST:PORT", help="Of a robot's wire, as in 127.0.0.1:2100.")],
    line: Annotated[list[str], typer.Argument(metavar="LINE", help="What a robot sends, as in NEXT; quote a #.")],
) -> None:
    """Ask a station as a robot would, and print its answer.

    A result is handed out once: what is asked here, the robot does not get. What may be asked is on the page of the
    robot socket.

    \b
      tiepoint wire ask 127.0.0.1:2100 STATE
      tiepoint wire ask 127.0.0.1:2100 NEXT HV-0007
    """
    from tiepoint.station.wires.robot_client import RobotClient

    host, _, port = where.rpartition(":")
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port[:6]) < 65536:
        raise UnusableInput(f"{where!r} is no place to ask; give HOST:PORT, as in 127.0.0.1:2100")
    with RobotClient(host.strip("[]"), int(port)) as robot:
        answer = robot.ask(" ".join(line))
    present(Answer({}, (answer,)), False)


def _commission(station: Path, name: str, wait_s: float, as_json: bool) -> "Iterator[Answered]":
    from tiepoint.station.folder import open_station
    from tiepoint.station.wires.commission import CAUTION, commission, named_wire

    tables = open_station(station).table.wires
    named_wire(tables, name)
    hint_at(CAUTION)
    if not typer.confirm("Is the line empty and stopped, and nobody near what it moves?", err=True):
        raise UnusableInput("--send-stale was not begun: the line has to be empty and stopped first")

    def tell(lie: "Lie") -> bool:
        hint_at(f"Sent: {lie.told}. Look: {lie.look_at}.")
        return typer.confirm("Did the other side reject it?", err=True)

    yield from commission(tables, name, tell, wait_s)
    if not as_json:
        hint_at("Take the controller or robot through one good part before the line runs again.")


def _jobs(station: "Station") -> "tuple[Job, ...]":
    """Return what accepted recipes ask for; none where they cannot be read, which tiepoint check tells."""
    from tiepoint.station.duty.judging import Judge
    from tiepoint.station.wires.known import jobs_of

    with suppress(TiepointError):
        return jobs_of(Judge(station))
    return ()


def _write(
    out: Path, station: "Station", outcomes: "list[Outcome]", answered: "list[Answered]", units: dict[str, str]
) -> None:
    from tiepoint.cli.load import demand_like
    from tiepoint.documents.files import demand_folder, write_atomic
    from tiepoint.report.wire_sheet import wire_sheet

    demand_folder(out)
    demand_like(out / SHEET, b"<!doctype html>", "page")
    page = wire_sheet(station.name, station.table.wires, outcomes, answered, units)
    write_atomic(out / SHEET, page.encode())
    hint_at(f"The interface sheet is {out / SHEET}.")


def _lines(outcomes: "list[Outcome]", answered: "list[Answered]") -> Iterator[str]:
    if outcomes:
        bad = [o for o in outcomes if not o.good]
        yield from table(
            (o.wire or f"{o.kind} by default", o.name, "as expected" if o.good else "NOT as expected", o.seen)
            for o in outcomes
        )
        yield f"{len(outcomes)} sequences, {len(bad)} not as expected."
        for o in bad:
            yield f"{o.wire or o.kind}, {o.name}: expected {o.expected}; seen {o.seen}"
    if answered:
        yield from table((a.wire, a.name, "rejected" if a.rejected else "NOT REJECTED", a.told) for a in answered)
        left = sum(not a.rejected for a in answered)
        yield f"{len(answered)} stale results were sent, {left} not rejected."
