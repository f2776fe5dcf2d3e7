"""The demo's findings beside its truth, as the story that the summary tells."""

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.bench import demo_bench as world
from tiepoint.bench.demo_accept import Accepted
from tiepoint.bench.demo_bench import DemoBench
from tiepoint.bench.demo_work import Kept
from tiepoint.foundation.rounding import HOLD, fixed, with_unit
from tiepoint.foundation.sources import Value, budget, coverage_factor
from tiepoint.model.reading import Reading
from tiepoint.recipe.records import value_of
from tiepoint.render.camera import unproject
from tiepoint.report import look
from tiepoint.report.report_link import ReportLink
from tiepoint.report.story import HandCalculation, HandLine, Plate, PrintScale, TieStory
from tiepoint.report.tie_view import samples, view_of
from tiepoint.targets.draw import Target
from tiepoint.targets.paper import READING_SHARE, RULE_SHARE, SWELLING_HALF
from tiepoint.ties.by_target import FLATNESS_MM
from tiepoint.ties.probe import length
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import GoodFor, uncertainty_map

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

CHARACTERISTIC: dict[tuple[str, str], str] = {
    ("bore A", "diameter"): "bore A diameter",
    ("bore B", "diameter"): "bore B diameter",
    ("A to B", "distance"): "bore distance",
    ("slot", "width"): "slot width",
    ("plate width", "distance"): "plate width",
    ("edge to bore A", "distance"): "edge distance",
    ("squareness", "angle"): "edge angle",
    ("place of B", "position"): "true position B",
}
"""Which exact characteristic of a plate a step's quantity reads."""

JOB = (
    "A target is printed, its ruler bars are measured, and one photograph of it ties pixels to millimetres. Known "
    "lengths that the tie never saw say how wrong it is; then plates are measured and judged, each number with its "
    "±, beside a truth that only the bench knows."
)

CAUTIONS = (
    "The bench is a simulation. It shows that stated intervals hold where its world is as described; a real station "
    "is proved on its own parts.",
    "Edges here are off from what the drawing means by 2\N{NO-BREAK SPACE}µm, as the recipe states. On real parts "
    "bevel, burr and light often make this the largest source: measure it on your part.",
    "A printed target is not traceable until its ruler bars were measured with a traceable instrument.",
    "All plates share one tie: if it is wrong, they are wrong together. The share of intervals that hold says less "
    "than their number suggests.",
    "Verdicts hold for the heights, materials and light that were tried. This is not a safety device.",
)


def print_scales(bench: DemoBench, target: Target, scale_u: Array) -> tuple[PrintScale, ...]:
    """Return both axes of the print beside the truth; `scale_u` (2,) are the standard uncertainties stated."""
    assert target.measured is not None
    rows = (
        ("x", target.bar_x_mm, target.measured.x_mm, bench.true_scale[0], float(scale_u[0])),
        ("y", target.bar_y_mm, target.measured.y_mm, bench.true_scale[1], float(scale_u[1])),
    )
    u_mm = target.measured.u_mm
    return tuple(PrintScale(axis, bar, read, u_mm, true, K95 * u) for axis, bar, read, true, u in rows)


K95 = coverage_factor(0.975, math.inf)


def tie_story(bench: DemoBench, kept: Kept, photo: Grey, judged: GoodFor, done: str) -> TieStory:
    """Return the tie's part of the story."""
    tie, quality = kept.tie, kept.tie.quality
    assert quality is not None
    span_mm = 38.0
    return TieStory(
        view=view_of(tie, bench.size_px, uncertainty_map(tie, *samples(bench.size_px)).U_um, judged.limit_mm),
        photo_uri=picture_uri(photo, 1520),
        tolerance_mm=judged.tolerance_mm,
        good=judged.answer,
        share=judged.share,
        sentences=judged.sentences,
        budget=budget(_length_in_the_middle(tie, span_mm)),
        budget_at=f"of a length of {span_mm:g} mm in the middle",
        done=done,
        to_do=judged.sentences[-1],
        title_block=(
            ("Tie", "by target, one photo"),
            ("Model", tie.model),
            ("Height", with_unit(tie.height_mm, K95 * tie.u_height_mm or None, "mm")),
            ("Hash", " ".join(kept.sha[k : k + 4] for k in (0, 4, 8))),
        ),
        unseen_n=quality.n,
        unseen_rms_mm=quality.rms_mm,
        u_unseen_rms_mm=quality.u_rms_mm,
        unseen_p95_mm=quality.p95_mm,
        unseen_max_mm=quality.max_mm,
        unseen_px=quality.rms_px,
        unseen_how=quality.how[:1].upper() + quality.how[1:] + ".",
        covered_share=tie.covered_share,
        truth_rms_mm=truth_rms_mm(bench, tie),
    )


def _length_in_the_middle(tie: Tie, span_mm: float) -> Value:
    x, y = world.FIELD_MIDDLE_MM
    ends = tie.to_image([[x - span_mm / 2, y], [x + span_mm / 2, y]])
    value = length(tie, ends[0], ends[1]).value
    assert value is not None
    return value


def truth_rms_mm(bench: DemoBench, tie: Tie) -> float:
    """Return how far the tie is from the exact camera over its valid region: rms of the distance, in mm."""
    low, high = tie.valid_region.min(axis=0), tie.valid_region.max(axis=0)
    grid = np.stack(np.meshgrid(*(np.linspace(a, b, 40) for a, b in zip(low, high, strict=True))), axis=2)
    px = grid.reshape(-1, 2)
    mapped = tie.map(px)
    true = unproject(bench.station.camera, px, tie.height_mm)[:, :2]
    off = (mapped.xy_mm - true)[mapped.inside]
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


# ---------- plates ----------


def truth_of(number: int, bench: DemoBench, readings: Sequence[Reading]) -> dict[str, float]:
    """Return the truth of a plate's readings by their ids, for those that have one."""
    truth = bench.plates[number - 1].truth
    return {r.id: truth[CHARACTERISTIC[r.step, r.quantity]] for r in readings if (r.step, r.quantity) in CHARACTERISTIC}


def hand_of(plates: Sequence[Plate], target: Target, distance_mm: float, mm_per_px: float) -> HandCalculation:
    """Return the first plate's distance of bores, its u worked out again from what was stated."""
    plate = next(p for p in plates if any(r.step == "A to B" and r.value is not None for r in p.record.readings))
    reading = next(r for r in plate.record.readings if r.step == "A to B")
    assert reading.value is not None
    assert target.measured is not None
    L, Z, m = reading.value, distance_mm - world.PLATE_HEIGHT_MM, target.measured
    mm, root3 = f"{fixed(L, 2)}{HOLD}mm", math.sqrt(3)
    bar = f"{mm} · {m.u_mm:.3f} / {m.x_mm:.3f}"
    flat, h = FLATNESS_MM, world.PLATE_HEIGHT_MM
    lines = (
        HandLine("Swelling of the paper", f"{mm} · {SWELLING_HALF:g} / √3", L * SWELLING_HALF / root3),
        HandLine("Ruler bar, as read", f"√{READING_SHARE:g} · {bar}", math.sqrt(READING_SHARE) * L * m.u_mm / m.x_mm),
        HandLine("Scale of the rule", f"√{RULE_SHARE:g} · {bar}", math.sqrt(RULE_SHARE) * L * m.u_mm / m.x_mm),
        HandLine(
            "Page as a whole too high", f"{mm} · {flat:g} / √3 / {distance_mm:.0f}", L * flat / root3 / distance_mm
        ),
        HandLine("Height of the plate", f"{mm} · {world.U_HEIGHT_MM:g} / {Z:.0f}", L * world.U_HEIGHT_MM / Z),
        HandLine(
            "Distance of the camera",
            f"{mm} · {h:g} · {world.U_DISTANCE_MM:g} / {distance_mm:.0f}²",
            L * h * world.U_DISTANCE_MM / distance_mm**2,
        ),
        HandLine(
            "Where both centres lie",
            f"√2 · {CENTRE_PX:g} px · {mm_per_px * (1 - h / distance_mm):.4f} mm/px",
            math.sqrt(2) * CENTRE_PX * mm_per_px,
        ),
    )
    return HandCalculation(plate.number, reading, budget(value_of(reading)), plate.truth[reading.id], lines, BY_HAND)


BY_HAND = (
    "How much of a bar's u both bars share is not known, so reading and rule are each taken a little large (their "
    "shares add up to more than 1). By hand the page only lies higher or lower as a whole, by what was stated of its "
    "flatness. The record allows for more: a page may be domed too, and a dome looks much like a lens term."
)

CENTRE_PX = 0.003
"""How well the centre of a bore of 70 px is seen at this noise, rounded up (sd of an edge point over √N, times √2)."""


# ---------- pictures ----------


def picture_uri(grey: Grey, most_px: int) -> str:
    """Return a picture as a JPEG data URI, at most so many pixels wide."""
    scale = min(1.0, most_px / grey.shape[1])
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    return look.data_uri(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 82])[1].tobytes(), "image/jpeg")


def acceptance(found: Accepted) -> ReportLink:
    """Return where the acceptance report is, and what it says of each requirement."""
    lines = found.story.lines
    return ReportLink(
        pdf=found.pdf.name,
        html=found.html.name,
        shown=found.ids("shown"),
        not_shown=tuple((line.asked.id, line.asked.says) for line in lines if line.state == "not shown"),
        not_tried=found.ids("not tried"),
        more=found.more,
        kept_shots=found.story.evidence.kept,
        evidence_holds=found.story.evidence.good,
    )
