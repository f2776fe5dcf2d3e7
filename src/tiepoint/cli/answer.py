"""How a command answers: one JSON object or plain sentences on standard output, all else on standard error."""

import json as jsonlib
import os
import re
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Annotated, Any, NoReturn, TextIO

import typer
from typer.core import TyperGroup

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output and nothing else there.")]

LONGEST = 1000
"""Of a command's first sentence in a list of commands, in characters: none is cut short."""


_STEERING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""Control characters (ISO/IEC 6429) but for tabulator and end of line, and what turns the writing (UAX #9)."""


class InOrderOfTheJob(TyperGroup):
    """Lists commands in the order in which the job is done."""

    ORDER = (
        "plan",
        "target",
        "tie",
        "teach",
        "run",
        "relief",
        "grip",
        "belt",
        "touch",
        "study",
        "limits",
        "trial",
        "design",
        "type1",
        "rr",
        "linearity",
        "stability",
        "lengths",
        "agreement",
        "capability",
        "pose",
        "accept",
        "replay",
        "verify",
        "expire",
        "sums",
        "report",
        "hold",
        "check",
        "open",
        "serve",
        "duty",
        "state",
        "challenge",
        "bypass",
        "variant",
        "rest",
        "resume",
        "settle",
        "lot",
        "service",
        "install",
        "wire",
        "rehearse",
        "ask",
        "pack",
        "unpack",
        "user",
        "demo",
        "draw",
        "describe",
        "measure",
        "length",
        "pairs",
        "views",
        "hand-eye",
        "move",
        "probe",
        "add",
        "role",
        "remove",
        "list",
    )

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]  # typer's own context class
        """Return the names of the commands, in order; those that have no place in it stand last."""
        return sorted(super().list_commands(ctx), key=lambda n: self.ORDER.index(n) if n in self.ORDER else 99)

    def format_commands(self, ctx: typer.Context, formatter: Any) -> None:  # type: ignore[override]  # as above
        """List the commands with their whole first sentences: a page that is cut short does not say what they do."""
        named = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [(name, command.get_short_help_str(LONGEST)) for name, command in named if command is not None]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def group(name: str) -> typer.Typer:
    """Return an empty group of commands, set up as all of them are."""
    return typer.Typer(
        name=name,
        cls=InOrderOfTheJob,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )


def help_alone(context: typer.Context) -> None:
    """Print the help of a group that was called without a command."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


@dataclass(frozen=True)
class Answer:
    """What a command has to say. `good` is False where the work was done and the outcome is not good (exit 1)."""

    document: Mapping[str, Any]
    lines: tuple[str, ...]
    good: bool = True
    hints: tuple[str, ...] = ()


def present(answer: Answer, as_json: bool) -> NoReturn:
    """Print an answer and end the command with its exit code."""
    for hint in answer.hints:
        hint_at(hint)
    try:
        if as_json:
            print_json(answer.document)
        else:
            for line in answer.lines:
                typer.echo(harmless(line))
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read it has seen enough; the outcome is what it was
        silence(sys.stdout)
    raise typer.Exit(0 if answer.good else 1)


def print_json(document: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output, in ASCII: no console's code page can spoil it."""
    typer.echo(jsonlib.dumps(document, indent=1, allow_nan=False))


def hint_at(sentence: str) -> None:
    """Print a sentence on standard error; where nobody can hear it, the work goes on."""
    try:
        typer.echo(harmless(sentence), err=True)
    except OSError:
        silence(sys.stderr)


def harmless(text: str) -> str:
    """Return text in which nothing steers the terminal: a file's name may hold what clears it, or what hides words."""
    return _STEERING.sub("\N{REPLACEMENT CHARACTER}", text)


def silence(stream: TextIO) -> None:
    """Lead a stream that can no longer be written to nowhere: the interpreter would complain when it closes it."""
    with suppress(OSError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


@contextmanager
def progress(what: str, total: int) -> Iterator[Iterator[None]]:
    """Show progress on standard error where a person looks at it: `next` on what this yields moves it by one."""
    if total < 2 or not sys.stderr.isatty():
        yield iter(lambda: None, 0)
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)

        def steps() -> Iterator[None]:
            while True:
                bar.advance(task)
                yield

        yield steps()


def table(rows: Iterable[tuple[str, ...]], right: frozenset[int] = frozenset()) -> Iterator[str]:
    """Yield rows as lines with aligned columns; those in `right` are aligned to the right."""
    kept = list(rows)
    widths = [max(len(row[k]) for row in kept) for k in range(len(kept[0]))] if kept else []
    for row in kept:
        cells = [
            cell.rjust(w) if k in right else cell.ljust(w) for k, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        yield ("  " + "  ".join(cells)).rstrip()
