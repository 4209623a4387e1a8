"""Answers to what the people of a fleet ask: each takes a store and returns a frozen result."""

from fleetlog.analyses.best_interval import best_interval
from fleetlog.analyses.comebacks import comebacks
from fleetlog.analyses.part_life import part_life
from fleetlog.analyses.results import BestInterval, Comebacks, PartLife, VehicleRecord
from fleetlog.analyses.vehicle_record import vehicle_record

__all__ = [
    "BestInterval",
    "Comebacks",
    "PartLife",
    "VehicleRecord",
    "best_interval",
    "comebacks",
    "part_life",
    "vehicle_record",
]
