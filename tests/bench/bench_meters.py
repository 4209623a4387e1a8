"""Judging ten million meter readings, two in a hundred spoilt, against one window over them."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from fleetlog.lives import rebuild
from fleetlog.store import Store

VEHICLES = 100_000
READINGS = 100
MOST_TIMES_A_WINDOW = 8.0
MOST_MEMORY_MIB = 2048.0

MADE = """
    INSERT INTO loaded_meter BY NAME
    SELECT 1 AS load_id, v * 100 + d AS file_row, printf('%017d', v) AS vin,
           DATE '2015-01-01' + (d * 25 + hash(v, d) % 20)::INTEGER AS read_on,
           CASE hash(v, d, 2) % 200 WHEN 0 THEN round(true_distance * 1.609344)
                WHEN 1 THEN true_distance // 10 WHEN 2 THEN true_distance // 2
                WHEN 3 THEN true_distance + 200000 ELSE true_distance END::INTEGER AS odometer,
           'fuel' AS source
    FROM (SELECT v, d, d * 1000 + (hash(d, v, 1) % 600)::INTEGER AS true_distance
          FROM range($vehicles) AS a (v), range(1, $readings + 1) AS b (d))
    ORDER BY hash(v, d)
"""
ONE_WINDOW = """
    CREATE OR REPLACE TABLE windowed AS
    SELECT *, lag(odometer) OVER (PARTITION BY vin ORDER BY read_on) AS odometer_before
    FROM loaded_meter
"""


def measure(folder: Path) -> dict[str, float]:
    """Time the window and the judging on one connection; peak memory of this process."""
    store = Store.create(folder / "bench.fleetlog")
    with duckdb.connect(str(store.path)) as connection:
        connection.execute("SET memory_limit = '1500MB'").fetchall()
        connection.execute("SET preserve_insertion_order = false").fetchall()
        connection.execute(MADE, {"vehicles": VEHICLES, "readings": READINGS}).fetchall()
        connection.execute(
            "INSERT INTO loaded_vehicle BY NAME SELECT 1 AS load_id, v AS file_row,"
            " printf('%017d', v) AS vin, 'v8' AS engine_family, DATE '2015-01-01' AS in_service_on,"
            " 0 AS in_service_odometer, DATE '2015-01-01' AS observed_from_on,"
            " 0 AS observed_from_odometer FROM range($vehicles) AS a (v)",
            {"vehicles": VEHICLES},
        ).fetchall()
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
        ).fetchall()
        start = time.perf_counter()
        connection.execute(ONE_WINDOW).fetchall()
        window = time.perf_counter() - start
        connection.execute("DROP TABLE windowed").fetchall()
        # There are no orders: all that is left of a rebuild is the judging, spans and paces.
        start = time.perf_counter()
        rebuild(connection, distance_unit="mi")
        judging = time.perf_counter() - start
        not_used = connection.execute(
            "SELECT count(*) FROM meter_reading WHERE verdict <> 'used'"
        ).fetchall()[0][0]
    return {
        "window_s": window,
        "judging_s": judging,
        "not_used": not_used,
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, __file__, folder], check=True, capture_output=True, text=True
        )
    found = json.loads(done.stdout)
    return [
        {
            "name": "10 million meter readings judged, times one window over them",
            "value": found["judging_s"] / found["window_s"],
            "at_most": MOST_TIMES_A_WINDOW,
            **found,
        },
        {
            "name": "10 million meter readings judged, peak memory in MiB",
            "value": found["peak_mib"],
            "at_most": MOST_MEMORY_MIB,
        },
    ]


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]))))
