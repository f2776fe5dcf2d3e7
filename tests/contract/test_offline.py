"""Installing from a bundle: by the real pip, with no network, and only what was collected."""

import ast
import base64
import hashlib
import importlib.util
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def offline():
    """Return the script as a module."""
    spec = importlib.util.spec_from_file_location("offline", ROOT / "offline.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def wheel(folder: Path, name: str, files: dict[str, str], more: dict[str, str] | None = None, needs: str = "") -> Path:
    """Write a package as the binary distribution format has it (PyPA specifications)."""
    about = f"{name}-1.0.dist-info"
    content = {
        **files,
        f"{about}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n{needs}",
        f"{about}/WHEEL": "Wheel-Version: 1.0\nGenerator: a test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        **{f"{about}/{key}": text for key, text in (more or {}).items()},
    }
    lines = []
    for path, text in content.items():
        sha = base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()
        lines.append(f"{path},sha256={sha},{len(text.encode())}\n")
    content[f"{about}/RECORD"] = "".join([*lines, f"{about}/RECORD,,\n"])
    made = folder / f"{name}-1.0-py3-none-any.whl"
    with zipfile.ZipFile(made, "w") as file:
        for path, text in content.items():
            file.writestr(path, text)
    return made


@pytest.fixture
def bundle(tmp_path, offline):
    """Return a bundle of two small packages in the place of the large ones."""
    made = tmp_path / "bundle"
    (made / "wheels").mkdir(parents=True)
    wheel(made / "wheels", "needed", {"needed.py": "WORD = 'vents'\n"})
    code = "import needed\ndef main():\n    print('tiepoint', needed.WORD)\n"
    wheel(made / "wheels", "tiepoint", {"tiepoint.py": code},
          {"entry_points.txt": "[console_scripts]\ntiepoint = tiepoint:main\n"},
          "Requires-Dist: needed\n")  # fmt: skip
    (made / "offline.py").write_bytes((ROOT / "offline.py").read_bytes())
    seal(made, offline)
    return made


def seal(made, offline):
    files = [path for path in sorted(made.rglob("*")) if path.is_file() and path.name != "SHA256SUMS"]
    sums = "".join(f"{offline.sha256(path)}  {path.relative_to(made).as_posix()}\n" for path in files)
    (made / "SHA256SUMS").write_text(sums)


def installed(bundle, where):
    # Whoever asked a network here would ask one that is not there.
    nowhere = dict.fromkeys(("HTTPS_PROXY", "HTTP_PROXY", "PIP_INDEX_URL"), "http://127.0.0.1:9")
    command = [sys.executable, str(bundle / "offline.py"), "install", str(where)]
    return subprocess.run(command, capture_output=True, text=True, env={**os.environ, **nowhere})


def test_it_installs_without_a_network_and_says_what_to_call(bundle, tmp_path):
    done = installed(bundle, tmp_path / "tool")
    assert done.returncode == 0, done.stderr
    program = Path(done.stderr.strip().splitlines()[-1].removeprefix("Done: "))
    said = subprocess.run([program], capture_output=True, text=True, check=True)
    assert said.stdout == "tiepoint vents\n"
    again = installed(bundle, tmp_path / "tool")
    assert (again.returncode, again.stderr.count("\n")) == (2, 1)
    assert "is there already" in again.stderr


def test_what_does_not_install_leaves_nothing(bundle, tmp_path, offline):
    (bundle / "wheels" / "needed-1.0-py3-none-any.whl").write_bytes(b"no package")
    seal(bundle, offline)
    done = installed(bundle, tmp_path / "tool")
    assert done.returncode == 2
    assert "could not be installed" in done.stderr
    assert not (tmp_path / "tool").exists()


def test_a_bundle_that_lacks_a_package_is_not_installed(bundle, tmp_path, offline):
    (bundle / "wheels" / "needed-1.0-py3-none-any.whl").unlink()
    seal(bundle, offline)
    done = installed(bundle, tmp_path / "tool")
    assert done.returncode == 2
    assert "lacks a package" in done.stderr
    assert not (tmp_path / "tool").exists()


def test_what_was_altered_on_its_way_is_not_installed(bundle, tmp_path, offline):
    package = bundle / "wheels" / "needed-1.0-py3-none-any.whl"
    package.unlink()
    wheel(bundle / "wheels", "needed", {"needed.py": "WORD = 'another'\n"})
    done = installed(bundle, tmp_path / "tool")
    assert done.returncode == 2
    assert "is not as it was collected" in done.stderr
    assert not (tmp_path / "tool").exists()
    package.unlink()
    done = installed(bundle, tmp_path / "tool")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "is not whole" in done.stderr


def test_a_bundle_is_made_whole_or_not_at_all(offline, tmp_path, monkeypatch):
    made = []

    def call(command, env=None):
        made.append(command)
        if "export" in command:
            Path(command[command.index("--output-file") + 1]).write_text("needed==1.0\n")
        return int(fails in command)

    monkeypatch.setattr(offline.subprocess, "call", call)
    fails = "wheel"
    with pytest.raises(SystemExit) as ended:
        offline.collect("uv", ROOT, tmp_path / "bundle")
    assert ended.value.code == 2
    assert list(tmp_path.iterdir()) == []

    fails = "nothing"
    assert offline.collect("uv", ROOT, tmp_path / "bundle.zip") == tmp_path / "bundle.zip"
    assert [path.name for path in tmp_path.iterdir()] == ["bundle.zip"]
    assert set(zipfile.ZipFile(tmp_path / "bundle.zip").namelist()) >= {
        "bundle/offline.py", "bundle/requirements.txt", "bundle/SHA256SUMS"
    }  # fmt: skip
    export, fetch, build = made[-3:]
    assert {"--frozen", "--no-dev", "--no-emit-project"} <= set(export)
    assert {"--require-hashes", "--no-deps"} <= set(fetch)
    assert build[:2] == ["uv", "build"]
    with pytest.raises(SystemExit):
        offline.collect("uv", ROOT, tmp_path / "bundle.zip")


def test_an_old_python_can_read_it_and_it_needs_nothing():
    text = (ROOT / "offline.py").read_text(encoding="utf-8")
    tree = ast.parse(text, feature_version=(3, 8))
    imported = {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    imported |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    assert imported <= sys.stdlib_module_names
