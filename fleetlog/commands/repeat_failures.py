"""Show what fails again and again."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import DEFAULT_STORE, DowntimeCost, Json, StorePath
from fleetlog.settings import DOWNTIME_COST_PER_HOUR, REPEAT_FALSE_SHARE
from fleetlog.store import Store

SHOWN = {
    "finding": "no.",
    "title": "what",
    "within": "part of",
    "failed": "failed",
    "expected": "expected",
    "shrunk_ratio": "times (drawn in)",
    "vehicles_failed": "vehicles",
    "since": "since",
    "age_low": "from",
    "age_high": "to",
    "near": "next",
    "excess_cost": "excess cost",
}
WATCH_SHOWN = {
    name: name.replace("_", " ")
    for name in ("finding", "unit_no", "vin", "depot", "stands", "age", "parts", "part_lot")
}
WATCHED = 15


def repeat_failures(
    component: Annotated[str | None, typer.Option(help="Look at this component only.")] = None,
    false_share: Annotated[
        float, typer.Option(help="Share of the findings that may be chance.")
    ] = REPEAT_FALSE_SHARE.value,
    downtime_cost: DowntimeCost = DOWNTIME_COST_PER_HOUR.value,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show what fails again and again: where, since when, with whose part, and who is next."""
    result = analyses.repeat_failures(
        Store.open(store),
        component=component,
        false_share=false_share,
        downtime_cost_per_hour=downtime_cost,
    )
    terminal.answer(result, show_repeat_failures, json=json)


def show_repeat_failures(result: analyses.RepeatFailures) -> None:
    """Print the answer, the findings, and the vehicles that are next."""
    terminal.sentences(result.summary)
    if result.findings.is_empty():
        return
    terminal.heading("Repeat failures, the costliest first")
    terminal.table(result.findings, SHOWN)
    terminal.heading("Not failed yet, and in those ages or near them")
    terminal.table(
        result.watch.filter(result.watch["stands"] != "beyond it"), WATCH_SHOWN, most=WATCHED
    )
