"""The how-to on running a station: its commands, its tables, and that it names every state and every fault."""

import re
import tomllib
from pathlib import Path
from typing import get_args

from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

from tiepoint.station.duty.table import DutyTable
from tiepoint.station.wires.wire import State

ROOT = Path(__file__).resolve().parents[2]
PATH = ROOT / "docs" / "how-to" / "run-a-station.md"
PAGE = PATH.read_text(encoding="utf-8")


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    new_station(tmp_path / "plates", plain_tie())
    follow(PATH)
    assert not (tmp_path / "config").exists()  # it was only shown


def test_its_tables_are_tables_of_duty():
    blocks = [tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", PAGE, re.S)]
    told = [block["duty"] for block in blocks]
    assert len(told) == 4
    read = [DutyTable.read(table, "") for table in told]
    assert {"challenge", "rule", "reject", "deadline_ms"} <= {key for table in told for key in table}
    assert read[0].deadline_ms == 500


def rows(title):
    part = PAGE.split(f"## {title}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `([^`]+)` \|", part, re.M)


def test_it_names_every_state():
    assert sorted(rows("Go on duty")) == sorted(get_args(State))


def test_it_names_every_act_of_people_as_it_is_typed():
    from tiepoint.cli.duty import app

    commands = {command.name or command.callback.__name__ for command in app.registered_commands}
    assert len(commands) >= 8
    assert set(re.findall(r"tiepoint duty ([a-z]+)", PAGE)) == commands


def test_it_names_every_fault():
    # The names stand where faults begin; a fault of a name that nobody can look up is of no use.
    source = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "src/tiepoint/station").rglob("*.py"))
    named = set(re.findall(r'(?:condition\.fault|_troubled)\(f?"([a-z-]+(?: \{[\w.]+\})?)"', source))
    assert len(named) >= 5
    assert {re.sub(r"\{.*\}", "NAME", name) for name in named} == set(rows("Faults by name"))


def test_every_key_of_duty_stands_among_the_files():
    page = (ROOT / "docs" / "reference" / "files.md").read_text(encoding="utf-8")
    part = page.split("### `[duty]`\n")[1].split("\n###")[0]
    told = " ".join(re.findall(r"^\| `([^`]+)`", part, re.M))
    plain = {key for key, field in DutyTable.model_fields.items() if not hasattr(field.annotation, "model_fields")}
    for key in plain:
        assert key in told.replace("[[duty.rule]]", "rule"), key
    for key in ("labels", "every_h", "after", "of", "like"):
        assert re.search(rf"\b{key}\b", told), key
