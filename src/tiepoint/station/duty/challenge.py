"""The challenge set: parts whose verdicts are known, which a station must judge right before it is released.

A good part must conform, and a bad one must not: whether it is rejected, undecided or unread is all the same to the
line. The parts are judged like any other, and are in no count of them.
"""

from dataclasses import dataclass
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.recipe.shots import LoadedShot, load_shot
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.studies.labels import Label, read_labels

CHALLENGE = "challenge"


@dataclass(frozen=True, slots=True)
class Shown:
    """A challenge part and what became of it."""

    label: Label
    verdict: Verdict

    @property
    def is_right(self) -> bool:
        """Whether it was judged as it must be."""
        return (self.verdict == "conforms") == (self.label.truth == "good")


def challenge_of(path: Path, taken_utc: str, taken_mono_ns: int) -> list[tuple[Label, Delivery]]:
    """Return the challenge parts as if a camera had just delivered them.

    Raises a `TiepointError` where the table or a shot cannot be read, or where good or bad parts are missing.
    """
    labels = challenge_labels(path)
    return [(one, _delivery(one, k, taken_utc, taken_mono_ns)) for k, one in enumerate(labels, 1)]


def challenge_labels(path: Path) -> tuple[Label, ...]:
    """Return the labels of a challenge set: some part is bad, and some is good.

    A station that lets all pass is found by the bad ones, one that sees nothing at all by the good ones.
    """
    labels = read_labels(path)
    for truth in ("bad", "good"):
        if not any(label.truth == truth for label in labels):
            raise UnusableInput(f"{path.name} labels no part {truth}: a challenge proves nothing without one; add one")
    return labels


def _delivery(label: Label, number: int, taken_utc: str, taken_mono_ns: int) -> Delivery:
    return delivery_of(load_shot(label.shot), f"{CHALLENGE}-{number}", taken_utc, taken_mono_ns, part_id=label.part)


def delivery_of(
    loaded: LoadedShot, id_: str, taken_utc: str, taken_mono_ns: int, part_id: str | None = None
) -> Delivery:
    """Return a shot that lies in files as if a camera had just delivered it."""
    frames = tuple(
        Frame(
            picture.role,
            loaded.pictures[picture.role].path.name,
            data=loaded.pictures[picture.role].path.read_bytes(),
            light=picture.light,
            bits=picture.bits,
            exposure_s=picture.exposure_s,
            gain=picture.gain,
            roi_offset=picture.roi_offset,
            binning=picture.binning,
            flip=picture.flip,
        )
        for picture in loaded.shot.pictures
    )
    shot = loaded.shot
    camera = shot.pictures[0].camera if shot.pictures else ""
    return Delivery(
        id_, camera, frames, taken_utc, taken_mono_ns, part_id=part_id or shot.part_id, variant=shot.variant
    )


def in_words(parts: list[Shown]) -> str:
    """Return in a sentence how the challenge ended."""
    wrong = [one for one in parts if not one.is_right]
    if not wrong:
        return f"All {len(parts)} challenge parts were judged right."
    named = ", ".join(f"{one.label.part or one.label.shot.name} ({one.label.truth}) {one.verdict}" for one in wrong[:6])
    more = f" and {len(wrong) - 6} more" if len(wrong) > 6 else ""
    return f"{len(wrong)} of {len(parts)} challenge parts were judged wrong: {named}{more}."
