"""Run a recipe over one shot: every step once, in the order of dependence, each gives readings or reasons.

Nothing that goes wrong with a part or a picture raises here: it becomes a reading without a value and with a
reason, and what rests on it says so. The same recipe, shot and tie give the same record, bit for bit; only
the timings differ.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.foundation.reasons import Reason, flag, forbidding
from tiepoint.foundation.sources import Value
from tiepoint.model.decide import SIMPLE, overall
from tiepoint.model.reading import Reading
from tiepoint.model.record import Grip, Record
from tiepoint.model.shot import Shot
from tiepoint.recipe.context import NO_SHIFT, Context, EdgeLook, EdgeShift, StepResult
from tiepoint.recipe.evenness import unevenness
from tiepoint.recipe.features import Feature, PartFeature
from tiepoint.recipe.grips import Arm, GripTable, first_lacking, grips_of
from tiepoint.recipe.ground import Ground, ImageGround, PlaneGround
from tiepoint.recipe.judge import Asked, asked_of, read
from tiepoint.recipe.lit import Lit
from tiepoint.recipe.part import PartGround
from tiepoint.recipe.recipe import Recipe, Step
from tiepoint.recipe.schema import EdgedTable, SoughtTable
from tiepoint.recipe.seek import find_in
from tiepoint.ties.lean import Lean
from tiepoint.ties.sensor import OtherSensor, Sensor
from tiepoint.ties.tie import Tie
from tiepoint.vision.colour import lightness
from tiepoint.vision.definition import EdgeDefinition
from tiepoint.vision.full_scale import full_scale, scale_end
from tiepoint.vision.relief import NAMES, Relief

Pixels = NDArray[Any]
Clock = Callable[[], float]


@dataclass(frozen=True)
class Job:
    """What stays the same from shot to shot: the recipe, the tie at the part's height, and what the record says of it.

    `tie` is None where all steps live in the image. `arms`: the grips with their robots; `height` of the part's surface
    above the station's plane, with the source by which the tie was moved there; `lean`: of that surface, which the tie
    has too. `flags`: what is to be known of every
    length that is read through the tie. `lit`: what the relief of a shot under several lamps is computed with.
    """

    recipe: Recipe
    tie: Tie | None
    tie_shas: tuple[str, ...] = ()
    variant: str | None = None
    station: str = ""
    software: str = "tiepoint"
    notes: tuple[str, ...] = ()
    arms: tuple[Arm, ...] = ()
    height: Value | None = None
    lean: Lean | None = None
    flags: tuple[str, ...] = ()
    lit: Lit | None = None

    @cached_property
    def asked(self) -> Mapping[str, tuple[Asked, ...]]:
        """What each step is to read, by its name."""
        return {step.name: tuple(asked_of(self.recipe, step)) for step in self.recipe.steps}

    @cached_property
    def sought(self) -> tuple[tuple[Step, str], ...]:
        """The steps that look for edges in pictures of a camera, by dependence, and the channel that each looks at."""
        seeking = [(s, s.table) for s in self.recipe.order if isinstance(s.table, SoughtTable)]
        # How an edge looks in a slope or a curvature says nothing of how light meets it.
        return tuple((s, table.plane) for s, table in seeking if table.picture not in NAMES)

    @cached_property
    def on_relief(self) -> frozenset[str]:
        """The names of the steps that look at a picture of the relief."""
        return frozenset(s.name for s in self.recipe.steps if s.looks_at and s.looks_at[0] in NAMES)

    @cached_property
    def computed_edges(self) -> frozenset[str]:
        """The names of the steps that rest on edges there, and name no edge definition that stands for those."""
        edged = [(s.name, s.table) for s in self.recipe.steps if isinstance(s.table, EdgedTable)]
        return self.on_relief.intersection([n for n, t in edged if t.edge is None and not t.draws_by_level])

    @cached_property
    def all_notes(self) -> tuple[str, ...]:
        """The job's notes, and what is to be said of the recipe's decision rules."""
        return self.notes + _rule_notes(self.recipe)

    @cached_property
    def mm_per_unit(self) -> float:
        """Millimetres in the recipe's unit."""
        return self.recipe.head.mm_per_unit


@dataclass(frozen=True)
class Trace:
    """What a step did, for drawing over the picture `role`; its ground carries places to pixels.

    `unit`: ground units in one unit of the recipe.
    """

    step: Step
    role: str
    unit: float
    ground: Ground | None
    result: StepResult
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Outcome:
    """A shot's record, and what each step found, in the order of the recipe."""

    record: Record
    traces: tuple[Trace, ...]


@dataclass(frozen=True)
class Seen:
    """A shot with its pictures by role: `grey` (rows, columns), `colour` (rows, columns, 3) where it has any.

    `sensors`: the sensor setting of each, as far as it is stated. `lit` and `tie`: what its relief is computed with.
    """

    shot: Shot
    grey: Mapping[str, Pixels]
    sensors: Mapping[str, Sensor]
    colour: Mapping[str, Pixels] = field(default_factory=dict)
    lit: Lit | None = None
    tie: Tie | None = None

    def under(self, job: Job) -> "Seen":
        """Return the shot as a job's lights let it be seen; itself where it is, with the relief that it has."""
        is_so = job.lit is None or (self.lit is job.lit and self.tie is job.tie)
        return self if is_so else replace(self, lit=job.lit, tie=job.tie)

    @cached_property
    def relief(self) -> Relief | Reason:
        """The relief of the shot, computed once for all steps that look at it, or why there is none."""
        if self.lit is None:
            return Reason("no_picture", {"picture": "of the relief, since no lights are given"})
        try:
            tie = self.tie and self.tie.for_sensor(self.sensors[self.shot.pictures[0].role])
        except OtherSensor as error:
            return Reason("tie_refused", {"detail": str(error)})
        return self.lit.relief(self.shot.pictures, self.grey, self.colour, tie)

    @cached_property
    def _by_light(self) -> Mapping[str, str]:
        return {p.light: p.role for p in self.shot.pictures if p.light is not None}

    def role_of(self, name: str | None) -> str:
        """Return the role of the picture of that role or light, the first for None; other names as they are."""
        if name is None:
            return self.shot.pictures[0].role
        return name if name in self.grey else self._by_light.get(name, name)

    def lies_on(self, name: str | None) -> str:
        """Return the role of the picture in whose pixels a picture of that name has its places."""
        role = self.role_of(name)
        return self.shot.pictures[0].role if role in NAMES and role not in self.grey else role

    def picture(self, name: str | None, channel: str = "grey") -> Pixels | Reason:
        """Return a picture (rows, columns) by its role, light or name in the relief, or why there is none."""
        role = self.role_of(name)
        if role not in self.grey:
            if role not in NAMES:
                return Reason("no_picture", {"picture": role})
            if channel != "grey":
                return Reason("no_channel", {"picture": role, "channel": channel})
            return self.relief if isinstance(self.relief, Reason) else self.relief.picture(role)
        if channel == "grey":
            return self.grey[role]
        if role not in self.colour:
            return Reason("no_channel", {"picture": role, "channel": channel})
        return self._channel(role, channel)

    def scale(self, name: str | None, picture: Pixels) -> tuple[float, float]:
        """Return from which grey on a picture of that name is saturated, and the upper end of its scale."""
        role = self.role_of(name)
        if role not in self.grey or not np.issubdtype(picture.dtype, np.integer):
            return full_scale([picture]), scale_end(picture)
        if role not in self._scales:
            # Once for all steps, and by all channels: a grey is no brighter than the brightest of them.
            whole, bits = self.colour.get(role, self.grey[role]), self._bits(role)
            whole = whole if whole.dtype == picture.dtype else picture
            self._scales[role] = full_scale([whole], bits), scale_end(whole, bits)
        return self._scales[role]

    @cached_property
    def _scales(self) -> dict[str, tuple[float, float]]:
        return {}

    def _bits(self, role: str) -> int | None:
        return next((p.bits for p in self.shot.pictures if p.role == role), None)

    @cached_property
    def _channels(self) -> dict[tuple[str, str], Pixels]:
        return {}

    def _channel(self, role: str, channel: str) -> Pixels:
        # Taken out once for all steps that look at it.
        if (role, channel) not in self._channels:
            picture = self.colour[role]
            if channel == "L*":
                made: Pixels = lightness(picture, scale_end(picture, self._bits(role)))
            else:
                made = np.ascontiguousarray(picture[:, :, "rgb".index(channel)])
            self._channels[role, channel] = made
        return self._channels[role, channel]


def run(job: Job, seen: Seen, *, seq: int = 1, clock: Clock | None = None, at_count: int | None = None) -> Outcome:
    """Return the record of a shot. `clock` gives seconds; without it the record has no timings.

    `at_count`: the count of the belt for which grips are told, by default that of the shot.
    """
    seen = seen.under(job)
    grounds = {role: _ground(job, seen, role) for role in seen.grey}
    results: dict[str, tuple[StepResult, str, Ground | None]] = {}
    parts: dict[str, PartGround] = {}
    timings: dict[str, float] = {}
    since = clock() if clock else 0.0
    for step in job.recipe.order:
        results[step.name] = _run_step(job, seen, step, grounds, parts, results)
        if clock:
            timings[step.name] = (now := clock()) - since
            since = now
    flags = _flags(job, seen, results)
    traces = []
    since = clock() if clock else 0.0
    for step in job.recipe.steps:
        traces.append(_trace(job, seen, step, *results[step.name], flags[step.name]))
        if clock:
            # What a step costs is what it took to measure and to judge.
            timings[step.name] += (now := clock()) - since
            since = now
    by_step = {t.step.name: t.readings for t in traces}
    readings = tuple(r for t in traces for r in t.readings)
    record = Record(
        station=job.station,
        seq=seq,
        shot=seen.shot,
        recipe_sha=job.recipe.sha,
        tie_shas=job.tie_shas,
        software=job.software,
        readings=readings,
        verdict=overall([r.verdict for r in readings]),
        grips=grips_of(
            job.arms,
            {n: (r[0], flags[n]) for n, r in results.items()},
            job.height,
            seen.shot,
            at_count=at_count,
            lean=job.lean,
            lacks=_Needs(job, seen, grounds, results, by_step).lacking,
        ),
        variant=job.variant,
        lights_sha=None if job.lit is None else job.lit.sha,
        notes=job.all_notes + (seen.relief.notes if job.on_relief and isinstance(seen.relief, Relief) else ()),
        timings=timings,
    )
    return Outcome(record, tuple(traces))


def unread(job: Job, shot: Shot, reason: Reason, *, seq: int = 1) -> Record:
    """Return the record of a shot that could not be looked at: every reading that is asked for, without a value."""
    asked = [a for step in job.recipe.steps for a in job.asked[step.name]]
    readings = tuple(Reading.without(reason, limits=a.limits, **a.describe(None, ())) for a in asked)
    return Record(
        station=job.station,
        seq=seq,
        shot=shot,
        recipe_sha=job.recipe.sha,
        tie_shas=job.tie_shas,
        software=job.software,
        readings=readings,
        verdict=overall([r.verdict for r in readings]),
        grips=tuple(Grip(arm.table.name, None, None, False, reason) for arm in job.arms),
        variant=job.variant,
        lights_sha=None if job.lit is None else job.lit.sha,
        notes=job.all_notes,
    )


def prefix_of(shot: Shot, step: Step) -> str:
    """Return what starts the ids of sources that belong to one step on one shot: they average out over shots."""
    return f"{shot.id}/{step.name}"


def shift_of(recipe: Recipe, step: Step, shot: Shot) -> EdgeShift:
    """Return the edge definition that a step names, as a source shared by all steps that name it."""
    table = step.table
    if not isinstance(table, EdgedTable) or table.edge is None:
        return NO_SHIFT
    edge = recipe.head.edge[table.edge]
    factor = 1.0 if step.base == "image" else recipe.head.mm_per_unit
    owner = f"/{shot.part_id or shot.id}" if edge.scope == "part" else ""
    # Steps in the image and in the plane count the shift in different units: they cannot share a source.
    id_ = f"edge:{table.edge}{owner}" + (":px" if step.base == "image" else "")
    definition = EdgeDefinition(edge.u * factor, edge.bias * factor, f'Edge definition "{table.edge}"', edge.scope)
    return EdgeShift(definition.bias, definition.source(id_) if edge.u > 0 else None)


def _ground(job: Job, seen: Seen, role: str) -> PlaneGround | Reason | None:
    """Return the plane under a picture, or why the tie does not fit it; None without a tie."""
    if job.tie is None:
        return None
    try:
        return PlaneGround(job.tie.for_sensor(seen.sensors[role]))
    except OtherSensor as error:
        return Reason("tie_refused", {"detail": str(error)})


def _run_step(
    job: Job,
    seen: Seen,
    step: Step,
    grounds: Mapping[str, PlaneGround | Reason | None],
    parts: dict[str, PartGround],
    done: Mapping[str, tuple[StepResult, str, Ground | None]],
) -> tuple[StepResult, str, Ground | None]:
    name = step.looks_at[0] if step.looks_at else None
    role = seen.lies_on(name)
    if seen.shot.status != "complete":
        return StepResult.without(Reason("shot_not_complete", {"status": seen.shot.status})), role, None
    if role not in seen.grey:
        return StepResult.without(Reason("no_picture", {"picture": role})), role, None
    ground: Ground | Reason | None = ImageGround() if step.base == "image" else grounds[role]
    if ground is None:
        return StepResult.without(Reason("tie_refused", {"detail": "there is none"})), role, None
    if isinstance(ground, Reason):
        return StepResult.without(ground), role, None
    ground = _within(step, ground, parts, done)
    if isinstance(ground, Reason):
        return StepResult.without(ground), role, None
    features: list[Feature] = []
    for name in step.rests_on:
        feature = done[name][0].feature
        if feature is None or isinstance(feature, PartFeature):
            return StepResult.without(Reason("step_failed", {"step": name})), role, ground
        features.append(feature)
    picture = seen.picture(*step.looks_at) if step.looks_at else None
    if isinstance(picture, Reason):
        return StepResult.without(picture), role, ground
    return _measure(job, seen, step, ground, tuple(features), picture), role, ground


def _within(
    step: Step,
    ground: Ground,
    parts: dict[str, PartGround],
    done: Mapping[str, tuple[StepResult, str, Ground | None]],
) -> Ground | Reason:
    """Return the frame of the part that a step lives in; a reason, never a place by default, where none was found.

    `parts`: the frames by find, made once for all steps that live in them.
    """
    name = step.lives_in
    if name is None:
        return ground
    if name in parts:
        return parts[name]
    result, _, base = done[name]
    if not isinstance(result.feature, PartFeature) or base is None:
        return Reason("step_failed", {"step": name})
    return parts.setdefault(name, PartGround(base, result.feature, name))


def _measure(
    job: Job, seen: Seen, step: Step, ground: Ground, features: tuple[Feature, ...], picture: Pixels | None
) -> StepResult:
    full, end = seen.scale(step.looks_at[0], picture) if step.looks_at and picture is not None else (math.inf, 1.0)
    context = Context(
        table=step.table,
        picture=picture,
        ground=ground,
        unit=_unit(job, step),
        features=features,
        search=partial(find_in, picture, full_scale=full) if picture is not None else None,
        prefix=prefix_of(seen.shot, step),
        shift=shift_of(job.recipe, step, seen.shot),
        beside=step.beside,
        colour=seen.colour.get(seen.role_of(step.looks_at[0])) if step.looks_at else None,
        others=seen.picture,
        part_id=seen.shot.part_id,
        full_scale=full,
        scale_end=end,
    )
    try:
        return step.kind.run(context)
    # A step that breaks must not take the record with it: the part is unread, the line goes on, and the words are kept.
    except Exception as error:
        return StepResult.without(Reason("step_broke", {"detail": f"{type(error).__name__}, {error}"}))


@dataclass(frozen=True)
class _Needs:
    """Whether parts show what their grips need: the steps in the find's frame, in that of each part.

    A find's part seen best has been measured; for another the same steps run again where that one lies.
    """

    job: Job
    seen: Seen
    grounds: Mapping[str, PlaneGround | Reason | None]
    results: Mapping[str, tuple[StepResult, str, Ground | None]]
    readings: Mapping[str, tuple[Reading, ...]]

    def lacking(self, grip: GripTable, part: PartFeature) -> Reason | None:
        """Return what a part lacks of all that a grip needs; None where it shows everything."""
        needed = [step for step in self.job.recipe.steps if step.name in grip.needs]
        result, _, base = self.results[grip.in_]
        measured = result.feature is part or base is None
        readings = self.readings if measured else self._measured_again(grip.in_, part, needed)
        return first_lacking((step.name, readings[step.name]) for step in needed)

    def _measured_again(self, find: str, part: PartFeature, needed: list[Step]) -> Mapping[str, tuple[Reading, ...]]:
        """Return what the needed steps of the find's frame read in that of another part."""
        result, role, base = self.results[find]
        again = {**self.results, find: (replace(result, feature=part), role, base)}
        parts: dict[str, PartGround] = {}
        for step in self.job.recipe.order:
            if step.frame == find:
                again[step.name] = _run_step(self.job, self.seen, step, self.grounds, parts, again)
        flags = _flags(self.job, self.seen, again)
        return {s.name: _trace(self.job, self.seen, s, *again[s.name], flags[s.name]).readings for s in needed}


def _flags(
    job: Job, seen: Seen, results: Mapping[str, tuple[StepResult, str, Ground | None]]
) -> dict[str, tuple[str, ...]]:
    """Return what is to be known of each step by name: its own flags, the tie's, and the doubts of what it rests on."""
    uneven = _uneven(job, results)
    of_tie = job.tie.flags if job.tie is not None else ()
    told: dict[str, tuple[str, ...]] = {}
    for step in job.recipe.order:
        result = results[step.name][0]
        own = list(result.flags)
        if step.name in job.on_relief and isinstance(seen.relief, Relief):
            own += seen.relief.flags
        if step.name in job.computed_edges and result.failed is None:
            own.append(flag("edges_computed"))
        if step.name in uneven and result.failed is None:
            own.append(flag("edge_differs_by_side"))
        if step.base == "plane":
            own += of_tie
        if result.failed is None and (before := [f for name in step.waits_for for f in told[name]]):
            own += forbidding(before)
        told[step.name] = tuple(dict.fromkeys(own)) if own else ()
    return told


def _uneven(job: Job, results: Mapping[str, tuple[StepResult, str, Ground | None]]) -> frozenset[str]:
    """Return the steps that look at a picture whose edges look different on different sides.

    Channels count as pictures of their own. What is in the plane and what is in the image are tested apart: they do not
    share their directions, but they do share the light.
    """
    looks: dict[tuple[str, str, str], list[EdgeLook]] = {}
    for step, plane in job.sought:
        result, role, _ = results[step.name]
        of_picture = looks.setdefault((role, plane, step.frame), [])
        for found in result.found:
            of_picture += found.looks
    tested = {picture: unevenness(edges) for picture, edges in looks.items()}
    warned = {(role, plane) for (role, plane, _), told in tested.items() if told is not None and told.is_certain}
    if not warned:
        return frozenset()
    return frozenset([step.name for step, plane in job.sought if (results[step.name][1], plane) in warned])


def _trace(
    job: Job,
    seen: Seen,
    step: Step,
    result: StepResult,
    role: str,
    ground: Ground | None,
    flags: tuple[str, ...],
) -> Trace:
    of_mm = tuple(dict.fromkeys((*flags, *job.flags))) if job.flags else flags
    prefix = prefix_of(seen.shot, step)
    readings = []
    for asked in job.asked[step.name]:
        told = result.failed or result.told.get(asked.quantity.name) or Reason("not_a_number")
        readings.append(read(asked, told, result.operator, of_mm if asked.is_mm else flags, prefix))
    return Trace(step, role, _unit(job, step), ground, result, tuple(readings))


def _unit(job: Job, step: Step) -> float:
    return 1.0 if step.base == "image" else job.mm_per_unit


def _rule_notes(recipe: Recipe) -> tuple[str, ...]:
    simple = [s.name for s in recipe.steps if s.table.limits and recipe.rule_of(s).rule == SIMPLE]
    if not simple:
        return ()
    every = len(simple) == sum(1 for s in recipe.steps if s.table.limits)
    whom = "Every verdict" if every else "The verdict of " + ", ".join(simple)
    return (f"{whom} is by the simple rule: no guard band is kept for the uncertainty.",)
