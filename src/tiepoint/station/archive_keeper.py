"""Keeping what the camera delivered, off the verdict's path, by the station's rules: all of it, or what is of use.

keeper = Keeper(station, ledger)
body = keeper.keep(record, delivery)     # of the ledger's entry, which the one writer adds; None: this one is not kept
"""

from collections.abc import Iterator
from dataclasses import replace
from math import inf
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from tiepoint.documents.canonical import plain
from tiepoint.documents.pictures import Loaded, decode_picture, encode_png
from tiepoint.foundation.errors import TiepointError, UnusablePicture
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture
from tiepoint.recipe.shots import PICTURE_ENDINGS
from tiepoint.station.archive import KeptPicture, keep_pictures
from tiepoint.station.archive_names import pattern_of
from tiepoint.station.archive_table import Rules, rules_of
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.naming import act_of
from tiepoint.station.questions import counts

KEEP = "keep"


class Keeper:
    """Keeps the shots of a station. `keep` is called by one thread; it asks no ledger."""

    def __init__(self, station: Station, ledger: Ledger | None = None) -> None:
        """`ledger`: gets an act of the rules, and every n-th is counted on by it. Only asked for now, by the writer.

        Raises `UnusableInput` for a pattern or rules of no use.
        """
        self._station, self._table = station, station.table.archive
        self._rules = rules_of(self._table)
        pattern_of(self._table.names)
        self._count = 0
        if ledger is not None:
            _state(station, ledger, self._rules)
            self._count = sum(c.count for c in counts(ledger))

    def keep(self, record: Record, delivery: Delivery) -> dict[str, Any] | None:
        """Write the pictures of a judged shot; return the body of its entry, None where no rule keeps it.

        Raises `UnusableInput` where they cannot be written.
        """
        self._count += 1
        by = self._by(record)
        if by is None or not delivery.frames:
            return None
        about = {p.role: p for p in record.shot.pictures}
        encoded = any(frame.data is None for frame in delivery.frames)
        pictures = [self._picture(frame, about.get(frame.role), delivery.camera) for frame in delivery.frames]
        lossy = encoded and self._table.encode == "jpeg"
        try:
            return keep_pictures(self._station, record, pictures, utc_now(), by=by, lossy=lossy)
        except TiepointError:
            self._count -= 1  # it is tried again
            raise

    def _by(self, record: Record) -> str | None:
        """Return by which rule a record's shot is kept, one that keeps it for good before the ring; None by none."""
        return self._rules.by(record.verdict, self._count)

    def _picture(self, frame: Frame, about: Picture | None, camera: str) -> KeptPicture:
        if frame.data is not None:
            ending = PurePath(frame.name).suffix.lower()
            data, ending = frame.data, ending if ending in PICTURE_ENDINGS else ".bin"
        else:
            data, ending = encoded(frame, self._table.encode, self._table.quality)
        if about is None or (frame.data is None and self._table.encode == "jpeg"):
            about = _described(data, frame, camera)
        return KeptPicture(frame.role, data, ending, about)


def _state(station: Station, ledger: Ledger, rules: Rules) -> None:
    """Say in the ledger by which rules shots are kept from now on, unless it says so: others are then not missed."""
    body = act_of(station, KEEP, who="tiepoint", why="[archive] keep of station.toml", rules=plain(rules))
    if plain(rules_before(ledger)) != body["rules"]:
        ledger.append("act", body)


def rules_before(ledger: Ledger, seq: float = inf) -> Rules:
    """Return the rules by which shots were kept when an entry was written, as the ledger says; of now without one."""
    acts = [e.body["rules"] for e in ledger.entries("act") if e.body.get("act") == KEEP and e.seq < seq]
    return Rules(**acts[-1]) if acts else Rules(all=True)


def encoded(frame: Frame, encode: str, quality: int) -> tuple[bytes, str]:
    """Return the pixels of a frame as the bytes of a picture file, and its ending."""
    import cv2

    pixels = frame.pixels
    assert pixels is not None
    if encode == "png":
        return encode_png(pixels), ".png"
    ordered = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    if encode == "tiff":
        good, data = cv2.imencode(".tif", ordered, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    else:
        eight = ordered if ordered.dtype.itemsize == 1 else np.right_shift(ordered, 8).astype(np.uint8)
        good, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not good:
        raise UnusablePicture(f"the picture {frame.role} could not be encoded as {encode.upper()}")
    return data.tobytes(), ".tif" if encode == "tiff" else ".jpg"


def _described(data: bytes, frame: Frame, camera: str) -> Picture | None:
    """Return what a kept picture is, as of one that nobody judged; None where it cannot be decoded."""
    try:
        loaded: Loaded = decode_picture(data, Path(frame.name or frame.role))
    except TiepointError:
        return None
    about = ("light", "roi_offset", "binning", "exposure_s", "gain")
    return replace(loaded.described(frame.role), camera=camera, **{key: getattr(frame, key) for key in about})


def whys(table: Any) -> Iterator[str]:
    """Yield, in sentences, what of `[archive]` cannot be used."""
    for look in (lambda: pattern_of(table.names), lambda: rules_of(table)):
        try:
            look()
        except TiepointError as error:
            yield str(error)
