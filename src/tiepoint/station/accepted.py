"""What a station may run: unchanging copies of drafts, with who accepted them, when and why.

A recipe is accepted with all that it rests on: its tie, its lights and their flat reference, masks, taught data, robot,
belt and the table of variants. They are copied to `accepted/<sha>/` at the same places as in the station's folder, so
that the recipe finds them there as it does here. The hash is over their canonical content: another comment is the same
recipe, another mask is not. `accepted.toml` says which copy is run, by variant, or by recipe where there are none.
"""

import difflib
import hashlib
import json
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

import tomlkit

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import (
    format_of,
    kind_of,
    parsed_json,
    read_bytes,
    read_document,
    reason_of,
    write_atomic,
    write_together,
)
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.foundation.once import cached_property
from tiepoint.recipe.pool import Preparation
from tiepoint.recipe.recipe import Recipe
from tiepoint.recipe.station import Prepared, prepare
from tiepoint.recipe.tables import said_names, shown
from tiepoint.recipe.variants import load_variants
from tiepoint.station.folder import VARIANTS, Station
from tiepoint.station.ledger_chain import Entry

ACCEPTED = "accepted"
POINTER = "accepted.toml"
MANIFEST = "manifest.json"
MOST_BYTES = 400_000_000
MOST_LINES = 200


@dataclass(frozen=True)
class Bundle:
    """A recipe and all that it rests on: `files` by their place in the station's folder, `sha` of their content.

    `recipe_sha`: by which records name the recipe.
    """

    recipe: str
    recipe_sha: str
    files: Mapping[str, bytes]
    variants: tuple[str, ...]

    @cached_property
    def shas(self) -> dict[str, str]:
        """The hash of each file's content."""
        return {name: content_sha(name, data) for name, data in self.files.items()}

    @cached_property
    def sha(self) -> str:
        """The hash of all content, by which the copy goes."""
        return sha256({"recipe": self.recipe, "files": self.shas})


@dataclass(frozen=True)
class Pointers:
    """What is accepted: the copy's hash by variant, or by recipe where the station has no variants."""

    by_variant: Mapping[str, str] = field(default_factory=dict)
    by_recipe: Mapping[str, str] = field(default_factory=dict)

    @property
    def shas(self) -> tuple[str, ...]:
        """All copies that are run, each once."""
        return tuple(dict.fromkeys((*self.by_variant.values(), *self.by_recipe.values())))

    def of(self, variant: str | None) -> str | None:
        """Return the copy that a shot of a variant is judged by; None where nothing, or no one copy, is accepted."""
        if variant is not None and variant in self.by_variant:
            return self.by_variant[variant]
        return self.shas[0] if len(self.shas) == 1 and (variant is None or not self.by_variant) else None


@dataclass(frozen=True)
class Acceptance:
    """What accepting did: the ledger's entry of it, the copies that are new, and what is run from now on."""

    entry: Entry
    new: tuple[str, ...]
    pointers: Pointers


def draft_of(station: Station, recipe_path: Path) -> Bundle:
    """Return a draft with all that it rests on; raises a `TiepointError` where it cannot be run as it is."""
    prepared = prepare(recipe_path, variants_path=station.variants_path)
    recipe = next(iter(prepared.jobs.values())).recipe
    files: dict[str, bytes] = {}
    for path in _rests_on(recipe_path, recipe, station):
        files[station.relative(path)] = read_bytes(path, MOST_BYTES)
    names = tuple(v.name for v in prepared.variants.values() if v.is_for(recipe_path))
    return Bundle(station.relative(recipe_path), recipe.sha, dict(sorted(files.items())), names)


def _rests_on(recipe_path: Path, recipe: Recipe, station: Station) -> Iterator[Path]:
    """Yield the recipe's file and those that it names, and those that these name."""
    yield recipe_path
    if station.variants_path is not None:
        yield station.variants_path
    for name in _named(recipe):
        yield recipe_path.parent / name
        yield from _named_by(recipe_path.parent / name)


def _named(recipe: Recipe) -> Iterator[str]:
    head = recipe.head
    yield from filter(None, (head.tie if recipe.needs_tie else None, head.lights))
    for step in recipe.steps:
        yield from filter(None, (getattr(step.table, key, None) for key in ("mask", "shape", "good")))
    for grip in recipe.grips:
        yield from filter(None, (grip.robot, grip.belt))


def _named_by(path: Path) -> Iterator[Path]:
    """Yield the pictures that a document keeps beside it."""
    if path.suffix == ".toml":
        lights = read_document(path, "lights")
        for key in ("flat", "ball", "step"):
            yield from (path.parent / name for name in lights.get(key, {}).get("pictures", ()))
    elif path.suffix == ".json" and kind_of(path) == "good":
        yield path.parent / read_document(path, "good")["levels"]["file"]


def content_sha(name: str, data: bytes) -> str:
    """Return the hash of a file's content: of what a document says, of any other file's bytes."""
    if name.endswith((".json", ".toml")):
        return _said_sha(name[-5:], data)
    return hashlib.sha256(data).hexdigest()


@lru_cache(maxsize=16)
def _said_sha(suffix: str, data: bytes) -> str:
    """Return the hash of what a document says. A copy is looked at several times by who verifies and reports it."""
    with suppress(ValueError, UnusableDocument):
        return sha256(parsed_json(data.decode()) if suffix == ".json" else tomlkit.parse(data.decode()).unwrap())
    return hashlib.sha256(data).hexdigest()


# --- what is accepted ------------------------------------------------------------------------------------------------


def pointers_of(station: Station) -> Pointers:
    """Return what is accepted; nothing where nothing was yet."""
    path = station.folder / POINTER
    if not path.exists():
        return Pointers()
    content = read_document(path, "accepted")
    by_variant, by_recipe = content.get("variant", {}), content.get("recipe", {})
    for name, sha in (*by_variant.items(), *by_recipe.items()):
        if not (isinstance(sha, str) and len(sha) == 64):
            raise UnusableDocument(f"{path}: {name} is {sha!r}; accept the recipe again")
    return Pointers(by_variant, by_recipe)


def run_after(acts: Iterable[Entry]) -> Iterator[Mapping[str, str]]:
    """Yield what the ledger has to be run after each of its acts: the copy by variant, or by recipe without variants.

    What was accepted for variants is not run any more once a recipe is accepted without.
    """
    by_recipe: dict[str, str] = {}
    now: Mapping[str, str] = {}
    for act in (entry.body for entry in acts):
        if act.get("act") == "accept":
            by_recipe = {} if act["variants"] else {**by_recipe, **act["recipes"]}
            now = act["variants"] or by_recipe
        yield now


def folder_of(station: Station, sha: str) -> Path:
    """Return the folder of an accepted copy."""
    return station.folder / ACCEPTED / sha


def accepted_bundle(station: Station, sha: str) -> Bundle:
    """Return an accepted copy, whose content is what its name says; `UnusableDocument` where it is not."""
    folder = folder_of(station, sha)
    if not folder.is_dir():
        raise UnusableDocument(f"the accepted copy {folder} is not there; restore it from a backup, or accept again")
    manifest = read_document(folder / MANIFEST, "accepted")
    _demand_whole(manifest, folder)
    files = {}
    for name in manifest["files"]:
        path = folder.joinpath(*PurePosixPath(name).parts)
        if not path.is_file():
            raise UnusableDocument(f"{path} is missing from the accepted copy; restore it, or accept again")
        files[name] = read_bytes(path, MOST_BYTES)
    bundle = Bundle(manifest["recipe"], manifest["recipe_sha"], files, tuple(manifest["variants"]))
    changed = [name for name, said in manifest["files"].items() if bundle.shas[name] != said]
    if changed or bundle.sha != sha:
        what = folder / changed[0] if changed else folder / MANIFEST
        raise UnusableDocument(f"{what} was altered after it was accepted; restore it from a backup, or accept again")
    return bundle


def _demand_whole(manifest: Mapping[str, Any], folder: Path) -> None:
    names, variants = manifest.get("files"), manifest.get("variants")
    texts = [manifest.get("recipe"), manifest.get("recipe_sha"), *(variants if isinstance(variants, list) else [None])]
    if not isinstance(names, dict) or not all(isinstance(t, str) for t in (*texts, *names.values())):
        raise UnusableDocument(f"{folder / MANIFEST} is not what was written at acceptance; restore it from a backup")


def prepare_accepted(station: Station, variant: str | None = None) -> Prepared:
    """Return what is accepted for a variant, ready to run. Raises a `TiepointError` where nothing is, or not wholly."""
    pointers = pointers_of(station)
    sha = pointers.of(variant)
    if sha is not None:
        return preparation_of(station, sha, variant).prepared()
    if not pointers.shas:
        raise UnusableInput(f"nothing is accepted at {station.folder}; accept its drafts with tiepoint accept")
    if variant is None:
        raise UnusableInput(f"several recipes are accepted at {station.folder}; name the variant")
    there = said_names(sorted(pointers.by_variant))
    raise UnusableInput(f"nothing is accepted for the variant {shown(variant)}; there are {there}")


def preparation_of(station: Station, sha: str, variant: str | None = None) -> Preparation:
    """Return what an accepted copy is prepared from; `UnusableDocument` where it is not what was accepted."""
    folder, bundle = folder_of(station, sha), accepted_bundle(station, sha)
    recipe = folder.joinpath(*PurePosixPath(bundle.recipe).parts)
    return Preparation(recipe, variants=folder / VARIANTS if VARIANTS in bundle.files else None, variant=variant)


def copy_of_recipe(station: Station, recipe_sha: str) -> str | None:
    """Return the hash of the accepted copy that holds the recipe which records name so; None where there is none."""
    for path in sorted((station.folder / ACCEPTED).glob(f"*/{MANIFEST}")):
        with suppress(UnusableInput):
            if read_document(path, "accepted").get("recipe_sha") == recipe_sha:
                return path.parent.name
    return None


# --- accepting -------------------------------------------------------------------------------------------------------


def accept(
    station: Station,
    drafts: Sequence[Bundle],
    *,
    who: str,
    why: str,
    variants: Iterable[str] = (),
    at: str | None = None,
) -> Acceptance | None:
    """Accept drafts: copy them, write the act into the ledger, and point to the copies. None where nothing differs.

    `variants`: only these are to run the copies from now on; all that the recipes measure by default.
    """
    # Here, since what judges by accepted copies needs neither ledger nor inbox: they are a fifth of its start.
    from tiepoint.station.acts import write_act
    from tiepoint.station.naming import act_of

    before = pointers_of(station)
    after = _pointed(before, drafts, tuple(variants), station)
    if after == before:
        return None
    new = tuple(b.sha for b in drafts if b.sha not in before.shas)
    for bundle in drafts:
        _copy(station, bundle)
    recipes, by_variant = {b.recipe: b.sha for b in drafts}, dict(after.by_variant)
    body = act_of(station, "accept", who=who, why=why, recipes=recipes, variants=by_variant)
    entry = write_act(station, body, at=at)
    write_atomic(station.folder / POINTER, _pointer_text(after, entry).encode())
    return Acceptance(entry, new, after)


def _pointed(before: Pointers, bundles: Sequence[Bundle], only: tuple[str, ...], station: Station) -> Pointers:
    known = [name for b in bundles for name in b.variants]
    for name in only:
        if name not in known:
            raise UnusableInput(f'no recipe that is to be accepted measures the variant "{name}"')
    if station.variants_path is None:
        return Pointers(by_recipe={**before.by_recipe, **{b.recipe: b.sha for b in bundles}})
    there = load_variants(station.variants_path)
    kept = {name: sha for name, sha in before.by_variant.items() if name in there}
    for bundle in bundles:
        if not bundle.variants:
            raise UnusableInput(
                f"no line of {VARIANTS} is measured by {bundle.recipe}; add one, or leave the recipe out"
            )
    new = {name: b.sha for b in bundles for name in b.variants if not only or name in only}
    return Pointers(by_variant={**kept, **new})


def _copy(station: Station, bundle: Bundle) -> None:
    """Write the copy whole or not at all; one that is there already stays as it is."""
    folder = folder_of(station, bundle.sha)
    if folder.is_dir():
        accepted_bundle(station, bundle.sha)
        return
    manifest = {
        "format": format_of("accepted"),
        "recipe": bundle.recipe,
        "recipe_sha": bundle.recipe_sha,
        "variants": list(bundle.variants),
        "files": bundle.shas,
    }
    staged = folder.with_name(f".{bundle.sha[:16]}.part")
    try:
        shutil.rmtree(staged, ignore_errors=True)
        files = {staged.joinpath(*PurePosixPath(name).parts): data for name, data in bundle.files.items()}
        files[staged / MANIFEST] = (json.dumps(manifest, indent=1, ensure_ascii=False) + "\n").encode()
        write_together(files)
        staged.replace(folder)
    except OSError as error:
        raise UnusableInput(f"cannot write {folder}: {reason_of(error)}; nothing was accepted") from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _pointer_text(pointers: Pointers, entry: Entry) -> str:
    document = tomlkit.document()
    document.add(tomlkit.comment("Written by tiepoint accept. What is run is the copy in accepted/ of this name."))
    document["format"] = format_of("accepted")
    document["entry"] = entry.seq
    document["accepted_utc"] = entry.written_utc
    for key, table in (("variant", pointers.by_variant), ("recipe", pointers.by_recipe)):
        if table:
            document[key] = dict(sorted(table.items()))
    return tomlkit.dumps(document)


# --- what would change -----------------------------------------------------------------------------------------------


def differences(old: Bundle | None, new: Bundle) -> tuple[str, ...]:
    """Return what a draft changes of what is accepted, line by line as a person reads it."""
    of = f" ({', '.join(new.variants)})" if new.variants else ""
    if old is None:
        rest = ", ".join(name for name in new.files if name != new.recipe)
        return (f"{new.recipe}{of}: new, with {rest}" if rest else f"{new.recipe}{of}: new",)
    before, lines = old.files, []
    for name in sorted({*before, *new.files}):
        was, is_ = before.get(name), new.files.get(name)
        if was is None:
            lines.append(f"new: {name}")
        elif is_ is None:
            lines.append(f"no longer used: {name}")
        elif content_sha(name, was) != content_sha(name, is_):
            lines.append(f"changed: {name}")
            lines += _text_changes(name, was, is_)
    if old.variants != new.variants:
        lines.append(f"for other variants: {', '.join(new.variants) or 'none'}")
    return (f"{new.recipe}{of}:", *(f"  {line}" for line in lines)) if lines else ()


def _text_changes(name: str, was: bytes, is_: bytes) -> Iterator[str]:
    if PurePosixPath(name).suffix not in (".toml", ".csv", ".json"):
        return
    changes = difflib.unified_diff(_lines(name, was), _lines(name, is_), n=0, lineterm="")
    told = [line for line in changes if line[:2] not in ("--", "++", "@@")]
    yield from (f"  {line[0]} {line[1:]}" for line in told[:MOST_LINES])
    if len(told) > MOST_LINES:
        yield f"  and {len(told) - MOST_LINES} lines more"


def _lines(name: str, data: bytes) -> list[str]:
    text = data.decode(errors="replace")
    if name.endswith(".json"):
        with suppress(ValueError, UnusableDocument):
            return json.dumps(parsed_json(text), indent=1, sort_keys=True, ensure_ascii=False).splitlines()
    return text.splitlines()


def as_plain(pointers: Pointers) -> dict[str, Any]:
    """Return what is accepted as plain data."""
    return {"variants": dict(pointers.by_variant), "recipes": dict(pointers.by_recipe)}
