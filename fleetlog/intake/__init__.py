"""From files to the store: read, match columns, check rows, code the narrative, load, undo."""

from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.comeback_rulings import RuledComeback, rule_related, rule_unrelated
from fleetlog.intake.correcting import corrections, export_held, load_corrections, retry_held
from fleetlog.intake.gathering import Loaded, Refusal, gather, guess_kind, load_all
from fleetlog.intake.linking import RuledOrders, Ruling, rule_on_orders
from fleetlog.intake.loading import LoadResult, load
from fleetlog.intake.proposing import Proposal, Question, propose_map
from fleetlog.intake.reviewing import export_review, review_queue
from fleetlog.intake.undoing import UndoResult, held_reasons, held_rows, loads, undo_load

__all__ = [
    "ColumnMap",
    "LoadResult",
    "Loaded",
    "Proposal",
    "Question",
    "Refusal",
    "RuledComeback",
    "RuledOrders",
    "Ruling",
    "UndoResult",
    "corrections",
    "export_held",
    "export_review",
    "gather",
    "guess_kind",
    "held_reasons",
    "held_rows",
    "load",
    "load_all",
    "load_corrections",
    "loads",
    "propose_map",
    "retry_held",
    "review_queue",
    "rule_on_orders",
    "rule_related",
    "rule_unrelated",
    "undo_load",
]
