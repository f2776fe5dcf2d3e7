"""The demo's station is accepted and proved: what was ordered first, then its recipe, its studies, and the report.

All is done by what the commands call (`tiepoint accept`, `run`, `study … --for`, `trial`, `replay`, `report`), on
photographs of the bench. Dates are of the demo's own time, so that the same seed leaves the same ledger.
"""

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from importlib.resources import files
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

from tiepoint.bench import demo_proofs as proofs
from tiepoint.bench import demo_work
from tiepoint.bench.demo_bench import (
    BAR_PLACES,
    BEGIN,
    PLATE_HEIGHT_MM,
    SECOND_HEIGHT_MM,
    U_DISTANCE_MM,
    U_HEIGHT_MM,
    DemoBench,
)
from tiepoint.bench.demo_proofs import WHO, Proof, Put
from tiepoint.bench.demo_prove import TOLERANCE_MM, U_TRACKER_MM
from tiepoint.bench.demo_series import CARRIERS, WINDOW_PX, Part, Pixels, Putting, Series
from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.files import format_of, read_bytes, read_document, write_atomic, write_together
from tiepoint.documents.pictures import encode_png, load_picture, save_png
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.shots import write_shot
from tiepoint.recipe.station import Prepared, run_shot
from tiepoint.report.acceptance import acceptance
from tiepoint.report.acceptance_html import acceptance_html
from tiepoint.report.acceptance_pdf import acceptance_pdf
from tiepoint.report.acceptance_story import AcceptanceStory, gather
from tiepoint.station.accepted import (
    ACCEPTED,
    MOST_BYTES,
    POINTER,
    accept,
    draft_of,
    pointers_of,
    preparation_of,
    prepare_accepted,
)
from tiepoint.station.archive import kept_of
from tiepoint.station.folder import Station, open_station
from tiepoint.station.judge import judge
from tiepoint.station.ledger import Ledger
from tiepoint.station.lock import LOCK
from tiepoint.station.replay import cases_of, replay
from tiepoint.station.requirements import REQUIREMENTS, agree
from tiepoint.studies.linearity import LinearityStudy
from tiepoint.studies.rr import RrStudy
from tiepoint.studies.type1 import Type1Study
from tiepoint.ties.document import from_document

Tell = Callable[[str], None]

FOLDER = "station"
PDF, HTML = "acceptance.pdf", "acceptance.html"
WHY = "first acceptance, in simulation"
REPLAYED, SAMPLE = 25, 20
VARIANT, RECIPE = "vent-60", "hinge-plate"
INCOMING = "incoming"
BORE = "bore A diameter"
"""What a plate's certificate calls bore A's size."""
MOST_GRR = 0.1
OVERLAY_PX = 640
GOOD_TWICE = 10
"""So many of the good plates are shown a second time, beside the lot and the bad ones."""
TAKT = timedelta(seconds=2)
OWN_DAYS = "2026-01-*"


@dataclass(frozen=True, slots=True)
class Extent:
    """How many parts and pictures the studies take: the usual numbers, or fewer for a quick look."""

    loads: int = 25
    parts: int = 10
    trials: int = 2
    each_step: int = 10
    days: int = 25
    bad: int = 32
    good: int = 30


@dataclass
class OwnTime:
    """The demo's own time: it goes on by a takt whenever it is asked for."""

    at: datetime = BEGIN

    def __call__(self) -> str:
        """Return the time in UTC as the ledger tells it."""
        self.at += TAKT
        return self.at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def on(self, day: float) -> None:
        """Go on to the morning of a day, counted from that of the order."""
        self.at = max(self.at, BEGIN + timedelta(days=day))


@dataclass(frozen=True)
class Accepted:
    """What became of accepting: the report's two files, all that they tell, and how many kept shots came out otherwise.

    `more`: how many more bad parts it would take to show the agreed rate of escapes; None where it is shown.
    """

    pdf: Path
    html: Path
    story: AcceptanceStory
    more: int | None
    replayed: int
    otherwise: int

    def ids(self, state: str) -> tuple[str, ...]:
        """Return the requirements that are shown, not shown or not tried."""
        return tuple(line.asked.id for line in self.story.lines if line.state == state)


@dataclass(frozen=True)
class Demo:
    """What the demo has so far: its folder with ties, pictures and tables, and the ordered station."""

    folder: Path
    station: Station
    bench: DemoBench
    place: Callable[[str], Path]
    tell: Tell


def ordered(folder: Path, bench: DemoBench) -> Station:
    """Write what the station is ordered for, and date it: before anything is measured."""
    there = folder / FOLDER
    _clear(there)
    write_together(
        {
            there / "station.toml": _station_toml(bench).encode(),
            there / REQUIREMENTS: (files("tiepoint.bench") / REQUIREMENTS).read_bytes(),
        }
    )
    station = open_station(there)
    agree(station, who=WHO, why="what the order says", at=OwnTime()())
    return station


def accept_and_prove(demo: Demo, extent: Extent | None = None) -> Accepted:
    """Accept the station of hinge plates as it was ordered, prove it, and write its report."""
    now, far = OwnTime(), extent or Extent()
    now.on(0.5)
    demo.tell("Accepting the station of hinge plates, as it was ordered.")
    _accept(demo, now)
    work = _Work(demo, demo.station, Series(demo.bench), far, now, prepare_accepted(demo.station, VARIANT))
    _prove(work)
    demo.tell(f"Running {REPLAYED} kept shots again, and writing the report to sign.")
    again = _again(demo.station)
    return _reported(work, again)


# --- the station -----------------------------------------------------------------------------------------------------


def _accept(demo: Demo, now: OwnTime) -> None:
    """Write the station's drafts and accept them."""
    folder, bench = demo.station.folder, files("tiepoint.bench")
    row = f"{VARIANT},{PLATE_HEIGHT_MM:g},{U_HEIGHT_MM:g},{RECIPE},6"
    write_together(
        {
            folder / "variants.csv": f"variant,height_mm,u_height_mm,recipe,bore_b\n{row}\n".encode(),
            folder / "recipes" / f"{RECIPE}.toml": (bench / f"{RECIPE}.toml").read_bytes(),
            folder / "ties" / "plane.json": read_bytes(demo.folder / "ties" / "plane.json", MOST_BYTES),
        }
    )
    accept(demo.station, [draft_of(demo.station, p) for p in demo.station.recipes()], who=WHO, why=WHY, at=now())


def _clear(folder: Path) -> None:
    """Take away what an earlier demo left here: its ledger, what that accepted, and shots of the demo's own time.

    Where its accepted copy stayed, nothing would differ from it, nothing would be accepted, and no evidence would hold.
    """
    for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm", POINTER):
        (folder / name).unlink(missing_ok=True)
    for left in (folder / ACCEPTED, *(folder / "archive").glob(OWN_DAYS)):
        if left.is_dir():
            shutil.rmtree(left)


def _station_toml(bench: DemoBench) -> str:
    x, y, width, height = WINDOW_PX
    return (
        "# The station that the demo accepts and proves; its camera is simulated.\n"
        f'format = "{format_of("station")}"\n'
        'name = "hinge plates, simulated"\nunit = "mm"\nlanguage = "en"\n\n'
        '[reference_plane]\nsays = "the table on which the target lay; heights count from it, towards the camera"\n\n'
        f'[[camera]]\nname = "top"\nsays = "bench camera, {bench.size_px[0]} × {bench.size_px[1]} px; read out are '
        f'{width} × {height} px from {x}, {y} on"\n'
        f"distance_mm = {bench.measured_distance_mm:g}\nu_distance_mm = {U_DISTANCE_MM:g}\n"
        f'from = "folder"\npart_id = "name"\n\n[camera.folder]\npath = "{INCOMING}"\nholds = "shots"\n'
        f'whole = "renamed"\n\n[duty]\nvariant = "{VARIANT}"\ndeadline_ms = 5000\nworkers = 1\n'
    )


# --- what is photographed and judged ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Work:
    """The station at work: what is judged stands in its ledger, and its pictures in its archive."""

    demo: Demo
    station: Station
    series: Series
    extent: Extent
    now: OwnTime
    prepared: Prepared
    numbers: Iterator[int] = field(default_factory=lambda: count(1))

    @property
    def proof(self) -> Proof:
        """Where its studies are made and kept."""
        return Proof(self.station, self.demo.place, self.now)

    def put_in(self, parts: Iterable[tuple[Part, str, int, int]]) -> list[Put]:
        """Put parts in, each under a carrier, on a day, for the how many-th time; return them with their records."""
        wanted = [(Putting(part, next(self.numbers), carrier, day), trial) for part, carrier, day, trial in parts]
        pixels = (self.series.photo(putting) for putting, _ in wanted)
        records = self.judged([putting.part.name for putting, _ in wanted], pixels)
        return [Put(p.part, r, p.carrier, t) for (p, t), r in zip(wanted, records, strict=True)]

    def judged(self, names: Sequence[str], pictures: Iterable[Pixels]) -> list[Record]:
        """Judge pictures of named parts by what is accepted, as `tiepoint run STATION` does."""
        with TemporaryDirectory() as folder, Ledger(self.station.ledger_place) as ledger:
            shots = [
                _shot(Path(folder) / f"{k:04d}", name, pixels, self.now())
                for k, (name, pixels) in enumerate(zip(names, pictures, strict=True))
            ]
            ran = judge(self.station, ledger, self.prepared, shots, clock=None, now=self.now)
            return [one.record for one in ran]


def _shot(folder: Path, part: str, pixels: Pixels, taken_utc: str) -> Path:
    """Write a shot of the window that is read out, as a camera's program would."""
    write_window(folder, f"{part}-{taken_utc[5:19]}", part, encode_png(pixels), pixels_sha256(pixels), taken_utc)
    return folder


def write_window(folder: Path, shot_id: str, part: str, png: bytes, sha: str, taken_utc: str | None = None) -> None:
    """Write a new folder with a picture of the window that is read out, and what a camera's program says of it."""
    folder.mkdir()
    write_atomic(folder / "picture.png", png)
    x, y, *size = WINDOW_PX
    picture = Picture("picture", sha, (size[0], size[1]), 8, "Mono8", "top", roi_offset=(x, y), file="picture.png")
    write_shot(folder, Shot(shot_id, (picture,), taken_utc=taken_utc, part_id=part, variant=VARIANT))


# --- the studies -----------------------------------------------------------------------------------------------------


def _prove(work: _Work) -> None:
    """Make the studies that were ordered, one after another."""
    made = work.series.as_made(max(work.extent.parts, work.extent.good))
    once, gauge = _at_once(work), _in_carriers(work, made[: work.extent.parts])
    over, days = _over_range(work), _from_day_to_day(work)
    proofs.capability(work.proof, proofs.BORE, once, gauge, over, days)
    work.demo.tell("Reading the known lengths twice more.")
    proofs.lengths(work.proof, list(_lengths(work)))
    _of_decisions(work, made[: work.extent.good])
    robot = work.demo.folder / "robot"
    proofs.touch(work.proof, work.demo.folder / "ties" / "robot.json", robot / "touched.csv", TOLERANCE_MM)
    proofs.pose(work.proof, robot / "cycles.csv", U_TRACKER_MM)


def _at_once(work: _Work) -> Type1Study:
    """Put the golden plate in again and again, and keep what it says of bore A."""
    golden = work.series.golden
    work.now.on(1)
    work.demo.tell(f"Putting the golden plate in {work.extent.loads} times.")
    puts = work.put_in((golden, "1", 1, k) for k in range(1, work.extent.loads + 1))
    return proofs.type1(work.proof, proofs.BORE, puts, work.series.certified(golden, BORE))


def _in_carriers(work: _Work, parts: Sequence[Part]) -> RrStudy:
    """Put plates into every carrier, in random order; keep how much of the variation is the measuring's own.

    Return the study of bore A; the pitch, which the carrier's height scales, is studied too.
    """
    trials = range(1, work.extent.trials + 1)
    work.now.on(2)
    work.demo.tell(f"Putting {len(parts)} plates into {len(CARRIERS)} carriers, {len(trials)} times each.")
    runs = [(part, carrier, 2, k) for k in trials for carrier in CARRIERS for part in parts]
    puts = work.put_in(work.series.shuffled(runs))
    proofs.rr(work.proof, proofs.PITCH, puts, MOST_GRR)
    return proofs.rr(work.proof, proofs.BORE, puts, MOST_GRR)


def _over_range(work: _Work) -> LinearityStudy:
    """Put the step plates in, in random order, and keep how the bias of bore A changes over its tolerance."""
    steps, each = work.series.steps(), range(1, work.extent.each_step + 1)
    work.now.on(3)
    work.demo.tell(f"Putting {len(steps)} step plates in {len(each)} times each.")
    puts = work.put_in(work.series.shuffled([(part, "1", 3, k) for k in each for part in steps]))
    return proofs.linearity(work.proof, proofs.BORE, puts, {p.name: work.series.certified(p, BORE) for p in steps})


def _from_day_to_day(work: _Work) -> list[Put]:
    """Put the golden plate in day by day, keep whether its pitch stays, and return what was put in."""
    puts: list[Put] = []
    work.demo.tell(f"Putting the golden plate in on {work.extent.days} days.")
    for day in range(4, 4 + work.extent.days):
        work.now.on(day)
        puts += work.put_in([(work.series.golden, "1", day, 1)])
    proofs.stability(work.proof, proofs.PITCH, puts)
    return puts


def _of_decisions(work: _Work, good: Sequence[Part]) -> None:
    day = 4 + work.extent.days
    work.now.on(day)
    lot, bad = work.series.lot(), work.series.challenges(work.extent.bad)
    work.demo.tell(f"Judging the {len(lot)} plates, {len(bad)} known-bad ones and {len(good)} more good ones.")
    pictures = (_window(work.demo.folder / f"shots/plates/{part.name}.png") for part in lot)
    records = work.judged([part.name for part in lot], pictures)
    others = work.put_in((part, "1", day, 1) for part in (*bad, *good))
    first = [*(Put(part, record, "1") for part, record in zip(lot, records, strict=True)), *others]
    twice = first[: len(lot) + len(bad) + GOOD_TWICE]
    again = work.put_in((put.made, "1", day, 2) for put in twice)
    proofs.limits(work.proof, proofs.BORE, others[len(bad) :])
    proofs.agreement(work.proof, [*twice, *again])
    shots = _kept_shots(work.station, first)
    wrong = [p.record.seq for p in first if p.made.good != (p.record.verdict == "conforms")]
    overlays = {seq: run_shot(work.prepared, shots[seq], seq=seq).overlay(most_px=OVERLAY_PX) for seq in wrong}
    named = [f"../{path.relative_to(work.demo.folder).as_posix()}" for path in shots.values()]
    proofs.trial(work.proof, first, named, overlays)


def _window(photo: Path) -> Pixels:
    """Return what the station reads out of a photograph of the whole sensor."""
    x, y, width, height = WINDOW_PX
    return load_picture(photo).pixels[y : y + height, x : x + width]


def _kept_shots(station: Station, puts: Sequence[Put]) -> dict[int, Path]:
    """Return the folder of each kept shot, by its record's entry, in the order of what was put in."""
    with Ledger(station.ledger_place) as ledger:
        kept = {k.record: k.folder for k in (kept_of(station, e) for e in ledger.entries("archived"))}
    return {put.record.seq: kept[put.record.seq] for put in puts}


def _lengths(work: _Work) -> Iterator[tuple[object, ...]]:
    """Yield the table of known lengths: those that the demo has photographed, and two times more, laid anew."""
    bench, ties = work.demo.bench, work.demo.folder / "ties"
    for number, (height_mm, axis) in enumerate((h, a) for h in (0.0, SECOND_HEIGHT_MM) for a in "xy"):
        name = "plane.json" if height_mm == 0 else "plane-on-blocks.json"
        tie = from_document(read_document(ties / name, "tie"), name)
        bars, shot = bench.bars(height_mm, axis == "y"), f"shots/bars-at-{height_mm:g}mm-along-{axis}"
        for again in (0, 1, 2):
            photo = work.demo.folder / f"{shot}.png"
            if again:
                bars, pixels = work.series.bars_again(bars, 10 * number + again)
                photo = work.demo.place(f"{shot}-{again + 1}.png")
                save_png(photo, pixels)
            taken = work.now()
            read = demo_work.bar_readings(photo, [demo_work.laid(bar, bench.clicked(bar)) for bar in bars], tie)
            for place, bar, reading in zip(BAR_PLACES, bars, read, strict=True):
                if reading.value is not None:
                    at = (place, f"along {axis}", f"{height_mm:g} mm")
                    yield bar.certified_mm, float(reading.value), *at, photo.name, taken


# --- what comes of it ------------------------------------------------------------------------------------------------


def _again(station: Station) -> tuple[int, int]:
    """Run the last kept shots again by what is accepted; return how many, and how many came out otherwise."""
    with Ledger(station.ledger_place) as ledger:
        cases = list(cases_of(station, ledger))[-REPLAYED:]
    (sha,) = pointers_of(station).shas
    told = list(replay(preparation_of(station, sha), cases))
    return len(told), sum(not one.same for one in told)


def _reported(work: _Work, again: tuple[int, int]) -> Accepted:
    """Write the report, on paper and as a page, and remember every file of the station as the demo's own."""
    story = gather(work.station, made_utc=work.now(), sample=SAMPLE)
    told = acceptance(story)
    pdf, html = work.demo.place(PDF), work.demo.place(HTML)
    write_together({pdf: acceptance_pdf(told), html: acceptance_html(told).encode()})
    for path in sorted(work.station.folder.rglob("*")):
        if path.is_file() and path.name != LOCK:  # whoever writes next holds that file, and it says who
            work.demo.place(path.relative_to(work.demo.folder).as_posix())
    escapes = (line.more for line in story.lines if (line.asked.by, line.asked.of) == ("trial", "escapes"))
    return Accepted(pdf, html, story, next(escapes, None), *again)
