"""Show where in the engine a component fails."""

from __future__ import annotations

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
)
from fleetlog.store import Store


def position_map(
    component: Component,
    engine_family: Family = None,
    clock: Clock = "distance",
    failure_mode: FailureMode = None,
    generation: Generation = "any",
    keep_assumed: KeepAssumed = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show where in the engine a component fails, and whether that is chance."""
    result = analyses.position_map(
        Store.open(store),
        component,
        engine_family=engine_family,
        clock=clock,
        failure_mode=failure_mode,
        generation=generation,
        keep_assumed=keep_assumed,
    )
    terminal.answer(result, show_position_map, json=json)


def show_position_map(result: analyses.PositionMap) -> None:
    """Print the answer, the tests, the places worst first, and what was left out."""
    terminal.sentences(result.summary)
    terminal.heading("Do they fail alike?")
    terminal.table(
        result.tests,
        {
            "factor": "by", "levels": "levels", "chi_squared": "chi-squared", "df": "df",
            "spread": "spread", "p_value": "chance", "p_adjusted": "adjusted",
            "p_value_one_by_one": "if one by one", "p_value_with_assumed": "with assumed places",
        },
    )  # fmt: skip
    terminal.heading(
        f"The places, worst first; rates per {result.per:,} {result.unit}; limits at "
        f"{result.level:.0%}"
    )
    terminal.table(
        result.positions.sort("residual", descending=True),
        {
            "row_title": "row", "label": "place", "lives": "parts", "failures": "failures",
            "expected": "expected", "rate": "rate", "rate_lower": "from", "rate_upper": "to",
            "ratio": "times the others", "ratio_lower": "from", "ratio_upper": "to",
            "residual": "residual",
            "finding": "finding",
        },
    )  # fmt: skip
    terminal.left_out(result.left_out)
