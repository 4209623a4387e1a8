"""The record of one vehicle in a store of a million, against opening it and one key look-up."""

from __future__ import annotations

import statistics

from large_fleet import in_own_process, print_measured, seconds

from fleetlog import analyses
from fleetlog.analyses.choices import find_vehicles
from fleetlog.store import Store

VEHICLES = 1_000_000
MOST_TIMES_A_LOOK_UP = 5.0
REPETITIONS = 7
VEHICLES_TRIED = 5

# The least that any answer costs: open the file, find one row by its key.
LOOK_UP = "SELECT * FROM vehicle WHERE vin = $vin"


def measure(store: Store) -> dict[str, float]:
    """Time look-ups and records of several vehicles in turns; medians, in seconds."""
    vins = store.frame(
        "SELECT vin, unit_no FROM vehicle USING SAMPLE $n ROWS (reservoir, 7)".replace(
            "$n", str(VEHICLES_TRIED)
        )
    )
    timed: dict[str, list[float]] = {name: [] for name in ("look_up", "record", "by_unit", "part")}
    for _ in range(REPETITIONS):
        for vin, unit in vins.iter_rows():
            for name, call in (
                ("look_up", lambda vin=vin: store.frame(LOOK_UP, {"vin": vin})),
                ("record", lambda vin=vin: analyses.vehicle_record(store, vin)),
                ("by_unit", lambda unit=unit: analyses.vehicle_record(store, unit)),
                ("part", lambda vin=vin: find_vehicles(store, vin[5:15])),
            ):
                timed[name].append(seconds(call))
    return {f"{name}_s": statistics.median(each) for name, each in timed.items()}


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that a filled store leaves no memory behind."""
    found = in_own_process(__file__, VEHICLES)
    return [
        {
            "name": f"record of one of {VEHICLES:,} vehicles, times opening and one key look-up",
            "value": found["record_s"] / found["look_up_s"],
            "at_most": MOST_TIMES_A_LOOK_UP,
            **found,
        }
    ]


if __name__ == "__main__":
    print_measured(measure)
