"""The program's way in: listen to who wants to stop it, then do what was asked.

It imports next to nothing, so that a stop is heard from the first moment on; all else stands in `cli/app.py`.
"""

import sys

from tiepoint.cli import stop


def main(words: list[str] | None = None) -> int:
    """Run the command line and return its exit code. A caller that passes words keeps its own handlers of signals."""
    if words is not None:
        return _carry_out(words)
    try:
        stop.listen()
        code = _carry_out(sys.argv[1:])
        stop.leave()
    except stop.Stopped as stopped:
        stop.leave(stopped=True)
        _say_stopped()
        return stopped.code
    return code


def _carry_out(words: list[str]) -> int:
    from tiepoint.cli.app import carry_out  # most of a start's time is spent here

    return carry_out(words)


def _say_stopped() -> None:
    from tiepoint.cli.app import say_stopped

    say_stopped("--json" in sys.argv)


if __name__ == "__main__":
    sys.exit(main())
