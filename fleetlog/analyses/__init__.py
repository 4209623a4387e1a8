"""Answers to what the people of a fleet ask: each takes a store and returns a frozen result."""

from fleetlog.analyses.best_interval import best_interval
from fleetlog.analyses.comebacks import comebacks
from fleetlog.analyses.double_orders import double_orders
from fleetlog.analyses.have_ready import HaveReady, have_ready
from fleetlog.analyses.part_life import part_life
from fleetlog.analyses.part_makers import PartMakers, part_makers
from fleetlog.analyses.position_map import PositionMap, position_map
from fleetlog.analyses.quality import quality
from fleetlog.analyses.repeat_failures import RepeatFailures, repeat_failures
from fleetlog.analyses.replace_together import ReplaceTogether, replace_together
from fleetlog.analyses.results import (
    BestInterval,
    Comebacks,
    DoubleOrders,
    PartLife,
    Quality,
)
from fleetlog.analyses.vehicle_record import VehicleRecord, vehicle_record
from fleetlog.analyses.vehicle_warnings import (
    VehicleWarnings,
    vehicle_warnings,
    vehicle_warnings_of,
)
from fleetlog.analyses.warning_signs import WarningSigns, warning_signs

__all__ = [
    "BestInterval",
    "Comebacks",
    "DoubleOrders",
    "HaveReady",
    "PartLife",
    "PartMakers",
    "PositionMap",
    "Quality",
    "RepeatFailures",
    "ReplaceTogether",
    "VehicleRecord",
    "VehicleWarnings",
    "WarningSigns",
    "best_interval",
    "comebacks",
    "double_orders",
    "have_ready",
    "part_life",
    "part_makers",
    "position_map",
    "quality",
    "repeat_failures",
    "replace_together",
    "vehicle_record",
    "vehicle_warnings",
    "vehicle_warnings_of",
    "warning_signs",
]
