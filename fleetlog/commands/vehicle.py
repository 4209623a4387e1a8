"""Show what is known of one vehicle."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.store import Store


def vehicle(
    key: Annotated[str, typer.Argument(help="VIN, its last 6 or 8, unit number or plate.")],
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show what was done to one vehicle, and the age of its parts."""
    record = analyses.vehicle_record(Store.open(store), key)
    if json:
        terminal.print_json(record)
    else:
        show_vehicle(record)


def show_vehicle(record: analyses.VehicleRecord, *, most: int = 60) -> None:
    """Print one vehicle's record."""
    terminal.sentences(record.summary)
    terminal.heading("Parts renewed so far, as fitted now")
    terminal.table(
        record.parts,
        {
            "title": "part", "positions": "where", "count": "count", "generation": "generation",
            "age_distance": f"age, {record.unit}", "age_days": "age, days", "part_maker": "maker",
            "part_lot": "lot", "fitted_on": "fitted",
        },
        most=most,
    )  # fmt: skip
    if record.torques.height:
        terminal.heading("Torques written down on past jobs (no specification)")
        terminal.table(record.torques, most=most)
    terminal.heading("Repair lines, newest first")
    terminal.table(
        record.lines,
        {
            "opened_on": "opened", "shop": "shop", "ro_no": "RO", "odometer": record.unit,
            "title": "part", "position": "where", "action": "action", "reason": "reason",
            "failure_mode": "failure mode", "part_maker": "maker",
        },
        most=most,
    )  # fmt: skip
