"""The section of the summary that proves the robot: tool point, touches, repeatability, hand-eye, beside the truth."""

from tiepoint.foundation.rounding import HOLD, fixed, value_and_pm
from tiepoint.report import tables
from tiepoint.report.page_parts import block, heading, note, say, scroll, sheet
from tiepoint.report.robot_story import RobotStory
from tiepoint.report.story import Story
from tiepoint.station.words import counted

HEAD = (("", ""), ("found", "val"), ("±", "pm"), ("", "u"), ("truth", "n"))


def robot_section(story: Story) -> str:
    """How the robot's tie, tool and repeatability were tried; nothing where no robot was at work."""
    told = story.robot
    if told is None:
        return ""
    table = heading("Found, beside the truth that only the bench knows") + scroll(tables.table(HEAD, _rows(told)))
    columns = f'<div class="columns"><div>{_said(told)}</div><div>{table}</div></div>'
    return sheet("robot", "The robot, proved", "before it picks", block(columns))


def _said(told: RobotStory) -> str:
    worst = max((x**2 + y**2) ** 0.5 for x, y in told.touch.errors_mm)
    good = "good for" if told.touch.good else "not shown to be good for"
    intervals = 2 * len(told.poses)
    hold = sum(pose.holds for pose in told.poses)
    return (
        say(
            f"<strong>The robot's tie is {good} ±{HOLD}{fixed(told.touch.tolerance_mm, 1)}{HOLD}mm:</strong> touched "
            f"at {counted(len(told.touch.errors_mm), 'point')} that it was not made from, the worst is off by "
            f"{fixed(worst, 2)}{HOLD}mm; over its whole region the robot is off by at most "
            f"{fixed(told.touch.true_worst_mm, 2)}{HOLD}mm in truth."
        )
        + note(
            f"The tool point in the controller was wrong. Six photographs of a pin in the tool, turned about that "
            f"point, tell by how much. Of {intervals} intervals for accuracy and repeatability after ISO 9283 "
            f"({len(told.poses)} poses, 30 cycles each), {hold} hold the truth. The hand-eye is found from "
            f"{told.eye.poses} photographs and the poses that the controller showed."
            + (
                ""
                if told.eye.unseen_mm is None
                else f" At poses that it was not fitted to, it is off by {fixed(told.eye.unseen_mm, 2)}{HOLD}mm (rms)"
                + (
                    "."
                    if told.eye.others_mm is None
                    else f"; OpenCV's methods on the same poses by {fixed(told.eye.others_mm[0], 2)} to "
                    f"{fixed(told.eye.others_mm[1], 2)}{HOLD}mm."
                )
            )
        )
        + note(
            "First moves and touch tests are made in reduced-speed manual mode, enabling device in hand (ISO 10218), "
            "by those who may. tiepoint never starts a motion and is not a safety device."
        )
    )


def _rows(told: RobotStory) -> list[tuple[tables.Cell, ...]]:
    rows = []
    for axis, found, U, true in zip("xy", told.tool.found_mm, told.tool.U_mm, told.tool.true_mm, strict=True):
        rows.append(_row(f"Tool point is wrong along the flange's {axis}", found, U, true, 3))
    for pose in told.poses:
        for what, figure, true in (("accuracy AP", pose.ap, pose.true_ap), ("repeatability RP", pose.rp, pose.true_rp)):
            U = max(figure.high - figure.value, figure.value - figure.low)
            rows.append(_row(f"{pose.name}: pose {what}", figure.value, U, true, 3))
    for axis, found, true in zip("xyz", told.eye.found_mm, told.eye.true_mm, strict=True):
        rows.append(_row(f"Camera on the flange, {axis}", found, told.eye.U_mm, true, 2))
    return rows


def _row(name: str, found: float, U: float, true: float, decimals: int) -> tuple[tables.Cell, ...]:
    number, pm = value_and_pm(found, U)
    return (
        tables.name(name), tables.Cell(number, "val"), tables.Cell(pm, "pm"), tables.words("mm", "u"),
        tables.Cell(fixed(true, decimals), "n"),
    )  # fmt: skip
