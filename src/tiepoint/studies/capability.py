"""Capability of a measuring system and of a measuring process, in the manner of ISO 22514-7 and VDA 5.

    u_MS² = u_CAL² + max(u_EVR, u_RE)² + u_BI² + u_LIN² + u_MS-rest²
    u_MP² = u_CAL² + max(u_EVR, u_RE, u_EVO)² + u_BI² + u_LIN² + u_MS-rest²
            + u_AV² + u_GV² + u_IA² + u_STAB² + u_T² + u_OBJ² + u_rest²
    U = k·u with k = 2,   Q = 2·U/T,   smallest tolerance = 2·U/Q_max

u_RE = resolution/√12 and u_BI = |bias|/√3. Of the repeatability on a reference, the resolution and the repeatability on
parts the largest alone counts, since the one holds the other. Limits Q_MS ≤ 15 % and Q_MP ≤ 30 % (from memory) are
inputs. The standard judges by the point values; what few degrees of freedom leave open is said beside it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import effective_dof
from tiepoint.studies.checks import Check
from tiepoint.studies.figure import Figure

COVERAGE = 2.0
MOST_SYSTEM, MOST_PROCESS = 0.15, 0.30
FEWEST_DOF = 20.0
"""Of a repeatability: with fewer its standard deviation is known to no better than about a third."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of cause: what its figure is, by what it is divided to be a standard uncertainty, and where it acts.

    `group`: causes of one group that hold each other, of which the largest alone counts.
    """

    told: str
    divisor: float = 1.0
    in_system: bool = False
    group: str = ""


KINDS: dict[str, Kind] = {
    "calibration": Kind("calibration of the reference, u", in_system=True),
    "resolution": Kind("resolution, the whole step", math.sqrt(12.0), True, "repeatability"),
    "repeatability_reference": Kind("repeatability on a reference, s", in_system=True, group="repeatability"),
    "bias": Kind("bias on a reference", math.sqrt(3.0), True),
    "linearity": Kind("linearity, u", in_system=True),
    "system_other": Kind("other of the measuring system, u", in_system=True),
    "repeatability_parts": Kind("repeatability on parts, s", group="repeatability"),
    "reproducibility": Kind("loading, carrier or shift, s"),
    "stations": Kind("difference between stations, s"),
    "interaction": Kind("interaction, s"),
    "stability": Kind("stability, u"),
    "temperature": Kind("temperature, u"),
    "object": Kind("form and surface of the part, u"),
    "other": Kind("other of the process, u"),
}
"""Causes by the name that a table gives them."""
MANY = ("system_other", "other")
"""Causes of which there may be several."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause of uncertainty by `kind`, its figure as stated (step, bias, s or u), and its degrees of freedom."""

    kind: str
    figure: float
    dof: float = math.inf
    label: str = ""

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


def study_capability(
    causes: Sequence[Cause],
    tolerance: float,
    *,
    most_system: float = MOST_SYSTEM,
    most_process: float = MOST_PROCESS,
    unit: str = "mm",
) -> CapabilityStudy:
    """Return the study of causes for a `tolerance` (distance of both limits), all in `unit`.

    `good` is by the standard's own rule, the point values. Raises `UnusableInput` for a tolerance of zero, a cause
    that is stated twice, or figures that cannot be.
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
            f"point values, Q_MS at most {_per_cent(most_system)} and Q_MP at most {_per_cent(most_process)}."
        ),
        checks=tuple(_checks(causes)),
        good=system.by_point and (process is None or process.by_point),
        sentences=(),
    )
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
        if not cause.dof > 0:
            raise UnusableInput(f"the degrees of freedom of {cause.kind} are {cause.dof:g}; give more than 0")
    if not any(KINDS[c.kind].in_system and c.u > 0 for c in causes):
        raise UnusableInput(
            "no cause of the measuring system is above 0; state at least the repeatability on a reference"
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


def _checks(causes: Sequence[Cause]) -> Iterable[Check]:
    by_kind = {c.kind: c for c in causes}
    missing = [k for k in ("calibration", "resolution", "repeatability_reference", "bias") if k not in by_kind]
    if missing:
        told = ", ".join(KINDS[k].told for k in missing)
        yield Check("all causes", False, f"Not stated, and so taken as 0: {told}.")
    for kind in ("repeatability_reference", "repeatability_parts"):
        cause = by_kind.get(kind)
        if cause is not None and cause.dof < FEWEST_DOF:
            told = f"{KINDS[kind].told.partition(',')[0].capitalize()} has {cause.dof:g} degrees of freedom"
            yield Check("enough readings", False, f"{told}; 25 readings or more are usual.")
    resolution = by_kind.get("resolution")
    repeat = by_kind.get("repeatability_reference")
    if resolution is not None and repeat is not None and resolution.u > repeat.u:
        yield Check("resolution", False, "The resolution is coarser than the repeatability: show more digits.")


def _per_cent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _sentences(study: CapabilityStudy, unit: str) -> Iterable[str]:
    for name, symbol, found in (("system", "Q_MS", study.system), ("process", "Q_MP", study.process)):
        if found is None:
            yield "No cause of the process was stated, so of the measuring process nothing is shown."
            continue
        word = "capable" if found.by_point else "not capable"
        yield (
            f"The measuring {name} is {word}: {symbol} is {_per_cent(found.q.value)} of at most "
            f"{_per_cent(found.most)}; the smallest tolerance that it is good for is "
            f"{found.smallest_tolerance.value:.3g} {unit}."
        )
        if found.by_point and not found.shown:
            yield (
                f"By its interval that is not shown: with {found.dof:.3g} degrees of freedom {symbol} may be up to "
                f"{_per_cent(found.q.high)}."
            )
    yield _next(study)


def _next(study: CapabilityStudy) -> str:
    of_process = study.process is not None
    row = max(study.rows, key=lambda r: (r.share_process if of_process else r.share_system) or 0.0)
    share = (row.share_process if of_process else row.share_system) or 0.0
    if study.good and of_process:
        return f"Next: watch {row.name}, {_per_cent(share)} of the variance, by a stability study."
    if study.good:
        return "Next: study real parts, put in anew, as the process is (repeatability on parts, loading, temperature)."
    return f"Next: reduce {row.name} first: it makes {_per_cent(share)} of the variance."
