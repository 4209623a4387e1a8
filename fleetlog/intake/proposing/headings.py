"""How surely a heading means a field: usual ones, misspelt ones, shortened ones."""

from __future__ import annotations

from functools import cache
from typing import Final

from rapidfuzz import fuzz

from fleetlog.intake.columns import Field, fields_of, known_headings, plain

# How the trade shortens the words of a heading. Common practice, no source.
SHORT_FOR: Final = {
    "amt": "cost",
    "clr": "cleared",
    "cyl": "cylinder",
    "desc": "description",
    "dt": "date",
    "dtc": "codes",
    "eng": "engine",
    "fam": "family",
    "h": "hours",
    "hr": "hours",
    "hrs": "hours",
    "km": "odometer",
    "labor": "labour",
    "lbr": "labour",
    "lic": "license",
    "ln": "line",
    "mech": "technician",
    "mechanic": "technician",
    "mfg": "maker",
    "mfr": "maker",
    "mi": "odometer",
    "miles": "odometer",
    "mileage": "odometer",
    "nbr": "no",
    "num": "no",
    "number": "no",
    "odo": "odometer",
    "pos": "position",
    "pt": "part",
    "qty": "quantity",
    "reg": "registration",
    "srv": "service",
    "tech": "technician",
    "veh": "vehicle",
    "yr": "year",
}
MONEY_SIGNS: Final = "$€£"
# A word so alike is taken for a slip of the pen: one slip in a word of four letters or more.
SAME_WORD: Final = 74
SHORTEST_WORD: Final = 3
# What a word is worth that begins the other one.
BEGUN: Final = 0.7
# Headings of which half the words agree say nothing; above it likeness counts.
HALF: Final = 0.5
# No likeness says as much as the usual heading itself.
MOST_FROM_LIKENESS: Final = 0.95


def heading_likeness(heading: str, entry: Field, kind: str) -> float:
    """Return how surely a heading means a field, 0 to 1.

    1 for a usual heading; else from the share of words that agree with one, misspelt, shortened
    or begun words among them, less where another field has a better claim.
    """
    written = plain(heading)
    if not written:
        return 0.0
    owner = known_headings(kind).get(written)
    # "Ln $" is no line number: what a sign of money adds counts as a word.
    if owner is not None and (owner == entry.name or not _signed(heading)):
        return 1.0 if owner == entry.name else 0.0
    return _likenesses(heading, kind)[entry.name]


@cache
def _likenesses(heading: str, kind: str) -> dict[str, float]:
    words = _words(heading)
    best = {entry.name: 0.0 for entry in fields_of(kind)}
    for known, name in known_headings(kind).items():
        best[name] = max(best[name], _agreement(words, _words(known)))
    ranked = sorted(best.values(), reverse=True)
    found = {}
    for name, score in best.items():
        rival = ranked[1] if score == ranked[0] else ranked[0]
        likeness = max(score - HALF, 0.0) / (1 - HALF)
        # Alike for two fields: it does not tell them apart.
        found[name] = MOST_FROM_LIKENESS * likeness * (1.0 if score > rival else HALF)
    return found


def _signed(heading: str) -> bool:
    return any(sign in heading for sign in MONEY_SIGNS)


def _words(heading: str) -> tuple[str, ...]:
    written = plain(heading).split()
    if _signed(heading):
        written.append("cost")
    return tuple(SHORT_FOR.get(word, word) for word in written)


def _agreement(words: tuple[str, ...], known: tuple[str, ...]) -> float:
    """Share of the words of both that have a like word in the other, each used once."""
    if not words or not known:
        return 0.0
    left = list(known)
    agreed = 0.0
    for word in words:
        likest = max(left, key=lambda other: _same(word, other), default=None)
        if likest is not None and (same := _same(word, likest)):
            agreed += same
            left.remove(likest)
    return 2 * agreed / (len(words) + len(known))


def _same(word: str, other: str) -> float:
    if word == other:
        return 1.0
    if min(len(word), len(other)) < SHORTEST_WORD:
        return 0.0
    ratio = float(fuzz.ratio(word, other))
    if ratio >= SAME_WORD and word[0] == other[0]:
        return ratio / 100
    return BEGUN if other.startswith(word) else 0.0
