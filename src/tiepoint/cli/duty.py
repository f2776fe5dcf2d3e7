"""`tiepoint duty`: what a station on duty is doing, and what people may do to it; each act stands in its ledger."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present
from tiepoint.cli.options import Who, Why
from tiepoint.cli.station import LONGEST_REASON, Folder, one_line, who_is_asking
from tiepoint.foundation.errors import TiepointError, UnusableInput

if TYPE_CHECKING:
    from tiepoint.station.duty.status import Status

app = group("duty")


@app.callback(invoke_without_command=True)
def _duty(context: typer.Context) -> None:
    """See what a station on duty does, and act on it: each act stands in its ledger, with who and why."""
    help_alone(context)


@app.command()
def state(station: Folder, as_json: Json = False) -> None:
    """Say what a station is doing now, why and what to do: parts, the last that did not conform, alarms, wires.

    Exit code 1: it is not on duty.

    \b
      tiepoint duty state plates
    """
    from tiepoint.cli.duty_told import last_not_conforming
    from tiepoint.station.duty.status import read_status
    from tiepoint.station.folder import open_station
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.watch.on import alarms_on

    there, status = open_station(station), read_status(station)
    if status is None:
        told = f"The station was never on duty; this puts it there: tiepoint serve {station}"
        present(Answer({"state": "off duty", "fresh": False}, (told,), good=False), as_json)
    parts: list[str] = []
    alarms: dict[str, str] = {}
    hints: tuple[str, ...] = ()
    try:
        with Ledger(there.ledger_place) as ledger:
            alarms = {name: alarm.says for name, alarm in alarms_on(there, ledger).items()}
            parts = list(last_not_conforming(ledger))
    except TiepointError as error:  # what it is doing is told all the same
        hints = (f"alarms and last parts are not known: {error}",)
    document = {
        **status.told, "fresh": status.is_fresh, "written_utc": status.written_utc, "waiting": status.waiting,
        "alarms": alarms,
    }  # fmt: skip
    good = status.is_fresh and status.told["state"] == "on duty"
    present(Answer(document, tuple(_lines(station, status, alarms, parts)), good, hints), as_json)


def _lines(station: Path, status: "Status", alarms: dict[str, str], parts: list[str]) -> Iterator[str]:
    from tiepoint.cli.duty_told import counted, next_line, state_line
    from tiepoint.station.lock import is_on_duty

    told = status.told
    if told["state"] == "off duty" and not is_on_duty(station):
        yield state_line(told)
        yield f"This puts it on duty: tiepoint serve {station}"
    elif status.is_fresh:
        yield state_line(told)
        if then := next_line(told, station):
            yield then
    else:
        was = "its process hangs" if is_on_duty(station) else "its process ended without a word"
        yield f"Nothing was heard of it since {status.written_utc}: {was}. Nothing conforms. Before that:"
        yield state_line(told)
    yield f"Parts since it began: {counted(told['counts']) or 'none'}."
    if parts:
        yield "The last parts that did not conform:"
        yield from (f"  {line}" for line in parts)
    for name, says in alarms.items():
        yield f"Alarm: {says}"
        yield f'  Once its cause is gone: tiepoint duty settle {station} "{name}" --why TEXT'
    for name, link in told["links"].items():
        yield "; ".join(filter(None, (f"{name}: {link}", status.links.get(name))))
    if told["tie_overdue"]:
        yield "The check of the tie is overdue: no robot is given a pose until a touch test is good."


@app.command()
def challenge(station: Folder, why: Why, who: Who = None, as_json: Json = False) -> None:
    """Show the challenge set now; the station is released again once all of it is judged right.

    \b
      tiepoint duty challenge plates --why "shift start"
    """
    _act(station, "challenge", why, who, as_json)


@app.command()
def bypass(station: Folder, why: Why, who: Who = None, as_json: Json = False) -> None:
    """Release a station though its challenge set was not judged right. It is logged who answers for that.

    \b
      tiepoint duty bypass plates --why "good part 3 is scratched; a new one is ordered"
    """
    _act(station, "bypass", why, who, as_json)


@app.command()
def variant(
    station: Folder,
    name: Annotated[str, typer.Argument(metavar="VARIANT", help="One that something is accepted for.")],
    why: Why,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Take parts for another variant from now on, where neither trigger, rule nor code tells.

    \b
      tiepoint duty variant plates left --why "order 4711"
    """
    _act(station, "variant", why, who, as_json, variant=name)


@app.command()
def rest(station: Folder, why: Why, who: Who = None, as_json: Json = False) -> None:
    """Take a station off duty, with its processes running: no part conforms until it resumes.

    \b
      tiepoint duty rest plates --why "cleaning"
    """
    _act(station, "rest", why, who, as_json)


@app.command()
def resume(station: Folder, why: Why, who: Who = None, as_json: Json = False) -> None:
    """Put a station that rests on duty again, by its challenge set where it has one.

    \b
      tiepoint duty resume plates --why "cleaned"
    """
    _act(station, "resume", why, who, as_json)


@app.command()
def settle(
    station: Folder,
    alarm: Annotated[str, typer.Argument(metavar="ALARM", help="Its name, as tiepoint duty state tells it.")],
    why: Why,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Say that the cause of an alarm of the watch is gone; its chart begins anew.

    \b
      tiepoint duty settle plates "light tile, picture" --why "lamp cleaned"
    """
    _act(station, "settle", why, who, as_json, alarm=alarm)


@app.command()
def lot(
    station: Folder,
    name: Annotated[str, typer.Argument(metavar="LOT", help="What the lot is called.")],
    why: Why = "a new lot",
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Say of which lot the parts are that come from now on; margins to the limits are watched by lot.

    \b
      tiepoint duty lot plates 2026-118
    """
    _act(station, "lot", why, who, as_json, lot=one_line("LOT", name, 80))


def _act(station: Any, act: str, why: str, who: str | None, as_json: bool, **about: str) -> None:
    from tiepoint.station.folder import open_station
    from tiepoint.station.inbox import ask
    from tiepoint.station.lock import is_on_duty
    from tiepoint.station.naming import act_of

    there = open_station(station)
    if not is_on_duty(station):
        raise UnusableInput(
            f"{station} is not served, so nobody is there to do it; this puts it on duty: tiepoint serve {station}"
        )
    body = act_of(there, act, who=who_is_asking(who), why=one_line("--why", why, LONGEST_REASON), **about)
    entry = ask(there, body)
    present(Answer({"entry": entry.seq, "sha": entry.sha}, (f"Done: entry {entry.seq} of the ledger.",)), as_json)
