"""Capability of a measuring system and of a measuring process, in the manner of ISO 22514-7 and VDA 5.

    u_MS² = u_CAL² + max(u_EVR, u_RE)² + u_BI² + u_LIN² + u_MS-rest²
    u_MP² = u_CAL² + max(u_EVR, u_RE, u_EVO)² + u_BI² + u_LIN² + u_MS-rest²
            + u_AV² + u_GV² + u_IA² + u_STAB² + u_T² + u_OBJ² + u_rest²
    U = k·u with k = 2,   Q = 2·U/T,   smallest tolerance = 2·U/Q_max

u_RE = resolution/√12 and u_BI = |bias|/√3. Of the repeatability on a reference, the resolution and the repeatability on
parts the largest alone counts, since the one holds the other. Limits Q_MS ≤ 15 % and Q_MP ≤ 30 % (from memory) are
inputs. The standard judges by the point values; `shown` is what the ends of their intervals keep too.

A cause that nobody stated is not 0. Of the system ISO 22514-7 has calibration, resolution, repeatability on a reference
and bias in every case, and VDA 5 repeatability on parts of the process (both from memory): without them nothing is
capable. A standard deviation of readings needs its degrees of freedom; a u that is stated without any, as from a
certificate or of limits, counts as known (JCGM 100, G.4.3).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import effective_dof
from tiepoint.studies.checks import Check
from tiepoint.studies.figure import Figure
from tiepoint.studies.wording import per_cent

COVERAGE = 2.0
MOST_SYSTEM, MOST_PROCESS = 0.15, 0.30
FEWEST_DOF = 20.0
"""Of a repeatability: with fewer its standard deviation is known to no better than about a third."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of cause: what its figure is, by what it is divided to be a standard uncertainty, and where it acts.

    `group`: causes of one group that hold each other, of which the largest alone counts. `of_readings`: the figure is a
    standard deviation of readings.
    """

    told: str
    divisor: float = 1.0
    in_system: bool = False
    group: str = ""
    of_readings: bool = False


KINDS: dict[str, Kind] = {
    "calibration": Kind("calibration of the reference, u", in_system=True),
    "resolution": Kind("resolution, the whole step", math.sqrt(12.0), True, "repeatability"),
    "repeatability_reference": Kind("repeatability on a reference, s", 1.0, True, "repeatability", True),
    "bias": Kind("bias on a reference", math.sqrt(3.0), True),
    "linearity": Kind("linearity, u", in_system=True),
    "system_other": Kind("other of the measuring system, u", in_system=True),
    "repeatability_parts": Kind("repeatability on parts, s", group="repeatability", of_readings=True),
    "reproducibility": Kind("loading, carrier or shift, s", of_readings=True),
    "stations": Kind("difference between stations, s", of_readings=True),
    "interaction": Kind("interaction, s", of_readings=True),
    "stability": Kind("stability, u"),
    "temperature": Kind("temperature, u"),
    "object": Kind("form and surface of the part, u"),
    "other": Kind("other of the process, u"),
}
"""Causes by the name that a table gives them."""
MANY = ("system_other", "other")
"""Causes of which there may be several."""
LEAST_SYSTEM = ("calibration", "resolution", "repeatability_reference", "bias")
LEAST_PROCESS = (*LEAST_SYSTEM, "repeatability_parts")
"""Causes that have to be stated, be it as 0, before anything is capable."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause of uncertainty by `kind`, its figure as stated (step, bias, s or u), and its degrees of freedom.

    `stated_dof` is None where nothing was said.
    """

    kind: str
    figure: float
    stated_dof: float | None = None
    label: str = ""

    @property
    def dof(self) -> float:
        """Its degrees of freedom: what is stated without them is known."""
        return math.inf if self.stated_dof is None else self.stated_dof

    @property
    def u(self) -> float:
        """Its standard uncertainty."""
        return abs(self.figure) / KINDS[self.kind].divisor

    @property
    def name(self) -> str:
        """What it is called."""
        return self.label or KINDS[self.kind].told


@dataclass(frozen=True, slots=True)
class CauseRow:
    """A cause beside the others: its u, and its share of u² of the system and of the process.

    A share is None where it does not act, and 0 where another cause `holds` it.
    """

    name: str
    kind: str
    u: float
    dof: float
    share_system: float | None
    share_process: float | None
    held_by: str


@dataclass(frozen=True, slots=True)
class Capable:
    """One figure of capability: u, U = 2u, Q with what dof leave open, its limit, and the smallest tolerance."""

    u: float
    U: float
    dof: float
    q: Figure
    most: float
    smallest_tolerance: Figure

    @property
    def by_point(self) -> bool:
        """Whether it is capable by the standard's rule: Q itself keeps its limit."""
        return self.q.value <= self.most

    @property
    def shown(self) -> bool:
        """Whether the unfavourable end of Q keeps its limit too."""
        return self.q.high <= self.most


@dataclass(frozen=True, slots=True)
class CapabilityStudy:
    """The measuring `system`, the `process` (None where no cause of it was stated) and all causes, in `unit`."""

    tolerance: float
    unit: str
    system: Capable
    process: Capable | None
    rows: tuple[CauseRow, ...]
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]

    @property
    def shown(self) -> bool:
        """Whether all is stated and the unfavourable ends of the intervals keep their limits too."""
        return self.good is True and self.system.shown and (self.process is None or self.process.shown)

    def missing(self, of_process: bool) -> tuple[str, ...]:
        """Return what the causes are called without which nothing is shown of the process, or of the system."""
        stated = {row.kind for row in self.rows}
        return tuple(KINDS[k].told for k in (LEAST_PROCESS if of_process else LEAST_SYSTEM) if k not in stated)


def study_capability(
    causes: Sequence[Cause],
    tolerance: float,
    *,
    most_system: float = MOST_SYSTEM,
    most_process: float = MOST_PROCESS,
    unit: str = "mm",
) -> CapabilityStudy:
    """Return the study of causes for a `tolerance` (distance of both limits), all in `unit`.

    `good` is by the standard's own rule, the point values, and False where a cause is missing that each has. Raises
    `UnusableInput` for a tolerance of zero, a cause that is stated twice, figures that cannot be, or a standard
    deviation of readings without its degrees of freedom.
    """
    _checked(causes, tolerance, most_system, most_process)
    in_system = [c for c in causes if KINDS[c.kind].in_system]
    has_process = len(in_system) < len(causes)
    system = _capable(_counting(in_system), tolerance, most_system)
    process = _capable(_counting(causes), tolerance, most_process) if has_process else None
    study = CapabilityStudy(
        tolerance=tolerance,
        unit=unit,
        system=system,
        process=process,
        rows=tuple(_rows(causes, has_process)),
        convention=(
            f"In the manner of ISO 22514-7 and VDA 5: U = {COVERAGE:g}u, Q = 2U/T with T = {tolerance:g} {unit}; of "
            "repeatability on a reference, resolution and repeatability on parts the largest counts; capable by the "
            f"point values, Q_MS at most {per_cent(most_system)} and Q_MP at most {per_cent(most_process)}."
            + (
                " A u without degrees of freedom is taken as known."
                if any(c.stated_dof is None for c in causes)
                else ""
            )
        ),
        checks=(),
        good=None,
        sentences=(),
    )
    complete = not study.missing(has_process)
    by_point = system.by_point and (process is None or process.by_point)
    study = replace(study, checks=tuple(_checks(causes, study.missing(has_process))), good=complete and by_point)
    return replace(study, sentences=tuple(_sentences(study, unit)))


def _checked(causes: Sequence[Cause], tolerance: float, *most: float) -> None:
    if not (math.isfinite(tolerance) and tolerance > 0):
        raise UnusableInput(f"the tolerance is {tolerance:g}; give the distance of both limits, above 0")
    for share in most:
        if not 0 < share < 1:
            raise UnusableInput(f"the largest Q is {share:g}; give a share above 0 and below 1, as in 0.15")
    if not causes:
        raise UnusableInput("there is no cause of uncertainty; state at least the repeatability on a reference")
    seen: set[str] = set()
    for cause in causes:
        if cause.kind not in KINDS:
            raise UnusableInput(f"the cause {cause.kind!r} is not known; use one of {', '.join(KINDS)}")
        if cause.kind in seen and cause.kind not in MANY:
            raise UnusableInput(f"the cause {cause.kind} is stated twice; combine both, or call one of them other")
        seen.add(cause.kind)
        if not math.isfinite(cause.figure) or (cause.figure < 0 and cause.kind != "bias"):
            raise UnusableInput(f"{cause.kind} is {cause.figure:g}; give a finite figure of 0 or more")
        _check_dof(cause)
    if not any(KINDS[c.kind].in_system and c.u > 0 for c in causes):
        raise UnusableInput(
            "no cause of the measuring system is above 0; state at least the repeatability on a reference"
        )


def _check_dof(cause: Cause) -> None:
    if not cause.dof > 0:
        raise UnusableInput(f"the degrees of freedom of {cause.kind} are {cause.dof:g}; give more than 0")
    if cause.stated_dof is None and cause.figure and KINDS[cause.kind].of_readings:
        raise UnusableInput(
            f"{cause.kind} is a standard deviation, and how well it is known is not said; give its dof (its readings "
            "less one, as a rule), or inf where it is known from very many"
        )


def _counting(causes: Iterable[Cause]) -> list[Cause]:
    """Return the causes that count: of each group the largest, and all that are in none."""
    kept, largest = [], dict[str, Cause]()
    for cause in causes:
        group = KINDS[cause.kind].group
        if not group:
            kept.append(cause)
        elif group not in largest or cause.u > largest[group].u:
            largest[group] = cause
    return [*kept, *largest.values()]


def _capable(causes: Sequence[Cause], tolerance: float, most: float) -> Capable:
    variances = [(c.u**2, c.dof) for c in causes]
    u = math.sqrt(math.fsum(v for v, _ in variances))
    dof = effective_dof(variances)
    q = _with_interval(2 * COVERAGE * u / tolerance, dof)
    smallest = _with_interval(2 * COVERAGE * u / most, dof)
    return Capable(u, COVERAGE * u, dof, q, most, smallest)


def _with_interval(value: float, dof: float) -> Figure:
    """Return what is proportional to a standard uncertainty with its interval from χ² (Welch-Satterthwaite's dof)."""
    if not math.isfinite(dof):
        return Figure(value, value, value)
    low, high = (math.sqrt(dof / float(special.chdtri(dof, tail))) for tail in (0.025, 0.975))
    return Figure(value, value * low, value * high)


def _rows(causes: Sequence[Cause], has_process: bool) -> Iterable[CauseRow]:
    of_system = _counting([c for c in causes if KINDS[c.kind].in_system])
    of_process = _counting(causes)
    whole = [math.fsum(c.u**2 for c in of) for of in (of_system, of_process)]
    for cause in sorted(causes, key=lambda c: -c.u):
        acting = KINDS[cause.kind].in_system
        counts = [any(c is cause for c in of) for of in (of_system, of_process)]
        shares = [cause.u**2 / total if count and total else 0.0 for count, total in zip(counts, whole, strict=True)]
        group = KINDS[cause.kind].group
        holder = next((c.name for c in of_process if group and KINDS[c.kind].group == group and c is not cause), "")
        yield CauseRow(
            cause.name,
            cause.kind,
            cause.u,
            cause.dof,
            shares[0] if acting else None,
            shares[1] if has_process else None,
            holder,
        )


def _checks(causes: Sequence[Cause], missing: Sequence[str]) -> Iterable[Check]:
    by_kind = {c.kind: c for c in causes}
    if missing:
        yield Check("all causes", False, f"Not stated: {'; '.join(missing)}.")
    for kind in ("repeatability_reference", "repeatability_parts"):
        cause = by_kind.get(kind)
        if cause is not None and cause.dof < FEWEST_DOF:
            told = f"{KINDS[kind].told.partition(',')[0].capitalize()} has {cause.dof:g} degrees of freedom"
            yield Check("enough readings", False, f"{told}; 25 readings or more are usual.")
    resolution = by_kind.get("resolution")
    repeat = by_kind.get("repeatability_reference")
    if resolution is not None and repeat is not None and resolution.u > repeat.u:
        yield Check("resolution", False, "The resolution is coarser than the repeatability: show more digits.")


def _sentences(study: CapabilityStudy, unit: str) -> Iterable[str]:
    for name, symbol, found in (("system", "Q_MS", study.system), ("process", "Q_MP", study.process)):
        if found is None:
            yield "No cause of the process was stated, so of the measuring process nothing is shown."
        elif missing := study.missing(name == "process"):
            yield (
                f"Of the measuring {name} nothing is shown: {symbol} is {per_cent(found.q.value)} or more, and not "
                f"stated {'is' if len(missing) == 1 else 'are'} {'; '.join(missing)}."
            )
        else:
            yield _judged(name, symbol, found, unit)
    yield _next(study)


def _judged(name: str, symbol: str, found: Capable, unit: str) -> str:
    smallest = f"the smallest tolerance that it is good for is {found.smallest_tolerance.value:.3g} {unit}"
    figures = f"{symbol} is {per_cent(found.q.value)} of at most {per_cent(found.most)}"
    if not found.by_point:
        return f"The measuring {name} is not capable: {figures}; {smallest}."
    if found.shown:
        return f"The measuring {name} is capable: {figures}; {smallest}."
    return (
        f"The measuring {name} is capable by the point value alone: {figures}, and with {found.dof:.3g} degrees of "
        f"freedom it may be up to {per_cent(found.q.high)}, so by its interval that is not shown; {smallest}, by the "
        "point value too."
    )


def _next(study: CapabilityStudy) -> str:
    of_process = study.process is not None
    if study.missing(of_process):
        return "Next: state what is missing; a cause that truly is nothing gets a row with 0, and its name says why."
    row = max(study.rows, key=lambda r: _share(r, of_process))
    share = _share(row, of_process)
    if study.good and not study.shown:
        least = max(study.rows, key=lambda r: _share(r, of_process) ** 2 / r.dof)
        return f"Next: know {least.name} better, by more readings: its {least.dof:.3g} degrees of freedom are few."
    if study.good and of_process:
        return f"Next: watch {row.name}, {per_cent(share)} of the variance, by a stability study."
    if study.good:
        return "Next: study real parts, put in anew, as the process is (repeatability on parts, loading, temperature)."
    return f"Next: reduce {row.name} first: it makes {per_cent(share)} of the variance."


def _share(row: CauseRow, of_process: bool) -> float:
    return (row.share_process if of_process else row.share_system) or 0.0
