"""The how-to on proving a robot: its tables, commands and example run."""

import re
from pathlib import Path

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "prove-the-robot.md"
PAGE = PATH.read_text(encoding="utf-8")


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    follow(PATH)
    assert (tmp_path / "touch.pdf").read_bytes().startswith(b"%PDF-")
    assert (tmp_path / "belt.json").is_file()


def test_the_example_of_the_page_holds():
    (example,) = re.findall(r"^```python\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    exec(compile(example, "prove-the-robot.md", "exec"), {})


def test_the_shares_that_the_page_names_are_those_of_no_failure_in_n():
    # One-sided 95 % bound without a failure in n: 0.05^(1/n) (Clopper & Pearson 1934).
    assert [round(100 * 0.05 ** (1 / n)) for n in (6, 12)] == [61, 78]
    assert "61 %" in PAGE
    assert "78 %" in PAGE
