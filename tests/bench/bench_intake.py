"""Speed and memory of an intake of clean repair lines, beside DuckDB's own bare read of the file.

The yardstick is ``CREATE TABLE AS FROM read_csv`` with every column as text into a new database
file: the least that any loader that keeps the rows must do.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import polars as pl

ROWS = 1_000_000
VEHICLES = 20_000
MOST_TIMES_BARE_READ = 6.0
MOST_MEMORY_MIB = 2048.0

FAMILIES = (
    "code,title,cylinders,banks,cylinder_banks,intake_valves,exhaust_valves,camshafts_per_bank,"
    "camshaft_location,fuel,displacement_l\n"
    "V8-51,V8 5.1 L,8,2,1 1 1 1 2 2 2 2,2,2,2,head,petrol,5.1\n"
)

LINES = """
COPY (
    SELECT
        'North Yard' AS shop,
        'N' || (100000 + i // 5 * 2 + (i % 5) // 3) AS ro_no,
        v.vin,
        v.unit_no AS unit,
        strftime(DATE '2015-01-01' + ((i // 5) % 3600)::INTEGER, '%Y-%m-%d') AS opened,
        strftime(DATE '2015-01-02' + ((i // 5) % 3600)::INTEGER, '%Y-%m-%d') AS closed,
        20000 + (i // 5 * 7919) % 200000 AS odometer,
        'T' || (i // 5) % 40 AS technician,
        'engine lamp on, ticking noise when cold' AS complaint,
        ['lifter worn', 'gasket leaking', 'plug worn out', 'pump seized'][1 + i % 4] AS cause,
        'replaced ' || ['lifter', 'gasket', 'plug', 'pump'][1 + i % 4] AS correction,
        ['Lifter', 'Valve cover gasket', 'Spark plug', 'Water pump', 'Rocker arm'][1 + i % 5]
            AS part,
        CASE i % 5 WHEN 0 THEN 'cyl ' || (1 + i % 8) || ' intake'
                   WHEN 2 THEN 'cyl ' || (1 + i % 8) ELSE '' END AS position,
        ['Replaced', 'Repaired', 'Inspected'][1 + (i % 7) // 3] AS action,
        ['Failed', 'Planned'][1 + i % 2] AS reason,
        ['worn', 'worn', 'leaking', 'noisy'][1 + i % 4] AS failure_mode,
        'QM' || (1000 + i % 900) AS part_no,
        ['Quellmar', 'Ostravane', 'Grennick'][1 + i % 3] AS part_maker,
        'L-' || (2010 + i % 12) AS part_lot,
        1 + i % 4 AS qty,
        printf('%.1f', (i % 40) / 10.0) AS "line hours",
        printf('%.2f', (i % 90000) / 100.0) AS "line cost"
    FROM (SELECT i FROM range($rows) t(i)) JOIN v ON v.n = (i // 5) * 2654435761 % $vehicles
    ORDER BY i
) TO '{path}' (HEADER)
"""


def fleet() -> pl.DataFrame:
    """Invent vehicles with sound VINs: n, vin, unit_no."""
    from fleetlog.vin import check_digits

    stem = pl.DataFrame({"n": pl.int_range(VEHICLES, eager=True)}).with_columns(
        vin="GZ7VAPE1" + pl.lit("0") + "F" + "F" + pl.col("n").cast(pl.String).str.zfill(6),
        unit_no="U" + pl.col("n").cast(pl.String).str.zfill(5),
    )
    digits = check_digits(stem["vin"])
    return stem.with_columns(
        vin=pl.col("vin").str.slice(0, 8) + digits + pl.col("vin").str.slice(9)
    )


def write_files(folder: Path, rows: int = ROWS) -> None:
    """Write engine families, vehicles and clean repair lines."""
    vehicles = fleet()
    (folder / "families.csv").write_text(FAMILIES)
    vehicles.select(
        "vin",
        "unit_no",
        engine_family=pl.lit("V8-51"),
        model_year=pl.lit(2014),
        in_service_on=pl.lit("2014-06-01"),
    ).write_csv(folder / "vehicles.csv")
    with duckdb.connect() as connection:
        connection.register("v", vehicles)
        connection.execute(
            LINES.replace("{path}", str(folder / "lines.csv")),
            {"rows": rows, "vehicles": VEHICLES},
        ).fetchall()


def bare_read_s(folder: Path) -> float:
    """Seconds of DuckDB's own read of the file into a new database file, all as text."""
    database = folder / "bare.duckdb"
    database.unlink(missing_ok=True)
    began = time.perf_counter()
    with duckdb.connect(str(database)) as connection:
        connection.execute(
            "CREATE TABLE raw AS FROM read_csv($path, all_varchar = true)",
            {"path": str(folder / "lines.csv")},
        ).fetchall()
    return time.perf_counter() - began


def load_once(folder: Path, *, lives: bool) -> dict[str, float]:
    """Load the files into a new store in this process: seconds of the lines, peak memory."""
    from fleetlog import intake
    from fleetlog.intake import loading
    from fleetlog.store import Store

    if not lives:
        loading.rebuild = lambda *_, **__: None  # type: ignore[assignment]
    path = folder / "bench.fleetlog"
    path.unlink(missing_ok=True)
    store = Store.create(path)
    intake.load(store, folder / "families.csv", kind="engine-families")
    intake.load(store, folder / "vehicles.csv", kind="vehicles")
    began = time.perf_counter()
    result = intake.load(store, folder / "lines.csv", kind="repairs")
    seconds = time.perf_counter() - began
    assert result.rows_kept == result.rows_read, result.held_by_reason
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "peak_mib": peak_mib, "rows": result.rows_read}


def in_own_process(folder: Path, *, lives: bool) -> dict[str, float]:
    """Run :func:`load_once` in a process of its own, so that its peak memory is its own."""
    command = [sys.executable, __file__, str(folder), "lives" if lives else "no-lives"]
    return json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)


def benches() -> list[dict[str, object]]:
    """Measure the intake with and without the rebuilding of lives."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_files(folder)
        # In turns, so that a busy machine slows both; the best of each.
        turns = [(bare_read_s(folder), in_own_process(folder, lives=False)) for _ in range(3)]
        bare = min(seconds for seconds, _ in turns)
        plain = min((measured for _, measured in turns), key=lambda one: one["seconds"])
        whole = in_own_process(folder, lives=True)
    return [
        {
            "name": "intake of clean repair lines, times a bare read",
            "value": plain["seconds"] / bare,
            "at_most": MOST_TIMES_BARE_READ,
            "rows": plain["rows"],
        },
        {
            "name": "intake of clean repair lines, peak memory in MiB",
            "value": plain["peak_mib"],
            "at_most": MOST_MEMORY_MIB,
            "rows": plain["rows"],
        },
        {
            "name": "intake and lives of clean repair lines, seconds",
            "value": whole["seconds"],
            "at_most": None,
            "rows": whole["rows"],
            "peak_mib": whole["peak_mib"],
            "bare_read_s": bare,
            "intake_s": plain["seconds"],
        },
    ]


if __name__ == "__main__":
    print(json.dumps(load_once(Path(sys.argv[1]), lives=sys.argv[2] == "lives")))
