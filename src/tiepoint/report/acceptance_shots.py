"""Pictures of a station for its report: judged shots with what was found in them, and the accepted ties over one."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.rounding import fixed
from tiepoint.model.record import Record
from tiepoint.recipe.overlay import jpeg
from tiepoint.recipe.station import Prepared, Ran, run_shot
from tiepoint.report import look
from tiepoint.report.tie_sheet import Margin, sheet_svg
from tiepoint.report.tie_view import samples, view_of
from tiepoint.station.accepted import copy_of_recipe, preparation_of
from tiepoint.station.folder import Station
from tiepoint.studies.trial import VERDICTS
from tiepoint.ties.sensor import OtherSensor, Sensor, place
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import uncertainty_map

CROP_PX, WHOLE_PX = 480, 900
"""Longer sides of a picture in the report: of a judged part, and of a whole shot."""
CHOICE = (
    "Shown are the newest shot of each variant and verdict, then the newest that did not conform; at most {most} of "
    "{of} kept shots."
)


@dataclass(frozen=True, slots=True)
class ShotShown:
    """A judged shot with what each step found: an SVG document, and its record."""

    svg: str
    record: Record


class Shots:
    """The kept shots of a station, run again by the copies that judged them, to be drawn."""

    def __init__(self, station: Station, kept: Mapping[int, Path]) -> None:
        """`kept`: the folder of each archived shot, by the entry of its record."""
        self.station, self.kept = station, kept
        self._prepared: dict[str, Prepared | None] = {}
        self._last: tuple[int, Ran | None] = (0, None)

    def ran(self, record: Record) -> Ran | None:
        """Return a record's shot run again; None where its pictures or its recipe are no longer there."""
        # What is accepted and its tie are drawn over the same shot, one after the other.
        if self._last[0] != record.seq:
            self._last = record.seq, self._ran(record)
        return self._last[1]

    def _ran(self, record: Record) -> Ran | None:
        prepared, folder = self._by(record.recipe_sha), self.kept.get(record.seq)
        if prepared is None or folder is None:
            return None
        try:
            found = run_shot(prepared, folder, clock=None)
        except TiepointError:
            return None
        return None if found.loaded is None else found

    def _by(self, recipe_sha: str) -> Prepared | None:
        if recipe_sha not in self._prepared:
            copy = copy_of_recipe(self.station, recipe_sha)
            try:
                found = None if copy is None else preparation_of(self.station, copy).prepared()
            except TiepointError:
                found = None
            self._prepared[recipe_sha] = found
        return self._prepared[recipe_sha]

    def shown(self, records: Sequence[Record]) -> Iterator[ShotShown]:
        """Yield the pictures of records, as far as they are there."""
        for record in records:
            if (ran := self.ran(record)) is not None:
                yield ShotShown(ran.overlay(most_px=CROP_PX), record)

    def whole(self, record: Record) -> ShotShown | None:
        """Return the whole picture of a shot with all that its recipe looks at."""
        ran = self.ran(record)
        return None if ran is None else ShotShown(ran.overlay(whole=True, most_px=WHOLE_PX), record)

    def tie_map(self, tie: Tie, file: str, record: Record) -> str | None:
        """Return a tie as a map over a shot of its station: lines of U, and errors at unseen points, as SVG."""
        ran = self.ran(record)
        if ran is None or ran.loaded is None or tie.from_frame != "image":
            return None
        role, picture = next(iter(ran.loaded.pictures.items()))
        pixels = picture.grey if tie.sensor is None else _on_whole(picture.grey, ran.loaded.sensors[role], tie.sensor)
        if pixels is None:
            return None
        size = (pixels.shape[1], pixels.shape[0])
        view = view_of(tie, size, uncertainty_map(tie, *samples(size)).U_um, None)
        photo = look.data_uri(jpeg(pixels, WHOLE_PX), "image/jpeg")
        block = (("Tie", f"by {tie.made}"), ("Model", tie.model), ("Height", f"{fixed(tie.height_mm, 2)} mm"))
        return sheet_svg(view, photo, f"The tie {file}", Margin(f"Over the shot of entry {record.seq}.", "", block))


def _on_whole(pixels: NDArray[Any], shot: Sensor, tie: Sensor) -> NDArray[Any] | None:
    """Return a picture as the tie's, on blank paper where only a window was read out; None where it fits no such."""
    try:
        placing = place(shot, tie)
    except OtherSensor:
        return None
    x, y = (round(shift) for shift in placing.shift_px)
    height, width = pixels.shape[:2]
    if placing.scale != (1.0, 1.0) or min(x, y) < 0 or x + width > tie.width_px or y + height > tie.height_px:
        return None
    whole = np.full((tie.height_px, tie.width_px), np.iinfo(pixels.dtype).max, pixels.dtype)
    whole[y : y + height, x : x + width] = pixels
    return whole


def chosen(records: Sequence[Record], kept: Mapping[int, Path], most: int) -> tuple[Record, ...]:
    """Return the records whose pictures are shown, by the rule of `CHOICE`, in their order."""
    there = [r for r in reversed(records) if r.seq in kept]
    newest: dict[tuple[str | None, str], Record] = {}
    for record in there:
        newest.setdefault((record.variant, record.verdict), record)
    first = sorted(newest.values(), key=lambda r: (VERDICTS.index(r.verdict), -r.seq))
    rest = [r for r in there if r.verdict != "conforms" and r not in first]
    return tuple(sorted((*first, *rest)[:most], key=lambda r: r.seq))
