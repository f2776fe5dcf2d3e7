"""Collect all that tiepoint is made of into one folder, and install it from there on a machine without a network.

    python start.py bundle FOLDER        where there is a network, from a checkout; FOLDER.zip makes one file of it
    python offline.py install WHERE      in that folder, on the other machine: makes an environment of its own in WHERE

Every package is the one of the committed lock, by its hash, and every file of the bundle is held against SHA256SUMS;
nothing is fetched when it is installed, and nothing is put into the system's Python. Both machines need the same kind
of system and processor and the same Python (3.11, 3.12 or 3.13): packages are built for these. Written for Python 3.8,
so that an older Python gets a sentence.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent
WHEELS, LOCKED, SUMS = "wheels", "requirements.txt", "SHA256SUMS"
OLDEST, NEWEST = (3, 11), (3, 13)
PIP = [sys.executable, "-m", "pip"]
EXTRAS = ("postgresql", "smb")


def main(words: list[str]) -> int:
    """Install, or explain; return the exit code."""
    if len(words) == 2 and words[0] == "install":
        install(ROOT, Path(words[1]))
        return 0
    print((__doc__ or "").strip())
    return 0 if words in (["-h"], ["--help"]) else 2


# --- where there is a network ---------------------------------------------------------------------------------------


def collect(uv: str, root: Path, asked: Path) -> Path:
    """Make the bundle of a checkout and return it: a folder, or with the ending .zip one file."""
    demand_python()
    zipped = asked.suffix == ".zip"
    folder = asked.with_suffix("") if zipped else asked
    if folder.exists() or asked.exists():
        stop(f"{asked if asked.exists() else folder} is there already; name another, or take it away.")
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=str(folder.parent)))  # two at once do not meet
    (part / WHEELS).mkdir()
    try:
        _fill(uv, root, part)
        part.chmod(0o755)
        part.replace(folder)
    finally:
        shutil.rmtree(str(part), ignore_errors=True)
    if not zipped:
        return folder
    shutil.make_archive(str(folder), "zip", str(folder.resolve().parent), folder.name)
    shutil.rmtree(str(folder))
    return asked


def _fill(uv: str, root: Path, part: Path) -> None:
    extras = [word for name in EXTRAS for word in ("--extra", name)]
    lock = [uv, "export", "--project", str(root), "--frozen", "--no-dev", "--no-emit-project", *extras, "--quiet"]
    _do([*lock, "--format", "requirements.txt", "--output-file", str(part / LOCKED)], "the lock could not be read")
    # By the lock's hashes; of the few packages that are given as source alone, a package is built here.
    locked = ["--no-deps", "--require-hashes", "--requirement", str(part / LOCKED)]
    fetch = [*PIP, "wheel", "--quiet", "--disable-pip-version-check", "--wheel-dir", str(part / WHEELS), *locked]
    _do(fetch, "not all packages could be fetched; the usual cause is no network, or a proxy that is not set")
    build = [uv, "build", "--quiet", "--wheel", "--out-dir", str(part / WHEELS), str(root)]
    _do(build, "tiepoint's own package could not be built")
    (part / WHEELS / ".gitignore").unlink(missing_ok=True)
    shutil.copy(str(root / "offline.py"), str(part))
    lines = [
        f"{sha256(path)}  {path.relative_to(part).as_posix()}\n" for path in sorted(part.rglob("*")) if path.is_file()
    ]
    (part / SUMS).write_text("".join(lines), encoding="utf-8")


# --- where there is none --------------------------------------------------------------------------------------------


def install(bundle: Path, where: Path) -> None:
    """Make an environment from a bundle, whole or with a sentence; say what to call."""
    demand_python()
    demand_whole(bundle)
    if where.exists() and any(where.iterdir()):
        stop(f"{where} is there already and holds something; name another folder, or take it away.")
    say(f"Making tiepoint's environment in {where}; no network is used.")
    # A person's or a plant's settings for pip name an index, or installs for a user: neither is meant here.
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("PIP_", "PYTHON"))}
    environment.update(PIP_NO_INDEX="1", PIP_CONFIG_FILE=os.devnull, PIP_DISABLE_PIP_VERSION_CHECK="1")
    try:
        made = "the environment could not be made; on Debian and Ubuntu that needs apt install python3-venv"
        _do([sys.executable, "-m", "venv", str(where)], made, environment)
        programs = where.resolve() / ("Scripts" if os.name == "nt" else "bin")
        packages = [str(path) for path in sorted((bundle / WHEELS).glob("*.whl"))]
        _do(
            [str(programs / "python"), "-m", "pip", "install", "--quiet", "--no-deps", *packages],
            "the packages could not be installed; were they collected on the same kind of system, by the same Python?",
            environment,
        )
        _do([str(programs / "python"), "-m", "pip", "check"], "the bundle lacks a package", environment)
        _do([str(programs / "tiepoint"), "--version"], "what was installed does not run", environment)
    except BaseException:
        shutil.rmtree(str(where), ignore_errors=True)
        raise
    say(f"Done: {programs / 'tiepoint'}")


def demand_whole(bundle: Path) -> None:
    """Stop where a file of the bundle is missing or altered."""
    try:
        lines = (bundle / SUMS).read_text(encoding="utf-8").splitlines()
        wrong = [name for sha, _, name in (line.partition("  ") for line in lines) if sha256(bundle / name) != sha]
    except OSError as error:
        stop(f"The bundle is not whole ({error}); copy it once more.")
    if wrong:
        stop(f"{wrong[0]} of the bundle is not as it was collected; copy it once more.")


def demand_python() -> None:
    """Stop where this Python cannot carry tiepoint."""
    if not OLDEST <= sys.version_info[:2] <= NEWEST or sys.maxsize <= 2**32:
        stop("tiepoint needs a 64-bit Python 3.11, 3.12 or 3.13; run this again with one of them.")


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hex."""
    hashed = hashlib.sha256()
    with path.open("rb") as file:
        for block in iter(lambda: file.read(1 << 20), b""):
            hashed.update(block)
    return hashed.hexdigest()


def _do(command: list[str], otherwise: str, environment: dict[str, str] | None = None) -> None:
    """Run a command; stop with a sentence where it fails."""
    if subprocess.call(command, env=environment):
        stop(f"{otherwise[:1].upper()}{otherwise[1:]}; what was said stands above. Nothing is left of it.")


def say(sentence: str) -> None:
    """Tell the person."""
    print(sentence, file=sys.stderr, flush=True)


def stop(sentence: str) -> None:
    """End with a sentence and exit code 2."""
    say(sentence)
    sys.exit(2)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
