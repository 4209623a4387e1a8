"""Read component, position, action, reason and failure mode out of what technicians wrote."""

from fleetlog.intake.narrative.cells import (
    code_actions,
    code_failure_modes,
    code_reasons,
    code_terms,
    parse_position,
)
from fleetlog.intake.narrative.parts import code_narratives, suggest_codes
from fleetlog.intake.narrative.terms import CODED_ABOVE

__all__ = [
    "CODED_ABOVE",
    "code_actions",
    "code_failure_modes",
    "code_narratives",
    "code_reasons",
    "code_terms",
    "parse_position",
    "suggest_codes",
]
