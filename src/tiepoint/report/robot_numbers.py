"""What is worked out again of a robot: its poses from the places that were measured, its touches from both places."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tiepoint.documents.revived import revived
from tiepoint.report.pose_picture import pose_picture
from tiepoint.report.study_rows import Row, Worked, alone, at_most, figure_row, finite
from tiepoint.studies.pose import Cycles, PoseStudy


def pose_numbers(outcome: Mapping[str, Any]) -> Worked:
    """Return RP and AP of every pose. The interval of RP comes from draws, which a page cannot draw again."""
    study = revived(PoseStudy, outcome)
    rows, kept = [], bool(study.cycles)
    for k, one in enumerate(study.poses):
        told, asked = f"{one.n} cycles", at_most(study.most_rp_mm, "mm")
        numbers = {f"poses.{k}.rp.value": one.rp.value} if kept else {}
        rows.append(Row(f"RP, pose {one.name}", one.rp.value, one.rp.low, one.rp.high, "mm", numbers, asked, told))
        if one.ap is None:
            rows.append(Row(f"AP, pose {one.name}", None, told="it was not commanded"))
        else:
            asked = at_most(study.most_ap_mm, "mm")
            row = figure_row(f"AP, pose {one.name}", f"poses.{k}.ap", one.ap, "mm", asked, told)
            rows.append(row if kept else replace(row, numbers={}))
    picture = pose_picture(study, study.most_ap_mm, study.most_rp_mm)
    left = "The intervals of RP come from random draws, which the page does not draw again." if kept else ""
    return Worked(tuple(rows), _columns(study.cycles), "pose" if kept else None, picture=picture, left=left)


def _columns(cycles: tuple[Cycles, ...]) -> dict[str, list[Any]]:
    """Return what was measured at each cycle, and what was commanded; no columns where none were kept."""
    columns: dict[str, list[Any]] = {"pose": [one.name for one in cycles for _ in one.xyz_mm]} if cycles else {}
    for k in range(max((one.xyz_mm.shape[1] for one in cycles), default=0)):
        axis = "xyz"[k]
        has = [(one, k < one.xyz_mm.shape[1]) for one in cycles]
        columns[axis] = [float(p[k]) if there else None for one, there in has for p in one.xyz_mm]
        columns[f"commanded {axis}"] = [
            None if one.commanded_mm is None or not there else float(one.commanded_mm[k])
            for one, there in has
            for _ in one.xyz_mm
        ]
    return columns


def touch_numbers(outcome: Mapping[str, Any]) -> Worked:
    """Return the errors of a touch test, and the largest with what the touching leaves open of it."""
    points = outcome["points"]
    asked = at_most(outcome["tolerance_mm"], "mm")
    rows = []
    if (worst := outcome.get("worst_mm")) is not None:
        # Of a test that was kept by an earlier version it is not known how well its u is.
        ends = ("value", "low", "high") if "dof_touch" in outcome else ("value",)
        numbers = finite({f"worst_mm.{end}": worst[end] for end in ends})
        rows.append(Row("largest error", worst["value"], worst["low"], worst["high"], "mm", numbers, asked))
    rows.append(alone("rms of the errors", "rms_mm", outcome["rms_mm"], "mm"))
    for k, point in enumerate(points):
        size, told = point["size_mm"], point["verdict"] or point["why"] or ""
        rows.append(alone(f"error at point {point['row']}", f"sizes.{k}", size, "mm", told))
    columns: dict[str, list[Any]] = {"point": [p["row"] for p in points], "verdict": [p["verdict"] for p in points]}
    for name in ("plane", "expected", "shown"):
        for k, axis in enumerate("xy"):
            columns[f"{name} {axis}"] = [None if p[f"{name}_mm"] is None else p[f"{name}_mm"][k] for p in points]
    inputs = {"u": outcome.get("u_touch_mm"), "dof": outcome.get("dof_touch")}
    return Worked(tuple(rows), columns, "touch", inputs)
