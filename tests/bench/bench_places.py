"""Position map and part makers on 100,000 vehicles, against counting the same lives by position."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import duckdb
from large_fleet import in_own_process, peak_mib, print_measured, seconds

from fleetlog import analyses
from fleetlog.lives import risk_table, select_lives
from fleetlog.lives.select import POSITION_FIELDS
from fleetlog.store import Store

MOST_TIMES_THE_COUNTING = 3.0
REPETITIONS = 2
COMPONENT, FAMILY = "valvetrain.rocker-arm", "V8-51"


def counting(store: Store, counted: Callable[..., Any], by: tuple[str, ...]) -> None:
    """Count or fetch the lives with the split that the analysis looks at."""
    with duckdb.connect(str(store.path), read_only=True) as connection:
        connection.execute("SET memory_limit = '1400MB'").fetchall()
        counted(connection, COMPONENT, engine_family=FAMILY, by=by)


def measure(store: Store) -> dict[str, float]:
    """Time the analyses and both ways of counting in turns; the least of each."""
    by_maker = (*POSITION_FIELDS, "part_maker", "part_lot")
    calls = {
        "places_table_s": lambda: counting(store, risk_table, POSITION_FIELDS),
        "places_lives_s": lambda: counting(store, select_lives, POSITION_FIELDS),
        "makers_table_s": lambda: counting(store, risk_table, by_maker),
        "makers_lives_s": lambda: counting(store, select_lives, by_maker),
        "position_map_s": lambda: analyses.position_map(store, COMPONENT, engine_family=FAMILY),
        "part_makers_s": lambda: analyses.part_makers(store, COMPONENT, engine_family=FAMILY),
    }
    times = {name: min(seconds(call) for _ in range(REPETITIONS)) for name, call in calls.items()}
    return {
        **times,
        "peak_mib": peak_mib(),
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    found = in_own_process(__file__)
    return [
        {
            "name": f"{what} of 100,000 vehicles, times their {word}",
            "value": found[f"{key}_s"] / found[f"{short}_{kind}_s"],
            "at_most": MOST_TIMES_THE_COUNTING if kind == "table" else None,
            **found,
        }
        for what, key, short in (
            ("position map", "position_map", "places"),
            ("part makers", "part_makers", "makers"),
        )
        for kind, word in (("table", "risk table by position"), ("lives", "lives by position"))
    ]


if __name__ == "__main__":
    print_measured(measure)
