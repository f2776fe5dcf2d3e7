"""Hold as accepted: how the station looks now, from some dozen shots, in a document beside what is accepted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import read_document, write_document
from tiepoint.documents.revived import outcome_of, revived
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.foundation.once import cached_property
from tiepoint.model.record import Record
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.accepted import ACCEPTED, pointers_of, preparation_of
from tiepoint.station.folder import Station
from tiepoint.station.watch import dirt
from tiepoint.station.watch.chart import FEWEST, Centre, centre_of
from tiepoint.station.watch.looking import Looked, looked_at, motion_numbers, record_numbers
from tiepoint.station.watch.motion import reach_of
from tiepoint.station.watch.table import WatchTable
from tiepoint.ties.tie import Tie

FILE = "watch.json"
FEW = 10
"""Shots that are enough to tell what would move with the camera."""
COVERAGE = 2.0
"""Of the expanded uncertainty of a tie's scale and place, 95 % of a normal law."""


@dataclass(frozen=True, slots=True)
class Held:
    """What a tie says of the fixed edges: `mm_per_px`, and its U (95 %) of their place in px and of scale."""

    mm_per_px: float
    position_px: float
    scale: float


@dataclass(frozen=True)
class Reference:
    """The accepted state: centres by the names of their numbers, where edges were, the grounds of pictures.

    `tied`: what the accepted tie says at the edges; None without a tie or without edges.
    """

    shots: int
    centres: Mapping[str, Centre]
    edges: Mapping[str, float] = field(default_factory=dict)
    grounds: Mapping[str, dirt.Ground] = field(default_factory=dict)
    tied: Held | None = None

    @property
    def blurs(self) -> dict[str, float]:
        """The optical blur of each picture in px, by its fixed edges: the pixel's own share of 1/12 px² taken off."""
        found: dict[str, list[float]] = {}
        for name, centre in self.centres.items():
            if name.startswith("blur|"):
                found.setdefault(name.split("|")[2], []).append(centre.value)
        return {role: max(float(np.median(some)) ** 2 - 1 / 12, 0.01) ** 0.5 for role, some in found.items()}

    @cached_property
    def sha(self) -> str:
        """By which it is told from another: charts that began against one are not carried on against the next."""
        return sha256(outcome_of(self))


def hold(station: Station, shots: Sequence[LoadedShot], records: Sequence[Record] = ()) -> Reference:
    """Return how the station looks in some shots; `records` of them, or of golden parts, where they were judged.

    Take the shots as parts come, over as long a time as the station is to be quiet without a cause: what wanders within
    them is no alarm later. Raises `UnusableInput` for fewer than five, or where a fixed edge is not seen in all.
    """
    table = station.table.watch
    if len(shots) < FEWEST:
        raise UnusableInput(f"{len(shots)} shots cannot be held as accepted; give at least {FEWEST}, 50 are usual")
    looks = [looked_at(shot, table) for shot in shots]
    for look in looks:
        if look.lost:
            raise UnusableInput(
                f"the fixed edge {look.lost[0].replace('|', ' in picture ')} is not seen in every shot; set its strip "
                "anew, where nothing covers it"
            )
    edges = _edges(looks)
    centres = _centres(looks, edges, table) | _of_records(records, table)
    return Reference(len(shots), centres, edges, _grounds(shots, looks), _tied(station, table))


def not_held(reference: Reference, table: WatchTable) -> tuple[str, ...]:
    """Return what stands in `[watch]` and is not among what was held, a clause each, with what to do."""
    names = [name.split("|") for name in (*reference.centres, *reference.edges)]
    held = {kind: {what for first, what, _ in names if first == kind} for kind, _, _ in names}
    said = []
    for key, first, all_ in (("patch", "grey", table.patch), ("edge", "along", table.edge)):
        for one in all_:
            if one.name not in held.get(first, ()):
                said.append(f"watch.{key} {one.name}: no shot has the picture {one.picture}")
    for patch in table.patch:
        if patch.sharp and patch.name in held.get("grey", ()) and patch.name not in held.get("sharpness", ()):
            said.append(f"the sharpness of watch.patch {patch.name}: it is even; choose a place with a pattern")
    if table.golden is not None and "golden" not in held:
        said.append(
            f"golden parts: none like {table.golden.like} was judged {FEWEST} times among these shots; show it so "
            "often while the station is on duty, and hold the last shots"
        )
    return tuple(said)


def _edges(looks: Sequence[Looked]) -> dict[str, float]:
    names = [name for name in looks[0].numbers if name.startswith("along|")]
    return {name: float(np.mean([look.numbers[name] for look in looks])) for name in names}


def _centres(looks: Sequence[Looked], edges: Mapping[str, float], table: WatchTable) -> dict[str, Centre]:
    points: dict[str, list[float]] = {}
    for look in looks:
        for name, value in ({**look.numbers} | motion_numbers(look.numbers, edges, table)).items():
            if not name.startswith("along|"):
                points.setdefault(name, []).append(value)
    return {name: centre_of(np.array(values)) for name, values in points.items() if len(values) >= FEWEST}


def _of_records(records: Sequence[Record], table: WatchTable) -> dict[str, Centre]:
    points: dict[str, list[float]] = {}
    for record in records:
        for name, value in record_numbers(record, is_golden=is_golden(record, table)).items():
            points.setdefault(name, []).append(value)
    return {name: centre_of(np.array(values)) for name, values in points.items() if len(values) >= FEWEST}


def is_golden(record: Record, table: WatchTable) -> bool:
    """Whether a record is of a golden part."""
    part = record.shot.part_id
    return table.golden is not None and part is not None and len(part) <= 200 and fnmatchcase(part, table.golden.like)


def _grounds(shots: Sequence[LoadedShot], looks: Sequence[Looked]) -> dict[str, dirt.Ground]:
    grounds = {}
    for role in looks[0].reduced:
        ring = [look.reduced[role] for look in looks if role in look.reduced]
        if len({one.shape for one in ring}) > 1:
            raise UnusableInput(f"the pictures {role} are not all of one size; give shots of one setting of the camera")
        block = dirt.block_for(*shots[0].pictures[role].size)
        slopes = [dirt.slope_of(shot.pictures[role].grey, block) for shot in shots[:: max(1, len(shots) // FEW)]]
        grounds[role] = dirt.ground_of(np.stack(ring), block, np.median(slopes, axis=0))
    return grounds


def _tied(station: Station, table: WatchTable) -> Held | None:
    if not table.edge:
        return None
    for sha in pointers_of(station).shas:
        tie = preparation_of(station, sha).prepared().tie
        if tie is not None and tie.from_frame == "image":
            return held_of(tie, np.array([edge.at for edge in table.edge], float))
    return None


def held_of(tie: Tie, places: "dirt.Array") -> Held:
    """Return what a tie says at places (k, 2) px: how much a px is, and how well their place and scale are known."""
    middle, reach = places.mean(axis=0), reach_of(places)
    ends = middle + np.array([[0.0, 0.0], [-reach, 0.0], [reach, 0.0], [0.0, -reach], [0.0, reach]])
    mapped = tie.map(ends)
    u = np.array([source.u for source in mapped.sources])
    mm_per_px = float(np.sqrt(abs(np.linalg.det(mapped.d_px[0]))))
    place = float(np.sqrt(np.sum((mapped.d_sources[0] * u) ** 2, axis=1)).max()) if u.size else 0.0
    scales = []
    for a, b in ((1, 2), (3, 4)):
        way = mapped.xy_mm[b] - mapped.xy_mm[a]
        length = float(np.hypot(*way))
        by_source = (way / length) @ (mapped.d_sources[b] - mapped.d_sources[a]) * u
        scales.append(float(np.sqrt(np.sum(by_source**2))) / length)
    return Held(mm_per_px, COVERAGE * place / mm_per_px, COVERAGE * max(scales))


# --- the document ----------------------------------------------------------------------------------------------------


def keep_reference(station: Station, reference: Reference) -> None:
    """Write the accepted state beside what is accepted."""
    write_document(reference_path(station), "watch", outcome_of(reference))


def reference_path(station: Station) -> Path:
    """Return where the accepted state of a station lies."""
    return station.folder / ACCEPTED / FILE


def kept_reference(station: Station) -> Reference | None:
    """Return the accepted state of a station; None where none was held. Raises `UnusableDocument` for a broken one."""
    path = reference_path(station)
    if not path.is_file():
        return None
    content = read_document(path, "watch")
    try:
        return revived(Reference, content)
    except UnusableDocument as error:
        raise UnusableDocument(
            f"{path} does not hold the accepted state of the watch: {error}; hold it anew with tiepoint hold"
        ) from error
