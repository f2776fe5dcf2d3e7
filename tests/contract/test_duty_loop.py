"""The duty loop, with real processes that judge, a real ledger, and a camera and a wire that are played by hand."""

import multiprocessing
import os
import signal
import threading
import time

import pytest
from tests.helpers.made_line import Running, png
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import RECIPE, new_station

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.records import record_from, record_json
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger, utc_now


@pytest.fixture
def vent(tmp_path):
    return new_station(tmp_path / "station", plain_tie())


def on_duty(vent, duty="", variant="thin", deadline_ms=60_000):
    """Accept the drafts of a station and return it, with what its section of duty says."""
    toml = vent.folder / "station.toml"
    head = f'\n[duty]\nworkers = 1\ndeadline_ms = {deadline_ms}\nvariant = "{variant}"\n'
    toml.write_text(toml.read_text() + head + duty)
    station = open_station(vent.folder)
    accept(station, [draft_of(station, vent.recipe)], who="M. Weiss", why="first")
    return station


def shot(vent, k):
    return png(vent.shots / f"vent-{k}.png")


RULES = "".join(f'[[duty.rule]]\nlike = "{like}"\nvariant = "{v}"\n' for like, v in (("W-*", "wide"), ("p*", "thin")))


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """A station on duty, as long as this file is tested: to begin one takes seconds."""
    vent = new_station(tmp_path_factory.mktemp("duty") / "station", plain_tie())
    with Running(on_duty(vent, RULES)) as line:
        line.wire.until("on duty")
        yield vent, line
    assert line.error is None


class TestJudging:
    def test_a_part_is_in_the_ledger_before_it_is_told_and_what_is_told_is_what_stands_there(self, running):
        vent, line = running
        line.camera.show("a", shot(vent, 0), part_id="p1")
        line.camera.show("b", shot(vent, 2), part_id="p2")
        told = [line.wire.of("a"), line.wire.of("b")]
        with Ledger(line.duty.station.ledger_path) as ledger:
            seen = [record_from(e.body) for e in ledger.entries("record") if e.body["shot"]["id"] in ("a", "b")]
            assert ledger.check().holds
        assert [r.verdict for r in told] == ["conforms", "rejected"]
        assert [(r.sha, r.seq, r.shot.part_id, r.variant, r.verdict) for r in told] == [
            (r.sha, r.seq, r.shot.part_id, r.variant, r.verdict) for r in seen
        ]
        assert [r.value for r in told[0].readings] == [r.value for r in seen[0].readings]
        assert all(r.sources for r in seen[0].readings)
        # Its hash is that of any record: the reader works it out from the content.
        assert record_json(seen[0])["sha"] == seen[0].sha

    def test_the_trigger_tells_the_variant_and_a_rule_does_where_it_does_not(self, running):
        vent, line = running
        line.camera.show("va", shot(vent, 2), part_id="W-7")
        line.camera.show("vb", shot(vent, 2), part_id="W-8", variant="thin")
        line.camera.show("vc", shot(vent, 2), part_id="T-1")
        line.camera.show("vd", shot(vent, 2), part_id="T-1", variant="broad")
        a, b, c, d = (line.wire.of(f"v{name}") for name in "abcd")
        assert (a.variant, a.verdict, b.variant, b.verdict) == ("wide", "conforms", "thin", "rejected")
        assert (c.verdict, d.verdict) == ("unread", "unread")
        assert "whose variant nothing tells" in c.notes[0]
        assert '"broad"' in d.notes[0]

    def test_what_is_no_whole_shot_is_unread_and_the_station_goes_on(self, running):
        vent, line = running
        line.camera.show("torn", shot(vent, 0)[:2000], part_id="p1")
        line.camera.show(
            "twice", shot(vent, 0), part_id="p1", status="repeated", why="it is the same as the one before"
        )
        line.camera.show("good", shot(vent, 0), part_id="p1")
        torn, twice, good = (line.wire.of(name) for name in ("torn", "twice", "good"))
        assert (torn.verdict, torn.readings[0].reason.code) == ("unread", "shot_unreadable")
        assert (twice.verdict, twice.readings[0].reason.code) == ("unread", "shot_not_complete")
        assert twice.notes[-1] == "The shot is repeated: it is the same as the one before."
        assert good.verdict == "conforms"

    def test_a_lost_camera_is_a_fault_that_ends_by_itself(self, running):
        _, line = running
        line.camera.link = ("away", "it has not answered for 3 s")
        line.wire.until("fault", fault="camera top")
        line.camera.link = ("joined", "")
        line.wire.until("on duty")

    def test_a_process_that_dies_leaves_its_part_unread_and_another_takes_its_place(self, running):
        vent, line = running
        (process,) = multiprocessing.active_children()
        process.kill()
        process.join()
        line.camera.show("killed", shot(vent, 0), part_id="p1")
        killed = line.wire.of("killed")
        line.camera.show("after", shot(vent, 0), part_id="p1")  # it waits for the next process
        after = line.wire.of("after")
        assert (killed.verdict, killed.readings[0].reason.code) == ("unread", "shot_not_judged")
        assert "ended by itself" in killed.readings[0].reason.sentence
        assert after.verdict == "conforms"

    def test_what_is_accepted_is_run_from_then_on_and_nothing_conforms_while_it_warms_up(self, running):
        vent, line = running
        line.camera.show("before", shot(vent, 2), part_id="p1")
        assert line.wire.of("before").verdict == "rejected"
        vent.recipe.write_text(RECIPE.replace("plus = 0.1", "plus = 0.5"))
        accept(line.duty.station, [draft_of(line.duty.station, vent.recipe)], who="M. Weiss", why="wider")
        line.duty.later(line.duty.renew)
        line.wire.until("warming")
        line.camera.show("meanwhile", shot(vent, 2), part_id="p1")
        line.wire.until("on duty")
        line.camera.show("since", shot(vent, 2), part_id="p1")
        assert line.wire.of("since").verdict == "conforms"
        assert line.wire.of("meanwhile").verdict == "unread"


class TestInTime:
    def test_a_part_that_is_judged_too_late_is_unread_and_so_is_a_trigger_whose_picture_does_not_come(self, vent):
        with Running(on_duty(vent, deadline_ms=400)) as line:
            line.wire.until("on duty")
            line.camera.show("old", shot(vent, 0), taken_mono_ns=time.monotonic_ns() - 500_000_000)
            old = line.wire.of("old")
            assert line.wire.triggered(Trigger("t1", time.monotonic_ns(), part_id="p9"))
            asked_utc = utc_now()
            missed = line.wire.of("top-t1")
            assert missed.shot.taken_utc <= asked_utc  # its time counts from its trigger, not from when it was given up
            line.camera.show("s1", shot(vent, 0), trigger="t1")  # it comes after all
            line.wire.wait(lambda me: len(me.results) == 3)
            late = line.wire.results[2].record
            with Ledger(line.duty.station.ledger_path) as ledger:  # what was not looked at is read back like any other
                assert [record_from(e.body).verdict for e in ledger.entries("record")] == ["unread"] * 3
            assert line.camera.triggers[0].part_id == "p9"
        assert (old.verdict, old.readings[0].reason.code) == ("unread", "shot_late")
        assert old.readings[0].reason.params["deadline_ms"] == 400
        assert (missed.verdict, missed.shot.part_id, missed.shot.status) == ("unread", "p9", "incomplete")
        assert (late.verdict, late.shot.status) == ("unread", "late")

    def test_a_process_that_does_not_even_take_its_part_is_ended_and_another_judges_on(self, vent):
        before = set(multiprocessing.active_children())
        with Running(on_duty(vent, deadline_ms=2000)) as line:
            line.wire.until("on duty")
            (process,) = set(multiprocessing.active_children()) - before
            os.kill(process.pid, signal.SIGSTOP)
            line.camera.show("large", shot(vent, 0) + bytes(20_000_000), part_id="p1")  # more than any pipe holds
            assert line.wire.of("large").verdict == "unread"
            process.join()
            # Until the next one is ready, parts are late.
            assert any(self._verdict(line, vent, k) == "conforms" for k in range(60))

    @staticmethod
    def _verdict(line, vent, k):
        line.camera.show(f"next-{k}", shot(vent, 0), part_id="p1")
        return line.wire.of(f"next-{k}").verdict

    def test_more_parts_than_may_wait_are_unread_at_once_and_all_are_in_the_ledger(self, vent):
        station = on_duty(vent, "waiting = 2\n")
        with Running(station) as line:
            line.wire.until("on duty")
            for k in range(8):
                line.camera.show(f"s{k}", shot(vent, 0))
            records = [line.wire.of(f"s{k}") for k in range(8)]
            with Ledger(station.ledger_path) as ledger:
                assert len(list(ledger.entries("record"))) == 8
        codes = [r.readings[0].reason.code if r.readings[0].reason else r.verdict for r in records]
        assert set(codes) == {"conforms", "shot_too_many"}
        assert codes[0] == "conforms"

    def test_a_part_whose_commit_is_answered_too_late_has_one_record_and_is_told_as_unread(self, vent, monkeypatch):
        """The database has it and cannot say so before the deadline: nobody is told that it conforms, and it is one."""
        with Running(on_duty(vent)) as line:
            line.wire.until("on duty")
            dialect = line.duty.ledger._engine.dialect
            commits, is_away = dialect.do_commit, threading.Event()

            def lost(connection):
                is_record = connection.execute("SELECT count(*) FROM entries WHERE kind = 'record'").fetchone() == (1,)
                if not is_away.is_set():
                    commits(connection)
                if not is_record:
                    return
                is_away.set()
                raise dialect.dbapi.OperationalError("server closed the connection unexpectedly")

            with monkeypatch.context() as broken:
                broken.setattr(dialect, "do_commit", lost)
                line.camera.show("a", shot(vent, 0), part_id="p1")
                line.wire.until("fault", fault="ledger")
                assert is_away.is_set()
                (part,) = line.duty.waiting._parts
                part.deadline_s = time.monotonic()  # it passes while the database is away
            told = line.wire.of("a")
            line.wire.until("on duty")
        with Ledger(vent.folder / "ledger.sqlite") as ledger:
            (there,) = ledger.entries("record")
            says = [e.body["says"] for e in ledger.entries("duty") if e.body["event"] == "late"]
            assert ledger.check().holds
        assert (told.verdict, told.readings[0].reason.code) == ("unread", "shot_late")
        assert (told.seq, told.sha, there.body["verdict"]) == (there.seq, there.body["sha"], "conforms")
        assert says == [f"record {there.seq} was judged conforms, and told as unread: it was written too late"]


class TestReleasing:
    LABELS = "shot,part_id,label\n../shots/vent-0.png,good 1,good\n../shots/vent-2.png,bad 1,{label}\n"

    def station(self, vent, label):
        (vent.folder / "challenge.csv").write_text(self.LABELS.format(label=label))
        return on_duty(vent, '[duty.challenge]\nlabels = "challenge.csv"\n')

    def test_it_is_released_once_its_challenge_parts_are_judged_right_and_they_are_no_parts_of_the_line(self, vent):
        station = self.station(vent, "bad")
        with Running(station) as line:
            line.wire.until("on duty")
            assert line.wire.results == []
            with Ledger(station.ledger_path) as ledger:
                (event,) = [e.body for e in ledger.entries("duty") if e.body["event"] == "challenge"]
                assert not list(ledger.entries("record"))
        assert event["good"] is True
        assert [(p["part_id"], p["verdict"]) for p in event["parts"]] == [("good 1", "conforms"), ("bad 1", "rejected")]

    def test_one_that_judges_them_wrong_passes_nothing_until_somebody_answers_for_it(self, vent):
        # A part that is labelled good, and is not: whoever labelled it or the station is wrong.
        (vent.folder / "challenge.csv").write_text(
            "shot,part_id,label\n../shots/vent-0.png,b,bad\n../shots/vent-2.png,g,good\n"
        )
        station = on_duty(vent, '[duty.challenge]\nlabels = "challenge.csv"\n')
        with Running(station) as line:
            line.wire.wait(lambda me: me.states and "judged wrong" in me.states[-1].says)
            line.camera.show("a", shot(vent, 0))
            first = line.wire.of("a")
            line.duty.later(lambda: line.duty.bypass("M. Weiss"))
            line.wire.until("on duty")
            line.camera.show("b", shot(vent, 0))
            second = line.wire.of("b")
            with Ledger(station.ledger_path) as ledger:
                states = [e.body for e in ledger.entries("duty") if e.body["event"] == "state"]
                assert [record_from(e.body).verdict for e in ledger.entries("record")] == ["unread", "conforms"]
        assert (first.verdict, first.readings[0].reason.code) == ("unread", "shot_not_released")
        assert "2 of 2 challenge parts were judged wrong" in first.readings[0].reason.sentence
        assert second.verdict == "conforms"
        assert any(s["state"] == "on duty" and "without its challenge set, by M. Weiss" in s["says"] for s in states)

    def test_one_that_is_begun_anew_while_it_is_shown_counts_as_a_whole(self, vent):
        station = self.station(vent, "bad")
        with Running(station) as line:
            line.wire.until("not released")
            line.duty.later(line.duty._release)  # as when something is accepted meanwhile
            line.wire.until("on duty")
            with Ledger(station.ledger_path) as ledger:
                told = [e.body for e in ledger.entries("duty") if e.body["event"] == "challenge"]
        assert [len(one["parts"]) for one in told] == [2]

    @pytest.mark.parametrize(("truth", "other"), [("good", "bad"), ("bad", "good")])
    def test_a_challenge_without_a_bad_part_or_without_a_good_one_releases_nothing(self, vent, truth, other):
        (vent.folder / "challenge.csv").write_text(f"shot,part_id,label\n../shots/vent-2.png,g,{truth}\n")
        with Running(on_duty(vent, '[duty.challenge]\nlabels = "challenge.csv"\n')) as line:
            line.wire.wait(lambda me: me.states and f"labels no part {other}" in me.states[-1].says)
            assert line.wire.states[-1].state == "not released"


class TestFaults:
    def test_pictures_that_cannot_be_kept_are_a_fault_by_name_that_ends_by_itself(self, vent, tmp_path):
        full, kept = tmp_path / "full", []
        full.touch()

        def keep(record, delivery):
            if full.exists():
                raise UnusableInput("no space left in the archive")
            kept.append(record.shot.id)

        with Running(on_duty(vent), keep) as line:
            line.wire.until("on duty")
            line.camera.show("a", shot(vent, 0))
            assert line.wire.of("a").verdict == "conforms"
            line.wire.until("fault", fault="archive")
            line.camera.show("b", shot(vent, 0))
            b = line.wire.of("b")
            full.unlink()
            line.wire.until("on duty")
            line.camera.show("c", shot(vent, 0))
            assert line.wire.of("c").verdict == "conforms"
        assert (b.verdict, b.readings[0].reason.code) == ("unread", "shot_not_judged")
        assert "no space left" in b.readings[0].reason.sentence
        assert kept == ["a", "b", "c"]
        assert line.camera.let_go == ["a", "b", "c"]
