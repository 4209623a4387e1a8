"""Lives of 100,000 vehicles with a million lines, against one windowed sort of the same lines."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb

from fleetlog import intake
from fleetlog.demo import simulate
from fleetlog.lives import rebuild
from fleetlog.store import Store

VEHICLES = 100_000
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


def fill_store(folder: Path, vehicles: int) -> Store:
    """Load a lean, clean fleet as a shop would, part by part."""
    simulate(folder, vehicles=vehicles, layout="parquet", lines_per_vehicle="lean", dirt=False)
    store = Store.create(folder / "bench.fleetlog")
    intake.load(store, folder / "engine_families.csv", kind="engine-families")
    for pattern, kind in (("vehicles_*", "vehicles"), ("repairs_*", "repairs")):
        for part in sorted(folder.glob(f"{pattern}.parquet")):
            intake.load(store, part, kind=kind)
    return store


def seconds(call: Callable[[], Any]) -> float:
    """Time one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def measure(folder: Path, vehicles: int) -> dict[str, float]:
    """Time the sort and the rebuilding in turns on one connection; peak memory of this process."""
    store = fill_store(folder, vehicles)
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
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, __file__, folder, str(VEHICLES)],
            check=True,
            capture_output=True,
            text=True,
        )
    found = json.loads(done.stdout)
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
    print(json.dumps(measure(Path(sys.argv[1]), int(sys.argv[2]))))
