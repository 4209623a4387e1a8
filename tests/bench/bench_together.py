"""What to replace together, asked of 100,000 vehicles, against the counting that it needs."""

from __future__ import annotations

import time

import duckdb
from large_fleet import in_own_process, peak_mib, print_measured

from fleetlog import analyses
from fleetlog.lives import risk_table
from fleetlog.store import Store

FAMILY, FAILED, GROUP = "V8-51", "valvetrain.rocker-arm", "under-valve-cover"
MOST_TIMES_THE_TABLES = 3.0
REPETITIONS = 2


def count_tables(store: Store) -> int:
    """Count the lives by age of each part behind the cover, by position, as a risk table."""
    with duckdb.connect(str(store.path), read_only=True) as connection:
        touched = connection.execute(
            "SELECT DISTINCT l.component FROM life AS l JOIN component AS c ON c.code = l.component"
            " JOIN vehicle_span AS s USING (vin) WHERE c.access_group = $group"
            " AND s.engine_family = $family",
            {"group": GROUP, "family": FAMILY},
        ).fetchall()
        for (component,) in touched:
            risk_table(
                connection,
                component,
                engine_family=FAMILY,
                by=("bank", "cylinder", "side", "slot", "generation"),
            )
    return len(touched)


def measure(store: Store) -> dict[str, float]:
    """Time both in turns; peak memory of this process."""
    tables, answers = [], []
    for _ in range(REPETITIONS):
        start = time.perf_counter()
        count = count_tables(store)
        tables.append(time.perf_counter() - start)
        start = time.perf_counter()
        found = analyses.replace_together(
            store, engine_family=FAMILY, failed=FAILED, position={"bank": 2}, odometer=110_000,
            horizon=60_000,
        )  # fmt: skip
        answers.append(time.perf_counter() - start)
    return {
        "tables": count,
        "tables_s": min(tables),
        "replace_together_s": min(answers),
        "failures": int(found.neighbours["failures"].sum()),
        "classes": found.parts.height,
        "peak_mib": peak_mib(),
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    found = in_own_process(__file__)
    return [
        {
            "name": "what to replace together, times the risk tables of the parts behind the cover",
            "value": found["replace_together_s"] / found["tables_s"],
            "at_most": MOST_TIMES_THE_TABLES,
            **found,
        }
    ]


if __name__ == "__main__":
    print_measured(measure)
