"""The acceptance report on paper: blocks as JSON, set by typst with our faces and nothing from the system."""

import dataclasses
import json
from importlib.resources import as_file, files
from typing import Any

from tiepoint.report.blocks import Block, Report


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
    told = {f.name: _plain(getattr(block, f.name)) for f in dataclasses.fields(block)}
    return {"kind": type(block).__name__.lower(), **told}


def _plain(thing: Any) -> Any:
    if dataclasses.is_dataclass(thing):
        return {f.name: _plain(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
    if isinstance(thing, (tuple, list)):
        return [_plain(item) for item in thing]
    if isinstance(thing, frozenset):
        return sorted(thing)
    return dict(thing) if hasattr(thing, "items") else thing
