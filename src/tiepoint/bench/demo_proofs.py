"""The studies that prove the demo's station: each writes its table, reads it as the command would, and is kept.

The tables stand in `proof/`, and every study keeps the command that makes it again from there. Values are those of
records in the station's ledger, and a column `record` names the entry.
"""

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tiepoint.bench.demo_series import U_REFERENCE_MM, Part
from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import read_document, write_atomic
from tiepoint.documents.grid import Grid, read_grid
from tiepoint.documents.revived import outcome_of
from tiepoint.foundation.rounding import short
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.station import study_tables
from tiepoint.station.folder import Station
from tiepoint.station.kept import keep_study
from tiepoint.station.study_tables import PLACES, XYZ
from tiepoint.station.touched import touch_outcome
from tiepoint.studies.agreement import study_agreement
from tiepoint.studies.capability import Cause, study_capability
from tiepoint.studies.labels import read_labels
from tiepoint.studies.lengths import study_lengths
from tiepoint.studies.limits import own_and_common, spread_of_readings, study_limits
from tiepoint.studies.linearity import LinearityStudy, study_linearity
from tiepoint.studies.measured import Measured, of_grid
from tiepoint.studies.pose import study_pose
from tiepoint.studies.rr import RrStudy, study_rr
from tiepoint.studies.stability import StabilityStudy, study_stability
from tiepoint.studies.trial import TrialStudy, study_trial
from tiepoint.studies.type1 import Type1Study, study_type1
from tiepoint.ties.document import from_document as tie_from
from tiepoint.ties.touch import check_touches

WHO = "tiepoint demo"
BORE, PITCH = "bore A.diameter", "A to B.distance"
TOLERANCE_MM: Mapping[str, float] = {BORE: 0.2, PITCH: 0.3}
SHORT: Mapping[str, str] = {BORE: "bore-a", PITCH: "pitch"}
ROBOT = "robot of the picking cell"
BARS = "gauge bars"
MISSES = "misses"
STEP_MM = 0.0001
"""The last digit that a record of the demo shows."""
MOST_ESCAPES, MOST_FALSE, MOST_MISSES = 0.01, 0.2, 0.1
MOST_BIAS_MM, MOST_DRIFT_MM, MOST_LENGTH_MM = 0.015, 0.01, 0.05
U_BAR_MM = 0.0005
CAME_FROM = ("record", "time")
MOST_RP_MM = 0.2


@dataclass(frozen=True, slots=True)
class Put:
    """A part that was put in, into which carrier and for the how many-th time, with its record."""

    made: Part
    record: Record
    carrier: str = ""
    trial: int = 1

    @property
    def part(self) -> str:
        """The part's name."""
        return self.made.name

    @property
    def came_from(self) -> tuple[int, str]:
        """The record's entry in the ledger, and when its picture was taken."""
        return self.record.seq, self.record.shot.taken_utc or ""

    def reading(self, id_: str) -> Reading:
        """Return a reading of the record."""
        return next(r for r in self.record.readings if r.id == id_)


@dataclass(frozen=True)
class Proof:
    """Where studies of the station are made and kept: `place` returns where a named file is to be written."""

    station: Station
    place: Callable[[str], Path]
    now: Callable[[], str]

    def table(self, name: str, head: str, rows: Sequence[Sequence[object]]) -> Path:
        """Write a table of the proofs."""
        path = self.place(f"proof/{name}.csv")
        lines = [head, *(",".join(_cell(v) for v in row) for row in rows)]
        write_atomic(path, ("\n".join(lines) + "\n").encode())
        return path

    def values(self, name: str, id_: str, puts: Sequence[Put], *columns: str) -> Path:
        """Write the table of a reading's values, with what is known of each; what has no value is not there."""
        read = [p for p in puts if p.reading(id_).value is not None]
        rows = [(*(getattr(p, c) for c in columns), p.reading(id_).value, *p.came_from) for p in read]
        return self.table(f"{name}-{SHORT[id_]}", ",".join((*columns, "value", *CAME_FROM)), rows)

    def keep(
        self,
        kind: str,
        of: str | None,
        study: Any,
        data: Path,
        command: str,
        pictures: Mapping[str, str] | None = None,
        records: Sequence[Record] = (),
    ) -> None:
        """Keep a study and its data in the station, as `--for` does; `command` makes it again in the demo's folder."""
        keep_study(
            self.station,
            kind,
            of,
            outcome_of(study),
            data,
            who=WHO,
            command=f"tiepoint {command}",
            pictures=pictures,
            records=records,
            at=self.now(),
        )


def _cell(value: object) -> str:
    return repr(value) if isinstance(value, float) else str(value)


def _grid(path: Path, *columns: str) -> Grid:
    """Return a table as a command reads it that is typed in the demo's folder."""
    return replace(read_grid(path, columns), where=f"{path.parent.name}/{path.name}")


def _measured(path: Path, *factors: str) -> Measured:
    return of_grid(_grid(path, "value"), factors, "mm")


def _kept_in(of: str) -> str:
    return f'--for station --of "{of}"'


# --- studies of values -----------------------------------------------------------------------------------------------


def type1(proof: Proof, id_: str, puts: Sequence[Put], certified_mm: float) -> Type1Study:
    """Keep what one golden part says of repeatability and bias."""
    path = proof.values("type1", id_, puts)
    study = study_type1(
        _measured(path), tolerance=TOLERANCE_MM[id_], reference=certified_mm, u_reference=U_REFERENCE_MM
    )
    told = f"--reference {certified_mm!r}mm --u-reference {short(U_REFERENCE_MM)}mm --tolerance {TOLERANCE_MM[id_]:g}mm"
    proof.keep("type1", id_, study, path, f"study type1 proof/{path.name} --unit mm {told} {_kept_in(id_)}")
    return study


def rr(proof: Proof, id_: str, puts: Sequence[Put], most: float) -> RrStudy:
    """Keep how much of the variation is the measuring's own; the carriers here are all that there are."""
    path = proof.values("rr", id_, puts, "part", "carrier", "trial")
    study = study_rr(_measured(path, "carrier"), tolerance=TOLERANCE_MM[id_], most=most, every=("carrier",))
    told = f"--all carrier --tolerance {TOLERANCE_MM[id_]:g}mm --most {100 * most:g}%"
    proof.keep("rr", id_, study, path, f"study rr proof/{path.name} --unit mm {told} {_kept_in(id_)}")
    return study


def linearity(proof: Proof, id_: str, puts: Sequence[Put], certified_mm: Mapping[str, float]) -> LinearityStudy:
    """Keep how the bias changes over step plates of certified size, by the part's name."""
    rows = [(certified_mm[p.part], p.part, p.reading(id_).value, *p.came_from) for p in puts]
    path = proof.table(f"linearity-{SHORT[id_]}", ",".join(("reference", "part", "value", *CAME_FROM)), rows)
    study = study_linearity(_measured(path), u_reference=U_REFERENCE_MM, most=MOST_BIAS_MM)
    told = f"--most-bias {MOST_BIAS_MM:g}mm --u-reference {short(U_REFERENCE_MM)}mm"
    proof.keep("linearity", id_, study, path, f"study linearity proof/{path.name} --unit mm {told} {_kept_in(id_)}")
    return study


def stability(proof: Proof, id_: str, puts: Sequence[Put]) -> StabilityStudy:
    """Keep whether the golden part measures the same from day to day."""
    path = proof.values("stability", id_, puts)
    study = study_stability(_measured(path), most=MOST_DRIFT_MM)
    told = f"--most-drift {MOST_DRIFT_MM:g}mm"
    proof.keep("stability", id_, study, path, f"study stability proof/{path.name} --unit mm {told} {_kept_in(id_)}")
    return study


def capability(
    proof: Proof, id_: str, one: Type1Study, gauge: RrStudy, over: LinearityStudy, days: Sequence[Put]
) -> None:
    """Keep all causes side by side, as the studies of the same characteristic found them."""
    daily = [float(v) for put in days if (v := put.reading(id_).value) is not None]
    causes = [
        ("calibration", U_REFERENCE_MM, math.inf),
        ("resolution", STEP_MM, math.inf),
        ("repeatability_reference", one.s.value, one.n - 1),
        ("bias", one.bias.value, math.inf),
        ("linearity", over.largest.value / math.sqrt(3), math.inf),
        ("repeatability_parts", gauge.ev.value, gauge.table[-1].dof),
        ("reproducibility", 0.0 if gauge.av is None else gauge.av.value, math.inf),
        ("stability", _spread(daily), len(daily) - 1),
    ]
    told = [Cause(name, float(f"{figure:.4g}"), float(dof)) for name, figure, dof in causes]
    since = min(put.came_from[1] for put in days)
    rows = [(one.kind, one.figure, "inf" if math.isinf(one.dof) else one.dof, since) for one in told]
    path = proof.table(f"capability-{SHORT[id_]}", "cause,value,dof,time", rows)
    study = study_capability(told, TOLERANCE_MM[id_])
    command = f"study capability proof/{path.name} --unit mm --tolerance {TOLERANCE_MM[id_]:g}mm {_kept_in(id_)}"
    proof.keep("capability", id_, study, path, command)


def _spread(values: Sequence[float]) -> float:
    """Return the standard deviation of values."""
    return float(np.std(values, ddof=1))


# --- lengths and limits ----------------------------------------------------------------------------------------------


def lengths(proof: Proof, rows: Sequence[Sequence[object]]) -> None:
    """Keep the errors of known lengths, by rows of known, value, where it lay, the picture and when it was taken."""
    path = proof.table("lengths", ",".join(("known", "value", *PLACES, "shot", "time")), rows)
    found = study_tables.lengths(_grid(path, "known", "value", *PLACES), U_BAR_MM)
    study = study_lengths(found, most_error=MOST_LENGTH_MM)
    options = f"--most-error {MOST_LENGTH_MM:g}mm --u {short(U_BAR_MM)}mm"
    proof.keep("lengths", BARS, study, path, f"study lengths proof/{path.name} --unit mm {options} {_kept_in(BARS)}")


def limits(proof: Proof, id_: str, puts: Sequence[Put]) -> None:
    """Keep which risks the acceptance limits bear, of plates as production makes them."""
    path = proof.values("limits", id_, puts, "part")
    found = [p.reading(id_) for p in puts if p.reading(id_).value is not None]
    own, common = (float(f"{u:.4g}") for u in own_and_common(found)[:2])
    asked = found[0].limits
    assert asked is not None
    assert asked.lower is not None
    assert asked.upper is not None
    values = [float(v) for v in _measured(path).values]
    study = study_limits(
        Limits(asked.lower, asked.upper),
        spread_of_readings(values, own),
        u_own=own,
        u_common=common,
        readings=values,
    )
    told = f"--lower {asked.lower!r}mm --upper {asked.upper!r}mm --u {own!r}mm --u-common {common!r}mm"
    outcome = {"unit": "mm", **dataclasses.asdict(study), "next_steps": None}
    proof.keep("limits", id_, outcome, path, f"limits proof/{path.name} {told}")


# --- decisions -------------------------------------------------------------------------------------------------------


def agreement(proof: Proof, puts: Sequence[Put]) -> None:
    """Keep how verdicts agree with what the plates are, and between showings."""
    rows = [(p.part, p.trial, p.record.verdict, _truth(p.made), *p.came_from) for p in puts]
    path = proof.table("agreement", ",".join(("part", "trial", "value", "reference", *CAME_FROM)), rows)
    study = study_agreement(study_tables.decisions(_grid(path, "part", "value")), most_misses=MOST_MISSES)
    options = f"--most-misses {100 * MOST_MISSES:g}%"
    proof.keep("agreement", MISSES, study, path, f"study agreement proof/{path.name} {options} {_kept_in(MISSES)}")


def _truth(part: Part) -> str:
    return "good" if part.good else part.kind


def trial(proof: Proof, puts: Sequence[Put], shots: Sequence[str], overlays: Mapping[int, str]) -> TrialStudy:
    """Keep what the recipe says of plates that are known to be good or bad.

    `shots`: where the pictures of each are, from `proof/`. `overlays`: what was found on the wrong ones, by the entry.
    """
    rows = [
        (shot, p.part, "good" if p.made.good else "bad", "" if p.made.good else p.made.kind)
        for shot, p in zip(shots, puts, strict=True)
    ]
    path = proof.table("labels", "shot,part_id,label,class", rows)
    labels = list(zip(read_labels(path), puts, strict=True))
    showings = [study_tables.showing(label, p.record) for label, p in labels]
    study = study_trial(showings, most_escapes=MOST_ESCAPES, most_false=MOST_FALSE)
    run = "trial station/recipes/hinge-plate.toml proof/labels.csv --variants station/variants.csv"
    agreed = f"--most-escapes {100 * MOST_ESCAPES:g}% --most-false {100 * MOST_FALSE:g}%"
    pictures = {label.where: overlays[p.record.seq] for label, p in labels if p.record.seq in overlays}
    records = [p.record for p in puts]
    proof.keep("trial", None, study, path, f"{run} {agreed} --for station", pictures, records)
    return study


# --- the robot -------------------------------------------------------------------------------------------------------


def touch(proof: Proof, tie_file: Path, touched: Path, tolerance_mm: float) -> None:
    """Keep what the touched points say of the robot's tie."""
    document = read_document(tie_file, "tie")
    tie = tie_from(document, str(tie_file))
    rows = np.loadtxt(touched, delimiter=",", skiprows=1, usecols=range(4))
    found = check_touches(tie, rows[:, :2], rows[:, 2:], tolerance_mm)
    command = f"touch check ties/robot.json robot/{touched.name} --tolerance {tolerance_mm:g}mm"
    proof.keep("touch", ROBOT, touch_outcome(found, tie, sha256(document)), touched, command)


def pose(proof: Proof, reached: Path, u_mm: float) -> None:
    """Keep how accurately and how repeatably the robot reaches its poses."""
    study = study_pose(study_tables.cycles(_grid(reached, *XYZ[:2])), u_mm=u_mm, most_rp_mm=MOST_RP_MM)
    command = f"study pose robot/{reached.name} --u {u_mm:g}mm --most-rp {MOST_RP_MM:g}mm"
    proof.keep("pose", ROBOT, study, reached, command)
