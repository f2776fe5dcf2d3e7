"""The tutorials and the README are followed, command by command, on the files that the demo leaves."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TUTORIALS = ROOT / "docs" / "tutorials"


def test_the_tutorials_and_then_the_readme_say_what_they_show(follow):
    pages = [TUTORIALS / name for name in ("the-demo.md", "first-millimetre.md")]
    assert sorted(TUTORIALS.glob("*.md")) == sorted(pages)
    for page in (*pages, ROOT / "README.md"):
        follow(page)


def test_a_page_that_lies_is_found_out(tmp_path, follow):
    page = tmp_path / "page.md"
    page.write_text("```console\n$ tiepoint --version\ntiepoint 99.0\n```\n")
    with pytest.raises(AssertionError, match=r"no line like 'tiepoint 99\.0'"):
        follow(page)
    page.write_text("```console\n$ tiepoint nonsense\n```\n")
    with pytest.raises(AssertionError, match="exit code 2"):
        follow(page)
