"""Who is at a page types no command: what the rooms say of one is said there in words of the pages."""

import ast
import re
from pathlib import Path

import pytest
from tests.helpers.plain_bore import plain_tie
from typer.main import get_command

import tiepoint
from tiepoint.cli.app import app
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import FLAGS, REASONS
from tiepoint.foundation.sources import Value
from tiepoint.station.duty.condition import NEXT as OF_FAULTS
from tiepoint.station.duty.condition import next_of
from tiepoint.station.duty.status import Status
from tiepoint.station.watch.kinds import NEXT as OF_ALARMS
from tiepoint.ties.grip import planar_robot_refusal
from tiepoint.ties.move import move
from tiepoint.ties.page import STATE_IT
from tiepoint.web.on_a_page import WORDS, on_a_page
from tiepoint.web.told import state_told

COMMANDS = "|".join(get_command(app).list_commands(None))
COMMAND = re.compile(rf"--[a-z]|\btiepoint ({COMMANDS})\b|\btie (target|move|views|pairs)\b")
PACKAGE = Path(tiepoint.__file__).parent
TOLD = (
    "station/watch/*.py", "station/duty/condition.py", "station/stages*.py", "station/verify.py", "station/ledger*.py",
    "station/accepted.py", "station/naming.py", "station/taking.py", "station/check.py", "targets/seen.py",
    "targets/document.py", "recipe/steps/find.py",
)  # fmt: skip
"""What pages show sentences of."""
WRITTEN = ("Written by tiepoint accept",)
"""Begins of texts that stand in files, and on no page."""


def sentences():
    with pytest.raises(UnusableInput) as refused:
        move(plain_tie(), Value(3.0, {}))
    return [str(refused.value), STATE_IT, FLAGS["print_not_measured"].sentence, planar_robot_refusal(plain_tie())]


def written_in(path):
    """Return all texts of a source file but its docstrings; what is filled in later is "x"."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    # A docstring, or a sentence that explains a constant, is an expression of its own.
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    whole = [node for node in ast.walk(tree) if isinstance(node, ast.Constant | ast.JoinedStr) and id(node) not in told]
    within = {id(part) for node in whole if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in whole:
        if isinstance(node, ast.JoinedStr):
            yield "".join(str(p.value) if isinstance(p, ast.Constant) else "x" for p in node.values)
        elif isinstance(node.value, str) and id(node) not in within:
            yield node.value


def test_what_a_newcomer_reads_of_a_tie_names_no_command():
    for says in sentences():
        assert COMMAND.search(says), says  # the rooms say it still so: else the words for it are dead
        assert not COMMAND.search(on_a_page(says)), says
        assert on_a_page(on_a_page(says)) == on_a_page(says)


def test_nothing_is_said_in_the_words_of_the_command_on_a_page():
    for _, page in WORDS:
        assert not COMMAND.search(page)


def test_what_an_alarm_or_a_fault_asks_for_names_no_command():
    asked = [*OF_ALARMS.values(), *OF_FAULTS.values()]
    assert sum(bool(COMMAND.search(says)) for says in asked) >= 5
    for says in asked:
        assert not COMMAND.search(on_a_page(says)), says


def test_what_the_rooms_say_to_pages_names_no_command_there():
    found = [says for pattern in TOLD for path in sorted(PACKAGE.glob(pattern)) for says in written_in(path)]
    named = [says for says in (*found, *REASONS.values()) if COMMAND.search(says) and not says.startswith(WRITTEN)]
    assert len(named) >= 20
    assert [says for says in named if COMMAND.search(on_a_page(says))] == []


def test_every_word_stands_for_something_that_is_said():
    files = [path for path in sorted(PACKAGE.rglob("*.py")) if path.name != "on_a_page.py"]
    said = [*(says for path in files for says in written_in(path)), *sentences()]
    assert [command for command, _ in WORDS if not any(command in says for says in said)] == []


@pytest.mark.parametrize("status", [
    None,
    Status(1, "2026-11-27T08:00:00Z", 0, 0, {"state": "off duty", "says": ""}, is_fresh=False),
    Status(1, "2026-11-27T08:00:00Z", 0, 0, {"state": "on duty", "says": ""}, is_fresh=False),
    Status(1, "2026-11-27T08:00:00Z", 0, 0, {"state": "fault", "fault": "set-up", "says": "x"}, is_fresh=True),
])  # fmt: skip
def test_the_state_says_what_to_do_without_a_command(status):
    told = state_told(status)
    assert told["next"]
    assert not COMMAND.search(f"{told['says']} {told['next']}")
    if status is not None and status.is_fresh:
        assert COMMAND.search(next_of("set-up"))  # as a terminal is told it
