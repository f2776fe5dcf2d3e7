"""The command that writes the acceptance report: what is shown, not shown, not tried, and what it refuses."""

import shutil

import pytest
from tests.helpers.vent_station import REQUIREMENTS, picture

from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study

ASKED = (
    REQUIREMENTS
    + """
[[requirement]]
id = "R1"
says = "Measuring takes at most 30 %."
by = "rr"
of = "bore.diameter"
most = 0.3

[[requirement]]
id = "R2"
says = "The gauge is capable."
by = "type1"
of = "bore.diameter"
least = 1.33

[[requirement]]
id = "R3"
says = "A part takes 0.5 s at most."
by = "times"
most = 0.5
"""
)


def text_of(path) -> str:
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(path)
    try:
        return "\n".join(page.get_textpage().get_text_range() for page in document)
    finally:
        document.close()


@pytest.fixture
def ordered(cli, vent):
    """Return the station with its requirements agreed before anything was judged, and two studies kept."""
    (vent.folder / "requirements.toml").write_text(ASKED)
    assert cli("accept", vent.folder, "--why", "order 7", "--who", "M. Weiss").code == 0
    assert cli("run", vent.folder, vent.shots, "--variant", "thin").code == 1
    station, data = open_station(vent.folder), vent.folder.parent / "loads.csv"
    data.write_text("part,value\nA,4.4\n")
    figure = {"value": 0.2, "low": 0.15, "high": 0.28}
    rr = {
        "good": None,
        "share_of_tolerance": figure,
        "sentences": ["It takes 20 %."],
        "convention": "ANOVA.",
        "checks": [],
    }
    keep_study(station, "rr", "bore.diameter", rr, data, who="M. Weiss")
    cgk = {"good": False, "cgk": {"value": 1.4, "low": 1.2, "high": 1.6}, "sentences": ["Cgk <b>is</b> 1.4."]}
    keep_study(station, "type1", "bore.diameter", cgk, data, who="M. Weiss")
    return vent


def test_the_report_says_what_is_shown_not_shown_and_not_tried(cli, ordered, tmp_path):
    pdf, page = tmp_path / "acceptance.pdf", tmp_path / "acceptance.html"
    said = cli("report", ordered.folder, "--out", pdf, "--html", page, "--json")
    assert said.code == 1
    assert said.json["requirements"] == {"R1": "shown", "R2": "not shown", "R3": "not tried"}
    assert said.json["evidence_holds"] is True
    assert len(said.json["lines"]) == 6
    for told in (text_of(pdf), page.read_text(encoding="utf-8")):
        for words in (
            "What this station can and cannot do",
            "not shown",
            "not tried",
            "bore diameter",
            said.json["head"],
        ):
            assert words in told, words
    assert "<b>is</b>" not in page.read_text(encoding="utf-8")
    assert pdf.stat().st_size < 5e6
    assert page.stat().st_size < 8e6


def test_without_an_agreement_there_is_no_report(cli, judged, tmp_path):
    said = cli("report", judged.folder, "--out", tmp_path / "a.pdf")
    assert (said.code, "nothing was agreed" in said.err, (tmp_path / "a.pdf").exists()) == (2, True, False)


@pytest.mark.parametrize(("words", "says"), [(["--out", "a.docx"], "ends in .pdf"), (["--sample", "-1"], "--sample")])
def test_what_cannot_be_written_is_told(cli, ordered, words, says):
    said = cli("report", ordered.folder, *words)
    assert (said.code, says in said.err) == (2, True)


def test_an_altered_record_leaves_no_report_to_stand_on(cli, ordered, tmp_path):
    import sqlite3

    base = sqlite3.connect(ordered.folder / "ledger.sqlite")
    base.execute("DROP TRIGGER no_update")
    base.execute("UPDATE entries SET entry = replace(entry, 'conforms', 'rejected') WHERE kind = 'record'")
    base.commit()
    base.close()
    said = cli("report", ordered.folder, "--out", tmp_path / "a.pdf")
    assert (said.code, "no report can stand on this ledger" in said.err) == (2, True)


def test_a_study_is_kept_for_the_station_good_or_not(cli, ordered, tmp_path):
    table = tmp_path / "loads.csv"
    rows = [f"{part},{4.40 + 0.01 * k + 0.001 * r}" for k, part in enumerate("ABCDE") for r in range(3)]
    table.write_text("part,value\n" + "\n".join(rows) + "\n")
    words = ("study", "rr", table, "--unit", "mm", "--tolerance", "0.2mm", "--most", "30%", "--for", ordered.folder)
    said = cli(*words, "--of", "bore.diameter")
    assert said.code == 0
    assert "of the ledger of" in said.err
    assert cli(*words[:-2], "--most", "0.1%", "--for", ordered.folder, "--of", "bore.diameter").code == 1
    told = cli("report", ordered.folder, "--out", tmp_path / "a.pdf", "--json").json["requirements"]
    assert told["R1"] == "shown"  # the newest study keeps 30 %, though it was made to show 0.1 %
    assert len(list((ordered.folder / "studies").glob("*rr*.json"))) == 3
    assert cli("verify", ordered.folder).code == 0


def states(cli, folder, tmp_path):
    said = cli("report", folder, "--out", tmp_path / "a.pdf", "--sample", "0", "--pictures", "0", "--json")
    return said.json["requirements"]


def labelled(folder):
    """Draw a good and a bad part, and return the table that says which is which."""
    for name, size in (("good", 4.4), ("bad", 4.8)):
        picture(folder / f"{name}.png", size, len(name))
    table = folder / "labels.csv"
    table.write_text("shot,part_id,label,class\ngood.png,G,good,\nbad.png,B,bad,large\n")
    return table


ESCAPES = REQUIREMENTS + '[[requirement]]\nid = "T"\nsays = "Few escape."\nby = "trial"\nmost = 0.96\n'


def test_only_a_trial_of_what_is_accepted_shows_a_requirement(cli, vent, tmp_path):
    """A copy of the recipe elsewhere, with other limits in its table of variants, and then in itself, is another."""
    (vent.folder / "requirements.toml").write_text(ESCAPES)
    assert cli("accept", vent.folder, "--why", "order 7").code == 0
    labels, elsewhere = labelled(tmp_path / "proof"), tmp_path / "elsewhere"
    shutil.copytree(vent.folder, elsewhere, ignore=shutil.ignore_patterns("accepted*", "ledger*"))

    def tried(folder):
        recipe, variants = folder / "recipes" / "bore.toml", folder / "variants.csv"
        words = ("trial", recipe, labels, "--variants", variants, "--variant", "thin", "--for", vent.folder)
        assert cli(*words).code == 0
        return states(cli, vent.folder, tmp_path)["T"]

    assert tried(elsewhere) == "shown"  # the same by content, wherever it lies
    variants = elsewhere / "variants.csv"
    variants.write_text(variants.read_text().replace("bore,4.4", "bore,4.41"))
    assert tried(elsewhere) == "not shown"
    assert tried(vent.folder) == "shown"
    recipe = vent.recipe
    recipe.write_text(recipe.read_text().replace("plus = 0.1", "plus = 0.09"))
    assert tried(vent.folder) == "not shown"


def test_a_limit_that_is_relaxed_after_the_data_shows_nothing_by_them(cli, vent, tmp_path):
    def asked(most, title="Vents"):
        rr = f'[[requirement]]\nid = "R1"\nsays = "GRR."\nby = "rr"\nof = "bore.diameter"\nmost = {most}\n'
        (vent.folder / "requirements.toml").write_text(REQUIREMENTS.replace("Vents", title) + rr)
        assert cli("accept", vent.folder, "--why", "order 7").code == 0

    def studied(shift=0.0, time=None):
        table = tmp_path / "loads.csv"
        cells = [(part, 4.36 + 0.01 * k + 0.001 * r + shift) for k, part in enumerate("ABCDE") for r in range(3)]
        rows = [f"{part},{value:.5f}" + (f",{time}" if time else "") for part, value in cells]
        table.write_text("part,value" + (",time" if time else "") + "\n" + "\n".join(rows) + "\n")
        words = ("study", "rr", table, "--unit", "mm", "--tolerance", "0.2mm", "--for", vent.folder)
        assert cli(*words, "--of", "bore.diameter").code == 0
        return states(cli, vent.folder, tmp_path)["R1"]

    asked(0.001)
    assert studied() == "not shown"
    asked(3.0)
    assert studied() == "not shown"
    assert studied(shift=0.00001) == "shown"
    assert studied(shift=0.00002, time="2026-01-01T08:00:00Z") == "not shown"
    assert studied(shift=0.00002, time="2126-01-01T08:00:00Z") == "shown"
    asked(3.0, "Vents for greenhouses")
    assert states(cli, vent.folder, tmp_path)["R1"] == "shown"
