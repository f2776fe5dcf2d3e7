"""Which came first, what was asked for or the data: each requirement with its dates."""

from collections.abc import Sequence
from dataclasses import dataclass

from tiepoint.station.dates import is_before
from tiepoint.station.matrix import Line


@dataclass(frozen=True, slots=True)
class Dated:
    """When a requirement was `stated`, from when its study's data are, and when the study was made; UTC.

    `data_from` is None where the data do not tell; `older`: whether they, or the study, are older than the requirement.
    """

    line: Line
    stated: str
    data_from: str | None
    made: str | None

    @property
    def older(self) -> bool:
        """Whether the data or the study came before what they are held against."""
        return any(when is not None and is_before(when, self.stated) for when in (self.data_from, self.made))


def dated(lines: Sequence[Line]) -> tuple[Dated, ...]:
    """Return the dates of each requirement: since when it is agreed as it stands, and what its study's data tell."""
    return tuple(
        Dated(line, line.agreed.written_utc, line.data_from, None if line.study is None else line.study.act.written_utc)
        for line in lines
    )
