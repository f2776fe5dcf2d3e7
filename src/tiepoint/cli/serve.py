"""`tiepoint serve` and `tiepoint check`: put a station on duty, and say beforehand what would forbid it."""

import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.cli.station import Folder
from tiepoint.cli.stop import Stopped, leave
from tiepoint.foundation.errors import TiepointError, UnusableInput

if TYPE_CHECKING:
    from tiepoint.station.check import Fault

FAILING_S = 5.0
"""A process that ended within so long of its start is not begun again at once."""
LONGEST_WAIT_S = 60.0
ENDING_S = 30.0


def check(station: Folder, as_json: Json = False) -> None:
    """Say all that keeps a station from going on duty, each with its file and line.

    Looked at are station.toml, drafts, tables, accepted copies, ledger, wires, pages, and the ports of both. Exit code
    1: something is wrong. tiepoint serve refuses with the same words.

    \b
      tiepoint check plates
    """
    from tiepoint.station.check import check as checked

    if not station.is_dir():
        raise UnusableInput(f"{station} is no folder; name that of a station")
    of_web = _fault_of_web(station)
    faults = (*checked(station, ports=True), *(() if of_web is None else (of_web,)))
    lines = [fault.sentence for fault in faults] or ["Nothing keeps this station from going on duty."]
    told = [{"file": fault.file, "line": fault.line, "says": fault.says} for fault in faults]
    present(Answer({"faults": told}, tuple(lines), not faults), as_json)


def serve(
    station: Folder,
    host: Annotated[str | None, typer.Option("--host", metavar="ADDRESS", help="Where pages are served.")] = None,
    port: Annotated[int | None, typer.Option("--port", metavar="N", min=0, max=65535, help="On which port.")] = None,
    without_web: Annotated[bool, typer.Option("--without-web", help="Only judge parts; serve no pages.")] = False,
    as_accepted: Annotated[
        bool, typer.Option("--as-accepted", help="Whatever is wrong with drafts: for a start that nobody watches.")
    ] = False,
) -> None:
    """Put a station on duty: pictures are judged, told on its wires, and kept, until you stop it (Ctrl-C).

    Two processes are started. duty judges by what was accepted, and has no HTTP; web shows what it does, on loopback
    unless you say otherwise. Neither can stop the other; one that ends by itself is begun anew. The tool is no safety
    device: guards, emergency stops and people's safety never depend on it.

    \b
      tiepoint serve plates
      tiepoint serve plates --port 8080
    """
    from tiepoint.station.lock import DUTY, holder_of

    if not station.is_dir():
        raise UnusableInput(f"{station} is no folder; name that of a station")
    holder = holder_of(station)
    if holder is not None and holder.what == DUTY:
        raise UnusableInput(f"{station} is on duty already: {holder}; stop that first")
    # Who starts it by hand is told at once that there would be no page; a start that nobody watches begins without.
    if not (without_web or as_accepted) and (fault := _fault_of_web(station, host, port)) is not None:
        raise UnusableInput(fault.sentence)
    words = [*([] if host is None else ["--host", host]), *([] if port is None else ["--port", str(port)])]
    raise typer.Exit(run_services(station, words, with_web=not without_web, as_accepted=as_accepted))


def _fault_of_web(folder: Path, host: str | None = None, port: int | None = None) -> "Fault | None":
    """Return why pages cannot be served; None where they can be, or duty will say what is wrong with station.toml."""
    from tiepoint.documents.files import read_text
    from tiepoint.documents.toml_lines import line_of
    from tiepoint.station.folder import STATION, open_station
    from tiepoint.web.settings import fault_of_web

    try:
        found = fault_of_web(open_station(folder), host=host, port=port)
        text = read_text(folder / STATION)
    except TiepointError:
        return None
    if found is None:
        return None
    from tiepoint.station.check import Fault  # loads all of recipes: only where there is something to say

    return Fault(STATION, line_of(text, found[0]), found[1])


def run_services(
    station: Path,
    words: list[str],
    *,
    with_web: bool = True,
    as_accepted: bool = False,
    ending: Callable[[], bool] = bool,
    before_end: Callable[[], object] = bool,
) -> int:
    """Run duty, and web told `words`, until this process is stopped or `ending` says so; return the exit code.

    What the station is, and each change of that, is told in lines: on a terminal, or in the system's log.
    `as_accepted`: already the first start looks at nothing but what is accepted; those after it do in any case.
    `before_end` is called before the two are asked to end.
    """
    first = ("--as-accepted",) if as_accepted else ()
    # Duty looks at everything itself, and says why it cannot begin: to look here too would double the start.
    services = [_Service("duty", _module("tiepoint.station.duty", station), first, ("--as-accepted",))]
    if with_web:
        services.append(_Service("web", [*_module("tiepoint.web", station), *words]))
    try:
        return _watch(services, ending, station)
    except Stopped:
        leave(stopped=True)
        hint_at("taking the station off duty")  # in good order: whoever stopped it wanted no more
        return 0
    finally:
        before_end()
        for service in services:
            service.ask_to_end()
        for service in services:
            service.end()


def _module(name: str, station: Path) -> list[str]:
    return [sys.executable, "-m", name, str(station)]


@dataclass
class _Service:
    """One of the two processes. `first` and `again`: what its command is told besides, at its first start and later."""

    name: str
    command: list[str]
    first: tuple[str, ...] = ()
    again: tuple[str, ...] = ()
    process: "subprocess.Popen[bytes] | None" = None
    began_s: float = 0.0
    starts: int = 0
    wait_s: float = 0.5
    due_s: float = field(default=0.0)

    def begin(self) -> None:
        """Start it. In a group of its own: what the keyboard stops is this command, which then stops both in order."""
        apart = (
            {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}  # type: ignore[attr-defined,unused-ignore]
            if sys.platform == "win32"
            else {"start_new_session": True}
        )
        command = [*self.command, *(self.again if self.starts else self.first)]
        self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, **apart)
        self.began_s = time.monotonic()
        self.starts += 1

    def code(self) -> int | None:
        """Return its exit code where it has ended."""
        return None if self.process is None else self.process.poll()

    def ask_to_end(self) -> None:
        """Ask it to end in good order."""
        if self.process is not None and self.process.poll() is None:
            if sys.platform == "win32":
                import signal

                self.process.send_signal(signal.CTRL_BREAK_EVENT)
            else:
                self.process.terminate()

    def end(self) -> None:
        """Wait for its end, and end it where that takes too long."""
        if self.process is None:
            return
        try:
            self.process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def _watch(services: list[_Service], ending: Callable[[], bool], station: Path) -> int:
    """Begin what has ended by itself, until duty cannot begin at all; return the exit code."""
    for service in services:
        service.begin()
    from tiepoint.cli.duty_told import Teller  # once they have begun: what it loads takes as long as half a start

    teller = Teller(station)
    while not ending():
        time.sleep(0.2)
        for line in teller.changes():
            hint_at(line)
        for service in services:
            code, now = service.code(), time.monotonic()
            if code is None:
                continue
            if service.due_s == 0.0:
                if code == 2 and service.name == "duty" and service.starts == 1:
                    return 2  # it has said why; once a station was on duty, it is begun again until it is
                quick = now - service.began_s < FAILING_S
                service.wait_s = min(LONGEST_WAIT_S, 2 * service.wait_s) if quick else 0.5
                service.due_s = now + service.wait_s
                hint_at(f"{service.name} ended by itself (code {code}); it is begun anew in {service.wait_s:g} s")
            elif now >= service.due_s:
                service.due_s = 0.0
                service.begin()
    return 0
