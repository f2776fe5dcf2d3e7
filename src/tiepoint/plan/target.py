"""The target by which the camera of a plan is tied: the one that is advised for its field, as it would be printed."""

from tiepoint.foundation.errors import UnusableInput
from tiepoint.plan.asked import Asked
from tiepoint.plan.choose import Chosen
from tiepoint.plan.line import Line, g
from tiepoint.targets.for_field import ACROSS, ALONG, GOOD_PX, OVERFILL, ForField, for_field, wanted_mm


def field_at_target(asked: Asked, chosen: Chosen) -> tuple[float, float]:
    """Return the field at the plane of the target, in mm, which lies below the part's surface by the part's height.

    Of four figures, as it is shown and typed again: nobody knows it better before the camera stands.
    """
    farther = _farther(asked)
    width, height = (float(f"{side / chosen.magnification * farther:.4g}") for side in chosen.size_mm)
    return width, height


def lens_to_target_mm(asked: Asked) -> float:
    """Return how far the lens stands off from the plane of the target."""
    return asked.lens.stand_off_mm + asked.part.height_mm


def target_of(asked: Asked, chosen: Chosen) -> ForField | str:
    """Return the target for the camera that was chosen; text is why there is none."""
    try:
        return for_field(field_at_target(asked, chosen), (chosen.columns, chosen.rows))
    except UnusableInput as error:
        return str(error)


def line(asked: Asked, chosen: Chosen) -> Line:
    """Return the line that says which target to print."""
    label, source = "Target that fills it, squares", "common practice"
    found, field = target_of(asked, chosen), field_at_target(asked, chosen)
    if isinstance(found, str):
        how = f"{g(field[0])} × {g(field[1])} mm in the target's plane"
        return Line("target", "lens", label, None, "", None, how, source, "fault", f"No target: {found}.", "none")
    farther, below = _farther(asked), ""
    if farther > 1:
        s, h = g(asked.lens.stand_off_mm), g(asked.part.height_mm)
        below = f"field seen · (s + h)/s = field · ({s} + {h})/{s}, as it lies {h} mm below the part's surface: "
    how = (
        f"{below}{g(field[0])} × {g(field[1])} mm in the target's plane; {g(OVERFILL)} · field in {ALONG} "
        f"squares along or {ACROSS} across, each of {g(GOOD_PX)} px or more: {g(wanted_mm(field))} mm, and the next "
        f"round pitch is {g(found.pitch_mm)} mm, {found.pitch_px:.0f} px"
    )
    text = f"{found.columns} × {found.rows} of {found.pitch_mm:g}"
    return Line("target", "lens", label, None, "mm", None, how, source, text=text, chosen=True)


def _farther(asked: Asked) -> float:
    if asked.lens.kind == "telecentric":
        return 1.0
    return 1 + asked.part.height_mm / asked.lens.stand_off_mm
