"""What people may do to a station on duty, each an act in its ledger before it takes effect.

`bypass`: release it without its challenge set. `challenge`: show the challenge set now. `variant`: what parts are from
now on where nothing else tells. Acts that are made elsewhere (accepting, studies) are written as they come.
"""

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.tables import shown
from tiepoint.station.accepted import pointers_of
from tiepoint.station.duty.loop import Duty
from tiepoint.station.folder import Station
from tiepoint.station.inbox import Inbox, Request
from tiepoint.station.ledger import Entry, Ledger

BYPASS, CHALLENGE, VARIANT = "bypass", "challenge", "variant"
DUTY_ACTS = (BYPASS, CHALLENGE, VARIANT)


class Acts:
    """Hears the inbox of a station on duty; by the writer's thread."""

    def __init__(self, station: Station) -> None:
        """Open the inbox."""
        self._station, self._inbox = station, Inbox(station)

    def hear(self, duty: Duty) -> None:
        """Write what people ask for, and do it."""
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
        if act == BYPASS and duty.condition.now.state != "not released":
            raise UnusableInput(f"the station is {duty.condition.now.state}: there is nothing to release it from")
        if act == VARIANT:
            demand_variant(self._station, request.body.get("variant"))

    def _do(self, entry: Entry, duty: Duty) -> None:
        act = entry.body["act"]
        if act == BYPASS:
            duty.bypass(str(entry.body["who"]))
        elif act == CHALLENGE:
            duty.challenge_again()
        elif act == VARIANT:
            duty.variant = entry.body["variant"]


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
