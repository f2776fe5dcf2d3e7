"""Make tiepoint's own environment from the committed lock, then run it.

    python start.py demo ...     the whole job on the simulated station
    python start.py test ...     the tests; what follows goes to pytest
    python start.py bundle DIR   all that a machine without a network needs (docs/how-to/install-without-network.md)
    python start.py WORD ...     the same as `tiepoint WORD ...`

Needs Python and pip and nothing else: no rights, no `venv` module, and nothing is put into the system's
Python, so it also works where that one is externally managed (PEP 668). Written for Python 3.8, so that an
older Python gets a sentence or a newer interpreter, and not a syntax error.
"""

from __future__ import annotations

import importlib
import os
import platform
import re
import shutil
import signal
import subprocess
import sys
import sysconfig
from pathlib import Path

ROOT = Path(__file__).resolve().parent
UV = "0.13.9"
TOOL = ROOT / ".tool" / f"uv-{UV}"
OLDEST_UV = (0, 6)
OLDEST, NEWEST = (3, 11), (3, 13)


def main(words: list[str]) -> int:
    """Make the environment and pass the words on; return the exit code of what ran."""
    if not words or words[0] in ("-h", "--help"):
        print((__doc__ or "").strip())
        return 0 if words else 2
    uv = installed_uv() or own_uv()
    if words[0] == "bundle":
        return bundle(uv, words[1:])
    environment = dict(os.environ)
    # Another environment that happens to be active is none of ours, and uv would warn about it.
    environment.pop("VIRTUAL_ENV", None)
    testing = words[0] == "test"
    make_environment(uv, environment, testing)
    command = ["pytest", *words[1:]] if testing else ["tiepoint", *words]
    run = [uv, "run", "--project", str(ROOT), "--no-sync", *command]
    return pass_on(run, env=environment, cwd=str(ROOT) if testing else None)


def bundle(uv: str, words: list[str]) -> int:
    """Collect what a machine without a network needs; return the exit code."""
    if len(words) != 1:
        stop("Name the new folder, or the new file: python start.py bundle tiepoint.zip")
    sys.path.insert(0, str(ROOT))
    made = importlib.import_module("offline").collect(uv, ROOT, Path(words[0]))
    say(f"Done: {made}. On the other machine: python offline.py install WHERE, in the folder that it holds.")
    return 0


def pass_on(command: list[str], env: dict[str, str], cwd: str | None) -> int:
    """Run a command and return its exit code; a request to stop that comes to this process alone goes on to it."""
    with subprocess.Popen(command, env=env, cwd=cwd) as child:

        def ask(number: int, _frame: object) -> None:
            child.send_signal(number)

        # A Ctrl-C comes to both anyway; what the child makes of either is its own affair.
        signal.signal(signal.SIGTERM, ask)
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        code = child.wait()
    return code if code >= 0 else 128 - code


def installed_uv() -> str | None:
    """Return the uv on PATH if it runs and is young enough to read the lock."""
    found = shutil.which("uv")
    if found is None:
        return None
    try:
        said = subprocess.run([found, "--version"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False)
    except OSError:
        return None
    version = re.match(rb"uv (\d+)\.(\d+)", said.stdout)
    return found if version and tuple(int(part) for part in version.groups()) >= OLDEST_UV else None


def own_uv() -> str:
    """Return this checkout's own uv, fetched once with pip into `.tool`."""
    if not (TOOL / "uv").is_dir():
        fetch_uv()
    sys.path.insert(0, str(TOOL))
    importlib.invalidate_caches()
    return str(importlib.import_module("uv").find_uv_bin())


def fetch_uv() -> None:
    """Install uv into `.tool`, whole or not at all; `--target` is allowed where Python is externally managed."""
    pip, quiet = [sys.executable, "-m", "pip"], subprocess.DEVNULL
    if subprocess.call([*pip, "--version"], stdout=quiet, stderr=quiet):
        stop(
            f"This Python ({sys.executable}) has no pip. Install it (Debian, Ubuntu: apt install python3-pip), "
            "or install uv, then run this again."
        )
    say(f"Fetching uv {UV}, which makes the environment, into {TOOL.parent} (once).")
    part = TOOL.with_name(f"{TOOL.name}.part")
    shutil.rmtree(str(part), ignore_errors=True)
    # A person's setting `user = true` for pip contradicts --target.
    environment = dict(os.environ, PIP_USER="0", PIP_ROOT_USER_ACTION="ignore", PIP_DISABLE_PIP_VERSION_CHECK="1")
    if subprocess.call([*pip, "install", "--quiet", "--target", str(part), f"uv=={UV}"], env=environment):
        stop(
            "uv could not be fetched; what pip said stands above. The usual cause is no network, or a proxy that "
            "is not set (HTTPS_PROXY). Mend that, or install uv yourself, then run this again."
        )
    part.replace(TOOL)


def make_environment(uv: str, environment: dict[str, str], testing: bool = False) -> None:
    """Bring `.venv` in line with the committed lock; stop with a sentence where that fails.

    What only the tests and who changes the code need is added when `testing`, and stays from then on.
    """
    fresh = not (ROOT / ".venv").is_dir()
    sync = [uv, "sync", "--project", str(ROOT), "--frozen", *([] if testing else ["--no-dev", "--inexact"])]
    if fresh:
        say(f"Making tiepoint's own environment in {ROOT / '.venv'} (once, some minutes).")
        if suitable():
            sync += ["--python", sys.executable]
    else:
        sync.append("--quiet")
    if subprocess.call(sync, env=environment) == 0:
        return
    if "UV_SYSTEM_CERTS" not in environment:
        # Company networks sign with a certificate that only the operating system knows.
        say("Once more, with the certificates of the operating system.")
        if subprocess.call(sync, env=dict(environment, UV_SYSTEM_CERTS="true")) == 0:
            return
    if fresh and not suitable():
        stop(
            f"This is {platform.python_implementation()} {platform.python_version()}; tiepoint needs a 64-bit CPython "
            "3.11, 3.12 or 3.13, and uv could neither find nor fetch one (what it said stands above). Install Python "
            "3.12 and run this again with it."
        )
    stop(
        "The environment could not be made; what uv said stands above. The usual cause is no network, a proxy that "
        "is not set (HTTPS_PROXY), or a full disk. Mend that and run this again; nothing else is needed."
    )


def suitable() -> bool:
    """Return whether the running Python can carry the environment itself."""
    return (
        platform.python_implementation() == "CPython"
        and OLDEST <= sys.version_info[:2] <= NEWEST
        and sys.maxsize > 2**32
        and not sysconfig.get_config_var("Py_GIL_DISABLED")
    )


def say(sentence: str) -> None:
    """Tell the person; standard output belongs to what runs afterwards."""
    print(sentence, file=sys.stderr, flush=True)


def stop(sentence: str) -> None:
    """End with a sentence and exit code 2."""
    say(sentence)
    sys.exit(2)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
