"""What records alone tell, part by part: shares of verdicts, lots against their limits; all in bounded memory."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.tables import shown
from tiepoint.station.watch import shares
from tiepoint.station.watch.alarms import Alarm, Alarms, Turn, with_next
from tiepoint.station.watch.shares import Block, Lot
from tiepoint.station.watch.table import Lots, WatchTable
from tiepoint.studies.rates import rate

MOST_LOTS = 20
"""Lots that are remembered; an older one that comes by again is begun anew."""
MOST_READINGS = 200


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
            for size in shares.BLOCKS:
                key = f"{verdict} {size}"
                before = self.blocks.get(key, Block(size))
                if before.is_full or before.n == 0:
                    self.begun[key] = at_utc
                self.blocks[key] = now = shares.counted(before, record.verdict == verdict)
                if now.is_full:
                    yield from self._tested(verdict, now, most, self.begun[key], table, alarms)

    def _tested(
        self, verdict: str, block: Block, most: float, since: str, table: WatchTable, alarms: Alarms
    ) -> Iterator[Turn]:
        found = shares.is_above(block, most, table.quiet)
        if found is not None:
            two = rate(block.events, block.n)
            says = (
                f"{block.events} of the last {block.n} parts are {verdict}, {100 * two.low:.3g} to "
                f"{100 * two.high:.3g} %; {100 * most:g} % was accepted."
            )
            alarm = Alarm("share", verdict, says, since, block.events / block.n - most)
            yield from alarms.begins(with_next(alarm))
        elif shares.is_calm(block, most):
            yield from alarms.ends(f"share {verdict}", f"{block.events} of the last {block.n} parts are {verdict}")

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
