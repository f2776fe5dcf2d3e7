"""Say which proofs still belong to the code: `python proofs/stale.py`; `--write` renews the page in the docs."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from common import RESULTS, ROOT, code_sha256

BOUNDS = {
    "intervals-plain": (93.0, 97.0),
    "intervals-elsewhere": (93.0, 100.0),
    "gauges": (93.0, 100.0),
    "gauges-elsewhere": (93.0, 100.0),
    "grips": (93.0, 97.0),
    "taught": (93.0, 100.0),
}
"""Between which shares, in %, the claim of a proof has each row of its table."""

PAGE = ROOT / "docs" / "reference" / "proofs.md"


def state(result: dict[str, Any]) -> str:
    """Return `current`, or `stale` where the code has changed since the proof ran."""
    now = code_sha256(result.get("files", ()), ROOT / "proofs" / f"{result['proof'].partition('-')[0]}.py")
    return "current" if now == result["code_sha256"] else "stale"


def page() -> str:
    """Return the page of the docs that shows every proof, its claims and whether it is stale."""
    lines = [
        "# Proofs",
        "",
        "Long runs whose results are kept. *Current* means that the code they prove has not changed since;",
        "*stale* results are shown too, and `python proofs/stale.py --write` renews this page.",
    ]
    for path in sorted(RESULTS.glob("*.json")):
        result = json.loads(path.read_text(encoding="utf-8"))
        lines += ["", f"## {result['proof']}: {state(result)}", "", result["claim"], ""]
        lines += [*table(result["table"], BOUNDS.get(result["proof"]))]
        lines += ["", *(f"- {note}" for note in result["notes"])]
    return "\n".join(lines) + "\n"


def table(rows: list[dict[str, Any]], bounds: tuple[float, float] | None) -> Iterator[str]:
    """Yield a table of shares with their bands; with `bounds` each row says whether it meets them."""
    head, rule = "| what | runs | share, % | from | to |", "|---|--:|--:|--:|--:|"
    yield head if bounds is None else f"{head} {bounds[0]:g} to {bounds[1]:g} |"
    yield rule if bounds is None else f"{rule}---|"
    for row in rows:
        cells = [f"{row[k]:.2f}" if row["n"] else "–" for k in ("percent", "low", "high")]
        told = [] if bounds is None else [met(row, bounds)]
        yield f"| {' | '.join([row['what'], str(row['n']), *cells, *told])} |"


def met(row: dict[str, Any], bounds: tuple[float, float]) -> str:
    """Return whether a row's whole band lies between the bounds, all of it outside, or neither was shown."""
    if row["n"] and bounds[0] <= row["low"] and row["high"] <= bounds[1]:
        return "met"
    if row["n"] and (row["high"] < bounds[0] or bounds[1] < row["low"]):
        return "**not met**"
    return "not shown"


if __name__ == "__main__":
    if "--write" in sys.argv:
        PAGE.write_text(page(), encoding="utf-8")
    print(page())
