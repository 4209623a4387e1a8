"""How numbers, ages and shares are written, the same on every page and in the report."""

from __future__ import annotations

import math
from datetime import date

from fleetlog.analyses.place_words import places

__all__ = [
    "NOT_KNOWN", "RATE_SPAN", "counted", "day", "decimals", "money", "places", "rate", "rate_unit",
    "share", "share_span", "span", "whole", "words",
]  # fmt: skip

NOT_KNOWN = "\N{EN DASH}"

#: How a cost rate is read aloud for each clock unit: money per this many units.
RATE_SPAN = {"mi": 1_000, "km": 1_000, "days": 365}


def whole(value: float | None) -> str:
    """Write a number without decimals, with thousands separators."""
    return NOT_KNOWN if value is None else f"{value:,.0f}"


def decimals(value: float | None, places: int = 2) -> str:
    """Write a number with a fixed count of decimals."""
    return NOT_KNOWN if value is None else f"{value:,.{places}f}"


def share(value: float | None, places: int = 0) -> str:
    """Write a fraction as a percentage."""
    return NOT_KNOWN if value is None else f"{100 * value:.{places}f} %"


def span(lower: float | None, upper: float | None) -> str:
    """Write two limits; a limit that was not reached, or is infinite, is an open end."""
    upper = None if upper is not None and math.isinf(upper) else upper
    if lower is None and upper is None:
        return NOT_KNOWN
    if upper is None:
        return f"{whole(lower)} or more"
    if lower is None:
        return f"up to {whole(upper)}"
    return f"{whole(lower)} to {whole(upper)}"


def share_span(lower: float | None, upper: float | None, places: int = 0) -> str:
    """Write the two limits of a share."""
    if lower is None or upper is None:
        return NOT_KNOWN
    return f"{100 * lower:.{places}f} to {100 * upper:.{places}f} %"


def money(value: float | None, currency: str, places: int = 0) -> str:
    """Write an amount with its ISO 4217 code."""
    return NOT_KNOWN if value is None else f"{value:,.{places}f} {currency}"


def rate(value: float | None, unit: str) -> str:
    """Write money per unit of age, over the span that :func:`rate_unit` names."""
    return decimals(None if value is None else value * RATE_SPAN[unit])


def rate_unit(currency: str, unit: str) -> str:
    """Name the unit of a cost rate: ``USD per 1,000 mi``."""
    return f"{currency} per {RATE_SPAN[unit]:,} {unit}"


def day(value: date | None) -> str:
    """Write a date in the ISO order, which no reader can take the wrong way round."""
    return NOT_KNOWN if value is None else value.isoformat()


def words(slug: str | None) -> str:
    """Read a code of ours as words: ``flat-lobe`` is *flat lobe*."""
    return "not stated" if slug is None else slug.replace("-", " ").replace("_", " ")


def counted(count: float, one: str, many: str | None = None) -> str:
    """Write a count with its noun in the right number."""
    return f"{count:,.0f} {one if count == 1 else many or one + 's'}"
