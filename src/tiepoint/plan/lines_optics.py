"""The lines of field, lens and sharpness."""

import math
from collections.abc import Iterator, Mapping

from tiepoint.plan import optics, target
from tiepoint.plan.choose import (
    MOST_AIRY_PX,
    PX_PER_FEATURE,
    PX_PER_TOLERANCE,
    RIM,
    depth_wanted,
    field_wanted,
    scale_wanted,
)
from tiepoint.plan.line import Line, State, Told, g
from tiepoint.plan.numbers import Camera

COMMON = "common practice"
THIN = "thin lens (Hecht, Optics)"
MOST_BLUR_SD_PX = 2.0
"""An edge blurred by more is found, but its neighbours and its noise move it more than they need to (common
practice)."""


def lines(camera: Camera, numbers: Mapping[str, float], spread: Mapping[str, float]) -> Iterator[Line]:
    """Yield the lines in the order in which they are worked out."""
    told = Told(numbers, spread)
    yield from _field(camera, told)
    yield from _lens(camera, told)
    yield from _sharpness(camera, told)


def _field(camera: Camera, told: Told) -> Iterator[Line]:
    part, chosen, n = camera.asked.part, camera.chosen, told.numbers
    sides = {"long": max(part.size_mm), "short": min(part.size_mm)}
    for side, size in sides.items():
        how = (
            f"{g(RIM)} · (part + 2 · loading) = {g(RIM)} · ({g(size)} + 2 · {g(part.loading_mm)}) mm"
            f" = {g(n[f'field_wanted_{side}'])} mm"
        )
        yield told.line(f"field_wanted_{side}", "field", f"Field needed, {side} side", "mm", how, COMMON)
    wanted = scale_wanted(camera.asked)
    how = f"whole tolerance / {g(PX_PER_TOLERANCE)} = {g(2 * part.tolerance_mm)} mm / {g(PX_PER_TOLERANCE)}"
    if part.feature_mm is not None and wanted < 2 * part.tolerance_mm / PX_PER_TOLERANCE:
        how = f"smallest feature / {g(PX_PER_FEATURE)} = {g(part.feature_mm)} mm / {g(PX_PER_FEATURE)}"
    yield Line(
        "scale_wanted", "field", "Scale wanted", 1000 * wanted, "µm/px", None, f"{how} = {g(1000 * wanted)} µm", COMMON
    )
    field = field_wanted(camera.asked)
    need = (math.ceil(field[0] / wanted), math.ceil(field[1] / wanted))
    how = f"field / scale = {g(field[0])} mm / {g(1000 * wanted)} µm, {g(field[1])} mm / {g(1000 * wanted)} µm"
    yield Line("pixels_wanted", "field", "Pixels wanted", None, "px", None, how, COMMON, text=f"{need[0]} × {need[1]}")
    width, height = chosen.size_mm
    how = (
        f"{chosen.columns} × {chosen.rows} px of {g(chosen.pixel_um)} µm: "
        f"{chosen.columns} · {g(chosen.pixel_um)} µm = {g(width)} mm, {chosen.rows} · "
        f"{g(chosen.pixel_um)} µm = {g(height)} mm"
    )
    by_plan = "pixels" in chosen.by_plan
    says = (
        f"The sensor has fewer pixels than the rule asks for: {need[0]} × {need[1]}; whether edges "
        "are read finely enough is told below."
    )
    short = chosen.columns < need[0] or chosen.rows < need[1]
    yield Line(
        "sensor",
        "field",
        "Sensor",
        None,
        "",
        None,
        how,
        "commonly made" if by_plan else "as stated",
        "caution" if short else "fine",
        says if short else "",
        f"{chosen.columns} × {chosen.rows}",
        by_plan,
    )


def _lens(camera: Camera, told: Told) -> Iterator[Line]:
    asked, chosen, n = camera.asked, camera.chosen, told.numbers
    m = n["magnification"]
    if chosen.focal_mm is not None:
        yield from _focal(camera, told)
    else:
        how = f"sensor / field, whichever side is nearer to full = {g(m)}"
        made = "magnification" in chosen.by_plan
        source = "as stated" if not made else "definition of the magnification"
        yield told.line("magnification", "lens", "Magnification", "", how, source, chosen=made)
    wanted = field_wanted(asked)
    how = f"sensor / m = {g(chosen.size_mm[0])} mm / {g(m)} by {g(chosen.size_mm[1])} mm / {g(m)}"
    yield told.line("field_long", "lens", "Field seen, long side", "mm", how, THIN, _fits(camera, told, wanted))
    yield told.line("field_short", "lens", "Field seen, short side", "mm", how, THIN)
    yield target.line(asked, chosen)
    how = f"pixel / m = {g(chosen.pixel_um)} µm / {g(m)} = {g(n['scale'])} µm"
    yield told.line("scale", "lens", "Scale on the part", "µm/px", how, THIN)
    how = (
        f"2 · tolerance / scale = {g(2 * asked.part.tolerance_mm)} mm / {g(n['scale'])} µm = {g(n['tolerance_px'])} px"
    )
    few: tuple[State, str] = ("fine", "")
    if n["tolerance_px"] < PX_PER_TOLERANCE:
        few = (
            "caution",
            f"The whole tolerance spans {g(n['tolerance_px'])} px, and {g(PX_PER_TOLERANCE)} are the "
            "rule: it rests on edges "
            "that are read to a fraction of a pixel, so what an edge is (bevel, burr, light) decides.",
        )
    yield told.line("tolerance_px", "lens", "Pixels in the whole tolerance", "px", how, COMMON, few)
    if asked.part.feature_mm is not None:
        how = f"feature / scale = {g(asked.part.feature_mm)} mm / {g(n['scale'])} µm = {g(n['feature_px'])} px"
        small: tuple[State, str] = ("fine", "")
        if n["feature_px"] < PX_PER_FEATURE:
            small = (
                "fault" if n["feature_px"] < 5 else "caution",
                f"The smallest feature spans {g(n['feature_px'])} px: a size is read from "
                f"{g(PX_PER_FEATURE)} px on. Take more pixels, or a smaller field.",
            )
        yield told.line("feature_px", "lens", "Pixels across the smallest feature", "px", how, COMMON, small)


def _focal(camera: Camera, told: Told) -> Iterator[Line]:
    asked, chosen, n = camera.asked, camera.chosen, told.numbers
    field, s = field_wanted(asked), asked.lens.stand_off_mm
    width, height = chosen.size_mm
    filling = min(width / field[0], height / field[1])
    ideal = optics.focal_for(s, filling)
    how = (
        f"s · m/(1 + m) with m = sensor / field = {g(filling)}: {g(s)} · {g(filling)}/{g(1 + filling)} = {g(ideal)} mm"
    )
    yield Line("focal_ideal", "lens", "Focal length that fills the field", ideal, "mm", None, how, THIN)
    focal = float(chosen.focal_mm or 0.0)
    made = "focal_mm" in chosen.by_plan
    how = f"the longest commonly made up to {g(ideal)} mm" if made else "as stated"
    within = asked.lens.focal_within_percent / 100 * focal
    yield Line(
        "focal",
        "lens",
        "Focal length",
        focal,
        "mm",
        within or None,
        f"{how}, ± {g(asked.lens.focal_within_percent)} % of what is engraved",
        "commonly made" if made else "as stated",
        chosen=made,
    )
    near = focal * (1 + filling) / filling
    how = f"f · (1 + m)/m = {g(focal)} mm · {g(1 + filling)}/{g(filling)} = {g(near)} mm"
    yield Line("stand_off_ideal", "lens", "Stand-off at which it fills the field", near, "mm", None, how, THIN)
    how = f"f/(s − f) = {g(focal)}/({g(s)} − {g(focal)}) = {g(n['magnification'])}"
    yield told.line("magnification", "lens", "Magnification", "", how, THIN)
    how = f"f · m = {g(focal)} · {g(n['magnification'])} = {g(n['extension'])} mm beyond infinity"
    close: tuple[State, str] = ("fine", "")
    if asked.lens.nearest_mm is not None and asked.lens.nearest_mm > s:
        own = optics.extension_of(focal, optics.magnification_of(focal, max(asked.lens.nearest_mm, 1.01 * focal)))
        close = (
            "caution",
            f"The lens focuses from {g(asked.lens.nearest_mm)} mm on, which moves it by {g(own)} mm: "
            "put a ring of about "
            f"{g(n['extension'] - own)} mm between lens and camera.",
        )
    yield told.line("extension", "lens", "Extension of the lens", "mm", how, THIN, close)


def _fits(camera: Camera, told: Told, wanted: tuple[float, float]) -> tuple[State, str]:
    """Return whether part and loading fit into the field, also where the focal length is not what is engraved."""
    field, n = camera.field_mm, told.numbers
    bare = (wanted[0] / RIM, wanted[1] / RIM)
    if any(f < b for f, b in zip(field, bare, strict=True)):
        help_ = "a shorter lens" if camera.chosen.focal_mm is not None else "a smaller magnification"
        return "fault", (
            f"The part does not fit: with its loading it needs {g(bare[0])} × {g(bare[1])} mm, and "
            f"{g(field[0])} × {g(field[1])} mm "
            f"are seen. Stand off farther, or take {help_} or a larger sensor."
        )
    least = [n[f"field_{k}"] - told.spread.get(f"field_{k}", 0.0) for k in ("long", "short")]
    if any(f < b for f, b in zip(least, bare, strict=True)):
        return "caution", (
            f"Where stand-off and focal length are at the wrong end of their bounds, only {g(least[0])} "
            f"× {g(least[1])} mm are "
            "seen, and the part does not fit: leave some way to move the camera."
        )
    return "fine", ""


def _sharpness(camera: Camera, told: Told) -> Iterator[Line]:
    asked, chosen, n = camera.asked, camera.chosen, told.numbers
    m, number = n["magnification"], chosen.f_number
    yield Line(
        "f_number",
        "sharpness",
        "f-number",
        number,
        "",
        None,
        f"the smallest from 4 on that makes {g(depth_wanted(asked))} mm sharp"
        if "f_number" in chosen.by_plan
        else "as stated",
        COMMON if "f_number" in chosen.by_plan else "as stated",
        chosen="f_number" in chosen.by_plan,
    )
    how = f"N · (1 + m) = {g(number)} · {g(1 + m)} = {g(n['working'])}"
    yield told.line("working", "sharpness", "Effective f-number", "", how, "Ray, Applied Photographic Optics")
    depth, circle = n["depth_of_field"], chosen.pixel_um
    how = f"2 · N · c · (1 + m)/m² = 2 · {g(number)} · {g(circle)} µm · {g(1 + m)}/{g(m)}² = {g(depth)} mm, c one pixel"
    yield told.line(
        "depth_of_field",
        "sharpness",
        "Depth of field",
        "mm",
        how,
        "Ray, Applied Photographic Optics",
        _deep(camera, depth),
    )
    if chosen.focal_mm is not None:
        near, far = optics.sharp_from_to(chosen.focal_mm, asked.lens.stand_off_mm, number, circle / 1000)
        how = "s · f²/(f² ± N · c · (s − f)), which is not the same on both sides"
        yield Line(
            "sharp",
            "sharpness",
            "Sharp from and to",
            None,
            "mm",
            None,
            how,
            "Ray, Applied Photographic Optics",
            text=f"{g(near)} to {g(far)}",
        )
    airy = n["airy"]
    how = (
        f"2.44 · λ · N · (1 + m) = 2.44 · {g(asked.light.wavelength_nm)} nm · {g(n['working'])} = "
        f"{g(airy * circle)} µm = {g(airy)} px"
    )
    coarse: tuple[State, str] = ("fine", "")
    if airy > MOST_AIRY_PX:
        coarse = (
            "caution",
            f"The Airy disc is {g(airy)} px wide, more than {g(MOST_AIRY_PX)}: a smaller f-number or "
            "bluer light sharpens, at the cost of depth or nothing.",
        )
    yield told.line("airy", "sharpness", "Airy disc", "px", how, "Airy; Hecht, Optics", coarse)
    how = f"1.22 · λ · N · (1 + m)/m = {g(n['rayleigh'])} µm on the part"
    yield told.line("rayleigh", "sharpness", "Two points told apart", "µm", how, "Rayleigh's criterion")
    blur, defocus, motion = camera.optical_px, camera.defocus_px, optics.box_sd(camera.motion_px)
    how = (
        f"√(optics² + defocus² + motion²) = √({g(blur)}² + {g(defocus)}² + {g(motion)}²) = "
        f"{g(n['edge_blur'])} px; optics: "
        f"lens {g(asked.lens.blur_px)} and 0.42 · λ · N_e"
    )
    soft: tuple[State, str] = ("fine", "")
    if n["edge_blur"] > MOST_BLUR_SD_PX:
        soft = (
            "caution",
            f"An edge at either end of the depth is blurred by {g(n['edge_blur'])} px (sd): soft. The "
            "largest part of it shows what to change.",
        )
    yield told.line(
        "edge_blur", "sharpness", "Blur of an edge, sd", "px", how, "variances of convolved blurs add", soft
    )


def _deep(camera: Camera, depth: float) -> tuple[State, str]:
    wanted = depth_wanted(camera.asked)
    if depth >= wanted:
        return "fine", ""
    says = (
        f"{g(wanted)} mm must be sharp at once (the depth, and ± 2 u of the height), and {g(depth)} "
        "mm are, to one pixel: "
        "a larger f-number, a smaller magnification, or less depth."
    )
    # Twice the circle is a soft edge, and no lost one.
    return ("caution" if 4 * depth >= wanted else "fault"), says
