"""A plan's numbers as a person reads them, the same on a terminal and on a page."""

from tiepoint.foundation.rounding import THIN, decimals_of, fixed, value_and_pm
from tiepoint.plan.choose import Chosen
from tiepoint.plan.line import Line, g


def printed(line: Line) -> tuple[str, str]:
    """Return a line's value, and its U at 95 %; an empty text where there is none."""
    if line.value is None:
        return line.text, ""
    if line.U is None:
        return g(line.value), ""
    value, pm = value_and_pm(line.value, line.U)
    return value, pm.lstrip(f"±{THIN}")


def micrometres(mm: float | None) -> str:
    """Return a small length in µm with two figures; an empty text for none."""
    if mm is None:
        return ""
    um = 1000 * mm
    return fixed(um, decimals_of(um)) if um > 0 else "0"


def chosen(chosen: Chosen) -> dict[str, str]:
    """Return what a plan chose for what was not stated, by its key."""
    told = {
        "pixels": ("sensor.pixels", f"{chosen.columns} × {chosen.rows}"),
        "focal_mm": ("lens.focal_mm", g(chosen.focal_mm or 0.0)),
        "magnification": ("lens.magnification", g(chosen.magnification)),
        "f_number": ("lens.f_number", g(chosen.f_number)),
        "exposure_us": ("light.exposure_us", g(chosen.exposure_us)),
    }
    return dict(told[name] for name in chosen.by_plan)
