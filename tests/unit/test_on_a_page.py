"""Who is at a page types no command: what the rooms say of one is said there in words of the pages."""

import re

import pytest
from tests.helpers.plain_bore import plain_tie

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.sources import Value
from tiepoint.ties.grip import planar_robot_refusal
from tiepoint.ties.move import move
from tiepoint.ties.page import STATE_IT
from tiepoint.web.on_a_page import WORDS, on_a_page

COMMAND = re.compile(r"--[a-z]|tiepoint [a-z]|\btie (target|move|views|pairs)\b")


def sentences():
    with pytest.raises(UnusableInput) as refused:
        move(plain_tie(), Value(3.0, {}))
    return [str(refused.value), STATE_IT, FLAGS["print_not_measured"].sentence, planar_robot_refusal(plain_tie())]


def test_what_a_newcomer_reads_of_a_tie_names_no_command():
    for says in sentences():
        assert COMMAND.search(says), says  # the rooms say it still so: else the words for it are dead
        assert not COMMAND.search(on_a_page(says)), says
        assert on_a_page(on_a_page(says)) == on_a_page(says)


def test_nothing_is_said_in_the_words_of_the_command_on_a_page():
    for _, page in WORDS:
        assert not COMMAND.search(page)
