"""Show at which age to renew a component."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import (
    DEFAULT_STORE,
    Clock,
    Component,
    DowntimeCost,
    Family,
    Generation,
    Json,
    KeepAssumed,
    StorePath,
    Where,
    conditions,
)
from fleetlog.settings import CAUTION, DOWNTIME_COST_PER_HOUR
from fleetlog.store import Store


def best_interval(
    component: Component,
    engine_family: Family = None,
    where: Where = None,
    clock: Clock = "distance",
    generation: Generation = "any",
    keep_assumed: KeepAssumed = None,
    cost_planned: Annotated[
        float | None, typer.Option(help="Of one planned renewal of one part.")
    ] = None,
    cost_failure: Annotated[float | None, typer.Option(help="Of one failure.")] = None,
    downtime_cost: DowntimeCost = DOWNTIME_COST_PER_HOUR.value,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show at which age to renew a component on purpose."""
    result = analyses.best_interval(
        Store.open(store),
        component,
        engine_family=engine_family,
        where=conditions(where),
        clock=clock,
        generation=generation,
        keep_assumed=keep_assumed,
        cost_planned=cost_planned,
        cost_failure=cost_failure,
        downtime_cost_per_hour=downtime_cost,
    )
    if json:
        terminal.print_json(result)
    else:
        terminal.sentences([*result.summary, CAUTION])
