"""Show how long a component lives."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import (
    DEFAULT_STORE,
    Clock,
    Component,
    FailureMode,
    Family,
    Generation,
    Json,
    KeepAssumed,
    StorePath,
    Where,
    conditions,
)
from fleetlog.store import Store


def part_life(
    component: Component,
    engine_family: Family = None,
    by: Annotated[
        list[str] | None, typer.Option(help="Split by this column; may be given again.")
    ] = None,
    where: Where = None,
    clock: Clock = "distance",
    failure_mode: FailureMode = None,
    generation: Generation = "any",
    keep_assumed: KeepAssumed = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show how long a component lives."""
    result = analyses.part_life(
        Store.open(store),
        component,
        engine_family=engine_family,
        by=by or (),
        where=conditions(where),
        clock=clock,
        failure_mode=failure_mode,
        generation=generation,
        keep_assumed=keep_assumed,
    )
    terminal.answer(result, show_part_life, json=json)


def show_part_life(result: analyses.PartLife) -> None:
    """Print the answer, the figures of each group, and what was left out."""
    terminal.sentences(result.summary)
    terminal.heading(f"Ages in {result.unit}; limits at {result.level:.0%}")
    terminal.table(
        result.groups,
        {
            "group": "group", "lives": "lives", "vehicles": "vehicles", "failures": "failures",
            "b10": "1 in 10 by", "b10_lower": "from", "b10_upper": "to", "median": "half by",
            "median_lower": "from", "median_upper": "to", "shape": "shape",
            "shape_lower": "from", "shape_upper": "to",
        },
    )  # fmt: skip
    terminal.notes(result.groups, "group")
    terminal.left_out(result.left_out)
