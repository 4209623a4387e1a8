"""Repeat failures of 100,000 vehicles with a million lines, against counting their risk tables."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb
from bench_lives import fill_store

from fleetlog import analyses
from fleetlog.lives import risk_table
from fleetlog.store import Store

VEHICLES = 100_000
MOST_TIMES_THE_TABLES = 10.0
REPETITIONS = 2


def count_all_tables(store: Store) -> int:
    """Count the risk table of each component that ever failed, on each engine family."""
    with duckdb.connect(str(store.path), read_only=True) as connection:
        connection.execute("SET memory_limit = '1400MB'").fetchall()
        asked = connection.execute(
            "SELECT DISTINCT component, engine_family FROM component_position"
            " SEMI JOIN (SELECT component FROM life WHERE ended_by = 'failed') USING (component)"
        ).fetchall()
        for component, family in asked:
            risk_table(connection, component, engine_family=family)
    return len(asked)


def measure(folder: Path, vehicles: int) -> dict[str, float]:
    """Time both in turns; peak memory of this process."""
    path = folder / "bench.fleetlog"
    store = Store.open(path) if path.exists() else fill_store(folder, vehicles)
    tables, answers = [], []
    for _ in range(REPETITIONS):
        start = time.perf_counter()
        count = count_all_tables(store)
        tables.append(time.perf_counter() - start)
        start = time.perf_counter()
        found = analyses.repeat_failures(store)
        answers.append(time.perf_counter() - start)
    return {
        "tables": count,
        "tables_s": min(tables),
        "repeat_failures_s": min(answers),
        "cells": int(found.looked_at["cells"].sum()),
        "findings": found.findings.height,
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
            "name": "repeat failures of 100,000 vehicles, times their risk tables",
            "value": found["repeat_failures_s"] / found["tables_s"],
            "at_most": MOST_TIMES_THE_TABLES,
            **found,
        }
    ]


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]), int(sys.argv[2]))))
