"""`[web]` of station.toml: where pages and programs reach the station, and who may.

[web]
host = "127.0.0.1"         # the interface; only this machine, unless it is told otherwise
port = 8719
names = ["vent-2.plant.example"]   # what the station is called in the address, besides its host
users = "private/users.json"       # written by `tiepoint user`; never in version control

[web.tls]                  # needed as soon as others than this machine can reach it
certificate = "private/station.pem"
key = "private/station.key"
"""

from typing import Annotated

from pydantic import Field

from tiepoint.recipe.tables import Name, Table
from tiepoint.station.place_names import Place


class TlsTable(Table):
    """`[web.tls]`: files in PEM form, the certificate with all that lie between it and its root."""

    certificate: Place
    key: Place


class WebTable(Table):
    """The whole section. `largest_mb`: of what a camera may send at once; `viewers`: pages that are told live."""

    host: Name = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8719
    names: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    tls: TlsTable | None = None
    users: Place = "private/users.json"
    access_log: Place = "private/access.jsonl"
    requests_per_s: Annotated[int, Field(ge=1, le=10_000)] = 200
    viewers: Annotated[int, Field(ge=1, le=1000)] = 64
    largest_mb: Annotated[int, Field(ge=1, le=2000)] = 400
