"""The record of one vehicle in a store of a million, against opening it and one key look-up.

The million are ten copies of 100,000 simulated vehicles, told apart by VIN, unit number, plate and
RO number; fuel readings are among them.
"""

from __future__ import annotations

import statistics

from large_fleet import fill_with_copies, in_own_process, print_measured, seconds

from fleetlog import analyses
from fleetlog.analyses.choices import find_vehicles
from fleetlog.store import Store

VEHICLES = 1_000_000
MOST_TIMES_A_LOOK_UP = 5.0
REPETITIONS = 5
VEHICLES_TRIED = 7

# The least that any answer costs: open the file, find one row by its key.
LOOK_UP = "SELECT * FROM vehicle WHERE vin = $vin"

# One order each of some vehicles from anywhere in the fleet.
TRIED = f"""
FROM (
    SELECT vin, any_value(unit_no), any_value(plate), min(ro_no)
    FROM vehicle JOIN repair_order USING (vin) GROUP BY vin
)
ORDER BY hash(vin) LIMIT {VEHICLES_TRIED}
"""

NAMES = {
    "look_up": "opening and one key look-up",
    "by_vin": "by VIN",
    "by_unit": "by unit number",
    "by_plate": "by plate",
    "by_ro": "by RO number",
    "part_of_vin": "search for the end of a VIN",
    "middle_of_vin": "search for ten characters within a VIN",
    "part_of_ro": "search for an RO number without its first letter",
}


def measure(store: Store) -> dict[str, float]:
    """Time look-ups, records and searches for several vehicles in turns; medians, in seconds."""
    timed: dict[str, list[float]] = {name: [] for name in NAMES}
    tried = store.frame(TRIED)
    for _ in range(REPETITIONS):
        for vin, unit, plate, ro_no in tried.iter_rows():
            calls = {
                "look_up": lambda vin=vin: store.frame(LOOK_UP, {"vin": vin}),
                "by_vin": lambda key=vin: analyses.vehicle_record(store, key),
                "by_unit": lambda key=unit: analyses.vehicle_record(store, key),
                "by_plate": lambda key=plate: analyses.vehicle_record(store, key),
                "by_ro": lambda key=ro_no: analyses.vehicle_record(store, key),
                "part_of_vin": lambda key=vin[9:]: find_vehicles(store, key),
                "middle_of_vin": lambda key=vin[5:15]: find_vehicles(store, key),
                "part_of_ro": lambda key=ro_no[1:]: find_vehicles(store, key),
            }
            for name, call in calls.items():
                timed[name].append(seconds(call))
    return {f"{name}_s": statistics.median(each) for name, each in timed.items()}


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that a filled store leaves no memory behind."""
    found = in_own_process(__file__, VEHICLES)
    return [
        {
            "name": f"record of one of {VEHICLES:,} vehicles, {what}, times {NAMES['look_up']}",
            "value": found[f"{name}_s"] / found["look_up_s"],
            "at_most": MOST_TIMES_A_LOOK_UP,
            **found,
        }
        for name, what in NAMES.items()
        if name != "look_up"
    ]


if __name__ == "__main__":
    print_measured(measure, fill_with_copies)
