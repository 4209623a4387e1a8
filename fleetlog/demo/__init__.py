"""A simulated fleet: invented vehicles and records with known truths hidden in them."""

from fleetlog.demo.simulation import simulate
from fleetlog.demo.truth import PartLife, Truth

__all__ = ["PartLife", "Truth", "simulate"]
