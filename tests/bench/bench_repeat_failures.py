"""Repeat failures of 100,000 vehicles with a million lines, against counting their risk tables."""

from __future__ import annotations

import time

import duckdb
from large_fleet import in_own_process, peak_mib, print_measured

from fleetlog import analyses
from fleetlog.lives import risk_table
from fleetlog.store import Store

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


def measure(store: Store) -> dict[str, float]:
    """Time both in turns; peak memory of this process."""
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
        "peak_mib": peak_mib(),
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that its memory is its own."""
    found = in_own_process(__file__)
    return [
        {
            "name": "repeat failures of 100,000 vehicles, times their risk tables",
            "value": found["repeat_failures_s"] / found["tables_s"],
            "at_most": MOST_TIMES_THE_TABLES,
            **found,
        }
    ]


if __name__ == "__main__":
    print_measured(measure)
