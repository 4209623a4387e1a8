"""Show how replacement parts last by maker and lot."""

from __future__ import annotations

from fleetlog import analyses, terminal
from fleetlog.commands.options import (
    DEFAULT_STORE,
    Clock,
    Component,
    FailureMode,
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
    failure_mode: FailureMode = None,
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
    terminal.answer(result, show_part_makers, json=json)


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
    terminal.notes(result.makers, "maker")
    if result.comparisons.height:
        terminal.heading("Against each other, at the same ages and places")
        terminal.table(
            result.comparisons,
            {
                "maker": "maker", "other": "against", "ratio": "rate ratio", "lower": "from",
                "upper": "to", "p_adjusted": "chance, adjusted", "b10_ratio": "B10 ratio",
                "b10_ratio_lower": "from", "b10_ratio_upper": "to",
                "not_compared": "parts not compared",
                "finding": "finding", "note": "note",
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
    terminal.left_out(result.left_out)
