"""`tiepoint accept`, `verify` and `replay`: what a station may run, whether its evidence holds, what would change."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present, progress, table
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.recipe.pool import Preparation
    from tiepoint.station.accepted import Bundle
    from tiepoint.station.folder import Station
    from tiepoint.station.replay import Case, Replayed
    from tiepoint.station.verify import Evidence

LONGEST_REASON = 500
MOST_TOLD = 20
"""So many parts that came out otherwise are named one by one."""

Folder = Annotated[Path, typer.Argument(metavar="STATION", help="The station's folder, which holds station.toml.")]


# --- accept ----------------------------------------------------------------------------------------------------------


def accept(
    station: Folder,
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why; it stays with the station.")] = None,
    who: Annotated[
        str | None, typer.Option("--who", metavar="NAME", help="Who accepts; you, by the system's account, by default.")
    ] = None,
    recipes: Annotated[
        list[Path] | None,
        typer.Option("--recipe", metavar="RECIPE.toml", help="Only this recipe, and what it rests on (repeatable)."),
    ] = None,
    variants: Annotated[
        list[str] | None,
        typer.Option("--variant", metavar="NAME", help="Only this variant is to run it from now on (repeatable)."),
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Only show what would change.")] = False,
    as_json: Json = False,
) -> None:
    """Accept a station's drafts: from now on it runs these, and no later edit, until they are accepted anew.

    A recipe is copied with all that it rests on (tie, lights, masks, taught data, robot, belt, variants) to
    accepted/<hash>/, which is never changed afterwards. Who accepted it, when and why stands in the station's ledger.
    Without --why, or with --show, what would change is shown and nothing is done. requirements.toml is kept and dated
    likewise: what a study is held against must be older than its data. So is a name that the station is given anew.

    \b
      tiepoint accept plates --show
      tiepoint accept plates --why "bore A now by 40 strips; study of 12 May"
    """
    from tiepoint.station.accepted import accept as accepted
    from tiepoint.station.accepted import as_plain, draft_of
    from tiepoint.station.acts import rename
    from tiepoint.station.folder import open_station
    from tiepoint.station.requirements import agree

    there = open_station(station)
    bundles = [draft_of(there, path) for path in _drafts(there, recipes)]
    changes = [*_of_name(there), *_of_requirements(there), *_changes(there, bundles)]
    document: dict[str, object] = {"station": there.name, "changes": changes}
    if show or not changes:
        lines = changes or [f"Nothing differs from what is accepted at {there.name}."]
        present(Answer({**document, "accepted": None}, tuple(lines)), as_json)
    for line in (*changes, *there.outside()):
        hint_at(line)
    by, reason = who_is_asking(who), _why(why)
    named = rename(there, who=by, why=reason)
    agreed = agree(there, who=by, why=reason)
    acceptance = accepted(there, bundles, who=by, why=reason, variants=variants or ())
    acts = (("Renamed", named), ("Requirements agreed", agreed))
    done = tuple(f"{what}: entry {entry.seq} of the ledger." for what, entry in acts if entry is not None)
    if acceptance is None:
        present(Answer({**document, "accepted": None}, done or ("Nothing differs from what is accepted.",)), as_json)
    told = {"entry": acceptance.entry.seq, "sha": acceptance.entry.sha, "new": list(acceptance.new)}
    copies = "; ".join(f"{b.recipe} as {b.sha[:12]}" for b in bundles)
    lines = [
        *done,
        f"Accepted at {there.name}: {copies}.",
        f"Entry {acceptance.entry.seq} of the ledger, {acceptance.entry.written_utc}; head {acceptance.entry.sha}.",
    ]
    present(Answer({**document, "accepted": {**told, **as_plain(acceptance.pointers)}}, tuple(lines)), as_json)


def _drafts(station: "Station", asked: list[Path] | None) -> list[Path]:
    """Return the drafts that were typed; where none was, those that measure something."""
    from tiepoint.station.drafts import drafts_named, drafts_that_measure

    if asked:
        return drafts_named(station, asked)
    measuring, left_out = drafts_that_measure(station)
    for path in left_out:
        hint_at(f"{station.relative(path)} is left out: no line of variants.csv is measured by it")
    return measuring


def _changes(station: "Station", bundles: "list[Bundle]") -> Iterator[str]:
    """Yield, for a person, what the drafts change of what is accepted."""
    from tiepoint.station.accepted import differences
    from tiepoint.station.drafts import copies_by_recipe

    old = copies_by_recipe(station)
    for bundle in bundles:
        yield from differences(old.get(bundle.recipe), bundle)


def _of_name(station: "Station") -> Iterator[str]:
    """Yield whether the station is called otherwise than its ledger calls it."""
    from tiepoint.recipe.tables import shown
    from tiepoint.station.folder import STATION
    from tiepoint.station.naming import other_names

    if names := other_names(station):
        yield f"{STATION}: renamed from {' and '.join(map(shown, names))} to {shown(station.name)}"


def _of_requirements(station: "Station") -> Iterator[str]:
    """Yield whether the requirements differ from those that were agreed."""
    from tiepoint.station.ledger import Ledger, has_ledger
    from tiepoint.station.requirements import REQUIREMENTS, agreed_requirements, load_requirements

    path = station.folder / REQUIREMENTS
    if not path.is_file():
        return
    found, before = load_requirements(path), None
    if has_ledger(station.ledger_place):
        with Ledger(station.ledger_place) as ledger:
            before = agreed_requirements(station, ledger)
    if before is None:
        yield f"{REQUIREMENTS}: new"
    elif before[0].sha != found.sha:
        yield f"{REQUIREMENTS}: changed since it was agreed on {before[1].written_utc[:10]}"


def _why(why: str | None) -> str:
    if why is None or not why.strip():
        raise UnusableInput('say with --why for what reason the drafts are accepted, as in --why "first acceptance"')
    return one_line("--why", why, LONGEST_REASON)


def who_is_asking(who: str | None) -> str:
    """Return the name that stands with an act: the one that was typed, or that of the system's account."""
    if who is not None:
        return one_line("--who", who, 80)
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError) as error:
        raise UnusableInput("the system does not say who you are; say it with --who") from error


def one_line(option: str, text: str, most: int) -> str:
    """Return a line that was typed, without blanks to spare; `UnusableInput` where it is none."""
    kept = " ".join(text.split())
    if not kept or len(kept) > most or not kept.isprintable():
        raise UnusableInput(f"{option} takes a line of 1 to {most} printable characters")
    return kept


# --- verify ----------------------------------------------------------------------------------------------------------


def verify(
    station: Annotated[
        Path | None, typer.Argument(metavar="[STATION]", help="The station's folder, which holds station.toml.")
    ] = None,
    head: Annotated[
        str | None, typer.Option("--head", metavar="SHA", help="A head that a report or a controller was told.")
    ] = None,
    sample: Annotated[
        int, typer.Option("--sample", metavar="N", min=0, help="Work out so many records again, chosen at random.")
    ] = 20,
    report: Annotated[
        Path | None, typer.Option("--report", metavar="FILE", help="Instead: a report with its signature, FILE.sig.")
    ] = None,
    by: Annotated[
        Path | None, typer.Option("--by", metavar="PUBLIC.pem", help="The public key of who signed the report.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Prove that a station's evidence is what it was, and is this station's.

    Looked at are the ledger, accepted copies, agreed requirements, studies with their data, kept pictures, and some
    records, which are worked out again. Tells apart what was taken away by right (expired), what is missing, what was
    altered and what was never kept. An end that was cut off the ledger is found by a head that was told elsewhere, as
    every report does. The folder is only read: a copy that cannot be written will do. Exit code 1: something does not
    hold, or is of another station. With --report it proves instead that a report is the file that was signed by the
    holder of a key.

    \b
      tiepoint verify plates
      tiepoint verify plates --sample 200 --head 5c1f…
      tiepoint verify --report acceptance.pdf --by weiss-public.pem
    """
    if report is not None or by is not None:
        _verify_signature(station, report, by, as_json)
    from tiepoint.station.folder import open_station
    from tiepoint.station.verify import verify as verified

    if station is None:
        raise UnusableInput("name the station's folder, or a report with --report and --by")
    if head is not None and not (len(head) == 64 and set(head) <= set("0123456789abcdef")):
        raise UnusableInput(f"--head is {head[:70]!r}; give the 64 digits 0-9 and a-f that the report tells")
    there = open_station(station)
    evidence = verified(there, head=head, sample=sample)
    unknown = "Whether the ledger's end was cut off is not known without --head: a head that was told elsewhere."
    hints = (unknown,) if head is None and evidence.chain.holds else ()
    present(Answer(evidence_document(evidence), tuple(evidence_lines(evidence)), evidence.good, hints), as_json)


def _verify_signature(station: Path | None, report: Path | None, by: Path | None, as_json: bool) -> None:
    from tiepoint.documents.signing import check_signature, public_key, signature_path

    if report is None or by is None:
        raise UnusableInput("a signature is checked with --report FILE and --by PUBLIC.pem; give both")
    if station is not None:
        raise UnusableInput(f"--report checks a file alone; leave {station} out, and verify the station by itself")
    good = check_signature(report, public_key(by))
    said = (
        f"{report} is the file that was signed by the key {by}."
        if good
        else f"{signature_path(report)} is not the signature of {report} by the key {by}: either is another."
    )
    present(Answer({"report": str(report), "by": str(by), "signed": good}, (said,), good), as_json)


def evidence_document(found: "Evidence") -> dict[str, object]:
    """Return what was found as plain data."""
    return {
        "good": found.good,
        "first": found.first,
        "entries": found.chain.count,
        "head": found.chain.head.sha,
        "head_known": found.head_known,
        "accepted_copies": found.copies,
        "agreed": found.agreed,
        "studies": found.studies,
        "kept_shots": found.kept,
        "expired": list(found.expired),
        "never_kept": list(found.never_kept),
        "recomputed": len(found.recomputed),
        "recomputed_same": sum(r.same for r in found.recomputed),
        "not_recomputed": list(found.not_recomputed),
        "faults": list(found.all_faults),
        "notes": list(found.notes),
    }


def evidence_lines(found: "Evidence") -> Iterator[str]:
    """Yield what was found, for a person."""
    chain = "the chain holds" if found.chain.holds else "the chain does not hold"
    since = f", the first {found.first}" if found.first is not None else ""
    yield f"Ledger: {found.chain.count} entries{since}, {chain}; head {found.chain.head.sha}."
    if found.chain.holds:
        gone = f", {len(found.expired)} taken away by right" if found.expired else ""
        never = f", {len(found.never_kept)} never kept" if found.never_kept else ""
        yield (
            f"Accepted copies: {found.copies} whole. Agreed requirements: {found.agreed} as they were. "
            f"Studies: {found.studies} as they were."
        )
        yield f"Kept shots: {found.kept} as they were{gone}{never}."
        same = sum(r.same for r in found.recomputed)
        yield f"Worked out again: {len(found.recomputed)} records, {same} as they were judged."
    yield from (f"  {note}" for note in found.notes)
    yield from (f"  not worked out again: {line}" for line in found.not_recomputed)
    yield from (f"  {fault}" for fault in found.all_faults[:MOST_TOLD])
    if len(found.all_faults) > MOST_TOLD:
        yield f"  and {len(found.all_faults) - MOST_TOLD} faults more; --json tells all"
    yield "All of it holds." if found.good else "Not all of it holds."


# --- replay ----------------------------------------------------------------------------------------------------------


def replay(
    station: Folder,
    recipe: Annotated[
        Path | None,
        typer.Option("--recipe", metavar="RECIPE.toml", help="A draft to be tried; what is accepted by default."),
    ] = None,
    last: Annotated[int | None, typer.Option("--last", metavar="N", min=1, help="Only the last N kept shots.")] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", metavar="N", min=1, help="Processes at once; as many as pay off by default."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Run a recipe again over the shots that a station kept, and tell what would come out otherwise.

    With --recipe a draft is tried before it is accepted: which parts would get another verdict, and which readings
    would change by more than a hundredth of their own u. Exit code 1: some part would get another verdict, or its
    pictures can no longer be used.

    \b
      tiepoint replay plates --last 500
      tiepoint replay plates --recipe plates/recipes/plate.toml
    """
    from tiepoint.recipe.pool import workers_for
    from tiepoint.station.folder import open_station
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.replay import cases_of
    from tiepoint.station.replay import replay as replayed

    there = open_station(station)
    with Ledger(there.ledger_place) as ledger:
        cases = list(cases_of(there, ledger))
    cases = cases if last is None else cases[-last:]
    if not cases:
        raise UnusableInput(f"{there.name} has kept no shot yet; judge some with tiepoint run {station} SHOT...")
    told: list[Replayed] = []
    with progress("Shots", len(cases)) as step:
        for preparation, group in _groups(there, recipe, cases):
            told += replayed(
                preparation, group, workers=workers_for(len(group), workers), progress=lambda _: next(step)
            )
    told.sort(key=lambda r: r.seq)
    good = all(r.lost is None and r.was == r.now for r in told)
    present(
        Answer({"station": there.name, "replayed": [_plain(r) for r in told]}, tuple(_outcome(told)), good), as_json
    )


def _groups(station: "Station", draft: Path | None, cases: "list[Case]") -> "Iterator[tuple[Preparation, list[Case]]]":
    """Yield what is run over which shots: a draft over those of its variants, or to each the copy accepted for it."""
    from tiepoint.station.accepted import pointers_of, preparation_of
    from tiepoint.station.replay import tried

    if draft is not None:
        (path,) = _drafts(station, [draft])
        preparation, its = tried(station, path, cases)
        if not (wanted := list(its)):
            raise UnusableInput(f"no kept shot is of a variant that {draft} measures; judge some first")
        yield preparation, wanted
        return
    pointers = pointers_of(station)
    groups: dict[str, list[Case]] = {}
    for case in cases:
        sha = pointers.of(case.record.variant)
        if sha is None:
            raise UnusableInput(
                f'entry {case.record.seq} is of the variant "{case.record.variant}", for which nothing is accepted'
            )
        groups.setdefault(sha, []).append(case)
    for sha, group in groups.items():
        yield preparation_of(station, sha), group


def _plain(one: "Replayed") -> dict[str, object]:
    from tiepoint.documents.canonical import plain

    return {**plain(one), "same": one.same}


def _outcome(told: "list[Replayed]") -> Iterator[str]:
    other = [r for r in told if r.lost is None and r.was != r.now]
    lost = [r for r in told if r.lost is not None]
    moved = [r for r in told if not r.same and r not in other and r not in lost]
    yield f"{len(told)} shots were run again: {len(other)} would get another verdict."
    if moved:
        yield f"{len(moved)} more keep their verdict, with readings that differ by more than a hundredth of their u."
    rows = [(f"entry {r.seq}", r.part_id or r.shot, f"{r.was} → {r.now}", _first(r)) for r in other[:MOST_TOLD]]
    yield from table(rows)
    if len(other) > MOST_TOLD:
        yield f"  and {len(other) - MOST_TOLD} more; --json tells all"
    yield from (f"  entry {r.seq}: {r.lost}" for r in lost[:MOST_TOLD])


def _first(one: "Replayed") -> str:
    """Return the reading that made the verdict another."""
    change = next((c for c in one.changes if c.verdict_was != c.verdict_now), None)
    return (
        ""
        if change is None
        else f"{change.id}: {_figure(change.was, change.U95_was)} → {_figure(change.now, change.U95_now)}"
    )


def _figure(said: float | str | None, U95: float | None) -> str:
    if not isinstance(said, float):
        return "nothing" if said is None else said
    return f"{said:.6g}" if U95 is None else f"{said:.6g} ± {U95:.2g}"
