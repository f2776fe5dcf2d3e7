"""Agreement of decisions: with what parts are, and between repeats. κ never stands alone.

κ = (p₀ − p_e)/(1 − p_e) (Cohen 1960) says how far agreement is beyond chance, and hides which way decisions err: 92
good ones accepted, 4 refused, 52 bad ones refused and 2 accepted make κ 0.914, and yet one bad part of 27 passes. So
misses and false alarms stand beside it, each with its interval, for every class, and with what a decision is worth
where bad parts are rare.

Its standard error is Fleiss, Cohen & Everitt's (Psychological Bulletin 72 (1969) 323, eq. 13) where each part was
decided once; where parts were decided several times it comes from leaving out one part at a time, since decisions on
one part are no independent ones. κ between repeats is Fleiss' (Psychological Bulletin 76 (1971) 378).
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.studies.checks import Check
from tiepoint.studies.figure import Figure
from tiepoint.studies.rates import CONFIDENCE, Agreed, Rate, agreed, rate
from tiepoint.studies.wording import per_cent

Array = NDArray[np.float64]

GOOD = ("good", "conforms")
"""Words for a part that is good, and for a decision that lets it pass; every other word is a class of bad parts, or a
decision that does not."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What was `said` of a `part`, what it is (`truth`; empty where nobody knows) and by whom (`rater`); `where`."""

    part: str
    said: str
    truth: str = ""
    rater: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True)
class ClassAgreed:
    """Parts of one class: their number, how many were decided wrongly in any repeat, and how many were called by name.

    `named` is None where decisions are only good or not.
    """

    name: str
    wrong: Rate
    named: Rate | None
    asked: Agreed | None


@dataclass(frozen=True, slots=True)
class Worth:
    """What decisions are worth where a share `prevalence` of parts is bad.

    `bad_of_refused`: share of bad ones among what is refused (PPV). `bad_of_passed`: among what passes.
    """

    prevalence: float
    bad_of_refused: Figure
    bad_of_passed: Figure


@dataclass(frozen=True, slots=True)
class AgreementStudy:
    """Against the reference, where there is one: misses, false alarms, and κ. Between repeats, where there are any.

    `kappa` is None where good or bad parts are missing: there agreement by chance is whole.

    `same`: parts on which all repeats agree, of all parts, by `same_by` rater; `kappa_repeats` (Fleiss) over all of
    them. Both are None where parts were decided once. `said`: the decisions, all of them.
    """

    kappa: Figure | None
    misses: Rate | None
    false_alarms: Rate | None
    classes: tuple[ClassAgreed, ...]
    worth: Worth | None
    same: Rate | None
    same_by: tuple[tuple[str, Rate], ...]
    kappa_repeats: float | None
    decisions: int
    said: tuple[Decision, ...]
    asked: tuple[Agreed, ...]
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]


def is_good(word: str) -> bool:
    """Return whether a word stands for a good part, or for letting it pass."""
    return word.lower() in GOOD


def study_agreement(
    decisions: Sequence[Decision],
    *,
    prevalence: float | None = None,
    most_misses: float | None = None,
    most_false: float | None = None,
    confidence: float = CONFIDENCE,
) -> AgreementStudy:
    """Return the study. `prevalence`: share of bad parts where the station works, for what a decision is worth.

    `most_misses`, `most_false`: agreed shares of bad parts that pass in any repeat, and of good ones that do not.
    Raises `UnusableInput` where references contradict each other, `PoorGeometry` for fewer than two parts.
    """
    by_part = _by_part(decisions)
    known = all(d.truth for d in decisions)
    if not known and any(d.truth for d in decisions):
        where = next(d.where for d in decisions if not d.truth)
        raise UnusableInput(f"{where}: what part it is is not said, and of others it is; say it of all, or of none")
    if not known and (most_misses is not None or most_false is not None or prevalence is not None):
        raise UnusableInput("misses and false alarms need to know what each part is; give a column reference")
    if prevalence is not None and not 0 < prevalence < 1:
        raise UnusableInput(f"the share of bad parts is {prevalence:g}; give it above 0 and below 1, as in 0.001")
    misses = _rate(by_part, False, confidence) if known else None
    false = _rate(by_part, True, confidence) if known else None
    asked = tuple(
        agreed(name, found, most)
        for name, found, most in (("miss rate", misses, most_misses), ("false alarm rate", false, most_false))
        if found is not None and most is not None
    )
    repeated = any(len(group) > 1 for group in by_part.values())
    study = AgreementStudy(
        kappa=kappa_of(decisions) if misses and false and misses.n and false.n else None,
        misses=misses,
        false_alarms=false,
        classes=_classes(by_part, confidence, most_misses, most_false) if known else (),
        worth=None if prevalence is None else _worth(prevalence, misses, false),
        same=_same(by_part.values(), confidence) if repeated else None,
        same_by=_same_by(decisions, confidence) if repeated else (),
        kappa_repeats=fleiss_kappa(by_part) if repeated else None,
        decisions=len(decisions),
        said=tuple(decisions),
        asked=asked,
        convention=_convention(confidence),
        checks=tuple(_checks(by_part, known)),
        good=all(a.shown for a in asked) if asked else None,
        sentences=(),
    )
    return replace(study, sentences=tuple(_sentences(study)))


def _convention(confidence: float) -> str:
    return (
        "A miss is a bad part that passes in any of its repeats, a false alarm a good one that does not in any; n "
        f"counts distinct parts; intervals by Clopper and Pearson, {per_cent(confidence)}; κ over all decisions, good "
        "or not."
    )


def _by_part(decisions: Sequence[Decision]) -> dict[str, list[Decision]]:
    by_part: dict[str, list[Decision]] = {}
    for d in decisions:
        group = by_part.setdefault(d.part, [])
        if group and group[0].truth.lower() != d.truth.lower():
            raise UnusableInput(
                f"part {d.part} is {group[0].truth} in {group[0].where} and {d.truth} in {d.where}; give it one "
                "reference"
            )
        group.append(d)
    if len(by_part) < 2:
        raise PoorGeometry(f"{len(by_part)} part is too few to tell agreement; show at least two, and better fifty")
    return by_part


def _wrong(d: Decision) -> bool:
    return is_good(d.said) != is_good(d.truth)


def _rate(by_part: dict[str, list[Decision]], good: bool, confidence: float) -> Rate:
    of = [group for group in by_part.values() if is_good(group[0].truth) == good]
    return rate(sum(any(map(_wrong, group)) for group in of), len(of), confidence)


def _classes(
    by_part: dict[str, list[Decision]], confidence: float, most_misses: float | None, most_false: float | None
) -> tuple[ClassAgreed, ...]:
    words = {d.said.lower() for group in by_part.values() for d in group}
    truths = dict.fromkeys(group[0].truth.lower() for group in by_part.values())
    tells = len(words | {t for t in truths if not is_good(t)}) > 2 and bool(
        words & {t for t in truths if not is_good(t)}
    )
    made = []
    for name in sorted(truths, key=lambda t: (not is_good(t), t)):
        of = [group for group in by_part.values() if group[0].truth.lower() == name]
        wrong = rate(sum(any(map(_wrong, group)) for group in of), len(of), confidence)
        right = sum(all(d.said.lower() == name for d in group) for group in of)
        most = most_false if is_good(name) else most_misses
        asked = None if most is None else agreed(f"share of {name} decided wrongly", wrong, most)
        made.append(ClassAgreed(name, wrong, rate(right, len(of), confidence) if tells else None, asked))
    return tuple(made)


# --- κ -------------------------------------------------------------------------------------------------------------


def cohen_kappa(table: Array) -> tuple[float, float]:
    """Return κ and its standard error from counts (k, k): truth by row, decision by column.

    κ is 1 and its error 0 where everything is of one class and decided as such: then chance agrees wholly too.
    """
    p = table / table.sum()
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    agree, chance = float(np.trace(p)), float(rows @ columns)
    if chance >= 1.0:
        return 1.0, 0.0
    kappa = (agree - chance) / (1 - chance)
    # Fleiss, Cohen & Everitt 1969, eq. 13.
    diagonal = np.diag(p) * (1 - (rows + columns) * (1 - kappa)) ** 2
    off = p * (columns[:, None] + rows[None, :]) ** 2 * (1 - kappa) ** 2
    rest = (kappa - chance * (1 - kappa)) ** 2
    variance = (diagonal.sum() + off.sum() - np.trace(off) - rest) / (table.sum() * (1 - chance) ** 2)
    return float(kappa), math.sqrt(max(float(variance), 0.0))


def kappa_of(decisions: Sequence[Decision]) -> Figure:
    """Return Cohen's κ of decisions, good or not, with its 95 % interval.

    Where all agree its error is 0 by any formula; then the low end is κ at the least share of agreement that the number
    of parts allows (Clopper and Pearson).
    """
    by_part: dict[str, Array] = {}
    for d in decisions:
        table = by_part.setdefault(d.part, np.zeros((2, 2)))
        table[int(not is_good(d.truth)), int(not is_good(d.said))] += 1
    tables = np.array(list(by_part.values()))
    counts = tables.sum(axis=0)
    kappa, error = cohen_kappa(counts)
    if np.trace(counts) == counts.sum():
        chance = float(np.sum((np.diag(counts) / counts.sum()) ** 2))
        least = rate(0, len(tables), CONFIDENCE).high
        return Figure(1.0, max(1.0 - least / (1.0 - chance), -1.0), 1.0) if chance < 1.0 else Figure(1.0, -1.0, 1.0)
    if len(decisions) > len(tables):
        # The jackknife over parts (Efron & Tibshirani 1993, 11.5): decisions on one part belong together.
        without = np.array([cohen_kappa(tables.sum(axis=0) - one)[0] for one in tables])
        n = len(tables)
        error = math.sqrt((n - 1) / n * float(np.sum((without - without.mean()) ** 2)))
    reach = float(special.ndtri(0.975)) * error
    return Figure(kappa, max(kappa - reach, -1.0), min(kappa + reach, 1.0))


def fleiss_kappa(by_part: dict[str, list[Decision]]) -> float | None:
    """Return Fleiss' κ between all decisions on each part; None where parts were not decided equally often.

    It is 1 where all decisions are of one class.
    """
    counts = {len(group) for group in by_part.values()}
    if len(counts) != 1 or counts == {1}:
        return None
    (m,) = counts
    words = sorted({d.said.lower() for group in by_part.values() for d in group})
    table = np.array([[Counter(d.said.lower() for d in group)[w] for w in words] for group in by_part.values()], float)
    share = table.sum(axis=0) / table.sum()
    agree = float(np.mean((np.sum(table**2, axis=1) - m) / (m * (m - 1))))
    chance = float(share @ share)
    return 1.0 if chance >= 1.0 else (agree - chance) / (1 - chance)


def _same(groups: Iterable[Sequence[Decision]], confidence: float) -> Rate:
    kept = [group for group in groups if len(group) > 1]
    return rate(sum(len({d.said.lower() for d in group}) == 1 for group in kept), len(kept), confidence)


def _same_by(decisions: Sequence[Decision], confidence: float) -> tuple[tuple[str, Rate], ...]:
    """Return for each rater how many parts got one and the same decision in all of that rater's repeats."""
    raters = sorted({d.rater for d in decisions})
    if len(raters) < 2:
        return ()
    found = []
    for rater in raters:
        groups: dict[str, list[Decision]] = {}
        for d in decisions:
            if d.rater == rater:
                groups.setdefault(d.part, []).append(d)
        if any(len(group) > 1 for group in groups.values()):
            found.append((rater, _same(groups.values(), confidence)))
    return tuple(found)


# --- what a decision is worth --------------------------------------------------------------------------------------


def bad_of_refused(prevalence: float, detection: float, false_alarm: float) -> float:
    """Return the share of bad parts among what is refused (Bayes); 0 where nothing is."""
    refused = prevalence * detection + (1 - prevalence) * false_alarm
    return prevalence * detection / refused if refused > 0 else 0.0


def _worth(prevalence: float, misses: Rate | None, false: Rate | None) -> Worth | None:
    """Return the worth, its interval from the ends of both rates that are worst for it: at least 95 % together."""
    if misses is None or false is None or misses.value is None or false.value is None:
        return None
    # Both ends at 97.5 % each, so that both hold together in 95 of 100 studies (Bonferroni).
    a, b = rate(misses.events, misses.n, 0.975), rate(false.events, false.n, 0.975)
    p = prevalence
    refused = Figure(
        bad_of_refused(p, 1 - misses.value, false.value),
        bad_of_refused(p, 1 - a.high, b.high),
        bad_of_refused(p, 1 - a.low, b.low),
    )
    passed = Figure(
        bad_of_refused(p, misses.value, 1 - false.value),
        bad_of_refused(p, a.low, 1 - b.low),
        bad_of_refused(p, a.high, 1 - b.high),
    )
    return Worth(prevalence, refused, passed)


# --- what is taken for granted, and what is said -------------------------------------------------------------------


def _checks(by_part: dict[str, list[Decision]], known: bool) -> Iterable[Check]:
    often = {len(group) for group in by_part.values()}
    if len(often) > 1:
        yield Check(
            "balance",
            False,
            f"Parts were decided {min(often)} to {max(often)} times; κ between repeats needs one number.",
        )
    elif often == {1}:
        yield Check("repeats", None, "Each part was decided once, so agreement between repeats was not tried.")
    if known:
        good = sum(is_good(group[0].truth) for group in by_part.values())
        bad = len(by_part) - good
        few = min(good, bad)
        yield Check(
            "enough parts",
            few >= 20,
            f"{good} good parts and {bad} bad ones" + ("." if few >= 20 else ": fewer than 20 of a kind show little."),
        )


def _sentences(study: AgreementStudy) -> Iterable[str]:
    if study.misses is not None and study.false_alarms is not None:
        yield _missed("bad", "were missed", study.misses)
        yield _missed("good", "were false alarms", study.false_alarms)
    if study.kappa is not None:
        k = study.kappa
        yield f"κ is {k.value:.3f} ({k.low:.3f} to {k.high:.3f}); it never stands alone: see misses and false alarms."
    for one in study.asked:
        tried = "not tried" if one.rate.value is None else "shown" if one.shown else "not shown"
        more = f"; {one.more} more parts, all decided rightly, would" if one.more and tried == "not shown" else ""
        yield f"A {one.name} of at most {per_cent(one.most)}: {tried}{more}."
    if study.worth is not None:
        yield from _worth_said(study.worth)
    if study.same is not None:
        kappa = "" if study.kappa_repeats is None else f" κ between repeats is {study.kappa_repeats:.3f}."
        s = study.same
        yield f"On {s.events} of {s.n} parts all repeats agree ({per_cent(s.low)} to {per_cent(s.high)}).{kappa}"
    yield _next(study)


def _missed(name: str, did: str, found: Rate) -> str:
    if found.value is None:
        return f"No {name} part was shown: how many {did} is not tried."
    interval = f"{per_cent(found.low)} to {per_cent(found.high)}"
    return f"{found.events} of {found.n} {name} parts {did}: {per_cent(found.value)} ({interval})."


def _worth_said(worth: Worth) -> Iterable[str]:
    r, p = worth.bad_of_refused, worth.bad_of_passed
    yield (
        f"Where {per_cent(worth.prevalence)} of parts are bad, {per_cent(r.value)} of what is refused is bad "
        f"({per_cent(r.low)} to {per_cent(r.high)}), and of what passes {1e6 * p.value:.3g} of a million (at most "
        f"{1e6 * p.high:.3g})."
    )


def _next(study: AgreementStudy) -> str:
    if study.misses is None:
        return "Next: have every part judged by a reference that is better than the station, then study misses too."
    if study.misses.events:
        return (
            "Next: look at each bad part that was missed, and at what differs between its repeats; then show it anew."
        )
    if study.misses.value is None or study.false_alarms is None or study.false_alarms.value is None:
        return "Next: show good and bad parts alike, borderline ones among them; without both nothing is shown."
    wanted = [f"{a.more} more {'bad' if a.name == 'miss rate' else 'good'} parts" for a in study.asked if a.more]
    if wanted:
        return f"Next: show {' and '.join(wanted)}, distinct ones, borderline ones among them."
    if study.same is None:
        return "Next: show each part anew several times, put in again in between."
    return "Next: prove it on the line by a trial with challenge parts."
