"""What every proof shares: the hash of the code it proves, many seeds on all cores, one result file.

A proof runs for minutes to hours, so CI does not run it: it leaves `proofs/results/<name>.json`, and
`python proofs/stale.py` says which results no longer belong to the code.
"""

import ast
import concurrent.futures
import hashlib
import io
import json
import math
import os
import sys
import time
import tokenize
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "proofs" / "results"
SPACES = {tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}


def code_sha256(files: Sequence[str], proof: Path) -> str:
    """Return the hash of the code in files (relative to the checkout), and of the proof's own, in a fixed order."""
    digest = hashlib.sha256()
    for file in [*(ROOT / f for f in sorted(files)), proof]:
        code = code_alone(file.read_text(encoding="utf-8")) if file.exists() else ""
        digest.update(f"{file.relative_to(ROOT).as_posix()}\n{code}\n".encode())
    return digest.hexdigest()


def code_alone(text: str) -> str:
    """Return a source text without comments, docstrings (of names too) and blank lines, alike on every Python."""
    docs = {(node.lineno, node.col_offset) for node in ast.walk(ast.parse(text)) if is_docstring(node)}
    lines, told, kept = text.split("\n"), [], set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT or token.start in docs:
            told.append((*token.start, *token.end))
        elif token.type not in SPACES:
            kept.update(range(token.start[0] - 1, token.end[0]))
    for first, begin, last, end in reversed(told):
        lines[first - 1] = (lines[first - 1][:begin] + lines[last - 1][end:]).rstrip()
    return "\n".join(line for n, line in enumerate(lines) if n in kept)


def is_docstring(node: ast.AST) -> bool:
    """Return whether a node is a string that stands alone: at the head of what it tells of, or below a name."""
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)


def proved_files(rooms: Sequence[str], without: Sequence[str] = ()) -> list[str]:
    """Return the files of some rooms that this process has loaded: what a proof does not run, it does not prove.

    `without`: modules that are loaded, and of which nothing is run.
    """
    named = {name: module for name, module in sys.modules.items() if name not in without}
    loaded = [(name.split("."), module.__file__) for name, module in named.items() if hasattr(module, "__file__")]
    mine = [Path(file).resolve() for name, file in loaded if name[0] == "tiepoint" and name[1:2] and name[1] in rooms]
    return sorted(file.relative_to(ROOT).as_posix() for file in mine)


def on_all_cores(work: Callable[[int], Any], seeds: Iterable[int], label: str, minutes: float = math.inf) -> list[Any]:
    """Return work(seed) for every seed, in order, with progress on standard error.

    After `minutes` it stops and returns what there is by then: the first seeds, whatever came of them.
    """
    todo = list(seeds)
    results: list[Any] = []
    begun = time.monotonic()
    with concurrent.futures.ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        for done, result in enumerate(pool.map(work, todo, chunksize=4), 1):
            results.append(result)
            if done % 50 == 0 or done == len(todo):
                left_s = (time.monotonic() - begun) / done * (len(todo) - done)
                print(f"{label}: {done} of {len(todo)}, {left_s:.0f} s left", file=sys.stderr, flush=True)
            if time.monotonic() - begun > 60 * minutes:
                pool.shutdown(wait=True, cancel_futures=True)
                break
    return results


def write_result(
    name: str, rooms: Sequence[str], proof: Path, result: dict[str, Any], *, without: Sequence[str] = ()
) -> Path:
    """Write a proof's result with the files that it proves and their hash; `without`: see `proved_files`."""
    RESULTS.mkdir(parents=True, exist_ok=True)
    path = RESULTS / f"{name}.json"
    files = proved_files(rooms, without)
    body = {"proof": name, "files": files, "code_sha256": code_sha256(files, proof.resolve()), **result}
    path.write_text(json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
    return path
