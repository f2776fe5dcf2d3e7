"""`[duty]` of station.toml: in what time parts are judged, by which variant, and when the station may begin.

[duty]
deadline_ms = 500          # from the trigger on; a part that is judged later is unread
workers = 2                # processes that judge
waiting = 8                # parts that may wait to be judged; more are unread at once
variant = "left"           # what parts are where nothing else tells
tie_check_h = 12.0         # no robot is given a pose once the last good touch test is older
sorted_by = "codes"        # a variant whose recipe reads the code that tells which variant a part is

[[duty.rule]]
of = "part_id"             # or "code": the first text that sorted_by's recipe read
like = "L-*"
variant = "left"

[duty.challenge]           # the station is released once these are judged right
labels = "challenge/labels.csv"
every_h = 8.0

[duty.reject]              # parts are thrown out so many places behind the camera
after = 3
"""

from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase
from typing import Annotated, Literal

from pydantic import Field

from tiepoint.recipe.tables import Name, Table, said_names, shown
from tiepoint.station.place_names import Place

LONGEST = 200
"""Of a part id or a code that a rule looks at; longer ones fit none."""


HELD_AHEAD = 3
"""How many times as many parts as may wait are held before one could be missed."""


class Rule(Table):
    """A pattern (`*`, `?`, `[abc]`) of part ids or codes, and which variant parts are that fit."""

    of: Literal["part_id", "code"] = "part_id"
    like: Name
    variant: Name


class Challenge(Table):
    """Parts whose verdicts are known: `labels` as for a trial; `every_h`: after so long they are shown again."""

    labels: Place
    every_h: Annotated[float, Field(gt=0, le=1000)] | None = None


class Reject(Table):
    """`after`: how many places behind the camera a part is thrown out."""

    after: Annotated[int, Field(ge=0, le=1000)] = 0


class DutyTable(Table):
    """The whole section."""

    deadline_ms: Annotated[int, Field(ge=10, le=600_000)] = 1000
    workers: Annotated[int, Field(ge=1, le=64)] = 2
    waiting: Annotated[int, Field(ge=1, le=1000)] = 8
    variant: Name | None = None
    sorted_by: Name | None = None
    rule: Annotated[tuple[Rule, ...], Field(strict=False)] = ()
    tie_check_h: Annotated[float, Field(gt=0, le=100_000)] | None = None
    challenge: Challenge | None = None
    reject: Reject = Reject()


def faults_of(table: DutyTable, accepted: Sequence[str]) -> Iterator[str]:
    """Yield what of the section does not fit the variants that are accepted."""
    named = [("variant", table.variant), ("sorted_by", table.sorted_by)]
    named += [(f"rule[{k}].variant", rule.variant) for k, rule in enumerate(table.rule)]
    for key, name in named:
        if name is not None and name not in accepted:
            there = f"there are {said_names(accepted)}" if accepted else "no variant is"
            yield f"duty.{key} is {shown(name)}, for which nothing is accepted; {there}"
    if any(rule.of == "code" for rule in table.rule) and table.sorted_by is None:
        yield "duty.rule goes by a code, and sorted_by does not say which recipe reads it"
    if table.reject.after > HELD_AHEAD * table.waiting:
        least = -(-table.reject.after // HELD_AHEAD)
        yield (
            f"duty.reject.after is {table.reject.after}, and of so many parts on their way some could not be held, "
            f"which would move the others; let waiting be {least} or more, not {table.waiting}"
        )


def by_rule(table: DutyTable, of: str, text: str | None) -> str | None:
    """Return the variant of the first rule that a part's id or code fits; None where none does."""
    if text is None or len(text) > LONGEST:
        return None
    return next((rule.variant for rule in table.rule if rule.of == of and fnmatchcase(text, rule.like)), None)
