"""Show which repairs come back."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.settings import COMEBACK_DAYS
from fleetlog.store import Store


def comebacks(
    by: Annotated[
        str, typer.Option(help="shop, component, part_maker, engine_family or depot.")
    ] = "shop",
    component: Annotated[str | None, typer.Option(help="Only repairs of this component.")] = None,
    window_days: Annotated[int, typer.Option(help="Days.")] = int(COMEBACK_DAYS.value),
    window_distance: Annotated[
        float | None, typer.Option(help="Distance in the store's unit; 1,000 mi if not said.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show which repairs come back."""
    result = analyses.comebacks(
        Store.open(store),
        by=by,
        component=component,
        window_days=window_days,
        window_distance=window_distance,
    )
    if json:
        terminal.print_json(result)
    else:
        show_comebacks(result)


def show_comebacks(result: analyses.Comebacks) -> None:
    """Print the answer, the rate of each group, and the pairs of orders."""
    terminal.sentences(result.summary)
    terminal.heading(f"By {result.by.replace('_', ' ')}")
    terminal.table(result.groups)
    terminal.heading("The repairs that came back")
    terminal.table(result.pairs.drop("group", "component"), most=15)
