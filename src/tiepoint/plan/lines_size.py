"""The lines of height and of the uncertainty that arithmetic foresees."""

import math
from collections.abc import Iterator, Mapping

from tiepoint.foundation.sources import coverage_factor
from tiepoint.model.decide import Limits, prospect
from tiepoint.plan.line import Line, State, Told, g
from tiepoint.plan.numbers import Camera

GUM = "JCGM 100, 5.1.2"
SHARE_OF_TOLERANCE = 30.0
"""2U/T in per cent that a measuring process may have (ISO 22514-7 and VDA 5, Q_MP; the limit from memory)."""
OF_TOLERANCE_TOO_MUCH = 0.1
"""A parallax above this share of the whole tolerance asks for a telecentric lens."""

BUDGET_NAMES = {
    "scale": "Scale of the target's print",
    "reading": "Reading of both edges",
    "edge": "What an edge is",
    "height": "Height of the part",
    "stand_off": "Stand-off, by which the tie is moved",
}


def lines(camera: Camera, numbers: Mapping[str, float], spread: Mapping[str, float]) -> Iterator[Line]:
    """Yield the lines of height, then those of the uncertainty."""
    told = Told(numbers, spread)
    yield from _height(camera, told)
    yield from _uncertainty(camera, told)


def _height(camera: Camera, told: Told) -> Iterator[Line]:
    part, lens, n = camera.asked.part, camera.asked.lens, told.numbers
    corner = math.hypot(*camera.field_mm) / 2
    parallel = lens.kind == "telecentric"
    for key, off, label in (
        ("parallax_height", part.u_height_mm, "Shift in the corner by u of the height"),
        ("parallax_depth", part.depth_mm, "Shift in the corner over the depth"),
    ):
        if parallel:
            how = f"h · tan(angle) = {g(off)} mm · tan({g(lens.telecentricity_deg)}°) = {g(n[key])} µm"
        else:
            how = f"r · h/(Z − h) = {g(corner)} mm · {g(off)}/({g(camera.stand_off_mm)} − {g(off)}) = {g(n[key])} µm"
        verdict: tuple[State, str] = ("fine", "")
        if key == "parallax_height" and not parallel:
            verdict = _telecentric(camera, n[key])
        source = "definition of the telecentricity" if parallel else "similar triangles"
        yield told.line(key, "height", label, "µm", how, source, verdict)


def _telecentric(camera: Camera, shift_um: float) -> tuple[State, str]:
    part, lens = camera.asked.part, camera.asked.lens
    if 2 * shift_um / 1000 <= OF_TOLERANCE_TOO_MUCH * 2 * part.tolerance_mm:
        return "fine", ""
    then = 1000 * part.u_height_mm * math.tan(math.radians(lens.telecentricity_deg))
    wide = math.hypot(*camera.field_mm)
    return "caution", (
        f"A height that is off by {g(part.u_height_mm)} mm moves the corner by {g(shift_um)} µm. A "
        "telecentric lens makes "
        f"that {g(then)} µm, and its front must be wider than the field, {g(wide)} mm; or stand off "
        "farther, or know the height "
        "better."
    )


def _uncertainty(camera: Camera, told: Told) -> Iterator[Line]:
    part, n = camera.asked.part, told.numbers
    how = (
        f"(σ/A) · √(2 · w_e · √π)/√ℓ with σ/A = {g(camera.noise_over_step)}, w_e² = {g(n['edge_blur'])}² + 1/12, "
        f"ℓ = {g(0.8 * min(part.size_mm) / camera.scale_mm)} px"
    )
    yield told.line(
        "edge_noise", "uncertainty", "Reading of one edge, u", "µm", how, "Fisher information (Gatherer, CSL-TR-93-560)"
    )
    rows = {k: n[f"u_{k}"] for k in BUDGET_NAMES}
    inside = " + ".join(f"{g(u)}²" for u in rows.values())
    how = f"1.96 · √({inside}) µm: " + ", ".join(BUDGET_NAMES[k].lower() for k in rows)
    yield told.line(
        "U_length",
        "uncertainty",
        f"U of a length of {g(max(part.size_mm))} mm, by arithmetic",
        "µm",
        how,
        GUM,
        _reaches(camera, n),
    )
    how = f"2U/T = 2 · {g(n['U_length'])} µm / {g(2 * part.tolerance_mm)} mm = {g(n['share'])} %"
    yield told.line(
        "share", "uncertainty", "Share of the tolerance", "%", how, "ISO 22514-7, VDA 5 (limit from memory)"
    )


def _reaches(camera: Camera, n: Mapping[str, float]) -> tuple[State, str]:
    part = camera.asked.part
    rows = {k: n[f"u_{k}"] for k in BUDGET_NAMES}
    largest = max(rows, key=lambda k: rows[k])
    mostly = (
        f"Mostly {BUDGET_NAMES[largest].lower()} "
        f"({100 * rows[largest] ** 2 / sum(u * u for u in rows.values()):.0f} %)."
    )
    u = n["U_length"] / 1000 / coverage_factor(0.975, math.inf)
    told = prospect(u, math.inf, Limits(-part.tolerance_mm, part.tolerance_mm))
    if not told.possible:
        return "fault", (
            f"No part can ever be shown to conform: ± {g(part.tolerance_mm)} mm, and at this uncertainty ± "
            f"{g(told.smallest_tolerance / 2)} mm is the least that could. {mostly}"
        )
    if n["share"] > SHARE_OF_TOLERANCE:
        return "fault", (
            f"U is {g(n['share'])} % of the tolerance, and {g(SHARE_OF_TOLERANCE)} % are allowed. {mostly}"
        )
    return "fine", ""
