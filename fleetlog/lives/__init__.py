"""From records to lives: judged meters, vehicle spans, position events, lives, risk tables."""

from fleetlog.lives.build import rebuild
from fleetlog.lives.select import SPLITS, risk_table, select_lives
from fleetlog.lives.whole import rebuild_all

__all__ = ["SPLITS", "rebuild", "rebuild_all", "risk_table", "select_lives"]
