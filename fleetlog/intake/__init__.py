"""From files to the store: read, match columns, check rows, code the narrative, load, undo."""

from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.loading import LoadResult, load
from fleetlog.intake.undoing import UndoResult, held_rows, loads, undo_load

__all__ = [
    "ColumnMap",
    "LoadResult",
    "UndoResult",
    "held_rows",
    "load",
    "loads",
    "undo_load",
]
