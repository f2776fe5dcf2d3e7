"""Options that several commands take, each with its words once."""

from pathlib import Path
from typing import Annotated

import typer

Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Why; it stays with the station.")]
Who = Annotated[
    str | None, typer.Option("--who", metavar="NAME", help="Who; you, by the system's account, by default.")
]

TargetFile = Annotated[
    Path, typer.Option("--target", metavar="TARGET.json", help="The document of the printed target.")
]
CameraFile = Annotated[
    Path | None, typer.Option("--camera", metavar="CAMERA.json", help="The camera, as `tie views` found it.")
]

RecipeTie = Annotated[Path | None, typer.Option("--tie", metavar="TIE.json", help="This tie instead of the recipe's.")]
LightsFile = Annotated[
    Path | None,
    typer.Option("--lights", metavar="LIGHTS.toml", help="The lamps, for steps that look at the relief of a shot."),
]
VariantsFile = Annotated[
    Path | None,
    typer.Option("--variants", metavar="VARIANTS.csv", help="Heights, nominals and limits by variant."),
]
VariantName = Annotated[str | None, typer.Option("--variant", metavar="NAME", help="The variant to judge by.")]
VariantShown = Annotated[str | None, typer.Option("--variant", metavar="NAME", help="The variant that is shown.")]
