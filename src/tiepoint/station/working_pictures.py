"""Pictures that a person works with: `pictures/<use>/photo.png`, or a shot of several in `pictures/<use>/<shot>/`.

They are drafts: added and taken away by `drafting`, so that either can be undone. A picture's id is of its place and
what it holds: another picture never has it.
"""

import hashlib
import re
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from tiepoint.documents.files import read_document, reason_of
from tiepoint.documents.names import each_its_own, folded
from tiepoint.documents.pictures import Header, load_shown, picture_header
from tiepoint.foundation.errors import TiepointError, UnusableInput, UnusablePicture
from tiepoint.recipe.shots import read_shot
from tiepoint.station.archive_names import SIDECAR, fitting
from tiepoint.station.draft_names import place_of
from tiepoint.station.drafting import Change, Step, edit
from tiepoint.station.folder import Station

PICTURES = "pictures"
MOST_AT_ONCE, MOST_OF_A_USE = 64, 2000
LONGEST_STEM = 60
_USE = re.compile(r"[a-z][a-z0-9-]{0,29}")
_ENDINGS = {"PNG": ".png", "JPEG": ".jpg", "MPO": ".jpg", "TIFF": ".tif", "BMP": ".bmp", "PPM": ".pgm"}
"""By the format that a file's own head tells; what it is called says nothing."""
_LOOKED_AT = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".pgm", ".ppm")


@dataclass(frozen=True, slots=True)
class WorkingPicture:
    """A picture: its place in the station's folder, `path`, its size in px, and the SHA-256 of its file.

    `shot`: the name of the shot that it belongs to; None where it is one alone. `fault`: why it cannot be used, ""
    where it can; its size is 0 by 0 then.
    """

    id: str
    use: str
    name: str
    path: str
    shot: str | None
    sha: str
    width: int = 0
    height: int = 0
    bits: int = 0
    channels: int = 0
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Come:
    """A file that came: as it was called where it came from, and where it lies now (below `drafting.coming`)."""

    name: str
    file: Path


def pictures_of(station: Station, use: str | None = None) -> tuple[WorkingPicture, ...]:
    """Return the pictures of a use, or all, in the order of their names; those of a shot stand together."""
    root = station.folder / PICTURES
    if use is not None:
        demand_use(use)
    uses = sorted(root.iterdir()) if root.is_dir() and not root.is_symlink() else []
    wanted = [one for one in uses if _USE.fullmatch(one.name) and use in (None, one.name) and _is_folder(one)]
    return tuple(picture for folder in wanted for picture in _in(station, folder))


def picture_of(station: Station, id_: str) -> WorkingPicture | None:
    """Return the picture of an id; None where there is none."""
    path = _paths.get(id_)
    file = None if path is None else station.folder / path
    if file is not None and path is not None and _is_file(file):
        parts = path.split("/")
        picture = _told(station, parts[1], file, parts[2] if len(parts) == 4 else None)
        if picture.id == id_:
            return picture
    return next((picture for picture in pictures_of(station) if picture.id == id_), None)


def add_pictures(
    station: Station, use: str, come: Sequence[Come], *, who: str, shot: str | None = None
) -> tuple[Step, tuple[WorkingPicture, ...]]:
    """Take pictures in; return the step that undoes it, and the pictures, in the order in which they came.

    `shot`: they are the pictures of one shot, of this name. A `shot.json` among them makes them one too, and has to
    describe them. A picture that is there already, alone and of that use, is not taken in twice.
    Raises `UnusableInput` where one of them is no picture: then none is taken in.
    """
    demand_use(use)
    sidecar = next((one for one in come if one.name == SIDECAR), None)
    photos = [one for one in come if one is not sidecar]
    if not 1 <= len(photos) <= MOST_AT_ONCE:
        raise UnusableInput(f"{len(photos)} pictures came; give 1 to {MOST_AT_ONCE} at once")
    there = pictures_of(station, use)
    if len(there) + len(photos) > MOST_OF_A_USE:
        raise UnusableInput(f"{use} has {len(there)} pictures, of at most {MOST_OF_A_USE}; take some away first")
    endings = [_looked_at(one) for one in photos]
    if sidecar is not None or shot is not None:
        changes = _of_shot(station, use, shot, photos, endings, sidecar)
        paths = [change.path for change in changes if not change.path.endswith(SIDECAR)]
    else:
        paths, changes = _alone(use, photos, endings, there)
    says = f"Add {len(paths)} {'picture' if len(paths) == 1 else 'pictures'} ({use})"
    step = edit(station, says, changes, who=who) if changes else Step(0, says, who, "", ())
    now = {picture.path: picture for picture in pictures_of(station, use)}
    return step, tuple(now[path] for path in paths if path in now)


def remove_pictures(station: Station, ids: Sequence[str], *, who: str) -> Step:
    """Take pictures away; of a shot that `shot.json` describes, all of it.

    Undone, they are there again as they were. Raises `UnusableInput` where one is not there.
    """
    known = {picture.id: picture for picture in pictures_of(station)}
    paths: dict[str, str] = {}
    for id_ in ids:
        if id_ not in known:
            raise UnusableInput("there is no picture of that id any more; look at those that there are")
        folder = (station.folder / known[id_].path).parent
        whole = known[id_].shot is not None and (folder / SIDECAR).is_file()
        files = sorted(folder.iterdir()) if whole else [station.folder / known[id_].path]
        paths |= {file.relative_to(station.folder).as_posix(): file.name for file in files}
    says = f"Take away {next(iter(paths.values()))}" if len(paths) == 1 else f"Take away {len(paths)} files"
    return edit(station, says, [Change(path, None) for path in paths], who=who)


def demand_use(use: str) -> str:
    """Return a use as it is; `UnusableInput` where none can be called so."""
    if not _USE.fullmatch(use):
        raise UnusableInput(f"{use[:40]!r} is no use of pictures; name one in small letters, as tie or shots")
    return use


# --- looking ---------------------------------------------------------------------------------------------------------


def _in(station: Station, folder: Path) -> Iterator[WorkingPicture]:
    for one in sorted(folder.iterdir(), key=lambda path: path.name):
        if _is_folder(one):
            yield from (_told(station, folder.name, file, one.name) for file in sorted(one.iterdir()) if _is_file(file))
        elif _is_file(one):
            yield _told(station, folder.name, one, None)


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink() and not path.name.startswith(".")


def _is_file(path: Path) -> bool:
    is_named = path.suffix.lower() in _LOOKED_AT and not path.name.startswith(".")
    return is_named and path.is_file() and not path.is_symlink()


def _told(station: Station, use: str, file: Path, shot: str | None) -> WorkingPicture:
    path = file.relative_to(station.folder).as_posix()
    sha, said = _known.of(file)
    id_ = hashlib.sha256(f"{path}\0{sha}".encode("utf-8", "surrogateescape")).hexdigest()[:16]
    _paths[id_] = path
    if isinstance(said, str):
        return WorkingPicture(id_, use, file.name, path, shot, sha, fault=said)
    return WorkingPicture(id_, use, file.name, path, shot, sha, said.width, said.height, said.bits, said.channels)


class _Known:
    """What was found of files, until they change: their hash, and their head or why it cannot be read."""

    MOST = 10_000

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, int, int, int], tuple[str, Header | str]] = OrderedDict()
        self._lock = Lock()

    def of(self, file: Path) -> tuple[str, Header | str]:
        """Return the SHA-256 of a file, and what its head says, or a sentence."""
        try:
            stat = file.stat()
            key = str(file), stat.st_ino, stat.st_mtime_ns, stat.st_size
            with self._lock:
                if key in self._kept:
                    return self._kept[key]
            with file.open("rb") as data:
                sha = hashlib.file_digest(data, "sha256").hexdigest()
        except OSError as error:
            return "", f"cannot be read: {reason_of(error)}"
        head: Header | str
        try:
            head = picture_header(file)
        except TiepointError as error:
            head = _without(file, error)
        with self._lock:
            self._kept[key] = sha, head
            while len(self._kept) > self.MOST:
                self._kept.popitem(last=False)
        return sha, head


_known = _Known()
_paths: dict[str, str] = {}
"""Where the picture of an id lay when it was last looked at: found again without looking at all."""

# --- taking in -------------------------------------------------------------------------------------------------------


def _looked_at(one: Come) -> str:
    """Return the ending that a picture's file has to have; `UnusablePicture`, by its own name, where it is none."""
    try:
        head = picture_header(one.file)
        ending = _ENDINGS.get(head.format)
        if ending is None:
            raise UnusablePicture(f"{one.file} is {head.format}; save it as PNG, TIFF, JPEG or BMP")
        load_shown(one.file)  # wholly, since what is cut off shows only at its end
    except UnusablePicture as error:
        raise UnusablePicture(_without(one.file, error, one.name)) from error
    return ".ppm" if ending == ".pgm" and head.channels == 3 else ending


def _alone(
    use: str, photos: Sequence[Come], endings: Sequence[str], there: Sequence[WorkingPicture]
) -> tuple[list[str], list[Change]]:
    """Return the places of pictures that came, and what changes: nothing for those that are there already."""
    by_sha = {picture.sha: picture.path for picture in there if picture.shot is None}
    taken = [picture.path.split("/")[2] for picture in there]
    paths, changes = [], []
    for one, ending in zip(photos, endings, strict=True):
        with one.file.open("rb") as data:
            sha = hashlib.file_digest(data, "sha256").hexdigest()
        if sha not in by_sha:
            name = _free(_stem(one.name), ending, taken)
            taken.append(name)
            by_sha[sha] = f"{PICTURES}/{use}/{name}"
            changes.append(Change(by_sha[sha], one.file))
        paths.append(by_sha[sha])
    return list(dict.fromkeys(paths)), changes


def _of_shot(
    station: Station, use: str, shot: str | None, photos: Sequence[Come], endings: Sequence[str], sidecar: Come | None
) -> list[Change]:
    """Return the changes that make pictures one shot, in a folder that is not there yet."""
    said = None if sidecar is None else read_shot(read_document(_as_json(sidecar), "shot"))
    name = _stem(shot or (said.id if said is not None else "shot"))
    folder = station.folder / PICTURES / use
    name = _free(name, "", [path.name for path in folder.iterdir()] if folder.is_dir() else [])
    if said is None:
        names = each_its_own(f"{_stem(one.name)}{ending}" for one, ending in zip(photos, endings, strict=True))
    else:
        names = [one.name for one in photos]
        described = {str(picture.file) for picture in said.pictures}
        if odd := [name for name in names if not name.lower().endswith(_LOOKED_AT)]:
            raise UnusableInput(f"shot.json describes {odd[0][:80]!r}, which is no picture by its name; end it as .png")
        if set(names) != described or len(names) != len(described):
            raise UnusableInput(
                f"shot.json describes {', '.join(sorted(described))[:200]}, and {', '.join(sorted(names))[:200]} came; "
                "give these together"
            )
    changes = [Change(f"{PICTURES}/{use}/{name}/{own}", one.file) for own, one in zip(names, photos, strict=True)]
    if sidecar is not None:
        changes.append(Change(f"{PICTURES}/{use}/{name}/{SIDECAR}", sidecar.file))
    for change in changes:
        place_of(station.folder, change.path)
    return changes


def _as_json(sidecar: Come) -> Path:
    """Return the description of a shot by a name that says how it is read."""
    named = sidecar.file.with_suffix(".json")
    if named != sidecar.file:
        raise UnusableInput(f"{sidecar.name} came without its name")
    return named


def _stem(name: str) -> str:
    """Return a name for a file, whatever somebody called it, without an ending."""
    bare = re.split(r"[/\\]", name)[-1]
    stem, dot, ending = bare.rpartition(".")
    told = fitting(stem if dot and ending.lower() in {e[1:] for e in _LOOKED_AT} else bare)[:LONGEST_STEM]
    told = re.sub(r"\A[. ]+|[. ]+\Z", "", told)
    return fitting(told) if told else "picture"


def _free(stem: str, ending: str, taken: Sequence[str]) -> str:
    """Return a name that none has yet, on any system."""
    there = {folded(name) for name in taken}
    names = (f"{stem}{'' if k == 1 else f'-{k}'}{ending}" for k in range(1, MOST_OF_A_USE + 2))
    return next(name for name in names if folded(name) not in there)


def _without(file: Path, error: TiepointError, name: str = "") -> str:
    """Return a sentence in which a picture goes by its name."""
    return str(error).replace(str(file), name[:80] or file.name)
