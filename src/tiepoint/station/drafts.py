"""Drafts of a station's recipes: which are meant by who accepts or tries some, and what stands accepted of each."""

from collections.abc import Sequence
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.variants import load_variants
from tiepoint.station.accepted import Bundle, accepted_bundle, pointers_of
from tiepoint.station.folder import Station


def drafts_named(station: Station, named: Sequence[str | Path]) -> list[Path]:
    """Return drafts, each once: by their names, seen from the station's folder, or by their files.

    What is named is only looked up among those that are there: nothing leads out of the station. Raises `UnusableInput`
    where one is none of them.
    """
    there: dict[str | Path, Path] = {station.relative(path): path for path in station.recipes()}
    there |= {path.resolve(): path for path in there.values()}
    found = []
    for one in named:
        path = there.get(one.resolve() if isinstance(one, Path) else one)
        if path is None:
            raise UnusableInput(f"{str(one)[:200]} is no recipe of {station.folder}; name one in its folder recipes")
        found.append(path)
    return list(dict.fromkeys(found))


def drafts_that_measure(station: Station) -> tuple[list[Path], list[Path]]:
    """Return the drafts that are meant where none is named, and those that measure no variant of a station with some.

    Raises `UnusableInput` where none is left.
    """
    paths = list(station.recipes())
    if not paths:
        raise UnusableInput(f"{station.folder / 'recipes'} holds no recipe to accept; write one there")
    if station.variants_path is None:
        return paths, []
    variants = load_variants(station.variants_path).values()
    measuring = [path for path in paths if any(v.is_for(path) for v in variants)]
    if not measuring:
        raise UnusableInput(f"no line of {station.variants_path} is measured by a recipe of the station; add one")
    return measuring, [path for path in paths if path not in measuring]


def copies_by_recipe(station: Station) -> dict[str, Bundle]:
    """Return the accepted copies that are run, by the recipe of each: what a draft is held against."""
    return {b.recipe: b for b in (accepted_bundle(station, sha) for sha in pointers_of(station).shas)}
