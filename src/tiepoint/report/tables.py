"""Tables as HTML: three rules, values right-aligned with their ± in the column beside them, units in a column."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from tiepoint.foundation.rounding import value_and_pm
from tiepoint.foundation.sources import BudgetRow
from tiepoint.foundation.words import as_first
from tiepoint.recipe.marks_content import on_page
from tiepoint.report.figures import per_cent


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: `html` as is, `kind` its class (`n`, `val`, `pm`, `u`, …), `head` for a row's own name.

    `span` is how many columns it takes.
    """

    html: str
    kind: str = ""
    head: bool = False
    span: int = 1


def words(text: str, kind: str = "") -> Cell:
    """Return a cell of plain words, escaped."""
    return Cell(escape(on_page(text), quote=False), kind)


def name(text: str) -> Cell:
    """Return the cell that names its row."""
    return Cell(escape(on_page(text), quote=False), head=True)


def measured(value: float, U: float | None, unit: str, limits: Iterable[float | None] = ()) -> tuple[Cell, Cell, Cell]:
    """Return the three cells of a number: value, ±, unit."""
    number, pm = value_and_pm(value, U, limits)
    return Cell(number, "val"), Cell(pm, "pm"), words(unit, "u")


def nothing() -> tuple[Cell, Cell, Cell]:
    """Return the three cells of what was not measured."""
    return Cell("no value", "val"), Cell("", "pm"), Cell("", "u")


def table(
    head: Sequence[tuple[str, str]],
    rows: Iterable[Sequence[Cell]],
    *,
    lead: int | None = None,
    class_: str = "",
) -> str:
    """Return a table. `head` is (words as HTML, class) per column; row `lead` is set bold."""
    body = "".join(_row(row, "lead" if number == lead else "") for number, row in enumerate(rows))
    heads = "".join(f'<th scope="col"{_class(kind)}>{label}</th>' for label, kind in head)
    return f"<table{_class(class_)}><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>"


def budget_table(rows: Sequence[BudgetRow], unit: str, per_unit: float, most: int = 6) -> str:
    """Return what an uncertainty is made of, largest first; what is small is put together in one row.

    `per_unit` is how many of `unit` are in the unit of the rows' u.
    """
    shown = [r for r in rows[:most] if r.share >= 0.005] or list(rows[:1])
    rest = rows[len(shown) :]
    told = [_budget_row(as_first(r.label), r.u * per_unit, r.share) for r in shown]
    if rest:
        u = sum(r.u**2 for r in rest) ** 0.5 * per_unit
        label = as_first(rest[0].label) if len(rest) == 1 else f"{len(rest)} smaller ones together"
        told.append(_budget_row(label, u, sum(r.share for r in rest)))
    head = (("Source", ""), (f'<span class="q">u</span>, {unit}', "n"), ("Share of the variance", "n"), ("", ""))
    return table(head, told, lead=0)


def _budget_row(label: str, u: float, share: float) -> tuple[Cell, ...]:
    bar = f'<span class="share" style="--w:{100 * share:.1f}%"></span>'
    return name(label), Cell(value_and_pm(u, u)[0], "n"), Cell(per_cent(share), "n"), Cell(bar, "bar")


def _row(cells: Sequence[Cell], kind: str) -> str:
    return f"<tr{_class(kind)}>{''.join(_cell(c) for c in cells)}</tr>"


def _cell(cell: Cell) -> str:
    if cell.head:
        return f'<th scope="row"{_class(cell.kind)}>{cell.html}</th>'
    span = f' colspan="{cell.span}"' if cell.span > 1 else ""
    return f"<td{_class(cell.kind)}{span}>{cell.html}</td>"


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
