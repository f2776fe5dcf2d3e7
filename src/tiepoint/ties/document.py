"""A tie as plain data, exactly and back: what `ties/*.json` holds."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, cast, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.sources import Distribution, Kind, Scope, Source
from tiepoint.ties.tie import (
    PARAMETERS,
    Diagnostics,
    Field,
    Lens,
    Made,
    Member,
    Placing,
    Quality,
    Residuals,
    Sensor,
    Tie,
    inside_convex,
    polynomial_terms,
)

Array = NDArray[np.float64]
Plain = dict[str, Any]

FORMAT = "tiepoint/tie/1"


def to_document(tie: Tie) -> Plain:
    """Return the tie as JSON types: dicts, lists, text, finite numbers and null. Infinite dof becomes null."""
    return {
        "format": FORMAT,
        "id": tie.id,
        "made": tie.made,
        "from_frame": tie.from_frame,
        "to_frame": tie.to_frame,
        "unit": tie.unit,
        "model": tie.model,
        "parameters": list(PARAMETERS),
        "matrix": tie.matrix.tolist(),
        "lens": None if tie.lens is None else _fields_of(tie.lens),
        "sources": [_source_out(s) for s in tie.sources],
        "factor": tie.factor.tolist(),
        "fields": [
            {
                "source": _source_out(f.source),
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
        "sensor": None if tie.sensor is None else _listed(_fields_of(tie.sensor)),
        "placing": None if tie.placing.is_identity else _listed(_fields_of(tie.placing)),
        "quality": None if tie.quality is None else _listed(_fields_of(tie.quality)),
        "diagnostics": {
            "chi2_per_dof": tie.diagnostics.chi2_per_dof,
            "reason": tie.diagnostics.reason,
            "members": [_finite(_fields_of(m)) for m in tie.diagnostics.members],
        },
        "residuals": None if tie.residuals is None else _residuals_out(tie.residuals),
        "photos": list(tie.photos),
        "target_id": tie.target_id,
        "flags": list(tie.flags),
        "notes": list(tie.notes),
    }


def from_document(content: Mapping[str, Any], where: str = "the tie") -> Tie:
    """Return the tie that a document holds; `UnusableDocument` in one sentence where it does not hold one."""
    try:
        tie = _read(content)
    except UnusableDocument as error:
        raise UnusableDocument(f"{where} cannot be used: {error}") from error
    except KeyError as error:
        raise UnusableDocument(f"{where} cannot be used: it has no {error.args[0]!r}; make the tie again") from error
    except (TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        raise UnusableDocument(f"{where} cannot be used: {error}; make the tie again") from error
    return tie


def _read(content: Mapping[str, Any]) -> Tie:
    if content["format"] != FORMAT:
        raise UnusableDocument(f"its format is {content['format']!r} where {FORMAT!r} was expected")
    if tuple(content["parameters"]) != PARAMETERS:
        raise UnusableDocument("its parameters are not those of this program")
    sources = tuple(_source_in(s) for s in content["sources"])
    matrix = _array(content["matrix"], "matrix", (3, 3))
    if abs(float(np.linalg.det(matrix / np.abs(matrix).max()))) < 1e-300:
        raise UnusableDocument("its matrix is singular")
    sensor, placing, quality = content["sensor"], content["placing"], content["quality"]
    diagnostics, foot, residuals = content["diagnostics"], content["foot_mm"], content["residuals"]
    region = _array(content["valid_region"], "valid_region", (None, 2))
    if len(region) < 3 or not inside_convex(region, region).all():
        raise UnusableDocument("its valid_region is no convex polygon")
    flags = tuple(_text(f, "flags") for f in content["flags"])
    if unknown := [f for f in flags if f not in FLAGS]:
        raise UnusableDocument(f"its flag {unknown[0]!r} is not known")
    return Tie(
        id=_text(content["id"], "id"),
        made=cast(Made, _one_of(content["made"], get_args(Made), "made")),
        from_frame=_text(content["from_frame"], "from_frame"),
        to_frame=_text(content["to_frame"], "to_frame"),
        unit=_one_of(content["unit"], ("mm", "in"), "unit"),
        model=_text(content["model"], "model"),
        matrix=matrix,
        lens=None if content["lens"] is None else _lens_in(content["lens"]),
        sources=sources,
        factor=_array(content["factor"], "factor", (len(PARAMETERS), len(sources))),
        fields=tuple(_field_in(f) for f in content["fields"]),
        height_mm=_number(content["height_mm"], "height_mm"),
        u_height_mm=_number(content["u_height_mm"], "u_height_mm"),
        distance_mm=_maybe_number(content["distance_mm"], "distance_mm"),
        u_distance_mm=_number(content["u_distance_mm"], "u_distance_mm"),
        foot_mm=None if foot is None else _pair(foot, "foot_mm"),
        valid_region=region,
        covered_share=_maybe_number(content["covered_share"], "covered_share"),
        sensor=None if sensor is None else _sensor_in(sensor),
        placing=Placing() if placing is None else _placing_in(placing),
        quality=None if quality is None else _quality_in(quality),
        diagnostics=Diagnostics(
            _maybe_number(diagnostics["chi2_per_dof"], "chi2_per_dof"),
            tuple(_member_in(m) for m in diagnostics["members"]),
            _text(diagnostics["reason"], "reason"),
        ),
        residuals=None if residuals is None else _residuals_in(residuals),
        photos=tuple(_text(p, "photos") for p in content["photos"]),
        target_id=None if content["target_id"] is None else _text(content["target_id"], "target_id"),
        flags=flags,
        notes=tuple(_text(n, "notes") for n in content["notes"]),
    )


def _fields_of(thing: Any) -> Plain:
    return {name: getattr(thing, name) for name in thing.__dataclass_fields__}


def _listed(plain: Plain) -> Plain:
    return {k: list(v) if isinstance(v, tuple) else v for k, v in plain.items()}


def _finite(plain: Plain) -> Plain:
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in plain.items()}


def _source_out(source: Source) -> Plain:
    return _finite(_fields_of(source))


def _source_in(plain: Plain) -> Source:
    u, dof = _number(plain["u"], "u of a source"), plain["dof"]
    dof = math.inf if dof is None else _number(dof, "dof of a source")
    if u < 0 or dof <= 0:
        raise UnusableDocument(f"the source {plain['id']!r} has u {u:g} and dof {dof:g}; neither may be negative")
    return Source(
        _text(plain["id"], "id of a source"),
        _text(plain["label"], "label of a source"),
        cast(Kind, _one_of(plain["type"], get_args(Kind), "type of a source")),
        u,
        cast(Scope, _one_of(plain["scope"], get_args(Scope), "scope of a source")),
        cast(Distribution, _one_of(plain["distribution"], get_args(Distribution), "distribution of a source")),
        dof,
    )


def _lens_in(plain: Plain) -> Lens:
    lens = Lens(**{k: _number(plain[k], f"lens.{k}") for k in Lens.__dataclass_fields__})
    if lens.rho_px <= 0:
        raise UnusableDocument(f"lens.rho_px is {lens.rho_px:g}; it must be above 0")
    return lens


def _field_in(plain: Plain) -> Field:
    degree = _whole(plain["degree"], "degree of a field")
    if not 0 <= degree <= 20:
        raise UnusableDocument(f"the degree of a field is {degree}; at most 20 is read")
    terms = polynomial_terms(degree, np.zeros((1, 2))).shape[1]
    coefficients = _array(plain["coefficients"], "coefficients of a field", (terms, 2))
    reach = _number(plain["reach"], "reach of a field")
    if reach <= 0:
        raise UnusableDocument(f"the reach of a field is {reach:g}; it must be above 0")
    return Field(_source_in(plain["source"]), degree, _pair(plain["middle"], "middle of a field"), reach, coefficients)


def _sensor_in(plain: Plain) -> Sensor:
    def pair(name: str) -> tuple[int, int] | None:
        two = plain[name]
        return None if two is None else (_whole(two[0], name), _whole(two[1], name))

    flip = plain["flip"]
    return Sensor(
        _whole(plain["width_px"], "sensor.width_px"),
        _whole(plain["height_px"], "sensor.height_px"),
        pair("offset_px"),
        pair("binning"),
        None if flip is None else (bool(flip[0]), bool(flip[1])),
        pair("whole_px"),
    )


def _placing_in(plain: Plain) -> Placing:
    return Placing(_pair(plain["scale"], "placing.scale"), _pair(plain["shift_px"], "placing.shift_px"))


def _quality_in(plain: Plain) -> Quality:
    rms, u_rms, p95, largest = (_number(plain[k], f"quality.{k}") for k in ("rms_mm", "u_rms_mm", "p95_mm", "max_mm"))
    n, how = _whole(plain["n"], "quality.n"), _text(plain["how"], "quality.how")
    place, rms_px = _pair(plain["max_at_mm"], "quality.max_at_mm"), _maybe_number(plain["rms_px"], "quality.rms_px")
    return Quality(n, rms, u_rms, p95, largest, place, how, rms_px)


def _member_in(plain: Plain) -> Member:
    chi2, dof, bic, aicc, leave_out = (
        math.inf if plain[k] is None else _number(plain[k], k) for k in ("chi2", "dof", "bic", "aicc", "leave_out")
    )
    model, k, chosen = _text(plain["model"], "model"), _whole(plain["k"], "k"), bool(plain["chosen"])
    return Member(model, k, chi2, dof, bic, aicc, leave_out, chosen)


def _residuals_out(residuals: Residuals) -> Plain:
    return {k: v.tolist() for k, v in _fields_of(residuals).items()}


def _residuals_in(plain: Plain) -> Residuals:
    points = _array(plain["points"], "residuals.points", (None, 2))
    plane, fit, unseen = (
        _array(plain[k], f"residuals.{k}", (len(points), 2)) for k in ("plane_mm", "fit_mm", "unseen_mm")
    )
    used = np.array([bool(v) for v in plain["used"]])
    if used.shape != (len(points),):
        raise UnusableDocument("residuals.used is not as long as residuals.points")
    return Residuals(points, plane, fit, unseen, used)


def _array(plain: Any, name: str, shape: tuple[int | None, ...]) -> Array:
    array = np.array(plain, dtype=np.float64)
    if array.size == 0 and 0 in shape:
        array = array.reshape([0 if s is None else s for s in shape])
    if array.ndim != len(shape) or any(s is not None and s != k for s, k in zip(shape, array.shape, strict=True)):
        raise UnusableDocument(f"its {name} has the shape {array.shape}")
    if not np.isfinite(array).all():
        raise UnusableDocument(f"its {name} holds something that is no number")
    return array


def _number(plain: Any, name: str) -> float:
    if isinstance(plain, bool) or not isinstance(plain, (int, float)) or not math.isfinite(plain):
        raise UnusableDocument(f"its {name} is {plain!r}, which is no number")
    return float(plain)


def _maybe_number(plain: Any, name: str) -> float | None:
    return None if plain is None else _number(plain, name)


def _whole(plain: Any, name: str) -> int:
    if isinstance(plain, bool) or not isinstance(plain, int):
        raise UnusableDocument(f"its {name} is {plain!r}, which is no whole number")
    return plain


def _pair(plain: Any, name: str) -> tuple[float, float]:
    if not isinstance(plain, Sequence) or isinstance(plain, str) or len(plain) != 2:
        raise UnusableDocument(f"its {name} is {plain!r}, where two numbers were expected")
    return _number(plain[0], name), _number(plain[1], name)


def _text(plain: Any, name: str) -> str:
    if not isinstance(plain, str):
        raise UnusableDocument(f"its {name} is {plain!r}, where text was expected")
    return plain


def _one_of(plain: Any, known: Sequence[str], name: str) -> str:
    if plain not in known:
        raise UnusableDocument(f"its {name} is {plain!r}; one of {', '.join(known)} was expected")
    return str(plain)
