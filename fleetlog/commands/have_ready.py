"""Show what a job needed in the past."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import DEFAULT_STORE, Component, Json, StorePath, conditions
from fleetlog.store import Store


def have_ready(
    engine_family: Annotated[str, typer.Argument(help="Code of the engine family.")],
    component: Component,
    where: Annotated[
        list[str] | None,
        typer.Option(help="Only jobs at such a place, as in bank=2; may be given again."),
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show what past jobs needed besides the named part: parts, quantities, hours."""
    result = analyses.have_ready(
        Store.open(store), engine_family, component, where=conditions(where)
    )
    terminal.answer(result, show_have_ready, json=json)


def show_have_ready(result: analyses.HaveReady) -> None:
    """Print the answer, what was needed how often, part numbers, hours and the jobs behind it."""
    terminal.sentences(result.summary)
    terminal.heading(f"Needed on {result.jobs:,} jobs; limits at {result.level:.0%}")
    terminal.table(
        result.needs,
        {
            "need": "need", "title": "part", "sort": "sort", "jobs": "jobs", "share": "share",
            "lower": "from", "upper": "to", "elsewhere": "elsewhere", "quantity": "how many",
            "quantity_p10": "1 in 10", "quantity_p90": "9 in 10",
        },
        most=20,
    )  # fmt: skip
    terminal.heading("Part numbers last used")
    terminal.table(result.part_numbers.drop("component"), most=20)
    terminal.heading("Hours")
    terminal.table(result.hours)
    if result.torques.height:
        terminal.heading("Torques written down (no specification)")
        terminal.table(result.torques)
    if result.unread.height:
        terminal.heading("Lines whose part was not recognised")
        terminal.table(result.unread, most=10)
    terminal.heading("The jobs")
    unknown = [] if result.evidence["technician"].count() else ["technician"]
    terminal.table(result.evidence.drop("vin", *unknown), most=15)
    terminal.left_out(result.left_out)
