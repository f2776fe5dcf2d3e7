"""A station is accepted, judges, keeps, is verified and replayed: through the command line, on real files."""

import sqlite3
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from tests.helpers.vent_station import RECIPE, REQUIREMENTS, picture

from tiepoint.documents.canonical import sha256
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.records import record_from
from tiepoint.station.accepted import accepted_bundle, pointers_of, prepare_accepted
from tiepoint.station.folder import open_station
from tiepoint.station.judge import judge, runs_of
from tiepoint.station.ledger import Ledger
from tiepoint.station.requirements import agreed_requirements


class TestAccepting:
    def test_what_is_accepted_is_a_whole_copy_with_who_when_and_why(self, cli, vent):
        said = cli("accept", vent.folder, "--why", "first", "--who", "M. Weiss", "--json")
        assert said.code == 0
        station = open_station(vent.folder)
        pointers = pointers_of(station)
        assert set(pointers.by_variant) == {"thin", "wide"}
        (sha,) = pointers.shas
        bundle = accepted_bundle(station, sha)
        assert set(bundle.files) == {"recipes/bore.toml", "recipes/bore.png", "ties/plane.json", "variants.csv"}
        assert sha == sha256({"recipe": bundle.recipe, "files": bundle.shas}) == said.json["accepted"]["new"][0]
        with Ledger(station.ledger_path) as ledger:
            (entry,) = ledger.entries()
        assert (entry.body["who"], entry.body["why"], entry.body["recipes"]) == (
            "M. Weiss",
            "first",
            {bundle.recipe: sha},
        )

    def test_nothing_is_accepted_without_a_reason_nor_when_only_shown(self, cli, vent):
        shown = cli("accept", vent.folder, "--show")
        unsaid = cli("accept", vent.folder)
        assert (shown.code, unsaid.code) == (0, 2)
        assert "recipes/bore.toml (thin, wide): new" in shown.out
        assert "--why" in unsaid.err
        assert not (vent.folder / "accepted").exists()
        assert not (vent.folder / "ledger.sqlite").exists()

    def test_another_comment_changes_nothing_another_mask_does(self, cli, accepted):
        accepted.change("# the left one", "# the left one, as drawn")
        assert "Nothing differs" in cli("accept", accepted.folder, "--why", "again").out
        painted = np.zeros((60, 60), np.uint8)
        painted[:5] = 255
        Image.fromarray(painted).save(accepted.folder / "recipes" / "bore.png")
        assert "changed: recipes/bore.png" in cli("accept", accepted.folder, "--show").out

    def test_a_change_is_shown_line_by_line_and_the_old_copy_stays(self, cli, accepted):
        (before,) = pointers_of(open_station(accepted.folder)).shas
        accepted.change("plus = 0.1", "plus = 0.08")
        shown = cli("accept", accepted.folder, "--show").out
        assert '  - limits.diameter = { nominal = "bore_mm", plus = 0.1, minus = 0.1 }' in shown
        assert '  + limits.diameter = { nominal = "bore_mm", plus = 0.08, minus = 0.1 }' in shown
        assert cli("accept", accepted.folder, "--why", "drawing C", "--variant", "thin").code == 0
        station = open_station(accepted.folder)
        pointers = pointers_of(station)
        assert pointers.by_variant["wide"] == before != pointers.by_variant["thin"]
        assert accepted_bundle(station, before).files["recipes/bore.toml"].decode() == RECIPE

    def test_pictures_that_lights_name_are_accepted_with_them(self, cli, vent):
        lamps = "".join(f'[[light]]\nid = "{k}"\nazimuth_deg = {90 * k}\nelevation_deg = 45\n' for k in range(4))
        names = [f"step{k}.png" for k in range(4)]
        sides = "low = { centre = [5, 12], size = [8, 18] }\nhigh = { centre = [15.5, 12], size = [8, 18] }\n"
        step = f"[step]\npictures = {names}\n{sides}height_mm = 0.2\nu_height_mm = 0.001\n"
        (vent.folder / "recipes" / "lights.toml").write_text('format = "tiepoint/lights/1"\n' + lamps + step)
        # Between 9.75 and 10.25 mm the ground rises by 0.4 along x, under lamps at 45 degrees (Lambert's law).
        slope = np.where(np.abs(np.arange(640) * 0.05 - 10) < 0.25, 0.4, 0.0) * np.ones((480, 1))
        for k, name in enumerate(names):
            light = (1 - slope * round(np.cos(np.pi / 2 * k))) / np.sqrt(2 * (1 + slope**2))
            grey = 170 * light + np.random.default_rng(k).normal(0, 0.5, slope.shape)
            Image.fromarray(np.rint(grey).astype(np.uint8)).save(vent.folder / "recipes" / name)
        vent.change('unit = "mm"', 'unit = "mm"\nlights = "lights.toml"')
        assert cli("accept", vent.folder, "--why", "first").code == 0
        station = open_station(vent.folder)
        (sha,) = pointers_of(station).shas
        assert {f"recipes/{name}" for name in names} < set(accepted_bundle(station, sha).files)

    def test_what_cannot_be_run_cannot_be_accepted(self, cli, vent):
        (vent.folder / "recipes" / "bore.png").unlink()
        said = cli("accept", vent.folder, "--why", "first")
        assert said.code == 2
        assert said.is_one_sentence()
        assert not (vent.folder / "accepted").exists()

    def test_a_tie_outside_of_the_folder_is_refused(self, cli, vent):
        (vent.folder / "ties" / "plane.json").rename(vent.folder.parent / "plane.json")
        vent.change("../ties/plane.json", "../../plane.json")
        said = cli("accept", vent.folder, "--why", "first")
        assert said.code == 2
        assert "does not lie in the station's folder" in said.err

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (["--variant", "blue"], 'measures the variant "blue"'),
            (["--recipe", "elsewhere.toml"], "no recipe of"),
            (["--who", "a\x1b[31m"], "--who takes a line"),
        ],
    )
    def test_what_is_not_there_is_told(self, cli, vent, words, says):
        said = cli("accept", vent.folder, "--why", "first", *words)
        assert (said.code, says in said.err) == (2, True)

    def test_requirements_are_dated_once_and_again_where_they_change(self, cli, vent):
        path = vent.folder / "requirements.toml"
        path.write_text(REQUIREMENTS)
        assert "requirements.toml: new" in cli("accept", vent.folder, "--show").out
        assert "Requirements agreed: entry 1" in cli("accept", vent.folder, "--why", "order 7").out
        assert "Nothing differs" in cli("accept", vent.folder, "--why", "order 7").out
        path.write_text(REQUIREMENTS.replace("4.5", "4.55"))
        assert "changed since it was agreed" in cli("accept", vent.folder, "--show").out
        assert "Requirements agreed: entry 3" in cli("accept", vent.folder, "--why", "order 7, revision B").out
        station = open_station(vent.folder)
        with Ledger(station.ledger_path) as ledger:
            agreed = agreed_requirements(station, ledger)
            assert agreed is not None
            assert agreed[0].table.characteristic[0].upper == 4.55
            kept = vent.folder / "accepted" / agreed[0].sha / "requirements.toml"
            kept.write_text(REQUIREMENTS.replace("4.5", "4.6"))
            with pytest.raises(UnusableDocument, match="altered after it was agreed"):
                agreed_requirements(station, ledger)

    def test_requirements_that_ask_for_nothing_are_not_agreed(self, cli, vent):
        (vent.folder / "requirements.toml").write_text(REQUIREMENTS.partition("[[")[0])
        said = cli("accept", vent.folder, "--why", "order 7")
        assert (said.code, "asks for nothing" in said.err) == (2, True)
        assert not (vent.folder / "accepted").exists()

    def test_no_station_is_told(self, cli, tmp_path):
        said = cli("accept", tmp_path, "--why", "first")
        assert (said.code, said.is_one_sentence(), "is no station" in said.err) == (2, True, True)

    def test_a_variant_that_no_recipe_measures_is_no_reason_to_refuse_the_others(self, cli, vent):
        (vent.folder / "recipes" / "try.toml").write_text(RECIPE)
        said = cli("accept", vent.folder, "--why", "first")
        assert said.code == 0
        assert "recipes/try.toml is left out" in said.err


class TestJudging:
    def test_a_record_is_in_the_ledger_and_its_picture_in_the_archive(self, cli, judged):
        station = open_station(judged.folder)
        with Ledger(station.ledger_path) as ledger:
            kinds = [e.kind for e in ledger.entries()]
            records = [e.body for e in ledger.entries("record")]
        assert kinds == ["act", "run"] + ["record", "archived"] * 3 + ["run"]
        assert [r["verdict"] for r in records] == ["conforms", "conforms", "rejected"]
        assert {r["station"] for r in records} == {"vent bores"}
        assert [p.name for p in judged.kept()] == ["000000003_conforms", "000000005_conforms", "000000007_rejected"]
        first = judged.kept()[0] / "picture.png"
        assert first.read_bytes() == (judged.shots / "vent-0.png").read_bytes()

    def test_a_draft_that_was_not_accepted_is_not_run(self, cli, accepted):
        accepted.change("plus = 0.1", "plus = 0.0001")
        said = cli("run", accepted.folder, accepted.shots / "vent-0.png", "--variant", "thin", "--json")
        assert said.json["records"][0]["verdict"] == "conforms"

    def test_an_altered_copy_is_not_run(self, cli, accepted):
        (sha,) = pointers_of(open_station(accepted.folder)).shas
        copy = accepted.folder / "accepted" / sha / "recipes" / "bore.toml"
        copy.write_text(copy.read_text().replace("0.1", "0.3"))
        said = cli("run", accepted.folder, accepted.shots / "vent-0.png", "--variant", "thin")
        assert said.code == 2
        assert "was altered after it was accepted" in said.err

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (["--variant", "blue"], "nothing is accepted for the variant"),
            ([], "variant"),
            (["--variant", "thin", "--tie", "tie.json"], "--tie has no place here"),
        ],
    )
    def test_what_cannot_be_judged_is_told(self, cli, accepted, words, says):
        said = cli("run", accepted.folder, accepted.shots / "vent-0.png", *words)
        assert (said.code, says in said.err) == (2, True)

    def test_before_anything_is_accepted_nothing_is_judged(self, cli, vent):
        said = cli("run", vent.folder, vent.shots, "--variant", "thin")
        assert (said.code, "nothing is accepted" in said.err) == (2, True)

    def test_a_run_that_is_stopped_stays_in_the_ledger_as_that(self, accepted):
        """Once stopped by a person, who waits for its end; once by the mains, which waits for nothing."""
        station = open_station(accepted.folder)
        shots = sorted(accepted.shots.glob("*.png"))
        with Ledger(station.ledger_path) as ledger:
            work = judge(station, ledger, prepare_accepted(station, "thin"), shots)
            next(work)
            work.close()
            ledger.append("run", {"format": "tiepoint/run/1", "of": None, "shots": 3})
            list(judge(station, ledger, prepare_accepted(station, "thin"), shots))
            records = [record_from(e.body) for e in ledger.entries("record")]
            runs = list(runs_of(list(ledger.entries("run")), records))
        assert [(r.shots, len(r.records), r.ended is None, r.is_whole) for r in runs] == [
            (3, 1, False, False),
            (3, 0, True, False),
            (3, 3, False, True),
        ]


class TestVerifying:
    def test_evidence_that_holds(self, cli, judged):
        said = cli("verify", judged.folder, "--json")
        assert said.code == 0
        told = said.json
        assert (told["entries"], told["kept_shots"], told["accepted_copies"]) == (9, 3, 1)
        assert (told["recomputed"], told["recomputed_same"], told["faults"]) == (3, 3, [])
        assert cli("verify", judged.folder, "--head", told["head"]).code == 0

    def test_missing_expired_and_altered_are_told_apart(self, cli, judged):
        one, two, three = judged.kept()
        (one / "picture.png").unlink()
        picture(two / "picture.png", 4.4, 9)
        for file in three.iterdir():
            file.unlink()
        station = open_station(judged.folder)
        with Ledger(station.ledger_path) as ledger:
            ledger.append(
                "act", {"format": "tiepoint/act/1", "act": "expire", "who": "x", "why": "90 days", "records": [7]}
            )
        said = cli("verify", judged.folder, "--json")
        assert said.code == 1
        assert said.json["expired"] == [7]
        faults = said.json["faults"]
        assert len(faults) == 2
        assert faults[0].endswith("picture.png is missing")
        assert faults[1].endswith("picture.png was altered after it was kept")

    def test_a_record_that_was_changed_with_its_chain_is_found_by_working_it_out_again(self, cli, judged):
        """Whoever can write the file can write a whole new chain; the pictures still tell what was there."""
        station = open_station(judged.folder)
        with Ledger(station.ledger_path) as ledger:
            entries = list(ledger.entries())
        station.ledger_path.unlink()
        with Ledger(station.ledger_path, create=True) as ledger:
            for entry in entries:
                if entry.kind == "record":
                    record = record_from(entry.body)
                    ledger.commit(replace(record, readings=(replace(record.readings[0], value=4.41),)))
                else:
                    ledger.append(entry.kind, entry.body)
        said = cli("verify", judged.folder)
        assert said.code == 1
        assert "the chain holds" in said.out
        assert "does not come out as it was judged" in said.out

    def test_an_end_that_was_cut_off_is_found_by_the_head_that_a_report_tells(self, cli, judged):
        head = cli("verify", judged.folder, "--json").json["head"]
        base = sqlite3.connect(judged.folder / "ledger.sqlite")
        base.execute("DROP TRIGGER no_delete")
        base.execute("DELETE FROM entries WHERE seq > 5")
        base.commit()
        base.close()
        said = cli("verify", judged.folder, "--head", head)
        assert said.code == 1
        assert "its end is cut off" in said.out

    def test_a_copy_that_nobody_accepted_is_found(self, cli, judged):
        path = judged.folder / "accepted.toml"
        sha = pointers_of(open_station(judged.folder)).shas[0]
        path.write_text(path.read_text().replace(sha, "ab" * 32))
        said = cli("verify", judged.folder)
        assert said.code == 1
        assert "nobody accepted it" in said.out

    def test_a_chain_that_does_not_hold_proves_nothing_else(self, cli, judged):
        base = sqlite3.connect(judged.folder / "ledger.sqlite")
        base.execute("DROP TRIGGER no_update")
        base.execute("UPDATE entries SET entry = replace(entry, 'conforms', 'rejected') WHERE seq = 3")
        base.commit()
        base.close()
        said = cli("verify", judged.folder)
        assert said.code == 1
        assert "the chain does not hold" in said.out
        assert "entry 3 was altered" in said.out

    def test_no_ledger_and_a_head_that_is_none_are_told(self, cli, vent):
        assert "there is no ledger" in cli("verify", vent.folder).err
        assert "--head" in cli("verify", vent.folder, "--head", "5c1f").err


class TestReplaying:
    def test_what_was_accepted_says_the_same_again(self, cli, judged):
        said = cli("replay", judged.folder, "--json")
        assert said.code == 0
        assert [r["same"] for r in said.json["replayed"]] == [True] * 3

    def test_a_draft_tells_who_would_get_another_verdict(self, cli, judged):
        judged.change("plus = 0.1", "plus = 0.01")
        said = cli("replay", judged.folder, "--recipe", judged.recipe, "--json")
        assert said.code == 1
        told = said.json["replayed"]
        assert [(r["was"], r["now"]) for r in told] == [
            ("conforms", "conforms"),
            ("conforms", "rejected"),
            ("rejected", "rejected"),
        ]
        lines = cli("replay", judged.folder, "--recipe", judged.recipe, "--last", "2").out.splitlines()
        assert lines[0] == "2 shots were run again: 1 would get another verdict."
        assert "conforms → rejected" in lines[1]

    def test_processes_say_what_one_says(self, cli, judged):
        alone = cli("replay", judged.folder, "--workers", "1", "--json").json
        assert cli("replay", judged.folder, "--workers", "2", "--json").json == alone

    def test_a_picture_that_is_gone_is_told_and_the_others_are_run(self, cli, judged):
        (judged.kept()[1] / "picture.png").unlink()
        said = cli("replay", judged.folder)
        assert said.code == 1
        assert "entry 5: " in said.out

    def test_without_kept_shots_there_is_nothing_to_run(self, cli, accepted):
        said = cli("replay", accepted.folder)
        assert (said.code, "has kept no shot yet" in said.err) == (2, True)
