"""A trial: what a recipe says of parts whose truth is known, known-bad challenge parts among them.

n counts distinct physical parts: a part that is shown sixty times is one part, and counts by its worst showing, a bad
one by the one that came nearest to passing, a good one by the one that went farthest from it. Bounds are those of
Clopper & Pearson (`studies.rates`). What tuned the recipe proves nothing: parts and pictures that stand in both sets
are named, and left out of every count.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.model.record import Record
from tiepoint.studies.checks import Check
from tiepoint.studies.figure import counted
from tiepoint.studies.rates import CONFIDENCE, Agreed, Rate, agreed, rate
from tiepoint.studies.wording import per_cent

Truth = Literal["good", "bad"]

VERDICTS: tuple[Verdict, ...] = ("conforms", "undecided", "unread", "rejected")
"""From what passes to what is farthest from it."""
_RANK = {verdict: k for k, verdict in enumerate(VERDICTS)}
_NAMED = 5


@dataclass(frozen=True, slots=True)
class Showing:
    """One part shown to the station once: what it is, and what was said of it.

    `kind`: the class of the part, as in scratch or large; empty where none was given. `margin`: how far the reading
    nearest to a limit (`nearest`) stands within it, in its u; negative beyond; None where none has a value and limits.
    `pictures`: hashes of pixels. `where`: place of the label, or the shot's name.
    """

    part: str
    truth: Truth
    kind: str
    verdict: Verdict
    margin: float | None = None
    nearest: str = ""
    pictures: tuple[str, ...] = ()
    where: str = ""


@dataclass(frozen=True, slots=True)
class PartSeen:
    """A part by its worst showing; `times` it was shown, with `others` that were judged otherwise."""

    worst: Showing
    times: int
    others: int

    @property
    def is_wrong(self) -> bool:
        """Whether a bad part passed or a good one did not."""
        return (self.worst.verdict == "conforms") == (self.worst.truth == "bad")


@dataclass(frozen=True, slots=True)
class ClassSeen:
    """Parts of one class: how many by verdict (in the order of `VERDICTS`), and how many were judged wrongly."""

    name: str
    truth: Truth
    showings: int
    counts: tuple[int, int, int, int]
    wrong: Rate
    asked: Agreed | None

    @property
    def n(self) -> int:
        """Distinct parts."""
        return sum(self.counts)


@dataclass(frozen=True, slots=True)
class TrialStudy:
    """What the trial found. `escapes`: of bad parts, those that passed; `false_rejects`: of good ones, the others.

    `in_both`: parts that also tuned the recipe, with `same_pictures` of those that are there by a picture's hash alone;
    they are in no count.
    """

    parts: tuple[PartSeen, ...]
    classes: tuple[ClassSeen, ...]
    escapes: Rate
    false_rejects: Rate
    asked: tuple[Agreed, ...]
    in_both: tuple[str, ...]
    same_pictures: tuple[str, ...]
    showings: int
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]

    @property
    def wrong(self) -> tuple[PartSeen, ...]:
        """The parts that were judged wrongly, escapes first, from the worst margin on."""
        return tuple(sorted((p for p in self.parts if p.is_wrong), key=_gravity))


def margin_of(record: Record) -> tuple[float | None, str]:
    """Return how far the reading of a record nearest to a limit stands within it, in its u, and its id.

    A text that is not what was expected, and whatever has no value, has no margin.
    """
    nearest: tuple[float | None, str] = (None, "")
    for r in record.readings:
        if r.value is None or r.limits is None or not r.u:
            continue
        ways = [r.value - r.limits.lower] if r.limits.lower is not None else []
        ways += [r.limits.upper - r.value] if r.limits.upper is not None else []
        margin = min(ways) / r.u
        if nearest[0] is None or margin < nearest[0]:
            nearest = margin, r.id
    return nearest


def margin_said(showing: Showing) -> str:
    """Return `, bore A.diameter 1.1 u beyond its limit`; nothing where there is no margin."""
    if showing.margin is None:
        return ""
    way = "within" if showing.margin >= 0 else "beyond"
    return f", {showing.nearest} {abs(showing.margin):.1f} u {way} its limit"


def study_trial(
    showings: Sequence[Showing],
    *,
    tuning_parts: Collection[str] = (),
    tuning_pictures: Collection[str] = (),
    most_escapes: float | None = None,
    most_false: float | None = None,
    confidence: float = CONFIDENCE,
) -> TrialStudy:
    """Return the study. `tuning_parts` and `tuning_pictures` (hashes) are what the recipe was tuned by.

    `most_escapes`: agreed share of bad parts that pass; `most_false`: of good ones that do not; both are asked of the
    one-sided bound. Raises `UnusableInput` where labels contradict each other.
    """
    if not showings:
        raise UnusableInput("there is no part to try; give one row for each shot")
    _check_labels(showings)
    tuned, by_name = set(tuning_pictures), set(tuning_parts)
    by_picture = {s.part for s in showings if not tuned.isdisjoint(s.pictures)}
    in_both = tuple(dict.fromkeys(s.part for s in showings if s.part in by_name or s.part in by_picture))
    left = [s for s in showings if s.part not in by_name and s.part not in by_picture]
    parts = _parts(left)
    escapes, false = _rate_of(parts, "bad", confidence), _rate_of(parts, "good", confidence)
    asked = tuple(
        agreed(name, found, most)
        for name, found, most in (
            ("share of bad parts that pass", escapes, most_escapes),
            ("share of good parts that do not pass", false, most_false),
        )
        if most is not None
    )
    study = TrialStudy(
        parts=parts,
        classes=_classes(left, parts, confidence, {"bad": most_escapes, "good": most_false}),
        escapes=escapes,
        false_rejects=false,
        asked=asked,
        in_both=in_both,
        same_pictures=tuple(p for p in in_both if p not in by_name),
        showings=len(left),
        convention=_convention(confidence),
        checks=(_distinct(left), _challenged(parts)),
        good=all(a.shown for a in asked) if asked else None,
        sentences=(),
    )
    return replace(study, sentences=tuple(_sentences(study, confidence)))


def _convention(confidence: float) -> str:
    return (
        "n counts distinct parts, each by its worst showing; only conforms passes; intervals and bounds by Clopper and "
        f"Pearson with {per_cent(confidence)} confidence, what was agreed is asked of the one-sided bound."
    )


def _check_labels(showings: Sequence[Showing]) -> None:
    """Refuse a part that is both good and bad, of two classes, and one picture of two parts."""
    label: dict[str, Showing] = {}
    whose: dict[str, Showing] = {}
    for s in showings:
        first = label.setdefault(s.part, s)
        if (first.truth, first.kind) != (s.truth, s.kind):
            raise UnusableInput(
                f"part {s.part} is {_called(first)} in {first.where} and {_called(s)} in {s.where}; give it one label"
            )
        for picture in s.pictures:
            other = whose.setdefault(picture, s)
            if other.part != s.part:
                raise UnusableInput(
                    f"{other.where} and {s.where} are the same picture, of part {other.part} and of part {s.part}; a "
                    "part that is counted twice proves nothing more, so keep one"
                )


def _called(showing: Showing) -> str:
    return f"{showing.truth} ({showing.kind})" if showing.kind else showing.truth


def _parts(showings: Iterable[Showing]) -> tuple[PartSeen, ...]:
    by_part: dict[str, list[Showing]] = {}
    for s in showings:
        by_part.setdefault(s.part, []).append(s)
    return tuple(_seen(group) for group in by_part.values())


def _seen(group: Sequence[Showing]) -> PartSeen:
    """Return a part by its worst showing; among equal verdicts by the margin that is worst for it."""
    way = 1 if group[0].truth == "bad" else -1
    worst = min(group, key=lambda s: (way * _RANK[s.verdict], -way * (s.margin if s.margin is not None else 0.0)))
    return PartSeen(worst, len(group), sum(s.verdict != worst.verdict for s in group))


def _rate_of(parts: Iterable[PartSeen], truth: Truth, confidence: float) -> Rate:
    of = [p for p in parts if p.worst.truth == truth]
    return rate(sum(p.is_wrong for p in of), len(of), confidence)


def _classes(
    showings: Iterable[Showing], parts: Sequence[PartSeen], confidence: float, most: dict[str, float | None]
) -> tuple[ClassSeen, ...]:
    shown = Counter((s.truth, s.kind) for s in showings)
    made = []
    for truth, kind in sorted(shown, key=lambda key: (key[0] == "bad", key[1])):
        of = [p for p in parts if (p.worst.truth, p.worst.kind) == (truth, kind)]
        verdicts = Counter(p.worst.verdict for p in of)
        wrong = _rate_of(of, truth, confidence)
        limit = most[truth]
        asked = None if limit is None else agreed(f"share judged wrongly of {kind or truth}", wrong, limit)
        counts = verdicts["conforms"], verdicts["undecided"], verdicts["unread"], verdicts["rejected"]
        made.append(ClassSeen(kind or truth, truth, shown[truth, kind], counts, wrong, asked))
    return tuple(made)


def _distinct(showings: Sequence[Showing]) -> Check:
    parts = len({s.part for s in showings})
    if parts == len(showings):
        return Check("distinct parts", True, f"Each of {parts} parts was shown once.")
    return Check(
        "distinct parts",
        False,
        f"{len(showings)} showings are of {parts} parts: n is {parts}, each part by its worst showing.",
    )


def _challenged(parts: Sequence[PartSeen]) -> Check:
    bad, good = (sum(p.worst.truth == truth for p in parts) for truth in ("bad", "good"))
    if not bad or not good:
        return Check(
            "challenge parts", False, f"No {'bad' if not bad else 'good'} part was tried, so that side is not tried."
        )
    near = sum(p.worst.margin is not None and abs(p.worst.margin) < 4 for p in parts)
    if not near:
        return Check("challenge parts", None, "No part stands within 4 u of a limit: the borderline was not tried.")
    return Check("challenge parts", True, f"{bad} bad parts and {good} good ones, {near} of all within 4 u of a limit.")


def _gravity(part: PartSeen) -> tuple[bool, float]:
    margin = part.worst.margin
    return part.worst.truth == "good", -margin if margin is not None and part.worst.truth == "bad" else margin or 0.0


# --- what is said about it -----------------------------------------------------------------------------------------


def _sentences(study: TrialStudy, confidence: float) -> Iterable[str]:
    if study.in_both:
        yield _both_said(study)
    for name, did, found in (
        ("bad", "passed", study.escapes),
        ("good", "did not pass", study.false_rejects),
    ):
        yield _rate_said(name, did, found, confidence)
    for one in study.asked:
        yield _asked_said(one)
    yield from _alone_said(study)
    if changed := sum(p.others > 0 for p in study.parts):
        yield f"{changed} parts were judged otherwise in another showing: look at what differs between their showings."
    yield _next(study)


def _alone_said(study: TrialStudy) -> Iterable[str]:
    """Yield in one sentence of which classes what was agreed of all is not shown."""
    left = [c for c in study.classes if c.asked is not None and not c.asked.shown]
    if left and len(study.classes) > 2:
        each = [f"{c.name} ({counted(c.n, 'part')}, {c.wrong.events} wrong)" for c in left]
        yield f"Of {' or '.join(filter(None, (', '.join(each[:-1]), each[-1])))} alone it is not shown."


def _both_said(study: TrialStudy) -> str:
    names = ", ".join(study.in_both[:_NAMED]) + (" and more" if len(study.in_both) > _NAMED else "")
    by_hash = f", {len(study.same_pictures)} of them by a picture's hash alone" if study.same_pictures else ""
    n = len(study.in_both)
    return (
        f"{n} {'part that' if n == 1 else 'parts that'} tuned the recipe {'is' if n == 1 else 'are'} among those that "
        f"should prove it{by_hash}, and left out of every count: {names}."
    )


def _rate_said(name: str, did: str, found: Rate, confidence: float) -> str:
    if found.value is None:
        return f"No {name} part was tried: how many {did} is not tried."
    return (
        f"{found.events} of {found.n} {name} parts {did}: {per_cent(found.value)}, {per_cent(confidence)} interval "
        f"{per_cent(found.low)} to {per_cent(found.high)}, at most {per_cent(found.at_most)} one-sided."
    )


def _asked_said(one: Agreed) -> str:
    if one.rate.value is None:
        return f"A {one.name} of at most {per_cent(one.most)}: not tried."
    if one.shown:
        return f"A {one.name} of at most {per_cent(one.most)}: shown."
    more = "no number of parts in reach would" if one.more is None else f"{one.more} more, all judged rightly, would"
    return f"A {one.name} of at most {per_cent(one.most)}: not shown; {more}."


def _next(study: TrialStudy) -> str:
    if study.escapes.value is None:
        return "Next: bring known-bad parts, of each kind that must not pass and near its limit, each of them once."
    if study.false_rejects.value is None:
        return "Next: bring good parts of several lots, so that false rejects are tried too."
    if study.escapes.events:
        return (
            "Next: look at the bad parts that passed before anything else; mend the label of one that is measured good "
            "by other means, else the recipe, and try all of them anew."
        )
    wanted = [f"{a.more} more {'bad' if 'bad' in a.name else 'good'} parts" for a in study.asked if a.more]
    if wanted:
        return f"Next: bring {' and '.join(wanted)}, distinct ones, from other lots than those that tuned the recipe."
    if study.false_rejects.events:
        return "Next: look at the good parts that did not pass: their pictures say whether limit, light or find is why."
    return "Next: keep these parts as golden and challenge parts, and show them again after each change."
