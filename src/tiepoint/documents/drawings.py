"""Outlines from drawings: the lines and curves of a DXF file, in mm."""

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.files import name_of
from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]

MM_PER_INSUNIT = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 13: 1e-3}
"""`$INSUNITS` of a DXF header: inch, foot, millimetre, centimetre, metre, micrometre (DXF reference, from memory)."""
KINDS = "LINE ARC CIRCLE ELLIPSE LWPOLYLINE POLYLINE SPLINE"
CHORD_MM = 0.005
"""Curves are drawn by chords that leave them by no more."""
TOGETHER_MM = 1e-3
MOST_BYTES = 20_000_000


def read_outline(path: Path, layer: str | None = None) -> list[Array]:
    """Return the lines (k, 2) of a drawing in mm, closed ones ending where they start; on one `layer` if asked.

    Raises `UnusableInput` where the file is no DXF, states no unit of length, or has no lines.
    """
    from ezdxf import path as curves
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError

    try:
        if path.stat().st_size > MOST_BYTES:
            raise UnusableInput(f"{name_of(path)} has more than {MOST_BYTES // 1_000_000} MB; save the outline alone")
        drawing = readfile(path)
    except OSError as error:
        raise UnusableInput(f"cannot read {path} as a DXF drawing: {error.strerror or error}") from error
    except (DXFError, UnicodeDecodeError, ValueError) as error:
        raise UnusableInput(f"{name_of(path)} is no DXF drawing that can be read: {error}") from error
    unit = MM_PER_INSUNIT.get(int(drawing.header.get("$INSUNITS", 0)))
    if unit is None:
        raise UnusableInput(f"{name_of(path)} does not state its unit of length ($INSUNITS); save it in mm or inches")
    lines: list[Array] = []
    for entity in drawing.modelspace().query(KINDS):
        if layer is not None and entity.dxf.layer.lower() != layer.lower():
            continue
        lines.append(_flat(curves.make_path(entity), unit))
    kept = [line for line in lines if len(line) > 1 and np.isfinite(line).all()]
    if not kept:
        where = f" on the layer {layer}" if layer else ""
        raise UnusableInput(f"{name_of(path)} has no lines or curves{where}; an outline needs some")
    return _joined(kept)


def _flat(curve: Any, unit: float) -> Array:
    points = np.array([(p.x, p.y) for p in curve.flattening(CHORD_MM / unit, 16)], float).reshape(-1, 2) * unit
    apart = np.hypot(*np.diff(points, axis=0).T) > 1e-9
    return points[np.concatenate([[True], apart])] if len(points) else points


def _joined(lines: list[Array]) -> list[Array]:
    """Return lines that touch end to end as one, so that a contour drawn in pieces encloses what it encloses."""
    left, done = list(lines), []
    while left:
        line = left.pop(0)
        k = 0
        while k < len(left) and math.dist(line[0], line[-1]) > TOGETHER_MM:
            other = left[k]
            for piece in (other, other[::-1]):
                if math.dist(line[-1], piece[0]) <= TOGETHER_MM:
                    line = np.vstack([line, piece[1:]])
                elif math.dist(piece[-1], line[0]) <= TOGETHER_MM:
                    line = np.vstack([piece, line[1:]])
                else:
                    continue
                del left[k]
                k = -1
                break
            k += 1
        if math.dist(line[0], line[-1]) <= TOGETHER_MM and len(line) > 2:
            line = np.vstack([line[:-1], line[:1]])
        done.append(line)
    return done
