"""What holds the house together: import order, registered codes, derived pages, a light start."""

import ast
import importlib.util
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tiepoint.foundation.reasons import FLAGS, REASONS

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "tiepoint"
HEAVY = ("cv2", "numba", "numpy", "scipy", "pydantic", "PIL", "reportlab", "skimage", "rich")


def test_rooms_import_one_way():
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"Contracts: \d+ kept, 0 broken", done.stdout)


def test_every_room_has_its_place_in_the_order_and_on_the_page():
    rooms = {path.parent.name for path in SOURCE.glob("*/__init__.py")}
    held = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]
    layers, beside, users = held[:3]
    order = [layer.replace("tiepoint.", "") for layer in layers["layers"]]
    # Rooms of one layer stand beside one another, and do not know each other.
    assert {*(name for layer in order for name in layer.split(" | ")), "render"} == rooms
    targets = {path.stem for path in (SOURCE / "targets").glob("*.py")} - {"__init__", "draw"}
    shut = {*rooms, *(f"targets.{name}" for name in targets)} - {"render", "foundation", "targets"}
    assert {name.removeprefix("tiepoint.") for name in beside["forbidden_modules"]} == shut
    kept_away = {name.removeprefix("tiepoint.") for name in users["source_modules"]}
    assert kept_away == rooms - {"cli", "bench", "plan", "render"}
    page = (ROOT / "docs" / "explanations" / "rooms.md").read_text(encoding="utf-8")
    assert f"`{' → '.join(order)}`" in page
    assert set(re.findall(r"^  (\w+)/  ", page, re.M)) == rooms


def calls() -> Iterator[tuple[Path, ast.Call]]:
    for path in sorted(SOURCE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                yield path, node


def constants(node: ast.AST) -> set[str]:
    """Return the text that an expression is, or may be where it is a condition."""
    if isinstance(node, ast.IfExp):
        return constants(node.body) | constants(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


def codes_in_calls(name: str) -> set[str]:
    """Return the text constants in the first argument of all calls of that name."""
    found: set[str] = set()
    for _, call in calls():
        called = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", None)
        if called == name and call.args:
            found |= constants(call.args[0])
    return found


def flags_by_keyword() -> set[str]:
    """Return the text constants in all `flags=` arguments."""
    return {
        node.value
        for _, call in calls()
        for keyword in call.keywords
        if keyword.arg == "flags"
        for node in ast.walk(keyword.value)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def test_every_code_in_the_source_is_registered():
    assert codes_in_calls("Reason"), "the search finds no reason at all: it is broken"
    assert codes_in_calls("Reason") <= REASONS.keys()
    assert codes_in_calls("flag") | flags_by_keyword() <= FLAGS.keys()


def test_every_registered_code_is_used():
    text = "\n".join(p.read_text(encoding="utf-8") for p in SOURCE.rglob("*.py") if p.name != "reasons.py")
    unused = [code for code in (*REASONS, *FLAGS) if f'"{code}"' not in text]
    assert unused == []


@pytest.mark.parametrize(
    ("codes", "sentences"),
    [
        (list(REASONS), list(REASONS.values())),
        (list(FLAGS), [s for f in FLAGS.values() for s in (f.sentence, f.why)]),
    ],
    ids=["reasons", "flags"],
)
def test_the_registries_are_sorted_and_speak_in_sentences(codes, sentences):
    assert codes == sorted(codes)
    for sentence in sentences:
        assert sentence[0].isupper() or sentence[0] == "{"
        assert sentence.endswith(".")


def test_a_flag_in_short_fits_a_row_of_a_table():
    for told in FLAGS.values():
        assert 0 < len(told.short) <= 40
        assert not told.short.endswith(".")


def build_module():
    spec = importlib.util.spec_from_file_location("docs_build", ROOT / "docs" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_derived_pages_are_current():
    for path, text in build_module().pages().items():
        assert path.read_text(encoding="utf-8") == text, f"{path.name} is out of date: uv run python docs/build.py"


def links() -> list[tuple[Path, str]]:
    pages = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]
    found = [(page, link) for page in pages for link in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8"))]
    return [(page, link) for page, link in found if not link.startswith(("http:", "https:", "mailto:"))]


def test_links_in_the_docs_lead_somewhere():
    assert links()
    assert [f"{page.name}: {link}" for page, link in links() if not (page.parent / link).exists()] == []


def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from tiepoint.cli.main import main\n"
        "assert main(['--help']) == 0\n"
        f"sys.exit(','.join(m for m in {HEAVY!r} if m in sys.modules) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    assert "From a photograph to a millimetre" in done.stdout


def test_what_measures_no_value_compiles_nothing():
    # Numba takes half a second to import; a target can be measured and described without.
    code = "import sys, tiepoint.targets.paper, tiepoint.targets.document; sys.exit('numba' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_project_names_no_place_outside_itself():
    # Paths of one machine, and papers that lay beside a checkout, mean nothing to a reader.
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a checkout of git: nothing lists the project's own files")
    wrong = re.compile(
        r"(?<!\w)/(?:work|root|home)/[a-z]|shared/(?:mock|[A-Z]+\.md)"
        r"|\b(?:TRADE|METHODS|CONTRACTS)\b|\b(?:DESIGN|STYLE)\.md|\b[Tt]rade[- ]notes|_trade_(?:s|notes)\b"
    )
    named = []
    for name in filter(None, listed.stdout.decode().split("\0")):
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".json", ".css", ".js", ".html", ".csv", ""} and path.is_file():
            text = path.read_text(encoding="utf-8", errors="ignore")
            named += [f"{name}: {hit}" for hit in wrong.findall(text) if name != "tests/contract/test_house.py"]
    assert named == []


def test_kernels_that_may_reorder_sums_are_the_same_wherever_they_are_called():
    # Compiled within each caller, one copy may add in another order than the next, and which copy is linked differs
    # between the run that compiles and those that load: a shot's record would then have another hash the second time.
    loose = [line for path in (ROOT / "src").rglob("*.py") for line in path.read_text(encoding="utf-8").splitlines()
             if "njit(" in line and "fastmath" in line]  # fmt: skip
    assert loose
    assert [line for line in loose if "forceinline=True" not in line] == []
