"""Show how replacement parts last by maker and lot."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import (
    DEFAULT_STORE,
    Clock,
    Component,
    Family,
    Json,
    KeepAssumed,
    StorePath,
)
from fleetlog.store import Store


def part_makers(
    component: Component,
    engine_family: Family = None,
    clock: Clock = "distance",
    failure_mode: Annotated[str | None, typer.Option(help="Only failures of this mode.")] = None,
    keep_assumed: KeepAssumed = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show how replacement parts last by maker and lot, beside the original ones."""
    result = analyses.part_makers(
        Store.open(store),
        component,
        engine_family=engine_family,
        clock=clock,
        failure_mode=failure_mode,
        keep_assumed=keep_assumed,
    )
    if json:
        terminal.print_json(result)
    else:
        show_part_makers(result)


def show_part_makers(result: analyses.PartMakers) -> None:
    """Print the answer, the makers, their comparisons, the lots, and what was left out."""
    terminal.sentences(result.summary)
    terminal.heading(f"Makers; ages in {result.unit}; limits at {result.level:.0%}")
    terminal.table(
        result.makers,
        {
            "maker": "maker", "parts": "parts", "vehicles": "vehicles", "failures": "failures",
            "b10": "1 in 10 by", "b10_lower": "from", "b10_upper": "to", "shape": "shape",
            "shape_lower": "from", "shape_upper": "to",
        },
    )  # fmt: skip
    for row in result.makers.filter(result.makers["note"] != "").rows(named=True):
        terminal.sentences([f"{row['maker']}: {row['note']}."])
    if result.comparisons.height:
        terminal.heading("Against each other, at the same ages and places")
        terminal.table(
            result.comparisons,
            {
                "maker": "maker", "other": "against", "ratio": "rate ratio", "lower": "from",
                "upper": "to", "p_adjusted": "chance, adjusted", "b10_ratio": "B10 ratio",
                "b10_ratio_lower": "from", "b10_ratio_upper": "to", "finding": "finding",
                "note": "note",
            },
        )  # fmt: skip
    if result.lots.height:
        terminal.heading("Lots against all other lots, by vehicles with a failure")
        terminal.table(
            result.lots,
            {
                "maker": "maker", "lot": "lot", "parts": "parts", "vehicles": "vehicles",
                "failures": "failures", "first_failures": "vehicles failed",
                "expected": "expected", "ratio": "ratio", "at_least": "at least",
                "at_most": "at most",
                "shape": "shape",
                "shape_lower": "from", "shape_upper": "to", "verdict": "verdict",
            },
        )  # fmt: skip
    if result.left_out.height:
        terminal.heading("Left out")
        terminal.table(result.left_out)
