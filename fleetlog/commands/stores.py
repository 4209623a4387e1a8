"""Make a store, and build its lives anew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleetlog import terminal
from fleetlog.commands.options import DEFAULT_STORE, StorePath
from fleetlog.lives import rebuild_all
from fleetlog.store import Store
from fleetlog.units import DistanceUnit


def new_store(
    path: Annotated[Path, typer.Argument(help="Where the store file goes.")] = DEFAULT_STORE,
    distance_unit: Annotated[
        DistanceUnit, typer.Option(help="Of every distance in the store, for good.")
    ] = "mi",
    currency: Annotated[str, typer.Option(help="ISO 4217 code of every amount.")] = "USD",
) -> None:
    """Make an empty store."""
    store = Store.create(path, distance_unit=distance_unit, currency=currency)
    terminal.sentences([f"Made {store.path} ({distance_unit}, {currency})."])


def rebuild(store: StorePath = DEFAULT_STORE) -> None:
    """Build the lives of all vehicles anew, as after a new version of fleetlog."""
    vehicles = rebuild_all(Store.open(store))
    terminal.sentences([f"The lives of {vehicles} vehicles are built anew."])
