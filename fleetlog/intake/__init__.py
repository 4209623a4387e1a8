"""From files to the store: read, match columns, check rows, code the narrative, load, undo."""

from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.correcting import corrections, export_held, load_corrections, retry_held
from fleetlog.intake.loading import LoadResult, load
from fleetlog.intake.undoing import UndoResult, held_reasons, held_rows, loads, undo_load

__all__ = [
    "ColumnMap",
    "LoadResult",
    "UndoResult",
    "corrections",
    "export_held",
    "held_reasons",
    "held_rows",
    "load",
    "load_corrections",
    "loads",
    "retry_held",
    "undo_load",
]
