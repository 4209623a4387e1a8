"""What the benches of a large fleet share: its store, a process of its own, the time of a call."""

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

from fleetlog import intake
from fleetlog.demo import simulate
from fleetlog.store import Store

VEHICLES = 100_000


def fill_store(folder: Path, vehicles: int) -> Store:
    """Load a lean, clean fleet as a shop would, part by part; a store that is there is taken."""
    path = folder / "bench.fleetlog"
    if path.exists():
        return Store.open(path)
    simulate(folder, vehicles=vehicles, layout="parquet", lines_per_vehicle="lean", dirt=False)
    store = Store.create(path)
    for name in ("engine_families", "service_rules"):
        intake.load(store, folder / f"{name}.csv", kind=name.replace("_", "-"))
    for pattern, kind in (("vehicles_*", "vehicles"), ("repairs_*", "repairs")):
        for part in sorted(folder.glob(f"{pattern}.parquet")):
            intake.load(store, part, kind=kind)
    return store


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


def print_measured(measure: Callable[[Store], dict[str, Any]]) -> None:
    """Run as that process: ``python bench_NAME.py FOLDER VEHICLES``."""
    print(json.dumps(measure(fill_store(Path(sys.argv[1]), int(sys.argv[2])))))
