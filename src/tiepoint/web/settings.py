"""Where the web process listens, by which names it is called there, and whether that is safe to begin with."""

import ipaddress
from dataclasses import dataclass
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.lock import is_on_duty
from tiepoint.station.ports import IN_USE, is_free
from tiepoint.station.web_table import WebTable
from tiepoint.station.wires.table import listened_to

LOOPBACK = ("localhost", "127.0.0.1", "::1")
EVERYWHERE = ("0.0.0.0", "::", "")


@dataclass(frozen=True, slots=True)
class Settings:
    """What the web process goes by. `certificate` and `key` are both there or neither.

    `hosts`: the names and addresses that a request may call it by.
    """

    host: str
    port: int
    hosts: frozenset[str]
    users: Path
    access_log: Path
    certificate: Path | None
    key: Path | None
    table: WebTable

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)

    @property
    def is_secure(self) -> bool:
        """Whether it speaks TLS."""
        return self.certificate is not None


def is_loopback(host: str) -> bool:
    """Whether a name or an address is that of this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def settings_of(station: Station, *, host: str | None = None, port: int | None = None) -> Settings:
    """Return what station.toml says, with another `host` or `port` where one is given.

    Raises `UnusableInput` where it would listen beyond this machine without TLS, users or names.
    """
    table = station.table.web
    at = table.host if host is None else host
    tls = table.tls
    settings = Settings(
        at,
        table.port if port is None else port,
        frozenset({*LOOPBACK, at.strip("[]").lower(), *(name.lower() for name in table.names)} - set(EVERYWHERE)),
        station.folder / table.users,
        station.folder / table.access_log,
        None if tls is None else station.folder / tls.certificate,
        None if tls is None else station.folder / tls.key,
        table,
    )
    _demand_safe(settings, station)
    return settings


def _demand_safe(settings: Settings, station: Station) -> None:
    for path in (settings.certificate, settings.key):
        if path is not None and not path.is_file():
            raise UnusableInput(f"[web.tls] of {station.folder / 'station.toml'} names {path}, which is not there")
    if settings.is_loopback:
        return
    beyond = f"{settings.host} can be reached by other machines"
    if not settings.is_secure:
        raise UnusableInput(
            f"{beyond}, and [web.tls] of {station.folder / 'station.toml'} names no certificate and key; name them, or "
            "listen on 127.0.0.1"
        )
    if not settings.users.is_file():
        raise UnusableInput(
            f"{beyond}, and there are no users; add one with tiepoint user add {station.folder} NAME --role look, or "
            "listen on 127.0.0.1"
        )
    if settings.host in EVERYWHERE and not settings.table.names:
        raise UnusableInput(
            f"{beyond}, at any of its addresses; say in [web] names of {station.folder / 'station.toml'} what the "
            'station is called there, as in names = ["vent-2.plant.example"]'
        )


def fault_of_web(station: Station, *, host: str | None = None, port: int | None = None) -> tuple[str, str] | None:
    """Return why pages cannot be served now: its place in station.toml, and a sentence; None where they can be.

    `host`, `port`: as of `settings_of`. Of a station on duty the port is not tried: its own web process has it.
    """
    try:
        settings = settings_of(station, host=host, port=port)
    except UnusableInput as error:
        return "web", str(error)
    if not settings.port or is_on_duty(station.folder):
        return None
    for place, bind, number in listened_to(station.table.wires):
        if number == settings.port and (bind == settings.host or {bind, settings.host} & set(EVERYWHERE)):
            return "web.port", f"web.port is {number}, which {place.removesuffix('.port')} has; give another"
    why = is_free(settings.host, settings.port)
    return None if why is None else ("web.port", f"web.port: {why}; {IN_USE}")
