"""What each kind of file becomes in the store: its table, its key and its columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fleetlog.intake.columns import MatchedColumns


@dataclass(frozen=True)
class StoredTable:
    """A table ``loaded_<name>``: the columns of its key and the other columns."""

    name: str
    key: tuple[str, ...]
    values: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns that come from the file."""
        return self.key + self.values


ENGINE_FAMILY = StoredTable(
    "engine_family",
    ("code",),
    (
        "title", "cylinders", "banks", "cylinder_banks", "intake_valves", "exhaust_valves",
        "camshafts_per_bank", "camshaft_location", "fuel", "displacement_l",
    ),
)  # fmt: skip
VEHICLE = StoredTable(
    "vehicle",
    ("vin",),
    (
        "unit_no", "plate", "engine_family", "model_year", "duty", "depot", "in_service_on",
        "in_service_odometer", "observed_from_on", "observed_from_odometer", "retired_on",
        "retired_odometer",
    ),
)  # fmt: skip
METER = StoredTable("meter", ("vin", "read_on", "odometer", "engine_hours", "source"), ())
SERVICE_RULE = StoredTable(
    "service_rule",
    ("engine_family", "task", "origin"),
    ("component", "every_distance", "every_days", "every_hours", "safety_critical"),
)
TORQUE_RECORD = StoredTable(
    "torque_record", ("ro_id", "fastener"), ("value", "unit", "newton_metres")
)
REPAIR_ORDER = StoredTable(
    "repair_order",
    ("ro_id",),
    (
        "shop", "ro_no", "vin", "opened_on", "closed_on", "odometer", "odometer_written",
        "engine_hours", "technician", "complaint", "cause", "correction", "fault_codes",
        "road_tested", "codes_cleared", "downtime_h", "labour_h", "labour_cost", "parts_cost",
    ),
)  # fmt: skip
REPAIR_LINE = StoredTable(
    "repair_line",
    ("ro_id", "line_no"),
    (
        "description", "component", "bank", "cylinder", "side", "slot", "action", "reason",
        "failure_mode", "part_no", "part_maker", "part_lot", "qty", "labour_h", "cost",
    ),
)  # fmt: skip

TABLES_OF: Mapping[str, tuple[StoredTable, ...]] = {
    "engine-families": (ENGINE_FAMILY,),
    "vehicles": (VEHICLE,),
    "meters": (METER,),
    "service-rules": (SERVICE_RULE,),
    "torques": (TORQUE_RECORD,),
    "repairs": (REPAIR_ORDER, REPAIR_LINE),
    "orders": (REPAIR_ORDER, REPAIR_LINE),
    "order-lines": (REPAIR_ORDER, REPAIR_LINE),
}

# Columns of a line that a file names otherwise, for an order has a column of that name.
LINE_FIELDS: Mapping[str, str] = {"labour_h": "line_labour_h", "cost": "line_cost"}

_NARRATIVE = ("cause", "correction")
_PLACED_BY = ("position", "component", *_NARRATIVE)
# Stored columns that come from other fields than the one of their name.
_ORDER_SOURCES: Mapping[str, tuple[str, ...]] = {
    "vin": ("vin", "unit_no", "plate"),
    "odometer_written": ("odometer",),
}
_LINE_SOURCES: Mapping[str, tuple[str, ...]] = {
    "description": ("component",),
    "component": ("component", *_NARRATIVE),
    "bank": ("bank", "cylinder", *_PLACED_BY),
    "cylinder": ("cylinder", *_PLACED_BY),
    "side": ("side", *_PLACED_BY),
    "slot": ("slot", *_PLACED_BY),
    "action": ("action", *_NARRATIVE),
    "reason": ("reason", *_NARRATIVE),
    "failure_mode": ("failure_mode", *_NARRATIVE),
    "labour_h": ("line_labour_h",),
    "cost": ("line_cost",),
}


def said_order_columns(matched: MatchedColumns) -> tuple[str, ...]:
    """Return the stored columns of a repair order that this file can speak of."""
    return _said(REPAIR_ORDER.values, _ORDER_SOURCES, matched)


def said_line_columns(matched: MatchedColumns) -> tuple[str, ...]:
    """Return the stored columns of a repair line that this file can speak of."""
    return _said(REPAIR_LINE.values, _LINE_SOURCES, matched)


def _said(
    columns: Sequence[str], sources: Mapping[str, tuple[str, ...]], matched: MatchedColumns
) -> tuple[str, ...]:
    return tuple(
        column
        for column in columns
        if any(source in matched.columns for source in sources.get(column, (column,)))
    )


def listed(columns: Sequence[str], prefix: str = "") -> str:
    """Join column names for a statement."""
    return ", ".join(prefix + column for column in columns)


def same(columns: Sequence[str]) -> str:
    """Return the condition that rows ``s`` and ``f`` agree in all columns."""
    return " AND ".join(f"s.{column} IS NOT DISTINCT FROM f.{column}" for column in columns)


def differs(columns: Sequence[str]) -> str:
    """Return the condition that rows ``s`` and ``f`` differ in some column."""
    return " OR ".join(f"s.{column} IS DISTINCT FROM f.{column}" for column in columns) or "false"
