"""Say which proofs still belong to the code: `python proofs/stale.py`; `--write` renews the page in the docs."""

import json
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from common import RESULTS, ROOT, code_sha256

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
        lines += ["| what | runs | covered, % | from | to |", "|---|--:|--:|--:|--:|"]
        for row in result["table"]:
            lines.append(
                f"| {row['what']} | {row['n']} | {row['percent']:.2f} | {row['low']:.2f} | {row['high']:.2f} |"
            )
        lines += ["", *(f"- {note}" for note in result["notes"])]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    if "--write" in sys.argv:
        PAGE.write_text(page(), encoding="utf-8")
    print(page())
