"""The acceptance report on paper: blocks as JSON, set by typst with our faces and nothing from the system."""

import dataclasses
import json
import re
from importlib.resources import as_file, files
from typing import Any

from tiepoint.report.blocks import Block, Grid, Raw, Recompute, Report

_FACES = re.compile(r"@font-face\{[^}]*\}")


def acceptance_pdf(report: Report) -> bytes:
    """Return the report as a PDF. The same report gives the same bytes."""
    import typst

    with as_file(files("tiepoint.report")) as folder:
        return typst.compile(
            folder / "acceptance.typ",
            font_paths=[folder / "fonts" / "print"],
            ignore_system_fonts=True,
            sys_inputs={"report": json.dumps(as_plain(report))},
            timestamp=0,
        )


def as_plain(report: Report) -> dict[str, Any]:
    """Return a report as plain data: each block with its `kind`, the name of its class in small letters."""
    return {
        "title": report.title,
        "kicker": report.kicker,
        "foot": report.foot,
        "corner": [list(row) for row in report.corner],
        "sections": [
            {"anchor": s.anchor, "title": s.title, "aside": s.aside, "blocks": [_block(b) for b in s.blocks]}
            for s in report.sections
        ],
    }


def _block(block: Block) -> dict[str, Any]:
    if isinstance(block, Raw):
        return {"kind": "raw", "title": block.title}
    told = {f.name: _plain(getattr(block, f.name)) for f in dataclasses.fields(block)}
    if isinstance(block, Grid):
        kept = block.rows if block.on_paper is None else block.rows[-block.on_paper :]
        told |= {"rows": _plain(kept), "left_out": len(block.rows) - len(kept)}
    return {"kind": type(block).__name__.lower(), **told}


def _for_print(drawing: str) -> str:
    """Return a drawing that calls its condensed face as the program that sets the paper does, without embedding it."""
    bare = _FACES.sub("", drawing).replace("Fira Sans Condensed", "Fira Sans")
    return bare.replace("<svg ", '<svg font-stretch="condensed" ', 1)


def _plain(thing: Any) -> Any:
    if isinstance(thing, str):
        return _for_print(thing) if thing.startswith("<svg") else thing
    if isinstance(thing, Recompute):
        return None  # paper works nothing out again
    if dataclasses.is_dataclass(thing):
        return {f.name: _plain(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
    if isinstance(thing, (tuple, list)):
        return [_plain(item) for item in thing]
    if isinstance(thing, frozenset):
        return sorted(thing)
    return thing
