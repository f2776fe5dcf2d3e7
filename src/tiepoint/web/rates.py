"""How much one peer may ask for: a bucket of tokens for each, and no more peers remembered than fit."""

import ipaddress
import time
from collections import OrderedDict

MOST_PEERS = 10_000


class Rates:
    """Lets each peer have `per_s` requests a second, and `burst` at once."""

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s, self._burst = per_s, burst
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, peer: str, now_s: float | None = None) -> float:
        """Take one request; return 0, or how long the peer has to wait first. `now_s`: by the monotonic clock."""
        now = time.monotonic() if now_s is None else now_s
        left, since = self._left.pop(peer, (self._burst, now))
        left = min(self._burst, left + (now - since) * self._per_s)
        taken = left >= 1.0
        self._left[peer] = (left - 1.0 if taken else left, now)
        if len(self._left) > MOST_PEERS:
            self._left.popitem(last=False)
        return 0.0 if taken else (1.0 - left) / self._per_s


def peer_of(address: str) -> str:
    """Return as what a peer is counted: an IPv6 host has its whole /64; one of IPv4 is itself, however told."""
    try:
        told = ipaddress.ip_address(address)
    except ValueError:
        return address[:60]
    if isinstance(told, ipaddress.IPv4Address):
        return str(told)
    # On a socket for both, all of IPv4 comes as ::ffff:0:0/96: one stranger would use up everybody's.
    return str(told.ipv4_mapped or ipaddress.ip_network((told, 64), strict=False))
