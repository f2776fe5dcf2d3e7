"""What takes a while on the page Prove: the trial and the acceptance report, as jobs that can be cancelled."""

import asyncio
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Depends, Path, Response

from tiepoint.documents.files import write_together
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station
from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work import prove_shapes as shapes
from tiepoint.web.work.prove import claims

if TYPE_CHECKING:
    from tiepoint.recipe.pool import Preparation

Editor = Annotated[User, Depends(needs("change"))]
ThisStation = Annotated[Here, Depends(here_of)]
REPORTS = "reports"
ACCEPTED = "as accepted"
MOST_REPORTS, MOST_LABELS = 30, 200
_NAME = re.compile(r"acceptance-\d{8}T\d{6}Z(-\d+)?")
Name = Annotated[str, Path(pattern=f"^{_NAME.pattern}$")]
_PAGE = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; font-src data:; img-src data:; "
    "sandbox allow-scripts allow-downloads allow-modals"
)
"""Of the report as a page: it works its numbers out again by its own script, and reaches nothing of the station."""

router = APIRouter(prefix="/api/prove", tags=["prove"], dependencies=[Depends(needs("look"))])


# --- the trial -------------------------------------------------------------------------------------------------------


@router.get("/trial", responses=refusals(401, 422))
async def choices(here: ThisStation) -> shapes.TrialChoices:
    """Tell which recipes can be tried, and where the station has shots whose parts are known to be good or bad."""
    return await here.asking.run(lambda: _choices(here.station))


def _choices(station: Station) -> shapes.TrialChoices:
    from tiepoint.recipe.variants import load_variants
    from tiepoint.station.accepted import pointers_of

    has_accepted = bool(pointers_of(station).shas)
    drafts = [f"{path.parent.name}/{path.name}" for path in station.recipes()]
    path = station.variants_path
    variants = [] if path is None else list(load_variants(path))
    recipes = [f"{name}, {ACCEPTED}" for name in drafts if has_accepted] + drafts
    return shapes.TrialChoices(recipes=recipes, labels=_labels(station), variants=variants)


def _labels(station: Station) -> list[str]:
    """Return tables of labels, and folders that hold a folder good or bad, within the folder of pictures and tables."""
    found = []
    for top in ("pictures", "tables", "trial"):
        folder = station.folder / top
        if not folder.is_dir():
            continue
        for place in sorted((folder, *(p for p in folder.glob("*") if p.is_dir()))):
            found += [f"{station.relative(path)}" for path in sorted(place.glob("*.csv")) if _is_labels(path)]
            if (place / "good").is_dir() or (place / "bad").is_dir():
                found.append(station.relative(place))
    return found[:MOST_LABELS]


def _is_labels(path: Any) -> bool:
    try:
        with path.open(encoding="utf-8-sig") as file:
            head = file.readline(1000).lower()
    except (OSError, ValueError):
        return False
    return all(name in head for name in ("shot", "label"))


@router.post("/trial", status_code=202, responses=refusals(401, 409, 415, 422, 429))
async def trial(here: ThisStation, wanted: shapes.TrialWanted, user: Editor) -> JobTold:
    """Try a recipe on labelled shots; the study is kept, shown or not. Its result is the entry of the ledger.

    Needs the role change.
    """
    station, who = here.station, user.name
    preparation = await asyncio.to_thread(_preparation, station, wanted)
    labels = _inside(station, wanted.labels, "labels")
    tuning = [_inside(station, one, "tuning") for one in wanted.tuning]

    def work(telling: Telling) -> dict[str, Any]:
        return _tried(station, preparation, labels, tuning, wanted, who, telling)

    return here.jobs.begin(page="prove", says=f"Trying {wanted.recipe} on {wanted.labels}", work=work)


@router.get("/labels", responses=refusals(401, 422))
async def labels(here: ThisStation) -> shapes.LabelsTold:
    """Tell what the shots in the folder of the trial are, as far as somebody said it."""
    return await here.asking.run(lambda: _labelled(here.station))


@router.put("/labels", responses=refusals(401, 409, 415, 422))
async def label(here: ThisStation, wanted: shapes.LabelTold, user: Editor) -> shapes.LabelsTold:
    """Say what the part of a shot is; an empty label takes it back. Needs the role change."""
    from tiepoint.station.labelling import Labelled, give_label

    one = Labelled(wanted.shot, wanted.part, wanted.label, wanted.kind)
    await asyncio.to_thread(give_label, here.station, one, who=user.name)
    return await here.asking.run(lambda: _labelled(here.station))


def _labelled(station: Station) -> shapes.LabelsTold:
    from tiepoint.station.labelling import PLACE, absent, labels_of

    given = [one for one in labels_of(station) if one.label in ("good", "bad")]
    told = [
        shapes.LabelTold.model_validate({"shot": one.shot, "part": one.part, "label": one.label, "kind": one.kind})
        for one in given
    ]
    return shapes.LabelsTold(table=PLACE, labels=told, absent=list(absent(station, given)))


def _inside(station: Station, name: str, where: str) -> Any:
    """Return a place in the station's folder; refused where it leads out of it, or is not there."""
    path = station.folder.joinpath(*name.split("/"))
    try:
        station.relative(path)
    except UnusableInput:
        raise Refused(422, f"{name[:80]!r} lies outside of the station", "name what lies in it", where=where) from None
    if not path.exists() or not name:
        raise Refused(422, f"there is nothing called {name[:80]!r} in the station", "take one of the list", where=where)
    return path


def _preparation(station: Station, wanted: shapes.TrialWanted) -> "Preparation":
    from tiepoint.recipe.pool import Preparation
    from tiepoint.station.accepted import accepted_bundle, pointers_of, preparation_of

    name, _, as_accepted = wanted.recipe.partition(", ")
    drafts = {f"{path.parent.name}/{path.name}": path for path in station.recipes()}
    if as_accepted:
        shas = pointers_of(station).shas
        sha = next((sha for sha in shas if accepted_bundle(station, sha).recipe == name), None)
        if sha is None:
            raise Refused(422, f"{name[:80]} is not accepted", "accept it first, or try the draft", where="recipe")
        return preparation_of(station, sha, wanted.variant)
    if name not in drafts:
        raise Refused(422, f"there is no recipe {name[:80]}", "take one of the list", where="recipe")
    variants = station.variants_path if wanted.variant is not None else None
    return Preparation(drafts[name], variants=variants, variant=wanted.variant)


def _tried(
    station: Station, preparation: "Preparation", labels: Any, tuning: list[Any], wanted: shapes.TrialWanted, who: str,
    telling: Telling,
) -> dict[str, Any]:  # fmt: skip
    from tiepoint.documents.revived import outcome_of
    from tiepoint.report.trial_page import MOST_SHOWN
    from tiepoint.station.kept import keep_study
    from tiepoint.station.trials import try_shots, tuned_by
    from tiepoint.studies.labels import read_labels
    from tiepoint.studies.trial import study_trial

    telling(0, 1, "Preparing the recipe")
    prepared = preparation.prepared()
    told = read_labels(labels, max(len(prepared.each), 1))
    tuned = tuned_by(tuning, max(len(prepared.each), 1), prepared.each)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        telling(done, len(told), told[done - 1].where)

    # In this process: who looks at the page meanwhile, or duty beside it, must not want for cores.
    shown = try_shots(preparation, told, workers=1, step=step)
    study = study_trial(
        shown.showings, tuning_parts=tuned.parts, tuning_pictures=tuned.pictures,
        most_escapes=wanted.most_escapes, most_false=wanted.most_false,
    )  # fmt: skip
    wrong = [part.worst.where for part in study.wrong[:MOST_SHOWN]]
    pictures = {where: shown.overlays[where] for where in wrong if where in shown.overlays}
    table = labels if labels.is_file() else None
    telling.check()
    entry = keep_study(
        station, "trial", None, outcome_of(study), table, who=who, pictures=pictures, records=shown.records
    )
    return {"study": entry.seq, "says": " ".join(study.sentences[:2])}


# --- the acceptance report -------------------------------------------------------------------------------------------


@router.post("/report", status_code=202, responses=refusals(401, 409, 415, 422, 429))
async def report(here: ThisStation, wanted: shapes.ReportWanted, user: Editor) -> JobTold:
    """Make the acceptance report, on paper and as a page. Its result is what `reports` tells of it.

    Needs the role change.
    """
    station = here.station

    def work(telling: Telling) -> dict[str, Any]:
        from tiepoint.report.acceptance_files import report_files

        made = report_files(station, sample=wanted.sample, pictures=wanted.pictures, told=telling)
        telling.check()
        folder = station.folder / REPORTS
        stamp = datetime.now(UTC).strftime("acceptance-%Y%m%dT%H%M%SZ")
        name = next(
            n for k in range(1, 1000) if not (folder / f"{(n := stamp if k == 1 else f'{stamp}-{k}')}.pdf").exists()
        )
        write_together({folder / f"{name}.pdf": made.pdf, folder / f"{name}.html": made.html or b""})
        told = next(one for one in reports_of(station) if one.name == name)
        return {**told.model_dump(), "lines": list(made.lines), "good": made.good, "who": user.name}

    await asyncio.to_thread(_demand_agreed, station)
    return here.jobs.begin(page="prove", says="Writing the acceptance report", work=work)


def _demand_agreed(station: Station) -> None:
    if claims(station).agreed is None:
        raise Refused(409, "nothing was agreed, so there is nothing to report on", "agree on the requirements first")


def reports_of(station: Station) -> list[shapes.ReportTold]:
    """Return the reports that a station has, the newest first."""
    folder = station.folder / REPORTS
    found = [path for path in folder.glob("acceptance-*.pdf") if _NAME.fullmatch(path.stem)]
    newest = sorted(found, key=lambda path: path.stem, reverse=True)[:MOST_REPORTS]
    return [
        shapes.ReportTold(
            name=path.stem, made_utc=_made(path.stem), pdf=f"/api/prove/reports/{path.stem}.pdf",
            html=f"/api/prove/reports/{path.stem}.html", bytes=path.stat().st_size,
        )
        for path in newest
    ]  # fmt: skip


def _made(stem: str) -> str:
    day, time = stem.split("-")[1].rstrip("Z").split("T")
    return f"{day[:4]}-{day[4:6]}-{day[6:]}T{time[:2]}:{time[2:4]}:{time[4:]}Z"


@router.get(
    "/reports/{name}.pdf",
    responses={**refusals(401, 404, 422), 200: {"content": {"application/pdf": {}}}},
    response_class=Response,
)
async def report_on_paper(here: ThisStation, name: Name) -> Response:
    """Give a report on paper."""
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"', "Cache-Control": "private, no-cache"}
    return Response(await _file(here, f"{name}.pdf"), media_type="application/pdf", headers=headers)


@router.get(
    "/reports/{name}.html",
    responses={**refusals(401, 404, 422), 200: {"content": {"text/html": {}}}},
    response_class=Response,
)
async def report_as_page(here: ThisStation, name: Name) -> Response:
    """Give a report as a page that works its numbers out again; it reaches nothing of the station."""
    headers = {"Content-Security-Policy": _PAGE, "Cache-Control": "private, no-cache"}
    return Response(await _file(here, f"{name}.html"), media_type="text/html; charset=utf-8", headers=headers)


async def _file(here: Here, name: str) -> bytes:
    path = here.station.folder / REPORTS / name
    try:
        return await here.asking.run(path.read_bytes)
    except OSError:
        raise Refused(404, f"there is no report {name}", "make one") from None
