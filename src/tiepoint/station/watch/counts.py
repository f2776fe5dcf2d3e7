"""What records alone tell, part by part: shares of verdicts, lots against their limits, painted defects that were not
found; all in bounded memory.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.tables import shown
from tiepoint.station.watch import shares
from tiepoint.station.watch.alarms import Alarm, Alarms, Turn, with_next
from tiepoint.station.watch.shares import Block, Lot
from tiepoint.station.watch.table import Lots, WatchTable
from tiepoint.station.watch.tally import CONTROL
from tiepoint.studies.rates import rate

MOST_LOTS = 20
"""Lots that are remembered; an older one that comes by again is begun anew."""
MOST_READINGS = 200
COPY = "copy"
"""Before the name of a defect, what its copies are counted by."""
COPIES = 1e5
"""Copies of one defect between two false alarms, at least: at 30 an hour, day and night, they are made in 139 days."""
FALSE_MOST = 0.05
"""Of copies without a defect, the share that may not conform: where what is painted looks real, hardly one does."""
PLAIN = "copies without a defect"


@dataclass
class Counts:
    """Blocks of parts by verdict and size; values by lot and reading; the lot that an act named."""

    blocks: dict[str, Block] = field(default_factory=dict)
    begun: dict[str, str] = field(default_factory=dict)
    lots: dict[str, dict[str, Lot]] = field(default_factory=dict)
    lot: str | None = None

    def put(self, record: Record, at_utc: str, table: WatchTable, alarms: Alarms) -> Iterator[Turn]:
        """Yield what begins and what ends with one more part."""
        yield from self._shares(record, at_utc, table, alarms)
        yield from self._lots(record, at_utc, table, alarms)

    def _shares(self, record: Record, at_utc: str, table: WatchTable, alarms: Alarms) -> Iterator[Turn]:
        for verdict, most in table.shares.model_dump().items():
            if most is None:
                continue
            for now, since in self._full(verdict, record.verdict == verdict, at_utc):
                said = f"of the last {now.n} parts are {verdict}"
                more = f"{100 * most:g} % was accepted"
                yield from _tested(Alarm("share", verdict, said, since), more, now, most, table.quiet, alarms)

    def put_copy(self, name: str, is_found: bool, at_utc: str, table: WatchTable, alarms: Alarms) -> Iterator[Turn]:
        """Yield what begins and what ends with one more copy, by its defect's name or `CONTROL`."""
        agreed = {defect.name: defect.at_least for defect in table.defect}
        if name == CONTROL:
            about, most, what = PLAIN, FALSE_MOST, "copies without a defect did not conform"
            more = f"{100 * most:g} % at most may be so, or it is the painting that is found"
        elif name in agreed:
            about, most, what = name, 1 - agreed[name], f"painted {shown(name)} were not found"
            more = f"{100 * most:.3g} % at most was agreed"
        else:
            return
        for now, since in self._full(f"{COPY} {about}", is_found == (name == CONTROL), at_utc):
            said = f"of the last {now.n} {what}"
            yield from _tested(Alarm("detection", about, said, since), more, now, most, COPIES, alarms)

    def _full(self, of: str, is_event: bool, at_utc: str) -> Iterator[tuple[Block, str]]:
        """Count one more in each block; yield those that are full now, and since when they are counted."""
        for size in shares.BLOCKS:
            key = f"{of} {size}"
            before = self.blocks.get(key, Block(size))
            if before.is_full or before.n == 0:
                self.begun[key] = at_utc
            self.blocks[key] = now = shares.counted(before, is_event)
            if now.is_full:
                yield now, self.begun[key]

    def settle(self, alarm: Alarm) -> None:
        """Begin anew to count what an alarm was raised by."""
        first = {"detection": f"{COPY} {alarm.about} ", "share": f"{alarm.about} "}.get(alarm.kind)
        for key in [key for key in self.blocks if first is not None and key.startswith(first)]:
            del self.blocks[key]

    def _lots(self, record: Record, at_utc: str, table: WatchTable, alarms: Alarms) -> Iterator[Turn]:
        name = self.lot if self.lot is not None else lot_of(record.shot.part_id, table.lots)
        if name is None:
            return
        if name not in self.lots:
            self.lots[name] = {}
            while len(self.lots) > MOST_LOTS:
                gone = next(iter(self.lots))
                del self.lots[gone]
                for alarm in [a for a in alarms.on.values() if a.kind == "lot" and a.about.endswith(f"of lot {gone}")]:
                    yield from alarms.ends(alarm.name, "the lot is over")
        values = self.lots[name]
        for reading in record.readings:
            if reading.value is None or reading.limits is None:
                continue
            key = f"{reading.id} of variant {record.variant}" if record.variant else reading.id
            if key in values or len(values) < MOST_READINGS:
                values[key] = lot = shares.added(values.get(key, Lot()), reading.value)
                if shares.is_due(lot.n):
                    yield from self._near(name, key, reading, lot, at_utc, table, alarms)

    def _near(
        self, name: str, key: str, reading: Reading, lot: Lot, at_utc: str, table: WatchTable, alarms: Alarms
    ) -> Iterator[Turn]:
        assert reading.limits is not None
        told = shares.margin(lot, (reading.limits.lower, reading.limits.upper), table.lots.sigmas)
        about = f"{key} of lot {name}"
        if told is None or told.p >= shares.LEVEL:
            if told is not None and told.sigmas >= table.lots.sigmas:
                yield from alarms.ends(f"lot {about}", "its margin is as agreed again")
            return
        says = (
            f"{key} in lot {shown(name)} lies {told.distance:.3g} {reading.unit} within its limit on average, that is "
            f"{told.sigmas:.2g} of its standard deviations after {lot.n} parts; {table.lots.sigmas:g} were agreed."
        )
        change = told.sigmas - table.lots.sigmas
        yield from alarms.begins(with_next(Alarm("lot", about, says, at_utc, change, "σ")))


def _tested(alarm: Alarm, more: str, block: Block, most: float, run: float, alarms: Alarms) -> Iterator[Turn]:
    """Yield the beginning of an alarm where a full block shows more than `most`, and its end where that is over.

    `alarm.says`: what is so of so many, in a clause.
    """
    if shares.is_above(block, most, run) is not None:
        two = rate(block.events, block.n)
        share = f"{100 * two.low:.3g} to {100 * two.high:.3g} %"
        says = f"{block.events} {alarm.says} since {alarm.since_utc}, that is {share}; {more}."
        yield from alarms.begins(with_next(replace(alarm, says=says, change=block.events / block.n - most)))
    elif shares.is_calm(block, most):
        yield from alarms.ends(alarm.name, f"{block.events} {alarm.says}")


def lot_of(part_id: str | None, lots: Lots) -> str | None:
    """Return the lot that a part's id tells; None where it tells none."""
    if part_id is None or (lots.before is None and lots.first is None):
        return None
    name = part_id
    if lots.before is not None:
        name, found, _ = part_id.partition(lots.before)
        if not found:
            return None
    return (name if lots.first is None else name[: lots.first])[:80] or None
