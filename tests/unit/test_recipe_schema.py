"""What a recipe may say, and the one sentence that answers what it may not."""

import tomllib

import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.recipe import Recipe, load_recipe, read_recipe

HEAD = 'format = "tiepoint/recipe/1"\nname = "plate"\n'
BORE = """
[[step]]
name = "bore A"
kind = "circle"
region = { ring = { centre = [10, 12], inner = 1.5, outer = 3 } }
"""
BORE_B = BORE.replace("bore A", "bore B").replace("[10, 12]", "[38, 12]")


def read(text: str, row: dict[str, str] | None = None) -> Recipe:
    return read_recipe(tomllib.loads(HEAD + text), "plate.toml", row=row)


def sentence(text: str, row: dict[str, str] | None = None) -> str:
    with pytest.raises(UnusableDocument) as caught:
        read(text, row)
    said = str(caught.value)
    assert "\n" not in said
    return said


def test_the_contract_s_own_example_is_read():
    recipe = read(BORE + 'operator = "least-squares"\nlimits.diameter = { lower = 4.40, upper = 4.60 }\n')
    (step,) = recipe.steps
    assert (step.name, step.kind.kind, step.frame) == ("bore A", "circle", "plane")
    assert step.table.limits["diameter"].bounds == (4.4, 4.6)
    assert recipe.needs_tie
    assert (recipe.head.decide.rule, recipe.head.decide.p) == ("iso14253-1", 0.95)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("inner = 1.5, outer = 3", "inner = 3, outer = 1.5"), "inner is 3; choose above 0 and below outer (1.5)"),
        (("inner = 1.5", "inner = 0"), "region.ring.inner is 0; choose above 0"),
        (("inner = 1.5", "inner = nan"), "region.ring.inner is nan; give a number"),
        (("inner = 1.5", "inner = inf"), "region.ring.inner is inf; give a number"),
        (("inner = 1.5", "iner = 1.5"), 'region.ring.iner is not known here; did you mean "inner"?'),
        (("inner = 1.5, ", ""), "region.ring.inner is missing"),
        (("[10, 12]", "[10]"), "region.ring.centre[1] is missing"),
        (("[10, 12]", '[10, "a"]'), 'region.ring.centre[1] is "a"; give a number'),
        (("[10, 12]", "[10, true]"), "region.ring.centre[1] is true; give a number"),
        (("[10, 12]", "[10, 1e300]"), "region.ring.centre[1] is 1e+300; give a number between"),
        (('kind = "circle"', 'kind = "circel"'), 'kind is "circel"; did you mean "circle"?'),
        (('kind = "circle"', 'kind = "bolt"'), 'kind is "bolt"; use one of angle, arc, bead, circle, code, colour'),
        (('kind = "circle"', "kind = 7"), "kind is 7; use one of angle, arc"),
        (('kind = "circle"\n', ""), "kind is missing; use one of angle, arc, bead"),
        (('name = "bore A"', 'name = ""'), "name is"),
        (('name = "bore A"', 'name = "a#b"'), "use one line without quotes and without #"),
        (("region = { ring", "regin = { ring"), 'regin is not known here; did you mean "region"?'),
        (("ring = { centre = [10, 12], inner = 1.5, outer = 3 }", "polygon = { points = [[0, 0], [1, 0], [0, 1]] }"),
         "region is a polygon; this kind of step looks in a ring"),
        (("ring = { centre = [10, 12], inner = 1.5, outer = 3 }", "path = { points = [[0, 0], [1, 0]], width = 1 }"),
         "region is a path; this kind of step looks in a ring"),
    ],
)  # fmt: skip
def test_a_faulty_step_is_named_with_what_is_allowed(change: tuple[str, str], said: str):
    assert sentence(BORE.replace(*change)).startswith("plate.toml: step 1")
    assert said in sentence(BORE.replace(*change))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("limits.diameter = { lower = 4.6, upper = 4.4 }", "diameter is upside down: lower 4.6 is above upper 4.4"),
        ("limits.diametre = { lower = 4.4 }", 'limits names "diametre"; circle reads "diameter"'),
        ("limits.diameter = { }", "limits.diameter states no limit"),
        ("limits.diameter = { nominal = 4.5 }", "limits.diameter states no limit"),
        ("limits.diameter = { plus = 0.1 }", "limits.diameter.plus has no nominal beside it"),
        ("limits.diameter = { lower = 4.4, nominal = 4.5 }", "limits.diameter.lower stands beside nominal"),
        ("limits.diameter = { nominal = 4.5, plus = 0.3, minus = -0.2 }", None),
        ("limits.diameter = { nominal = 4.5, plus = -0.3, minus = -0.2 }", "upside down: lower 4.7 is above upper 4.2"),
        ("limits.diameter = { lower = nan }", "limits.diameter.lower is nan"),
        ('limits.diameter = { lower = "bore_a" }', 'takes its value from the column "bore_a"; give --variants'),
        ('readings = ["colour"]', 'readings names "colour"; circle reads'),
        ('operator = "largest"', 'operator is "largest"; use "least-squares"'),
        ('edge = "punched"', 'edge is "punched", which the recipe does not define; state [edge.punched] with its u'),
        ('in = "plate"', 'in is "plate"; use "plane", "image" or the name of a find (there is none)'),
        ('polarity = "bright"', 'polarity is "bright"; use "either", "rising" or "falling"'),
        ('plane = "k"', 'plane is "k"; use "grey"'),
        ('decide = { rule = "halves" }', 'decide.rule is "halves"; use "iso14253-1", "simple" or a guard band'),
        ("decide = { p = 0.5 }", "decide.p is 0.5; choose above 0.5 and below 1"),
        ('decide = { rule = "guard:0.01mm" }\nlimits.diameter = { lower = 4.4 }', None),
        ('in = "image"\ndecide = { rule = "guard:0.01mm" }\nlimits.diameter = { lower = 4.4 }',
         'the rule "guard:0.01mm" is a length, and diameter is not read in one'),
    ],
)  # fmt: skip
def test_a_faulty_line_is_named_with_what_is_allowed(line: str, said: str | None):
    if said is None:
        assert read(BORE + line).steps
    else:
        assert said in sentence(BORE + line)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ('unit = "cm"\n', 'plate.toml: unit is "cm"; use "mm" or "in"'),
        ("revision = 1.5\n", "plate.toml: revision is 1.5; give a whole number"),
        ("revision = -1\n", "plate.toml: revision is -1; choose at least 0"),
        ("u_height = 0.1\n", "plate.toml: u_height has no height beside it"),
        ("height = 3.0\n", "plate.toml: height has no u_height beside it; state its standard uncertainty too, as in"),
        ("speed = 3\n", "plate.toml: speed is not known here"),
        ("[edge.punched]\nu = -0.1\n", "plate.toml: edge.punched.u is -0.1; choose at least 0"),
        ("[edge.punched]\nbias = 0.1\n", "plate.toml: edge.punched.u is missing"),
        ('[edge.punched]\nu = 0.1\nscope = "tie"\n', 'edge.punched.scope is "tie"; use "part" or "station"'),
    ],
)
def test_a_faulty_head_is_named_with_what_is_allowed(head: str, said: str):
    assert said in sentence(head + BORE)


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ('kind = "bead"\nlooks = "bright"\nregion.path = { points = [[3, 4], [3, 4], [3.0, 4]], width = 1 }',
         "region.path.points is 3 times the same place; give at least two different ones"),
        ('kind = "patches"\nshade = "darker"\nlevel = 1e308\nregion.rectangle = { centre = [3, 4], size = [1, 1] }',
         'step 1 "a": level is 1e+308; give a number between'),
        ('kind = "code"\nmask = "painted.png"', "mask covers the box of a region, and none is stated"),
        ('kind = "text"\nmask = "painted.png"\nregion.rectangle = { centre = [3, 4], size = [1, 1] }',
         "mask stands in a text step, which looks at its line as a whole"),
        ('kind = "code"\nname = "a\\u202eb"', "without unseen characters"),
    ],
)  # fmt: skip
def test_what_a_step_cannot_look_by_is_told_before_anything_is_looked_at(step: str, said: str):
    name = "" if "name" in step else 'name = "a"\n'
    assert said in sentence(f"[[step]]\n{name}{step}\n")


def test_names_of_any_writing_are_names():
    for name in ("größte Bohrung", "穴 1", "می‌خواهم", "trou n° 3"):
        assert read(BORE.replace("bore A", name)).steps[0].name == name


def test_a_recipe_without_steps_is_refused():
    assert "step is missing" in sentence("")
    assert "step is [5]" in sentence("step = [5]") or "step[0] is 5" in sentence("step = [5]")


def distance(name: str, a: str, b: str) -> str:
    return f'[[step]]\nname = "{name}"\nkind = "distance"\nbetween = ["{a}", "{b}"]\n'


def test_names_are_looked_up():
    assert 'step 2 "bore A": its name is that of step 1 too' in sentence(BORE + BORE)
    assert 'no step is named "bore C"; there are "bore A"' in sentence(BORE + distance("d", "bore A", "bore C"))
    assert 'it rests on "bore A" twice' in sentence(BORE + distance("d", "bore A", "bore A"))
    assert "between[1] is missing" in sentence(BORE + '[[step]]\nname = "d"\nkind = "distance"\nbetween = ["bore A"]\n')


def test_a_circle_of_dependence_is_told_step_by_step():
    said = sentence(BORE + distance("d", "bore A", "e") + distance("e", "bore A", "f") + distance("f", "bore A", "d"))
    assert 'step "d" rests on "e", which rests on "f", which rests on "d"; break the circle' in said


def test_a_step_that_gives_no_place_cannot_be_rested_on():
    said = sentence(BORE + BORE_B + distance("d", "bore A", "bore B") + distance("e", "bore A", "d"))
    assert 'step 4 "e": it rests on "bore A" (a point) and "d" (which gives no place); distance takes' in said


def test_steps_are_ordered_by_what_they_rest_on_and_kept_as_written():
    recipe = read(distance("d", "bore A", "bore B") + BORE_B + BORE)
    assert [s.name for s in recipe.steps] == ["d", "bore B", "bore A"]
    assert [s.name for s in recipe.order] == ["bore B", "bore A", "d"]


def test_a_step_lives_where_what_it_rests_on_lives():
    image = 'in = "image"\n'
    recipe = read(BORE + image + BORE_B + image + distance("d", "bore A", "bore B"))
    assert [s.frame for s in recipe.steps] == ["image"] * 3
    assert not recipe.needs_tie
    assert "it rests on steps in another frame" in sentence(BORE + image + BORE_B + distance("d", "bore A", "bore B"))


def test_a_column_of_the_variants_stands_for_a_number():
    recipe = read(BORE + 'limits.diameter = { nominal = "bore_a", plus = 0.05, minus = 0.05 }', {"bore_a": "4.5"})
    assert recipe.steps[0].table.limits["diameter"].bounds == pytest.approx((4.45, 4.55))
    line = 'limits.diameter = { lower = "bore_a" }'
    assert 'names the column "bore_a", which variants.csv does not have; did you mean "bore_b"?' in sentence(
        BORE + line, {"bore_b": "1"}
    )
    assert 'names the column "bore_a", whose value "wide" is not a number' in sentence(BORE + line, {"bore_a": "wide"})
    assert 'whose value "nan" is not a number' in sentence(BORE + line, {"bore_a": "nan"})


def test_the_hash_is_of_content_and_not_of_layout(tmp_path):
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    one.write_text(HEAD + BORE, encoding="utf-8")
    two.write_text("# a comment\n" + HEAD + BORE.replace("[10, 12]", "[ 10,\n  12 ]"), encoding="utf-8")
    assert load_recipe(one).sha == load_recipe(two).sha
    two.write_text(HEAD + BORE.replace("12]", "13]"), encoding="utf-8")
    assert load_recipe(one).sha != load_recipe(two).sha


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", 'has no line format = "tiepoint/recipe/1"'),
        ('format = "tiepoint/tie/1"', "is a tie document where a recipe document was expected"),
        ('format = "tiepoint/recipe/2"', "is of version 2, newer than this program reads (1)"),
        ("format = ", "cannot be read as TOML"),
    ],
)
def test_other_documents_are_refused(tmp_path, text: str, said: str):
    path = tmp_path / "plate.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnusableDocument, match=said.replace("(", r"\(").replace(")", r"\)")):
        load_recipe(path)


def test_a_whole_number_beyond_every_float_is_refused_in_a_sentence():
    line = f"limits.diameter = {{ lower = {10**400} }}"
    assert "give a number between -1e+07 and 1e+07" in sentence(BORE + line)
