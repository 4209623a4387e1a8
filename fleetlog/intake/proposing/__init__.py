"""Propose a column map for a file that nobody has described."""

from fleetlog.intake.proposing.proposal import Proposal, Question
from fleetlog.intake.proposing.propose import propose_map

__all__ = ["Proposal", "Question", "propose_map"]
