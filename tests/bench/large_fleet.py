"""What the benches of large fleets share: their store, a process of its own, the time of a call."""

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

import numpy as np
import polars as pl

from fleetlog import intake
from fleetlog.demo import simulate
from fleetlog.demo.fleet import plates, serial_characters, unit_numbers, with_check_digit
from fleetlog.store import Store

VEHICLES = 100_000


COPIED = 100_000
"""So many vehicles are loaded; a larger fleet is made of copies of them."""


def fill_store(folder: Path, vehicles: int) -> Store:
    """Load a lean, clean fleet as a shop would, part by part; a store that is there is taken.

    With the fuel readings: without them vehicles are last seen when something fails, and young
    ones stand out everywhere.
    """
    path = folder / "bench.fleetlog"
    if path.exists():
        return Store.open(path)
    simulate(folder, vehicles=vehicles, layout="parquet", lines_per_vehicle="lean", dirt=False)
    store = Store.create(path)
    for name in ("engine_families", "service_rules"):
        intake.load(store, folder / f"{name}.csv", kind=name.replace("_", "-"))
    for kind in ("vehicles", "repairs", "meters"):
        for part in sorted(folder.glob(f"{kind}_*.parquet")):
            intake.load(store, part, kind=kind)
    return store


def fill_with_copies(folder: Path, vehicles: int) -> Store:
    """Load :data:`COPIED` vehicles with their fuel readings, and copy them up to ``vehicles``.

    To load a million takes over an hour, to copy minutes. The copies come in one after another
    as loads do; they have the VINs, unit numbers and plates that the simulation would have given
    to vehicles of those numbers, and orders with numbers that go on. A store that is there is
    taken.
    """
    whole = (folder / "bench.fleetlog").exists()
    store = fill_store(folder, COPIED)
    if whole:
        return store
    script = Path(__file__).with_name("copy_fleet.sql").read_text(encoding="utf-8")
    first = store.frame("SELECT vin, unit_no FROM vehicle")
    loads, orders, built = store.frame(
        "SELECT (SELECT max(load_id) FROM load), (SELECT max(ro_id) FROM loaded_repair_order),"
        " (SELECT max(built_no) FROM meter_reading)"
    ).row(0)
    for copy in range(1, vehicles // COPIED):
        with store.write() as connection:
            connection.register("renamed", _renamed(first, copy))
            for name, value in (
                ("first_loads", loads), ("loads", copy * loads), ("orders", copy * orders),
                ("built", copy * built),
            ):  # fmt: skip
                connection.execute(f"SET VARIABLE {name} = {value}").fetchall()
            connection.execute(script).fetchall()
    return store


def _renamed(first: pl.DataFrame, copy: int) -> pl.DataFrame:
    """Return what each vehicle of the first fleet is called in one of its copies."""
    number = first["unit_no"].str.slice(1).cast(pl.Int64).to_numpy() - 1001 + copy * COPIED
    characters = first["vin"].to_numpy().astype("S17").view(np.uint8).reshape(-1, 17).copy()
    characters[:, 11:] = serial_characters(number)
    return pl.DataFrame(
        {
            "was": first["vin"],
            "vin": with_check_digit(characters),
            "unit_no": unit_numbers(number),
            "plate": plates(number),
        }
    )


def seconds(call: Callable[[], Any]) -> float:
    """Time one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def peak_mib() -> float:
    """Return the most memory that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def in_own_process(module: str, vehicles: int = VEHICLES) -> dict[str, Any]:
    """Measure in a process of its own, so that its memory is its own; return what it printed."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, module, folder, str(vehicles)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def print_measured(
    measure: Callable[[Store], dict[str, Any]], fill: Callable[[Path, int], Store] = fill_store
) -> None:
    """Run as that process: ``python bench_NAME.py FOLDER VEHICLES``."""
    print(json.dumps(measure(fill(Path(sys.argv[1]), int(sys.argv[2])))))
