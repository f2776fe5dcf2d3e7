"""What every way of making a tie ends with: the verdict for a tolerance, the tie's file, what a person reads."""

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, present
from tiepoint.cli.typed import positive_mm

if TYPE_CHECKING:
    from tiepoint.ties.tie import Quality, Tie
    from tiepoint.ties.verdict import GoodFor

Out = Annotated[Path, typer.Option("--out", metavar="TIE.json", help="Where the tie is written.")]
Height = Annotated[
    str, typer.Option("--height", metavar="LENGTH", help="Height of this plane above the station's reference plane.")
]
Tolerance = Annotated[
    str | None,
    typer.Option("--tolerance", metavar="LENGTH", help="Say whether the tie is good for ± this (exit code 1 if not)."),
]


def finish(tie: "Tie", out: Path, tolerance: str | None, as_json: bool, hints: tuple[str, ...] = ()) -> None:
    """Write the tie, say what it is worth, and end the command."""
    from tiepoint.documents.canonical import sha256
    from tiepoint.documents.files import write_document
    from tiepoint.ties.document import to_document
    from tiepoint.ties.verdict import good_for

    judged = None if tolerance is None else good_for(tie, positive_mm("--tolerance", tolerance))
    content = to_document(tie)
    write_document(out, "tie", content)
    document = {"out": str(out), "sha": sha256(content), **_judged(judged), **summary(tie)}
    said = (*(judged.sentences if judged else ()), *lines(tie))
    good = judged is None or judged.answer
    untold = (hint for hint in hints if as_json or hint not in tie.notes)
    present(Answer(document, said, good, (*untold, f"The tie is in {out}.")), as_json)


def _judged(judged: "GoodFor | None") -> dict[str, Any]:
    """Return the verdict for a tolerance as plain data; none was asked for: `good` is null."""
    if judged is None:
        return {"good": None, "sentences": [], "verdict": None}
    told = dataclasses.asdict(judged)
    return {"good": told.pop("answer"), "sentences": list(told.pop("sentences")), "verdict": told}


def summary(tie: "Tie") -> dict[str, Any]:
    """Return what --json tells of a tie beside its verdict; the file holds the rest."""
    from tiepoint.documents.canonical import plain
    from tiepoint.report.tie_numbers import widest

    names = ("id", "made", "from_frame", "to_frame", "unit", "model", "height_mm", "u_height_mm", "covered_share")
    told = {name: plain(getattr(tie, name)) for name in (*names, "quality", "flags", "notes", "target_id")}
    return {**told, "widest": widest(tie).document()}


def lines(tie: "Tie") -> Iterator[str]:
    """Yield what a person reads of a tie."""
    from tiepoint.cli.told import budget_lines, mm
    from tiepoint.foundation.reasons import FLAGS
    from tiepoint.report.tie_numbers import widest

    if tie.quality is not None:
        yield _unseen(tie.quality)
    yield _extent(tie)
    across = widest(tie).value
    if across is not None:
        yield f"Right across its region, a length is {mm(across, tie.unit)}."
        yield from budget_lines(across, tie.unit)
    yield from (FLAGS[code].sentence for code in tie.flags)
    yield from tie.notes


def _unseen(quality: "Quality") -> str:
    from tiepoint.cli.told import figures

    worst = ", ".join(f"{v:.4g}" for v in quality.max_at_mm)
    return (
        f"Points that the fit did not use are {figures(quality.rms_mm)} mm off (rms of {quality.n}); "
        f"the worst, at {worst} mm, {figures(quality.max_mm)} mm."
    )


def _extent(tie: "Tie") -> str:
    from tiepoint.cli.told import share_of

    place = (
        f"at a height of {tie.height_mm:g} mm"
        if tie.u_height_mm == 0
        else (f"at a height of {tie.height_mm:g} mm (u {tie.u_height_mm:.2g} mm)")
    )
    covered = "" if tie.covered_share is None else f", over {share_of(tie.covered_share)} of the picture"
    return f"It holds {place}{covered}; model {tie.model}."
