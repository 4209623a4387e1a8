"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

StorePath = Annotated[
    Path, typer.Option("--store", envvar="FLEETLOG_STORE", help="The store file.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
Component = Annotated[str, typer.Argument(help="Component code, such as valvetrain.rocker-arm.")]
Family = Annotated[
    str | None, typer.Option("--engine-family", help="Only vehicles of this engine family.")
]
FailureMode = Annotated[str | None, typer.Option(help="Only failures of this mode.")]
Clock = Annotated[str, typer.Option(help="distance or days.")]
Where = Annotated[
    list[str] | None,
    typer.Option(help="Only lives with this value, as in bank=2; may be given again."),
]
Generation = Annotated[str, typer.Option(help="any, first (as built) or later (replacements).")]
KeepAssumed = Annotated[
    bool | None,
    typer.Option(
        "--keep-assumed/--leave-out-assumed",
        help="Parts whose age is assumed because the vehicle was not watched from new; left out "
        "where the others suffice, if not said.",
    ),
]
DowntimeCost = Annotated[float, typer.Option(help="Of one hour of a stopped vehicle.")]
DEFAULT_STORE = Path("fleet.fleetlog")


def conditions(where: list[str] | None) -> dict[str, str | int]:
    """Read ``column=value`` options."""
    pairs = [text.partition("=") for text in where or ()]
    for column, equals, _ in pairs:
        if not equals:
            raise typer.BadParameter(f"{column!r} is not of the form column=value, as in bank=2")
    return {column: value for column, _, value in pairs}
