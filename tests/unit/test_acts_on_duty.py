"""What people may do to a station on duty stands in several places; here each is held against the others."""

import ast
import inspect
from typing import get_args

from tiepoint.cli.answer import InOrderOfTheJob
from tiepoint.cli.duty import app
from tiepoint.station.duty import acts
from tiepoint.web.acts import Act

NO_ACTS = {"state"}
"""Commands that only look."""


def names() -> set[str]:
    """Return the acts that the module itself names, by its source."""
    tree = ast.parse(inspect.getsource(acts))
    values = [line.value for line in tree.body if isinstance(line, ast.Assign)]
    return {text for value in values for text in ast.literal_eval(value)}


def test_every_act_is_a_command_and_no_command_is_an_act_that_duty_does_not_know():
    assert {c.name or c.callback.__name__ for c in app.registered_commands} - NO_ACTS == names()
    assert names() <= set(InOrderOfTheJob.ORDER)


def test_the_web_takes_every_act():
    assert set(get_args(Act.model_fields["act"].annotation)) == names()
