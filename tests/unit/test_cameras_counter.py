"""A count of parts never gives a number twice, whatever ends the program, and whatever is left of its file."""

import json
import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import pytest

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.cameras.counter import Counter
from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.cameras.parts import Parts


def test_it_counts_from_one(tmp_path):
    counter = Counter(tmp_path / "top.json", block=3)
    assert [counter.next() for _ in range(7)] == [1, 2, 3, 4, 5, 6, 7]
    assert counter.last == 7


def test_a_restart_skips_what_was_reserved_and_repeats_nothing(tmp_path):
    path = tmp_path / "top.json"
    first = [n for counter in [Counter(path, block=10)] for n in (counter.next(), counter.next())]
    again = Counter(path, block=10)
    assert first == [1, 2]
    assert again.next() == 11


def test_the_disk_knows_a_number_before_it_is_given(tmp_path):
    path = tmp_path / "top.json"
    counter = Counter(path, block=4)
    for _ in range(30):
        assert counter.next() <= json.loads(path.read_text())["reserved_to"]


def test_killed_at_any_moment_it_never_repeats(tmp_path):
    code = (
        "import sys; from pathlib import Path; from tiepoint.station.cameras.counter import Counter\n"
        "c = Counter(Path(sys.argv[1]), block=2)\n"
        "while True: print(c.next(), flush=True)"
    )
    given = []
    for lines in (3, 8, 5):
        with subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path / "top.json")], stdout=subprocess.PIPE, text=True
        ) as run:
            given += [int(run.stdout.readline()) for _ in range(lines)]
            run.kill()
            given += [int(line) for line in run.stdout if line.endswith("\n")]
        assert run.returncode in (-signal.SIGKILL, 1)
    assert len(given) >= 16
    assert given == sorted(set(given))


def test_two_that_count_in_one_file_do_not_give_the_same(tmp_path):
    path = tmp_path / "top.json"
    one, other = Counter(path, block=2), Counter(path, block=2)
    given = [counter.next() for _ in range(6) for counter in (one, other)]
    assert len(set(given)) == len(given)


@pytest.mark.parametrize(
    "text", ["", "{", '{"format": "tiepoint/counter/1"}', '{"format": "tiepoint/counter/1", "reserved_to": -1}']
)
def test_a_damaged_file_never_begins_the_count_anew(tmp_path, text):
    path = tmp_path / "top.json"
    path.write_text(text)
    with pytest.raises(UnusableDocument, match=r"top\.json"):
        Counter(path)


def test_a_place_that_cannot_be_written_gives_no_number(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UnusableInput):
        Counter(tmp_path / "file" / "top.json").next()


def test_threads_that_count_at_once_are_given_no_number_twice(tmp_path):
    """A wire's thread names the part of a trigger that cannot be answered, while the camera's own names another."""
    counter = Counter(tmp_path / "top.json", block=1)
    with ThreadPoolExecutor(4) as threads:
        numbers = [n for some in threads.map(lambda _: [counter.next() for _ in range(25)], range(4)) for n in some]
    assert len(set(numbers)) == 100


def test_two_shots_of_one_moment_have_ids_of_their_own(tmp_path):
    both = threading.Barrier(2)

    class Table(SimpleNamespace):
        @property
        def name(self):
            both.wait(60)  # both threads are in the midst of it
            return "top"

    parts = Parts(Table(named_by="code"), tmp_path)
    with ThreadPoolExecutor(2) as threads:
        made = list(threads.map(lambda _: parts.nothing(Trigger("t", 0), "no picture"), range(2)))
    assert len({delivery.id[-6:] for delivery in made}) == 2
