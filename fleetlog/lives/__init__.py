"""From records to lives: judged meters, vehicle spans, position events, lives, risk tables."""

from fleetlog.lives.build import rebuild
from fleetlog.lives.select import SPLITS, risk_table, select_lives

__all__ = ["SPLITS", "rebuild", "risk_table", "select_lives"]
