"""What people may do to a station on duty, each an act in its ledger before it takes effect.

`bypass`: release it without its challenge set. `challenge`: show the challenge set now. `variant`: what parts are from
now on where nothing else tells. `rest` and `resume`: off duty and on again, while all goes on running. `settle`: an
alarm of the watch whose cause is gone. `lot`: what the parts that come now are of. Acts that are made elsewhere
(accepting, studies) are written as they come.
"""

from typing import TYPE_CHECKING

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.tables import shown
from tiepoint.station.accepted import accepted_bundle, pointers_of
from tiepoint.station.duty.condition import Changed
from tiepoint.station.duty.loop import Duty
from tiepoint.station.folder import Station
from tiepoint.station.inbox import Inbox, Request
from tiepoint.station.kept import STUDY
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import MOST, last_entries

if TYPE_CHECKING:
    from tiepoint.station.watch.watch import Watch

BYPASS, CHALLENGE, VARIANT, REST, RESUME = "bypass", "challenge", "variant", "rest", "resume"
SETTLE, LOT = "settle", "lot"


class Acts:
    """Hears the inbox of a station on duty; by the writer's thread."""

    def __init__(self, station: Station, watch: "Watch | None" = None) -> None:
        """Open the inbox."""
        self._station, self._inbox, self._watch = station, Inbox(station), watch
        self._has_heard = False

    def hear(self, duty: Duty) -> None:
        """Write what people ask for, and do it."""
        if not self._has_heard:
            try:
                who = who_let_it_rest(duty.ledger)
            except TiepointError as error:  # until that is known, nothing conforms
                duty.condition.fault("ledger", str(error))
                return
            self._has_heard = True
            if who is not None:
                duty.rest(who)
        for request in self._inbox.pending():
            try:
                self._demand(request, duty)
            except TiepointError as error:
                self._inbox.refuse(request, str(error))
                continue
            try:
                entry = self._inbox.answer(duty.ledger, request)
            except TiepointError as error:
                duty.condition.fault("ledger", str(error))
                return
            if entry is not None:
                self._do(entry, duty)
        duty.renew()

    def _demand(self, request: Request, duty: Duty) -> None:
        """Refuse, in a sentence, what would have no effect."""
        act = request.body.get("act")
        if act in (BYPASS, CHALLENGE) and duty.table.challenge is None:
            raise UnusableInput("the station has no challenge set; state [duty.challenge] in its station.toml")
        now = duty.condition.now
        if act == BYPASS and now.state != "not released":
            raise UnusableInput(f"{_stands(now)}: there is nothing that a bypass releases it from")
        if act == RESUME and now.state != "off duty":
            raise UnusableInput(f"{_stands(now)}, and does not rest: there is nothing to resume from")
        if act == VARIANT:
            demand_variant(self._station, request.body.get("variant"))
        if act == SETTLE and (self._watch is None or request.body.get("alarm") not in self._watch.alarms.on):
            on = ", ".join(shown(name) for name in self._watch.alarms.on) if self._watch is not None else ""
            raise UnusableInput(f"there is no alarm {shown(request.body.get('alarm'))}; there is {on or 'none'}")

    def _do(self, entry: Entry, duty: Duty) -> None:
        act = entry.body["act"]
        if act in (STUDY, "accept"):
            duty.tie_checked_utc = tie_checked(self._station, duty.ledger)
        elif act == BYPASS:
            duty.bypass(str(entry.body["who"]))
        elif act == CHALLENGE:
            duty.challenge_again()
        elif act == VARIANT:
            duty.variant = entry.body["variant"]
        elif act == REST:
            duty.rest(str(entry.body["who"]))
        elif act == RESUME:
            _resume(duty)
        elif act == SETTLE and self._watch is not None:
            self._watch.settled(duty, entry.body["alarm"], str(entry.body["who"]), str(entry.body["why"]))
        elif act == LOT and self._watch is not None:
            self._watch.lot_begins(entry.body.get("lot"))


def _resume(duty: Duty) -> None:
    """Put a station on duty again, by its challenge set where it has one; one that is shown already is not shown twice.

    What warms up, or waits for a camera, is released by itself.
    """
    if duty.condition.beneath != "warming" and duty.table.challenge is None:
        duty.resume()
    elif duty.condition.beneath != "warming":
        duty.condition.set("not released", "its challenge set was not judged yet")
        duty.challenge_again()
    duty.condition.wake()


def _stands(now: Changed) -> str:
    fault = f" ({now.fault})" if now.fault else ""
    return f"the station is {'in a fault' if now.state == 'fault' else now.state}{fault}"


def demand_variant(station: Station, name: object) -> None:
    """Raise `UnusableInput` where nothing is accepted for a variant."""
    accepted = sorted(pointers_of(station).by_variant)
    if name not in accepted:
        there = ", ".join(shown(one) for one in accepted) or "none"
        raise UnusableInput(f"nothing is accepted for the variant {shown(name)}; there is {there}")


def variant_now(station: Station, ledger: Ledger) -> str | None:
    """Return what parts are where nothing else tells: by the newest act, or by what station.toml says."""
    acts = [entry.body for entry in ledger.entries("act") if entry.body.get("act") == VARIANT]
    return acts[-1]["variant"] if acts else station.table.duty.variant


def who_let_it_rest(ledger: Ledger) -> str | None:
    """Return who took the station off duty, where it rested when its process ended without a word; else None."""
    acts = last_entries(ledger, "act", MOST)
    newest = next((entry for entry in acts if entry.body.get("act") in (REST, RESUME)), None)
    if newest is None or newest.body["act"] == RESUME:
        return None
    since = [entry for entry in last_entries(ledger, "duty", MOST) if entry.seq > newest.seq]
    return None if any(entry.body["event"] == "ends" for entry in since) else str(newest.body["who"])


def tie_checked(station: Station, ledger: Ledger) -> str | None:
    """Return when a tie that is accepted was last found good by a touch test; None where the newest test was not good.

    A touch test proves the tie that it was made of: one that was accepted since has to be touched anew.
    """
    accepted = {sha for copy in pointers_of(station).shas for sha in accepted_bundle(station, copy).shas.values()}
    newest = None
    for entry in ledger.entries("act"):
        body = entry.body
        if body.get("act") == STUDY and body.get("kind") == "touch" and body.get("tie_sha") in accepted:
            newest = entry
    return None if newest is None or newest.body.get("good") is not True else newest.written_utc
