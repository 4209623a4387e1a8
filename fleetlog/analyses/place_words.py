"""Several positions of parts as one text, with what they share said once."""

from __future__ import annotations

from collections.abc import Sequence

#: The sides at which a part may sit, as the positions name them.
SIDES = ("intake", "exhaust", "left", "right")


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
