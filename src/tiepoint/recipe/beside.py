"""What stands in files beside a recipe: masks as pictures, taught shapes and good pictures as documents."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import read_document
from tiepoint.documents.pictures import load_picture
from tiepoint.foundation.errors import TiepointError, UnusableDocument
from tiepoint.recipe.good import Good, good_from
from tiepoint.recipe.masks import Mask
from tiepoint.recipe.strain import Strain, strain_from
from tiepoint.recipe.tables import shown
from tiepoint.vision.seek_model import Taught


@dataclass(frozen=True)
class TaughtShape:
    """A taught shape, and the ground that it was taught on: `plane` (mm) or `image` (px, y down).

    `strain`: what the tie's errors did to it there; None of a drawing, which has none.
    """

    taught: Taught
    ground: str
    strain: Strain | None = None

    @property
    def is_drawn(self) -> bool:
        """Whether a drawing taught it, whose edges lie where they are meant: a shot gives it a contrast."""
        return self.taught.contrast == 0.0


@dataclass(frozen=True)
class Beside:
    """What a step keeps in files: its `mask`, its taught `shape`, and what `good` pictures taught it; `shas` of their
    content, by file name.
    """

    mask: Mask | None = None
    shape: TaughtShape | None = None
    shas: Mapping[str, str] = field(default_factory=dict)
    good: Good | None = None

    @property
    def taught_ground(self) -> str | None:
        """The ground that it was taught on; None where nothing was."""
        return self.shape.ground if self.shape else self.good.ground if self.good else None


NOTHING = Beside()


def read_beside(folder: Path | None, mask: str | None, shape: str | None, here: str, good: str | None = None) -> Beside:
    """Return what a step names; `UnusableDocument` starting with `here` where it cannot be used."""
    shas: dict[str, str] = {}
    painted = taught = known = None
    if mask is not None:
        painted, shas[mask] = _mask(_file(folder, mask, f"{here}mask"), f"{here}mask")
    if shape is not None:
        taught, shas[shape] = _shape(_file(folder, shape, f"{here}shape"), f"{here}shape")
    if good is not None:
        known, shas[good] = _good(_file(folder, good, f"{here}good"), f"{here}good")
    return Beside(painted, taught, shas, known)


def _file(folder: Path | None, name: str, here: str) -> Path:
    parts = PurePosixPath(name).parts
    if folder is None or not parts or "\\" in name or PurePosixPath(name).is_absolute() or ".." in parts:
        raise UnusableDocument(f"{here} is {shown(name)}; name a file in the recipe's folder or below it")
    path = folder.joinpath(*parts)
    if not path.exists():
        raise UnusableDocument(f"{here} is {shown(name)}, and {path} is not there")
    return path


def _mask(path: Path, here: str) -> tuple[Mask, str]:
    try:
        loaded = load_picture(path)
    except TiepointError as error:
        raise UnusableDocument(f"{here} cannot be used: {error}") from error
    painted = np.asarray(loaded.grey > 0)
    if painted.all():
        raise UnusableDocument(f"{here}: {path.name} hides the whole region; leave some of it black")
    return Mask(painted), loaded.described().pixels_sha256


def _shape(path: Path, here: str) -> tuple[TaughtShape, str]:
    try:
        document = read_document(path, "shape")
        return shape_from(document), sha256(document)
    except TiepointError as error:
        raise UnusableDocument(f"{here} cannot be used: {error}") from error


def _good(path: Path, here: str) -> tuple[Good, str]:
    try:
        document = read_document(path, "good")
        # The hash of the levels stands in the document, so that its own is one of them too.
        return good_from(document, path.parent), sha256(document)
    except TiepointError as error:
        raise UnusableDocument(f"{here} cannot be used: {error}") from error


def shape_document(shape: TaughtShape, taught_from: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of a `tiepoint/shape/1` document."""
    strain = {} if shape.strain is None else {"strain": shape.strain.to_plain()}
    return {"ground": shape.ground, "taught_from": dict(taught_from), **shape.taught.to_plain(), **strain}


def shape_from(content: Mapping[str, Any]) -> TaughtShape:
    """Return the shape of a document; raises `UnusableInput` where it does not hold together."""
    ground = content.get("ground")
    if ground not in ("plane", "image"):
        raise UnusableDocument(f'ground is {shown(ground)}; use "plane" or "image"')
    strain = strain_from(content["strain"]) if "strain" in content else None
    return TaughtShape(Taught.from_plain(dict(content)), str(ground), strain)
