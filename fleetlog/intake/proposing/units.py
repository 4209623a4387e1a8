"""Whether the distances of a file are miles or kilometres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import duckdb

from fleetlog.intake.columns import plain
from fleetlog.intake.frames import filled, keep_frame
from fleetlog.intake.proposing.profiles import Profile
from fleetlog.store import Store
from fleetlog.units import KM_PER_MILE

UNIT_WORDS: Final = {
    "mi": {"mi", "mile", "miles", "mileage"},
    "km": {"km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"},
}
# Readings this near in days to one of the store are held against it; so many must agree that
# their middle ratio lies this near to what a unit would give.
FEWEST_READINGS: Final = 20
NEAR: Final = 0.1


@dataclass(frozen=True)
class Held:
    """A column that holds a field: its name in the scratch database, its type, how it looks."""

    column: str
    type: str
    profile: Profile


def settle_unit(
    connection: duckdb.DuckDBPyConnection, held: Mapping[str, Held], store: Store | None
) -> str | None:
    """Return the unit of distance that headings, cells or the store's readings settle."""
    distances = [one.profile for one in held.values() if one.type == "distance"]
    if not distances:
        return None
    words = {word for p in distances for word in plain(p["heading"]).split()}
    named = [unit for unit, known in UNIT_WORDS.items() if words & known]
    if len(named) == 1:
        return named[0]
    cells = {
        unit: sum(p["filled"] * p[f"share_unit_{unit}"] for p in distances) for unit in UNIT_WORDS
    }
    if sum(cells.values()) > 0 and min(cells.values()) == 0:
        return max(cells, key=lambda unit: cells[unit])
    return None if store is None else _by_readings(connection, held, store)


def _by_readings(
    connection: duckdb.DuckDBPyConnection, held: Mapping[str, Held], store: Store
) -> str | None:
    """Return the unit in which the file agrees with what the store has read of the vehicles."""
    vehicle = next((name for name in ("vin", "unit_no", "plate") if name in held), None)
    day = next((name for name in ("read_on", "opened_on") if name in held), None)
    if vehicle is None or day is None or "odometer" not in held:
        return None
    columns = {
        "vehicle": held[vehicle].column,
        "day": held[day].column,
        "odometer": held["odometer"].column,
    }
    wanted = connection.sql(filled("propose_read_vehicles", **columns)).pl()
    readings = store.frame(
        filled("propose_readings", named=vehicle), {"names": wanted["name"].to_list()}
    )
    keep_frame(connection, "store_reading", readings)
    compared, ratio = connection.execute(filled("propose_ratio", **columns)).fetchall()[0]
    if compared < FEWEST_READINGS:
        return None
    other = "km" if store.distance_unit == "mi" else "mi"
    expected = KM_PER_MILE if other == "km" else 1 / KM_PER_MILE
    fits = {
        unit: abs(ratio / value - 1) < NEAR
        for unit, value in ((store.distance_unit, 1.0), (other, expected))
    }
    return next((unit for unit, fit in fits.items() if fit), None)
