"""A figure that a study answers with: a value and the interval in which the truth lies."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its interval, `low` to `high`, at a `confidence` (two-sided)."""

    value: float
    low: float
    high: float
    confidence: float = 0.95

    def at_most(self, limit: float) -> bool:
        """Whether the figure is shown to keep an upper limit: the unfavourable end of its interval keeps it."""
        return self.high <= limit

    def at_least(self, limit: float) -> bool:
        """Whether the figure is shown to keep a lower limit."""
        return self.low >= limit


def told(figure: Figure, digits: int = 3) -> str:
    """Return `0.302 (0.241 to 2.15)`."""
    return f"{figure.value:.{digits}g} ({figure.low:.{digits}g} to {figure.high:.{digits}g})"


def per_cent(figure: Figure, digits: int = 3) -> str:
    """Return a share of 1 as `27.9 % (22.1 to 81.3 %)`."""
    low, high = f"{100 * figure.low:.{digits}g}", f"{100 * figure.high:.{digits}g}"
    return f"{100 * figure.value:.{digits}g} % ({low} to {high} %)"


def counted(n: int, one: str) -> str:
    """Return `1 value`, `2 values`."""
    return f"{n} {one}" if n == 1 else f"{n} {one}s"
