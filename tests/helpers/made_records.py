"""Records of one reading, bore A.diameter, as a station would write them."""

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, measured
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.records import sealed

TOLD = {"name": "bore A", "kind": "circle", "quantity": "diameter", "unit": "mm", "step": "bore A", "frame": "plane"}


def record(seq, value=4.5, part="p1", unit="mm", recipe="0", taken="2026-05-04T06:00:00Z"):
    told = {**TOLD, "id": "bore A.diameter", "unit": unit}
    if value is None:
        reading = Reading.without(Reason("few_edges", {"found": 1, "sought": 60, "needed": 9}), limits=None, **told)
    else:
        noise = Source(f"noise {seq}", "noise", "A", 0.002, "shot")
        reading = Reading.of(measured(value, noise), limits=None, **told)
    shot = Shot(f"s{seq}", (Picture("main", "a" * 64, (10, 10), 8, "mono8"),), taken_utc=taken, part_id=part)
    return sealed(Record("station", seq, shot, recipe * 64, (), "tiepoint 0", (reading,), "unread", variant="large"))
