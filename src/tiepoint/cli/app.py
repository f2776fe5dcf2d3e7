"""The command line: parse, call one function, present. The one place where errors become sentences.

Exit codes: 0 done; 1 done, and the outcome is not good for what was asked; 2 unusable input; 3 a fault of the
program itself; 130 stopped by the keyboard, 143 by the system (docs/decisions/0005).
"""

import errno
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from tiepoint.cli import duty, grip, service, study, target, tie, touch, user, wire
from tiepoint.cli.answer import group, help_alone, hint_at, print_json, silence
from tiepoint.cli.belt import belt
from tiepoint.cli.demo import demo
from tiepoint.cli.hand_eye import hand_eye
from tiepoint.cli.hold import hold
from tiepoint.cli.limits import limits
from tiepoint.cli.open import open_
from tiepoint.cli.pack import expire, pack, sums, unpack
from tiepoint.cli.plan import plan
from tiepoint.cli.relief import relief
from tiepoint.cli.report import report
from tiepoint.cli.run import run
from tiepoint.cli.serve import check, serve
from tiepoint.cli.station import accept, replay, verify
from tiepoint.cli.teach import teach
from tiepoint.cli.trial import trial
from tiepoint.documents.software import software
from tiepoint.foundation.errors import TiepointError

TRACE = "TIEPOINT_TRACE"
EPOCH = "SOURCE_DATE_EPOCH"
LONGEST = 300
"""Letters of the longest word in a sentence: room for any path that is typed on purpose."""
HOW_TO_GET_A_TARGET = (
    "`tiepoint target draw` writes it for a target of your own, `tiepoint target describe` for one printed elsewhere"
)
FAULT = 3
STOPPED = 130

app = group("tiepoint")


def _version(asked: bool) -> None:
    if asked:
        typer.echo(software())
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001  # its callback has answered before
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    """From a photograph to a millimetre that can be defended.

    \b
    Print a target, photograph it, and tie its pixels to millimetres:
      tiepoint target draw --pattern charuco --pitch 10mm --columns 17 --rows 12 --out target
      tiepoint tie target photo.png --target target/target.json --tolerance 0.05mm --out tie.json
    Ask where a pixel lies, or how long something is:
      tiepoint tie probe tie.json --at 1224,1024
      tiepoint tie probe tie.json --length 310,870 1990,884
    Teach a recipe what its part looks like; then find, measure and judge parts by it:
      tiepoint teach recipes/plate.toml plate shot-0001.png
      tiepoint run recipes/plate.toml shots --out today
    See all of it at work, without a camera:
      tiepoint demo

    Lengths are typed with a unit (42mm, 1.5in, 10um), pixels as X,Y from the centre of the top left one. What
    follows ± is the half-width of a 95 % interval.

    Exit code 0: done. 1: done, and the outcome is not good for what was asked. 2: unusable input, with one sentence
    that says what, where and what to do. 3: a fault of tiepoint itself. 130, 143: stopped from outside.
    """
    help_alone(context)


app.command()(plan)
app.add_typer(target.app, name="target")
tie.app.command("hand-eye")(hand_eye)
app.add_typer(tie.app, name="tie")
app.command()(teach)
app.command()(run)
app.command()(relief)
app.add_typer(grip.app, name="grip")
app.command()(belt)
app.add_typer(touch.app, name="touch")
app.add_typer(study.app, name="study")
app.command()(accept)
app.command()(replay)
app.command()(verify)
app.command()(expire)
app.command()(sums)
app.command()(pack)
app.command()(unpack)
app.command()(trial)
app.command()(limits)
app.command()(report)
app.command()(hold)
app.command()(check)
app.command("open")(open_)
app.command()(serve)
app.add_typer(duty.app, name="duty")
app.add_typer(service.app, name="service")
app.add_typer(wire.app, name="wire")
app.add_typer(user.app, name="user")
app.command()(demo)


def carry_out(arguments: list[str]) -> int:
    """Do what the words of a command line ask for and return the exit code."""
    _open_what_is_closed()
    if not os.environ.get(EPOCH, "0").isdecimal():
        del os.environ[EPOCH]  # libraries take it for a number, and it is none of this command's input
    for stream in (sys.stdout, sys.stderr):
        _speak_unicode(stream)
    as_json = "--json" in arguments
    try:
        code = typer.main.get_command(app).main(arguments, "tiepoint", standalone_mode=False)
        sys.stdout.flush()
    except TiepointError as error:
        return _refuse(type(error).__name__, str(error), as_json)
    except (BrokenPipeError, SystemExit):  # typer turns the first into an exit with 1, which means something else here
        silence(sys.stdout)
        return 0
    except OSError as error:
        return _refuse("UnusableInput", _of_the_system(error), as_json)
    except (KeyboardInterrupt, typer.Abort):
        code = STOPPED
    except Exception as error:
        if hasattr(error, "format_message"):
            return _refuse("UsageError", _usage(error, arguments), as_json)
        return _fault(error, as_json)
    if code == STOPPED:  # typer's own answer to the keyboard
        say_stopped(as_json)
    return code if isinstance(code, int) else 0


def say_stopped(as_json: bool) -> None:
    """Say that the work was stopped from outside; with --json as an object too."""
    _tell("Stopped", "stopped; what was not finished was not written", as_json)


def _open_what_is_closed() -> None:
    """Give every stream that the caller closed a place to go: nobody listens, and the work and its code stay."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115  # open to the end


def _refuse(kind: str, sentence: str, as_json: bool, code: int = 2) -> int:
    """Say in one sentence why nothing was done."""
    if os.environ.get(TRACE):
        raise  # noqa: PLE0704  # called while the exception is handled
    _tell(kind, sentence, as_json)
    return code


def _tell(kind: str, sentence: str, as_json: bool) -> None:
    """Say in one sentence why there is no answer; with --json as an object too."""
    line = _cut(sentence)
    hint_at(f"tiepoint: {line}")
    try:
        if as_json:
            print_json({"error": {"kind": kind, "sentence": line}})
        sys.stdout.flush()
    except OSError:
        silence(sys.stdout)


def _cut(sentence: str) -> str:
    """Return one line in which no word is longer than a person reads: of a name of thousands of letters both ends."""
    words = (word if len(word) <= LONGEST else f"{word[:60]}…{word[-60:]}" for word in sentence.split())
    return " ".join(words).encode("utf-8", "replace").decode()


def _fault(error: Exception, as_json: bool) -> int:
    said = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return _refuse(
        "Fault",
        f"a fault of tiepoint itself, not of your input ({said}); set {TRACE}=1 to see where, and report it with "
        "the files that led to it",
        as_json,
        FAULT,
    )


def _usage(error: Exception, arguments: Sequence[str]) -> str:
    path, command = _asked_for(arguments)
    said = error.format_message().rstrip(".")  # type: ignore[attr-defined]  # asked for before the call
    said = said.replace("Value error, ", "")
    said = f"{said[:1].lower() + said[1:]}"
    option = next((p for p in command.params if getattr(error, "option_name", None) in p.opts), None)
    if option is not None and option.metavar and "argument" in said:
        said = f"{option.opts[0]} takes {option.metavar}"
    if "valid integer" in said:
        said = f"{said.partition(':')[0]}; give a whole number, as in 12"
    if said.startswith("no such option: -") and _is_a_file(getattr(error, "option_name", None), arguments):
        said += "; a file whose name begins with a dash is named ./-…"
    if getattr(getattr(error, "param", None), "name", None) == "target_file":
        said += f"; {HOW_TO_GET_A_TARGET}"
    return f"{said}; see {path} --help"


def _is_a_file(option: str | None, arguments: Sequence[str]) -> bool:
    """Return whether an unknown option may have been meant as a file: a word with one dash and an ending."""
    return any(word.startswith(option or "-") and word[:2] != "--" and Path(word).suffix for word in arguments)


def _asked_for(arguments: Sequence[str]) -> tuple[str, Any]:
    """Return the path of the command that was asked for, as far as its words are known, and the command."""
    command: Any = typer.main.get_command(app)
    path = "tiepoint"
    for word in arguments:
        inner = getattr(command, "commands", {}).get(word)
        if inner is None:
            break
        command, path = inner, f"{path} {word}"
    return path, command


def _of_the_system(error: OSError) -> str:
    said = (error.strerror or str(error) or type(error).__name__).lower()
    if error.filename:
        return f"cannot use {error.filename}: {said}"
    if error.errno == errno.ENOENT:
        return "the working folder is gone; change to one that exists"
    return f"cannot write to standard output: {said}; if files were asked for and named, they are written"


def _speak_unicode(stream: object) -> None:
    """Make a stream hold ± and −: a console or a pipe in an old code page would lose the sign of a number."""
    encoding, change = getattr(stream, "encoding", None), getattr(stream, "reconfigure", None)
    if not encoding or change is None:
        return
    try:
        "±−µ°".encode(encoding)
    except UnicodeEncodeError:
        change(encoding="utf-8")
    change(errors="replace")
