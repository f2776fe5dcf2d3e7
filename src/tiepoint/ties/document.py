"""A tie as plain data, exactly and back: what `ties/*.json` holds."""

import math
from collections.abc import Mapping
from typing import Any, Final, cast, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.ties.readers import (
    array_in,
    fields_of,
    finite_out,
    head_in,
    lens_in,
    listed,
    maybe_number_in,
    not_negative_in,
    number_in,
    one_of,
    pair_in,
    read_in_sentences,
    source_in,
    source_out,
    text_in,
    whole_in,
)
from tiepoint.ties.tie import (
    PARAMETERS,
    Before,
    Diagnostics,
    Field,
    Made,
    Member,
    Placing,
    Quality,
    Residuals,
    Sensor,
    Stand,
    Tie,
    inside_convex,
    polynomial_terms,
)

Array = NDArray[np.float64]
Plain = dict[str, Any]

FORMAT = "tiepoint/tie/1"
_TIED: Final = (
    "id", "matrix", "sources", "factor", "fields", "height_mm", "u_height_mm", "distance_mm", "u_distance_mm",
    "foot_mm", "notes",
)  # fmt: skip
"""What a move changes, and a moved tie keeps as it was before."""


def to_document(tie: Tie) -> Plain:
    """Return the tie as JSON types: dicts, lists, text, finite numbers and null. Infinite dof becomes null."""
    plain: Plain = {
        "format": FORMAT,
        "id": tie.id,
        "made": tie.made,
        "from_frame": tie.from_frame,
        "to_frame": tie.to_frame,
        "unit": tie.unit,
        "model": tie.model,
        "parameters": list(PARAMETERS),
        "matrix": tie.matrix.tolist(),
        "lens": None if tie.lens is None else fields_of(tie.lens),
        "sources": [source_out(s) for s in tie.sources],
        "factor": tie.factor.tolist(),
        "fields": [
            {
                "source": source_out(f.source),
                "degree": f.degree,
                "middle": list(f.middle),
                "reach": f.reach,
                "coefficients": f.coefficients.tolist(),
            }
            for f in tie.fields
        ],
        "height_mm": tie.height_mm,
        "u_height_mm": tie.u_height_mm,
        "distance_mm": tie.distance_mm,
        "u_distance_mm": tie.u_distance_mm,
        "foot_mm": None if tie.foot_mm is None else list(tie.foot_mm),
        "valid_region": tie.valid_region.tolist(),
        "covered_share": tie.covered_share,
        "sensor": None if tie.sensor is None else listed(fields_of(tie.sensor)),
        "placing": None if tie.placing.is_identity else listed(fields_of(tie.placing)),
        "quality": None if tie.quality is None else listed(fields_of(tie.quality)),
        "diagnostics": {
            "chi2_per_dof": tie.diagnostics.chi2_per_dof,
            "reason": tie.diagnostics.reason,
            "members": [finite_out(fields_of(m)) for m in tie.diagnostics.members],
        },
        "residuals": None if tie.residuals is None else _residuals_out(tie.residuals),
        "photos": list(tie.photos),
        "target_id": tie.target_id,
        "flags": list(tie.flags),
        "notes": list(tie.notes),
    }
    # Only where there is one: all other ties are written, and hashed, as they always were.
    return plain if tie.before is None else {**plain, "before": _before_out(tie.before)}


def _before_out(before: Before) -> Plain:
    whole, stand = to_document(before.tie), before.stand
    told = None
    if stand is not None:
        told = {
            "distance_mm": stand.distance_mm,
            "foot_mm": stand.foot_mm.tolist(),
            "sources": [source_out(s) for s in stand.sources[len(before.tie.sources) :]],
            "d_distance": stand.d_distance.tolist(),
            "d_foot": stand.d_foot.tolist(),
            "how": stand.how,
        }
    return {**{key: whole[key] for key in _TIED}, "stand": told}


def from_document(content: Mapping[str, Any], where: str = "the tie") -> Tie:
    """Return the tie that a document holds; `UnusableDocument` in one sentence where it does not hold one."""
    return read_in_sentences(_read, content, where)


def _read(content: Mapping[str, Any]) -> Tie:
    head = head_in(content, FORMAT, PARAMETERS)
    matrix = array_in(content["matrix"], "matrix", (3, 3))
    largest = float(np.abs(matrix).max())
    if largest == 0 or not abs(float(np.linalg.det(matrix / largest))) >= 1e-300:
        raise UnusableDocument("its matrix is singular")
    sensor, placing, quality = content["sensor"], content["placing"], content["quality"]
    diagnostics, foot, residuals = content["diagnostics"], content["foot_mm"], content["residuals"]
    region = array_in(content["valid_region"], "valid_region", (None, 2))
    if len(region) < 3 or not inside_convex(region, region).all():
        raise UnusableDocument("its valid_region is no convex polygon")
    return Tie(
        id=text_in(content["id"], "id"),
        made=cast(Made, one_of(content["made"], get_args(Made), "made")),
        from_frame=text_in(content["from_frame"], "from_frame"),
        to_frame=text_in(content["to_frame"], "to_frame"),
        unit=one_of(content["unit"], ("mm", "in"), "unit"),
        model=text_in(content["model"], "model"),
        matrix=matrix,
        lens=None if content["lens"] is None else lens_in(content["lens"]),
        sources=head.sources,
        factor=array_in(content["factor"], "factor", (len(PARAMETERS), len(head.sources))),
        fields=tuple(_field_in(f) for f in content["fields"]),
        height_mm=number_in(content["height_mm"], "height_mm"),
        u_height_mm=not_negative_in(content["u_height_mm"], "u_height_mm"),
        distance_mm=maybe_number_in(content["distance_mm"], "distance_mm"),
        u_distance_mm=not_negative_in(content["u_distance_mm"], "u_distance_mm"),
        foot_mm=None if foot is None else pair_in(foot, "foot_mm"),
        valid_region=region,
        covered_share=maybe_number_in(content["covered_share"], "covered_share"),
        sensor=None if sensor is None else _sensor_in(sensor),
        placing=Placing() if placing is None else _placing_in(placing),
        quality=None if quality is None else _quality_in(quality),
        diagnostics=Diagnostics(
            maybe_number_in(diagnostics["chi2_per_dof"], "chi2_per_dof"),
            tuple(_member_in(m) for m in diagnostics["members"]),
            text_in(diagnostics["reason"], "reason"),
        ),
        residuals=None if residuals is None else _residuals_in(residuals),
        photos=tuple(text_in(p, "photos") for p in content["photos"]),
        target_id=None if content["target_id"] is None else text_in(content["target_id"], "target_id"),
        flags=head.flags,
        notes=tuple(text_in(n, "notes") for n in content["notes"]),
        before=None if content.get("before") is None else _before_in(content, content["before"]),
    )


def _before_in(content: Mapping[str, Any], plain: Plain) -> Before:
    tie = _read({**content, **{key: plain[key] for key in _TIED}, "before": None})
    if plain["stand"] is None:
        return Before(tie, None)
    told = plain["stand"]
    sources = (*tie.sources, *(source_in(s) for s in told["sources"]))
    distance = number_in(told["distance_mm"], "before.stand.distance_mm")
    if distance <= 0:
        raise UnusableDocument(f"its before.stand.distance_mm is {distance:g}; it must be above 0")
    return Before(
        tie,
        Stand(
            distance,
            array_in(told["foot_mm"], "before.stand.foot_mm", (2,)),
            sources,
            array_in(told["d_distance"], "before.stand.d_distance", (len(sources),)),
            array_in(told["d_foot"], "before.stand.d_foot", (len(sources), 2)),
            text_in(told["how"], "before.stand.how"),
        ),
    )


def _field_in(plain: Plain) -> Field:
    degree = whole_in(plain["degree"], "degree of a field")
    if not 0 <= degree <= 20:
        raise UnusableDocument(f"the degree of a field is {degree}; at most 20 is read")
    terms = polynomial_terms(degree, np.zeros((1, 2))).shape[1]
    coefficients = array_in(plain["coefficients"], "coefficients of a field", (terms, 2))
    reach = number_in(plain["reach"], "reach of a field")
    if reach <= 0:
        raise UnusableDocument(f"the reach of a field is {reach:g}; it must be above 0")
    return Field(source_in(plain["source"]), degree, pair_in(plain["middle"], "middle of a field"), reach, coefficients)


def _sensor_in(plain: Plain) -> Sensor:
    def pair(name: str) -> tuple[int, int] | None:
        two = plain[name]
        return None if two is None else (whole_in(two[0], name), whole_in(two[1], name))

    flip = plain["flip"]
    return Sensor(
        whole_in(plain["width_px"], "sensor.width_px"),
        whole_in(plain["height_px"], "sensor.height_px"),
        pair("offset_px"),
        pair("binning"),
        None if flip is None else (bool(flip[0]), bool(flip[1])),
        pair("whole_px"),
    )


def _placing_in(plain: Plain) -> Placing:
    return Placing(pair_in(plain["scale"], "placing.scale"), pair_in(plain["shift_px"], "placing.shift_px"))


def _quality_in(plain: Plain) -> Quality:
    rms, u_rms, p95, largest = (number_in(plain[k], f"quality.{k}") for k in ("rms_mm", "u_rms_mm", "p95_mm", "max_mm"))
    n, how = whole_in(plain["n"], "quality.n"), text_in(plain["how"], "quality.how")
    place, rms_px = pair_in(plain["max_at_mm"], "quality.max_at_mm"), maybe_number_in(plain["rms_px"], "quality.rms_px")
    return Quality(n, rms, u_rms, p95, largest, place, how, rms_px)


def _member_in(plain: Plain) -> Member:
    chi2, dof, bic, aicc, leave_out = (
        math.inf if plain[k] is None else number_in(plain[k], k) for k in ("chi2", "dof", "bic", "aicc", "leave_out")
    )
    model, k, chosen = text_in(plain["model"], "model"), whole_in(plain["k"], "k"), bool(plain["chosen"])
    return Member(model, k, chi2, dof, bic, aicc, leave_out, chosen)


def _residuals_out(residuals: Residuals) -> Plain:
    return {k: v.tolist() for k, v in fields_of(residuals).items()}


def _residuals_in(plain: Plain) -> Residuals:
    points = array_in(plain["points"], "residuals.points", (None, 2))
    plane, fit, unseen = (
        array_in(plain[k], f"residuals.{k}", (len(points), 2)) for k in ("plane_mm", "fit_mm", "unseen_mm")
    )
    used = np.array([bool(v) for v in plain["used"]])
    if used.shape != (len(points),):
        raise UnusableDocument("residuals.used is not as long as residuals.points")
    return Residuals(points, plane, fit, unseen, used)
