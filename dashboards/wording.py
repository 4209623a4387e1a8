"""How numbers, ages and shares are written, the same on every page and in the report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

NOT_KNOWN = "\N{EN DASH}"

#: The sides at which a part may sit, as the positions name them.
SIDES = ("intake", "exhaust", "left", "right")

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


def places(positions: Sequence[str]) -> str:
    """Write several positions as one text, with what they share said once.

    ``"bank 2, cylinder 5, exhaust"`` to ``"bank 2, cylinder 8, exhaust"`` are *bank 2,
    cylinders 5 to 8, exhaust*. Positions that do not have the same fields stay a plain list.
    """
    distinct = list(dict.fromkeys(positions))
    fields = [tuple(position.split(", ")) for position in distinct]
    if len({tuple(map(_kind, each)) for each in fields}) != 1:
        return "; ".join(distinct)
    blocks: list[Block] = [tuple((field,) for field in each) for each in fields]
    for place in reversed(range(len(fields[0]))):
        blocks = _joined(blocks, place)
    columns = list(zip(*blocks, strict=True))
    if len(blocks) == 1:
        return ", ".join(_together(column[0]) for column in columns)
    shared = [_together(column[0]) for column in columns if len(set(column)) == 1]
    told = [column for column in columns if len(set(column)) > 1]
    apart = "; ".join(", ".join(map(_together, block)) for block in zip(*told, strict=True))
    return f"{', '.join(shared)}: {apart}" if shared else apart


#: Positions of which each field is one of several: every combination of them.
Block = tuple[tuple[str, ...], ...]


def _joined(blocks: Sequence[Block], place: int) -> list[Block]:
    """Join the blocks that differ in one field only."""
    alike: dict[Block, tuple[str, ...]] = {}
    for block in blocks:
        others = block[:place] + block[place + 1 :]
        alike[others] = alike.get(others, ()) + block[place]
    return [
        (*others[:place], tuple(sorted(values, key=_number)), *others[place:])
        for others, values in alike.items()
    ]


def _kind(field: str) -> str:
    """Return the word of a numbered field; sides, which have no number, are of one kind."""
    word, _, end = field.rpartition(" ")
    return word if end.isdecimal() else "" if field in SIDES else field


def _number(field: str) -> int:
    end = field.rpartition(" ")[2]
    return int(end) if end.isdecimal() else 0


def _together(fields: Sequence[str]) -> str:
    """Write fields of one kind as one: *cylinders 5 to 8*, *no. 1 and 2*."""
    if len(fields) == 1:
        return fields[0]
    word = _kind(fields[0])
    names = [field.removeprefix(word).strip() for field in fields]
    numbers = [_number(field) for field in fields]
    if len(fields) > 2 and numbers == list(range(numbers[0], numbers[0] + len(fields))):
        text = f"{names[0]} to {names[-1]}"
    else:
        text = f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{word if word.endswith('.') else word + 's'} {text}" if word else text
