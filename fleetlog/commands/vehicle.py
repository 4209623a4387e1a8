"""Show what is known of one vehicle."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

import polars as pl
import typer

from fleetlog import analyses, terminal
from fleetlog.analyses.due_tasks import interval_words
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.settings import CAUTION
from fleetlog.store import Store


def vehicle(
    key: Annotated[
        str, typer.Argument(help="VIN, unit number, plate or RO number, or a part of one.")
    ],
    store: StorePath = DEFAULT_STORE,
    on: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            help="Count days from this one; else from the last day in the fleet's records.",
        ),
    ] = None,
    warnings: Annotated[
        bool,
        typer.Option(
            "--warnings/--no-warnings",
            help="Hold its parts against the lives of its engine family; takes seconds in a large "
            "fleet.",
        ),
    ] = True,
    json: Json = False,
) -> None:
    """Show what is due on one vehicle, what to look at, and what was done to it."""
    opened = Store.open(store)
    record = analyses.vehicle_record(opened, key, on=on.date() if on else None)
    found = analyses.vehicle_warnings_of(opened, record) if warnings else None
    if json:
        told = terminal.as_plain(record)
        terminal.print_json(told | {"warnings": found} if found else told)
    else:
        show_vehicle(record, found)


def show_vehicle(
    record: analyses.VehicleRecord,
    found: analyses.VehicleWarnings | None = None,
    *,
    most: int = 60,
) -> None:
    """Print one vehicle's record, and what the fleet's lives say of its parts."""
    terminal.sentences(record.summary)
    if record.due.height:
        terminal.heading(f"Due and overdue on {record.as_of:%Y-%m-%d}")
        terminal.table(_due(record), most=most)
    if record.windows.height:
        terminal.heading("Repairs that may still come back")
        terminal.table(
            record.windows,
            {
                "title": "part", "ro_no": "RO", "shop": "shop", "ready_on": "ready",
                "until_on": "until", "until_distance": f"and until, {record.unit}",
                "closes_on": "closes about", "back_ro_no": "came back on RO",
            } | _whom_to_ask(record.windows),
        )  # fmt: skip
    if found is not None:
        terminal.heading("What the fleet's lives say of these parts")
        terminal.sentences([f"- {said}" for said in found.warnings["said"]])
        terminal.sentences(found.summary)
    _show_parts(record, most)
    if record.last_open.height:
        terminal.heading("Last time it was open")
        terminal.table(
            record.last_open,
            {
                "group": "where", "opened_on": "opened", "shop": "shop", "ro_no": "RO",
                "since_distance": f"ago, {record.unit}", "since_days": "ago, days",
                "parts": "renewed or repaired", "torques": "torques noted",
            } | _whom_to_ask(record.last_open),
        )  # fmt: skip
    if record.torques.height:
        terminal.heading("Torques written down on past jobs (no specification)")
        terminal.table(record.torques, most=most)
    if record.doubts.height:
        terminal.heading("Not settled about these records")
        terminal.table(record.doubts, {"count": "count", "what": "what", "do": "what to do"})
    terminal.heading("Repair lines, newest first")
    terminal.table(
        record.lines,
        {
            "opened_on": "opened", "shop": "shop", "ro_no": "RO", "distance": record.unit,
            "title": "part", "position": "where", "action": "action", "reason": "reason",
            "failure_mode": "failure mode", "part_maker": "maker",
        },
        most=most,
    )  # fmt: skip
    terminal.sentences(["", CAUTION])


def _whom_to_ask(rows: pl.DataFrame) -> dict[str, str]:
    """Return the column of who did the job, where that is known and shown."""
    return {"technician": "by"} if rows["technician"].count() else {}


def _due(record: analyses.VehicleRecord) -> pl.DataFrame:
    """Return the tasks as they are read: interval in words, last time, what is left."""
    unit = record.unit
    rows = record.due.to_dicts()
    told = {
        "task": [
            task["task"] + (" (safety-critical)" if task["safety_critical"] else "")
            for task in rows
        ],
        "state": [task["state"] for task in rows],
        "interval, set by": [f"{interval_words(task, unit)}, {task['origin']}" for task in rows],
        "last done": [
            f"{task['last_done_on']} {task['ro_no']}" if task["last_done_on"] else "-"
            for task in rows
        ],
        f"left, {unit}": [task["left_distance"] for task in rows],
        "left, days": [task["left_days"] for task in rows],
        "left, hours": [task["left_hours"] for task in rows],
        "due about, limits": [_when(task) for task in rows],
        "note": [task["note"] for task in rows],
    }
    hidden = [name for name, cells in told.items() if not any(cells)]
    return pl.DataFrame(told, infer_schema_length=None, strict=False).drop(hidden)


def _when(task: dict[str, Any]) -> str:
    lower, upper = task["due_on_lower"], task["due_on_upper"]
    if task["due_on"] is None:
        return "-"
    if lower is None or lower == upper:
        return str(task["due_on"])
    return f"{task['due_on']} ({lower} {f'to {upper}' if upper else 'or later'})"


def _show_parts(record: analyses.VehicleRecord, most: int) -> None:
    terminal.heading("Parts renewed so far, and those beside them, as fitted now")
    terminal.table(
        record.parts.filter("touched"),
        {
            "title": "part", "positions": "where", "count": "count", "generation": "generation",
            "age_distance": f"age, {record.unit}", "age_days": "age, days", "part_maker": "maker",
            "part_lot": "lot", "fitted_on": "fitted", "ro_no": "RO",
        },
        most=most,
    )  # fmt: skip
    rest = record.parts.filter(~pl.col("touched"))
    if rest.height:
        first = rest.row(0, named=True)
        assumed = " (assumed: not watched from new)" if first["generation_assumed"] else ""
        terminal.sentences(
            [
                f"As the factory fitted them{assumed}: {rest.height} other components, "
                f"{rest['count'].sum():,} parts, "
                f"{first['age_distance']:,} {record.unit} and {first['age_days']:,} days old "
                "(--json lists them)."
            ]
        )
