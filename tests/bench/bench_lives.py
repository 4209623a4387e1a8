"""Lives of 100,000 vehicles with a million lines, against one windowed sort of the same lines."""

from __future__ import annotations

import duckdb
from large_fleet import in_own_process, peak_mib, print_measured, seconds

from fleetlog.lives import rebuild
from fleetlog.store import Store

MOST_TIMES_A_SORT = 6.0
MOST_MEMORY_MIB = 2048.0
REPETITIONS = 3

# The least that lives can cost: bring the lines of each position into order, look back by one,
# and write the result.
ONE_SORT = """
    CREATE OR REPLACE TABLE sorted AS
    SELECT *, lag(opened_on) OVER (PARTITION BY vin, component, bank, cylinder, side, slot
                                   ORDER BY opened_on) AS fitted_on
    FROM flat
"""


def measure(store: Store) -> dict[str, float]:
    """Time the sort and the rebuilding in turns on one connection; peak memory of this process."""
    sorts, rebuilds = [], []
    with duckdb.connect(str(store.path)) as connection:
        connection.execute("SET memory_limit = '1500MB'").fetchall()
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
        ).fetchall()
        connection.execute(
            "CREATE TABLE flat AS SELECT l.*, o.vin, o.opened_on"
            " FROM repair_line AS l JOIN repair_order AS o USING (ro_id)"
        ).fetchall()
        lines = connection.execute("SELECT count(*) FROM flat").fetchall()[0][0]
        for _ in range(REPETITIONS):
            sorts.append(seconds(lambda: connection.execute(ONE_SORT).fetchall()))
            rebuilds.append(seconds(lambda: rebuild(connection, distance_unit="mi")))
        lives = connection.execute("SELECT count(*) FROM life").fetchall()[0][0]
    return {
        "lines": lines,
        "lives": lives,
        "sort_s": min(sorts),
        "rebuild_s": min(rebuilds),
        "peak_mib": peak_mib(),
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    found = in_own_process(__file__)
    return [
        {
            "name": "lives of 100,000 vehicles, times one windowed sort of their lines",
            "value": found["rebuild_s"] / found["sort_s"],
            "at_most": MOST_TIMES_A_SORT,
            **found,
        },
        {
            "name": "loading and lives of 100,000 vehicles, peak memory in MiB",
            "value": found["peak_mib"],
            "at_most": MOST_MEMORY_MIB,
        },
    ]


if __name__ == "__main__":
    print_measured(measure)
