"""What is looked for in pictures besides numbers: spots that stay, and fixed edges that are not seen any more."""

from collections import defaultdict
from collections.abc import Iterator

import numpy as np

from tiepoint.station.watch import dirt
from tiepoint.station.watch.alarms import Alarm, Alarms, Turn, with_next
from tiepoint.station.watch.hold import Reference
from tiepoint.station.watch.looking import Looked
from tiepoint.station.watch.table import WatchTable

LOST, BACK = 5, 20
"""Looks in a row without an edge, until that is an alarm; and with it, until that ends."""


class Sights:
    """Rings of reduced pictures, one for each; spots of the ring before; how often edges were not seen."""

    def __init__(self, reference: Reference | None, table: WatchTable) -> None:
        """Without a reference nothing is looked for."""
        self._reference, self._table = reference, table
        self._rings: dict[str, list[dirt.Floats]] = defaultdict(list)
        self._begun: dict[str, str] = {}
        self._before: dict[str, tuple[dirt.Spot, ...]] = {}
        self._lost: dict[str, int] = defaultdict(int)

    def put(self, look: Looked, at_utc: str, alarms: Alarms) -> Iterator[Turn]:
        """Yield what begins and ends with one more look."""
        if self._reference is None:
            return
        for role, small in look.reduced.items():
            if self._table.dirt is not None and role in self._reference.grounds:
                yield from self._dirt(role, small, at_utc, alarms)
        for name in self._reference.edges:
            yield from self._edge(name.removeprefix("along|"), look, at_utc, alarms)

    def settle(self, alarm: Alarm) -> None:
        """Begin anew what an alarm was raised by."""
        if alarm.kind == "dirt":
            self._rings.pop(alarm.about, None)
            self._before.pop(alarm.about, None)
        elif alarm.kind == "edge":
            for name in [name for name in self._lost if _said(name) == alarm.about]:
                del self._lost[name]

    def _dirt(self, role: str, small: dirt.Floats, at_utc: str, alarms: Alarms) -> Iterator[Turn]:
        assert self._reference is not None
        assert self._table.dirt is not None
        ground, ring = self._reference.grounds[role], self._rings[role]
        if small.shape != ground.median.shape:
            yield from self._other_size(role, at_utc, alarms)
            return
        if not ring:
            self._begun[role] = at_utc
        ring.append(small)
        if len(ring) < self._table.dirt.of:
            return
        pictures = np.stack(ring)
        ring.clear()
        now = dirt.spots_of(pictures, ground, self._table.dirt.change)
        stay = dirt.stayed(self._before.get(role, ()), now, 2 * ground.block)
        self._before[role] = now
        if stay:
            first = stay[0]
            more = f", and {len(stay) - 1} more" if len(stay) > 1 else ""
            of = self._table.dirt.of
            says = (
                f"A spot of {first.diameter_px:.0f} px stays at {first.x_px:.0f}, {first.y_px:.0f} px in {role}{more}: "
                f"{100 * first.change:+.2g} % of brightness, seen in two medians of {of} pictures, the later "
                f"of which begins {self._begun[role]}."
            )
            alarm = Alarm("dirt", role, says, self._begun[role], first.change)
            yield from alarms.begins(with_next(alarm))
        elif f"dirt {role}" in alarms.on and not dirt.spots_of(pictures, ground, self._table.dirt.change / 2):
            yield from alarms.ends(f"dirt {role}", "no spot is left")

    def _other_size(self, role: str, at_utc: str, alarms: Alarms) -> Iterator[Turn]:
        says = f"The picture {role} has another size than the accepted state was held with."
        yield from alarms.begins(with_next(Alarm("watch", f"size of {role}", says, at_utc)))

    def _edge(self, name: str, look: Looked, at_utc: str, alarms: Alarms) -> Iterator[Turn]:
        is_seen = f"along|{name}" in look.numbers
        # Counted up to BACK looks with it after LOST without.
        what = _said(name)
        # One whose alarm is on from before a restart was lost then.
        count = self._lost[name] or (BACK if f"edge {what}" in alarms.on else 0)
        self._lost[name] = max(0, count - 1) if is_seen else (BACK if count + 1 >= LOST else count + 1)
        if not is_seen and count < LOST <= self._lost[name]:
            says = (
                f"The fixed edge {what} was not seen in {LOST} looks in a row, the last at {at_utc}: whether camera "
                "and fixture stand where they stood is not known."
            )
            yield from alarms.begins(with_next(Alarm("edge", what, says, at_utc)))
        elif count and not self._lost[name]:
            yield from alarms.ends(f"edge {what}", f"it was seen in {BACK} looks")


def _said(name: str) -> str:
    return name.replace("|", " in ")
