"""Make the pages that are derived from the program: `uv run python docs/build.py`; a test holds them current."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from tiepoint.cli.app import app
from tiepoint.foundation.reasons import FLAGS, REASONS
from tiepoint.recipe.reference import recipe_schema, reference_page
from tiepoint.web.app import openapi
from tiepoint.web.refused import CODES

REFERENCE = Path(__file__).resolve().parent / "reference"
MADE = "<!-- Made by docs/build.py; do not edit. -->\n"


def pages() -> dict[Path, str]:
    """Return every derived page by its path."""
    return {
        REFERENCE / "api.md": api(),
        REFERENCE / "command-line.md": command_line(),
        REFERENCE / "reasons-and-flags.md": reasons_and_flags(),
        REFERENCE / "recipe.md": reference_page(),
        REFERENCE / "recipe.schema.json": json.dumps(recipe_schema(), indent=1, ensure_ascii=False) + "\n",
    }


def api() -> str:
    """Return the page of what can be asked over HTTP."""
    told = openapi()
    lines = [MADE, "# The API", "", told["info"]["description"], ""]
    lines += [
        "How to reach it, and who may: [open a station to others](../how-to/open-a-station-to-others.md).",
        "The same as a document: `/api/openapi.json` (OpenAPI 3.1). Times are RFC 3339 in UTC, numbers of entries",
        "those of the ledger.",
        "",
    ]
    for path, routes in told["paths"].items():
        for method, route in routes.items():
            lines += [f"## {method.upper()} {path}", "", route["description"], "", *_route(route)]
    lines += ["## Refusals", "", 'Every refusal has one shape: `{"error": {"code", "says", "where", "do"}}`.', ""]
    lines += ["| status | code | says |", "|---|---|---|"]
    lines += [f"| {status} | `{code}` | {says} |" for status, (code, says, _) in CODES.items()]
    lines += ["", "## Answers", ""]
    for name, schema in told["components"]["schemas"].items():
        if "properties" in schema and name not in ("Error", "Told"):
            keys = ", ".join(f"`{key}`" for key in schema["properties"])
            lines += [f"**{name}**: {keys}. {' '.join(schema.get('description', '').split())}", ""]
    return "\n".join(lines).rstrip() + "\n"


def _route(route: dict[str, Any]) -> Iterator[str]:
    for asked in route.get("parameters", ()):
        note = f": {asked['description']}" if "description" in asked else ""
        yield f"- `{asked['name']}` ({asked['in']}{', needed' if asked.get('required') else ''}){note}"
    if route.get("parameters"):
        yield ""
    for kind, content in route.get("requestBody", {}).get("content", {}).items():
        yield from (f"Sent: `{kind}`{_named(content)}.", "")
    good = [(status, one) for status, one in route["responses"].items() if status < "4"]
    for status, answer in good:
        what = " or ".join(f"`{kind}`{_named(content)}" for kind, content in answer.get("content", {}).items())
        yield from (f"Answers {status}{f': {what}' if what else ''}.", "")
    yield from (f"Refuses with {', '.join(status for status in route['responses'] if status >= '4')}.", "")


def _named(content: dict[str, Any]) -> str:
    schema = content.get("schema", {})
    name = schema.get("$ref", "").rpartition("/")[2]
    if not name and "properties" in schema:
        return "".join(f"; {key}: {value['description']}" for key, value in schema["properties"].items()).rstrip(".")
    return f", {name}" if name else ""


def reasons_and_flags() -> str:
    """Return the page of the two registries."""
    return "\n".join(
        [
            MADE,
            "# Reasons and flags",
            "",
            "A reason says why there is no value; its reading is `unread` where it has limits, and never passes. One,",
            "`doubtful`, stands beside a value, and says why it is not said to conform.",
            "A flag says what to know about a value. Words in braces are parameters, kept beside the code in a record.",
            "",
            *_registry("Reasons", REASONS),
            *_flags(),
        ]
    )


def _registry(title: str, codes: dict[str, str]) -> Iterator[str]:
    yield from (f"## {title}", "", "| code | says |", "|---|---|")
    yield from (f"| `{code}` | {sentence} |" for code, sentence in codes.items())
    yield ""


def _flags() -> Iterator[str]:
    yield from ("## Flags", "")
    yield "A reading with a flag that *forbids conforming* is `undecided` where it would conform, for the reason"
    yield "`doubtful`; what is rejected stays rejected. A flag forbids where what was seen contradicts what the ±"
    yield "assumes, or where the ± was never said to hold. It does not where the ± carries what the flag tells, or"
    yield "where a check is merely missing."
    yield from ("", "| code | says | forbids conforming | why |", "|---|---|---|---|")
    for code, told in FLAGS.items():
        yield f"| `{code}` | {told.sentence} | {'**yes**' if told.forbids else 'no'} | {told.why} |"
    yield ""


def command_line() -> str:
    """Return the page of all commands and options."""
    root: Any = typer.main.get_command(app)
    lines = [MADE, "# Command line", "", *_prose(root.help)]
    for path, command in _commands("tiepoint", root):
        lines += [f"## {path}", "", "```", _usage(path, command), "```", "", *_prose(command.help), *_options(command)]
    return "\n".join(lines).rstrip() + "\n"


def _commands(path: str, command: Any) -> Iterator[tuple[str, Any]]:
    for name in command.list_commands(None):
        inner = command.commands[name]
        if getattr(inner, "commands", None):
            yield from _commands(f"{path} {name}", inner)
        else:
            yield f"{path} {name}", inner


def _usage(path: str, command: Any) -> str:
    words = [_word(p) for p in command.params if p.name != "as_json"]
    return " ".join([path, *words, "[--json]"])


def _word(param: Any) -> str:
    shown = _shown(param)
    many = " ..." if param.multiple or param.nargs == -1 else ""
    if param.param_type_name == "argument":
        word = shown.removesuffix("...") + many.strip() if param.required else f"{shown}{many}"
    else:
        word = param.opts[-1] if getattr(param, "is_flag", False) else f"{param.opts[-1]} {shown}{many}"
    return word if param.required else f"[{word}]"


def _options(command: Any) -> Iterator[str]:
    yield from ("| | |", "|---|---|")
    for param in command.params:
        words = [_shown(param)] if param.param_type_name == "argument" else [param.opts[-1], _shown(param)]
        default = f" Default: `{param.default}`." if isinstance(param.default, str) else ""
        cells = f"`{' '.join(filter(None, words))}`", f"{param.help}{default}"
        yield f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"
    yield ""


def _shown(param: Any) -> str:
    return "" if getattr(param, "is_flag", False) else str(param.metavar)


def _prose(text: str) -> Iterator[str]:
    """Yield a help text as Markdown: paragraphs that begin with a backspace are examples, kept as they are."""
    for paragraph in text.strip().split("\n\n"):
        if paragraph.startswith("\b"):
            yield from ("```console", *_example(paragraph.removeprefix("\b\n").split("\n")), "```", "")
        else:
            yield from (*paragraph.split("\n"), "")


def _example(lines: list[str]) -> Iterator[str]:
    for line in lines:
        yield f"$ {line.strip()}" if line.startswith("  ") else f"# {line.strip()}"


def main() -> None:
    """Write the derived pages."""
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
