"""A reading: one measured quantity with its sources, its limits and its verdict, or the reason why there is none."""

from dataclasses import dataclass, replace
from itertools import repeat
from typing import NamedTuple, Self, overload

import numpy as np

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import Value
from tiepoint.model.decide import Limits, Verdict, as_flagged, decide


class SourceTerm(NamedTuple):
    """A source as written into a reading: what it states, and `c`, how strongly the reading follows it."""

    id: str
    label: str
    type: str
    distribution: str
    u: float
    dof: float
    scope: str
    c: float


class _Ranked:
    """The field `sources`: told by a value, they are ranked when somebody asks for them.

    A line judges every part and writes down what it measured; who only judges need not wait for some dozens of terms a
    reading. Whoever compares, copies, hashes or writes a reading asks for them, and gets what was always there.
    """

    @overload
    def __get__(self, whose: None, owner: type) -> tuple[()]: ...
    @overload
    def __get__(self, whose: object, owner: type) -> tuple[SourceTerm, ...]: ...
    def __get__(self, whose: object | None, owner: type) -> tuple[SourceTerm, ...]:
        if whose is None:
            return ()  # what the dataclass takes for the field's default
        told: tuple[SourceTerm, ...] | Value = whose.__dict__["sources"]
        if isinstance(told, Value):
            told = whose.__dict__["sources"] = terms(told)
        return told

    def __set__(self, whose: object, told: tuple[SourceTerm, ...] | Value) -> None:
        whose.__dict__["sources"] = told


@dataclass(frozen=True)
class Reading:
    """One quantity of one step. Without limits there is no verdict; without a value there is a reason.

    A value has a reason only where it would conform and a flag says that its ± may not hold: it is `undecided` then.
    What was read as `text` (a code, a lot number) has that instead of a value and is judged by what was `expected`;
    where it is rejected, the reason tells what differs.
    """

    id: str
    name: str
    kind: str
    quantity: str
    unit: str
    step: str
    frame: str
    operator: str | None = None
    value: float | None = None
    u: float | None = None
    dof: float | None = None
    U95: float | None = None
    sources: _Ranked = _Ranked()
    limits: Limits | None = None
    verdict: Verdict | None = None
    reason: Reason | None = None
    drawing: str | None = None
    flags: tuple[str, ...] = ()
    method: str = "linear"
    text: str | None = None
    expected: str | None = None

    def __post_init__(self) -> None:
        if self.value is not None and self.text is not None:
            raise ValueError(f"reading {self.id!r} has a value and a text")
        if self.was_read:
            with_reason = ("undecided",) if self.text is None else ("undecided", "rejected")
            if self.reason is not None and self.verdict not in with_reason:
                raise ValueError(f"reading {self.id!r} has a value and a reason, and yet is {self.verdict}")
        elif self.reason is None:
            raise ValueError(f"reading {self.id!r} needs either a value or a reason")
        elif self.verdict not in (None, "unread"):
            raise ValueError(f"reading {self.id!r} has no value and cannot be {self.verdict}")
        for code in self.flags:
            flag(code)

    @property
    def was_read(self) -> bool:
        """Whether there is a value or a text."""
        return self.value is not None or self.text is not None

    @classmethod
    def of(cls, value: Value, *, limits: Limits | None, **told: object) -> Self:
        """Return the reading of a value, judged where there are limits and as far as its flags allow.

        `told` are the remaining fields of the reading by name.
        """
        u, dof = value.u, value.dof
        verdict = None if limits is None else decide(value.value, u, dof, limits, str(told["unit"]))
        stands, reason = as_flagged(verdict, told.get("flags", ()))  # type: ignore[arg-type]  # as below
        return cls(
            value=value.value,
            u=u,
            dof=dof,
            U95=value.U95,
            sources=value,
            limits=limits,
            verdict=stands,
            reason=reason,
            **told,  # type: ignore[arg-type]  # the fields are checked by the dataclass itself
        )

    @classmethod
    def of_text(cls, text: str, verdict: Verdict | None, reason: Reason | None, **told: object) -> Self:
        """Return the reading of a text, with what it says of what was expected, as far as its flags allow.

        `reason`: what differs, where it is rejected.
        """
        stands, doubt = as_flagged(verdict, told.get("flags", ()))  # type: ignore[arg-type]  # as above
        return cls(text=text, verdict=stands, reason=reason or doubt, **told)  # type: ignore[arg-type]  # as above

    def judged(self, verdict: Verdict | None) -> Self:
        """Return the reading with what its number says of its limits, as far as its flags let that stand."""
        stands, reason = as_flagged(verdict, self.flags)
        return replace(self, verdict=stands, reason=reason)

    @classmethod
    def without(cls, reason: Reason, *, limits: Limits | None, **told: object) -> Self:
        """Return the reading that a failed measurement leaves: no value, a reason, and never a pass.

        A text is judged where something is `expected` of it.
        """
        verdict: Verdict | None = None if limits is None and told.get("expected") is None else "unread"
        return cls(reason=reason, limits=limits, verdict=verdict, **told)  # type: ignore[arg-type]  # as above


def terms(value: Value) -> tuple[SourceTerm, ...]:
    """Return the sources of a value in the order of their weight, largest first."""
    sources, c = value.row
    ranked = sorted(zip((-np.abs(c * sources.u)).tolist(), sources.told, c.tolist(), strict=True))
    # A reading has some dozens, and the class itself would take each field by its name.
    return tuple(map(tuple.__new__, repeat(SourceTerm), [(*stated, k) for _, stated, k in ranked if k]))
