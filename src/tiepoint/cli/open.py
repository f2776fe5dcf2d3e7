"""`tiepoint open`: the workbench, for the person at this machine."""

import os
import threading
import webbrowser
from contextlib import suppress
from html import escape
from pathlib import Path
from typing import Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.foundation.errors import UnusableInput

PAGE = """<!doctype html><meta charset="utf-8"><title>tiepoint</title>
<meta http-equiv="refresh" content="0; url={0}"><p><a href="{0}">Open the station</a></p>
"""


def open_(
    station: Annotated[Path, typer.Argument(metavar="STATION", help="Its folder; a new or an empty one becomes one.")],
    port: Annotated[
        int | None, typer.Option("--port", metavar="N", min=0, max=65535, help="On which port; any, by default.")
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    as_json: Json = False,
) -> None:
    """Open a station in the browser to work on it, without duty, until you stop it (Ctrl-C).

    A folder that is empty, or not there yet, becomes a station of its name. Only this machine can reach it. The address
    holds a key that lets you in once, with all rights; whoever opens it a second time only looks.

    \b
      tiepoint open plates
    """
    from tiepoint.station.begin import opened_or_begun
    from tiepoint.web.process import serve_here

    there, is_new = opened_or_begun(station)
    if is_new:
        hint_at(f"{station} is a new station, called {there.name}.")
    led = _Led(there.folder / Path(there.table.web.users).parent, not no_browser)
    try:
        serve_here(there.folder, port=port, began=led.to)
    finally:
        led.end()
    present(Answer({"folder": str(station), "new": is_new}, (f"{there.name} is closed.",)), as_json)


class _Led:
    """Leads the browser to an address by a file that this account alone can read.

    In the words of a command the key would stand for everybody at this machine to see.
    """

    def __init__(self, folder: Path, in_browser: bool) -> None:
        self._file, self._in_browser = folder / f"open-{os.getpid()}.html", in_browser

    def to(self, address: str) -> None:
        """Print the address, and open it."""
        hint_at(f"{address}\nThis address lets in once. Ctrl-C ends it.")
        if not self._in_browser:
            return
        from tiepoint.web.users import make_private

        try:
            make_private(self._file.parent)
            with suppress(FileNotFoundError):
                self._file.unlink()
            with os.fdopen(os.open(self._file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                file.write(PAGE.format(escape(address)))
        except (OSError, UnusableInput):
            return  # the address was printed
        # A browser that begins anew may take its time, and nobody else is kept waiting.
        threading.Thread(target=webbrowser.open, args=(self._file.resolve().as_uri(),), daemon=True).start()

    def end(self) -> None:
        """Take the file away; its key is worth nothing any more."""
        with suppress(OSError):
            self._file.unlink()
