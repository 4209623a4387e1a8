"""From files to the store: read, match columns, check rows, code the narrative, load, undo."""

from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.loading import LoadResult, load

__all__ = ["ColumnMap", "LoadResult", "load"]
