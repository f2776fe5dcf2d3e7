"""A study from a table and what is asked of it, by its kind: what a page and a notebook ask for in one call.

Every kind is made by the same function of `studies` that its command calls, and `command_of` writes that command.
"""

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import Field

from tiepoint.documents.grid import read_grid
from tiepoint.documents.tables import plain_number, with_plain_sign, with_point
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import CONVENTIONS
from tiepoint.recipe.tables import Number, Positive, Table
from tiepoint.station import study_tables
from tiepoint.station.requirements import Words
from tiepoint.studies.agreement import study_agreement
from tiepoint.studies.capability import study_capability
from tiepoint.studies.lengths import study_lengths
from tiepoint.studies.linearity import study_linearity
from tiepoint.studies.measured import Measured
from tiepoint.studies.pose import study_pose
from tiepoint.studies.rr import Pool, study_rr
from tiepoint.studies.stability import study_stability
from tiepoint.studies.type1 import study_type1

Kind = Literal["type1", "rr", "linearity", "stability", "lengths", "agreement", "capability", "pose"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Share = Annotated[Number, Field(gt=0, lt=1)]
Names = Annotated[tuple[Words, ...], Field(strict=False, max_length=8)]
NotBelow = Annotated[Number, Field(ge=0)]


class AskedOf(Table):
    """What is asked of a study, each where its kind has it; lengths in `unit`, shares as fractions of 1.

    `tolerance`: upper less lower limit. `factors`: columns that differ between repeats; `every`: those of them whose
    levels are all that there are. `by`: the column that groups (stability) or decides (agreement). The rest as the
    options of `tiepoint study` have it.
    """

    unit: Literal["mm", "in", "deg", "px", "1"] = "mm"
    tolerance: Positive | None = None
    factors: Names = ()
    every: Names = ()
    most: Share | None = None
    spread: Annotated[Number, Field(ge=2, le=12)] = 6.0
    pool: Pool = "rule"
    reference: Number | None = None
    u_reference: NotBelow = 0.0
    share: Share = 0.2
    least: Positive = 1.33
    most_bias: Positive | None = None
    by: Words | None = None
    most_drift: Positive | None = None
    most_error: Positive | None = None
    per_length: Positive | None = None
    u: NotBelow | None = None
    most_misses: Share | None = None
    most_false: Share | None = None
    prevalence: Share | None = None
    most_system: Share = 0.15
    most_process: Share = 0.3
    angles: Words | None = None
    most_ap: Positive | None = None
    most_rp: Positive | None = None


def make_study(kind: Kind, data: Path, asked: AskedOf) -> Any:
    """Return the study of a table (CSV, .xlsx), a dataclass of `studies`; `TiepointError` in one sentence."""
    return _MAKERS[kind](data, asked)


def _values(data: Path, asked: AskedOf, factors: Sequence[str] = ()) -> Measured:
    return study_tables.values_of(data, None, asked.unit, factors)


def _width(asked: AskedOf) -> float:
    if asked.tolerance is None:
        raise UnusableInput("the tolerance is missing; give upper less lower limit")
    return asked.tolerance


def _type1(data: Path, asked: AskedOf) -> Any:
    return study_type1(
        _values(data, asked),
        tolerance=_width(asked),
        reference=asked.reference,
        u_reference=asked.u_reference,
        share=asked.share,
        spread=asked.spread,
        least=asked.least,
    )


def _rr(data: Path, asked: AskedOf) -> Any:
    found = _values(data, asked, tuple(dict.fromkeys((*asked.factors, *asked.every))))
    return study_rr(
        found, tolerance=asked.tolerance, spread=asked.spread, most=asked.most, pool=asked.pool, every=asked.every
    )


def _linearity(data: Path, asked: AskedOf) -> Any:
    return study_linearity(_values(data, asked), most=asked.most_bias, u_reference=asked.u_reference)


def _stability(data: Path, asked: AskedOf) -> Any:
    return study_stability(_values(data, asked, [asked.by] if asked.by else ()), most=asked.most_drift)


def _lengths(data: Path, asked: AskedOf) -> Any:
    grid = read_grid(data, ("known", "value", *study_tables.PLACES))
    unit = study_tables.unit_of(grid, asked.unit)
    found = study_tables.lengths(grid, asked.u)
    return study_lengths(found, most_error=asked.most_error, per_length=asked.per_length, unit=unit)


def _agreement(data: Path, asked: AskedOf) -> Any:
    said = study_tables.decisions(read_grid(data, ("part", "value")), asked.by or study_tables.RATER)
    return study_agreement(
        said, prevalence=asked.prevalence, most_misses=asked.most_misses, most_false=asked.most_false
    )


def _capability(data: Path, asked: AskedOf) -> Any:
    grid = read_grid(data, ("cause", "value"))
    unit = study_tables.unit_of(grid, asked.unit)
    return study_capability(
        study_tables.causes(grid),
        _width(asked),
        most_system=asked.most_system,
        most_process=asked.most_process,
        unit=unit,
    )


def _pose(data: Path, asked: AskedOf) -> Any:
    found = study_tables.cycles(read_grid(data, study_tables.XYZ[:2]), asked.angles)
    return study_pose(found, u_mm=asked.u, most_ap_mm=asked.most_ap, most_rp_mm=asked.most_rp)


_MAKERS: Mapping[Kind, Callable[[Path, AskedOf], Any]] = {
    "type1": _type1,
    "rr": _rr,
    "linearity": _linearity,
    "stability": _stability,
    "lengths": _lengths,
    "agreement": _agreement,
    "capability": _capability,
    "pose": _pose,
}


# --- the command -----------------------------------------------------------------------------------------------------


_OPTIONS: Mapping[Kind, tuple[str, ...]] = {
    "type1": ("tolerance", "reference", "u_reference", "share", "spread", "least"),
    "rr": ("factors", "every", "tolerance", "spread", "most", "pool"),
    "linearity": ("most_bias", "u_reference"),
    "stability": ("by", "most_drift"),
    "lengths": ("most_error", "per_length", "u"),
    "agreement": ("by", "prevalence", "most_misses", "most_false"),
    "capability": ("tolerance", "most_system", "most_process"),
    "pose": ("angles", "u", "most_ap", "most_rp"),
}
"""What each kind takes of `AskedOf`."""
_LENGTHS = frozenset(
    {"tolerance", "reference", "u_reference", "most_bias", "most_drift", "most_error", "per_length", "u", "most_ap",
     "most_rp"}
)  # fmt: skip
_SHARES = frozenset(
    {"most", "share", "most_misses", "most_false", "prevalence", "most_system", "most_process"},
)
_OWN_UNIT = ("type1", "rr", "linearity", "stability", "lengths", "capability")


@dataclass(frozen=True, slots=True)
class Option:
    """What may be asked of a study, as it is typed: shares in %, lists with commas. `usual`: where nothing is typed."""

    name: str
    value: str
    usual: str
    unit: str
    choices: tuple[str, ...] = ()


def options_told(kind: Kind | Literal["trial"], asked: AskedOf) -> tuple[Option, ...]:
    """Return all that may be asked of a study, with what is."""
    return tuple(_option(name, asked) for name in _options_of(kind))


def asked_from(kind: Kind | Literal["trial"], typed: Mapping[str, str], before: AskedOf) -> AskedOf:
    """Return what is asked when something else is typed; "" takes back what was asked.

    Raises `UnusableInput` in a sentence that begins with the option's name.
    """
    stated = before.model_dump(mode="json", exclude_unset=True)
    for name, text in typed.items():
        if name not in _options_of(kind):
            raise UnusableInput(f"{name[:40]} is nothing that {kind} takes; it takes {', '.join(_options_of(kind))}")
        told = " ".join(text.split())
        if not told:
            stated.pop(name, None)
        elif name in _WORDS:
            stated[name] = told
        elif name in _LISTS:
            stated[name] = [one.strip() for one in told.split(",") if one.strip()]
        else:
            number = plain_number(with_point(with_plain_sign(told.removesuffix("%").strip())))
            if number is None:
                raise UnusableInput(f"{name} reads {told[:40]!r}; give a number")
            # 30 % is 0.3, and not 0.30000000000000004.
            stated[name] = float(f"{number / 100:.15g}") if name in _SHARES else number
    return AskedOf.read(stated, "")


_WORDS, _LISTS = frozenset({"by", "pool", "angles"}), frozenset({"factors", "every"})
_CHOICES: Mapping[str, tuple[str, ...]] = {"pool": get_args(Pool), "angles": tuple(CONVENTIONS)}


def _options_of(kind: Kind | Literal["trial"]) -> tuple[str, ...]:
    return ("most_misses", "most_false") if kind == "trial" else _OPTIONS[kind]


def _option(name: str, asked: AskedOf) -> Option:
    stated = getattr(asked, name) if name in asked.model_fields_set else None
    unit = "%" if name in _SHARES else asked.unit if name in _LENGTHS else ""
    usual = AskedOf.model_fields[name].default
    return Option(name, _as_typed(name, stated), _as_typed(name, usual), unit, _CHOICES.get(name, ()))


def _as_typed(name: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ", ".join(value)
    if isinstance(value, str):
        return value
    return f"{100 * value if name in _SHARES else value:.12g}"


def options_of(kind: Kind) -> tuple[str, ...]:
    """Return what a kind of study takes of `AskedOf`."""
    return _OPTIONS[kind]


def command_of(kind: Kind, data: str, asked: AskedOf, of: str | None, station: str) -> str:
    """Return the command that makes the same study of the table `data` and keeps it in a station."""
    words = ["tiepoint", "study", kind, data]
    stated = asked.model_fields_set
    for name in _OPTIONS[kind]:
        value = getattr(asked, name)
        if name not in stated or value is None or value == ():
            continue
        option = f"--{_SPELLED.get(name, name).replace('_', '-')}"
        for one in value if isinstance(value, tuple) else (value,):
            words += [option, _typed(name, one, asked.unit if kind != "pose" else "mm")]
    if kind in _OWN_UNIT:
        words += ["--unit", asked.unit]
    if of is not None:
        words += ["--of", of]
    return shlex.join([*words, "--for", station])


_SPELLED = {"factors": "factor", "every": "all"}


def _typed(name: str, value: Any, unit: str) -> str:
    if name in _SHARES:
        return f"{100 * value:.12g}%"
    if name in _LENGTHS:
        return f"{value:.12g}{unit if unit in ('mm', 'in') else ''}"
    return f"{value:.12g}" if isinstance(value, float) else str(value)
