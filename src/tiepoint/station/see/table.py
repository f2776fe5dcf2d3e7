"""`[see]` of station.toml: what a picture is to be like before a station is set up with it.

[see]
width_px = 2.5        # of edges, from 10 to 90 %, at most
saturated = 0.001     # shares of the picture, at most
black = 0.005
evenness = 0.8        # the least light over the most, at least
flicker = 0.01        # of brightness from picture to picture, at most
lean_deg = 0.5        # of the camera, at most
fills = 0.6           # of the field by a target, at least
target = "targets/target.json"
"""

from typing import Annotated

from pydantic import Field

from tiepoint.recipe.tables import Positive, Table
from tiepoint.station.place_names import Place

Share = Annotated[float, Field(ge=0, le=1)]


class SeeTable(Table):
    """The whole section. `target`: the printed target that is looked for; left out: any below `targets`."""

    width_px: Annotated[Positive, Field(le=1000)] = 2.5
    saturated: Share = 0.001
    black: Share = 0.005
    evenness: Share = 0.8
    flicker: Share = 0.01
    lean_deg: Annotated[Positive, Field(le=90)] = 0.5
    fills: Share = 0.6
    target: Place | None = None
