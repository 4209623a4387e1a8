"""Where the places of a component lie on a drawing, so that a figure needs no knowledge of engines.

The view is from above with the front at the left. Intake sides of a V engine face each other in the
middle (common practice, no source): a drawing for finding a place, not for measuring.
"""

from __future__ import annotations

from math import lcm

import polars as pl

SIDES_OF_A_BANK = {1: ("intake", "exhaust"), 2: ("exhaust", "intake")}
"""Order of the sides from the upper edge: an inline engine, and bank 1 of a V engine."""


def drawing_grid(places: pl.DataFrame, cylinder_banks: tuple[int, ...]) -> pl.DataFrame:
    """Lay the places of one component on one engine family out in rows and columns.

    Parameters
    ----------
    places : ``ordinal``, ``bank``, ``cylinder``, ``side``, ``slot`` of each place, null where a
        field does not apply.
    cylinder_banks : the bank of cylinder 1, 2, ... of the family; empty without cylinders.

    Returns
    -------
    ``ordinal``, ``row`` (1 at the upper edge), ``column`` (1 at the front), ``column_span`` (how
    many columns the place covers), ``row_title`` ("bank 2, exhaust") and ``label``
    ("cylinder 8, no. 1"; the row's title where the row holds one place).
    """
    rows = _rows(places)
    slots = places.filter(pl.col("cylinder").is_not_null())["slot"].max()
    counts = (
        places.filter(pl.col("slot").is_not_null() & pl.col("cylinder").is_not_null())
        .group_by("cylinder", "side")
        .len()["len"]
        .unique()
    )
    # Two intake valves beside one exhaust valve: the one is as wide as the two.
    wide = lcm(*counts.to_list()) if slots else 1
    longest = max((cylinder_banks.count(bank) for bank in set(cylinder_banks)), default=1)
    axles = places["slot"].drop_nulls().unique().sort().to_list()
    table = []
    for place in places.rows(named=True):
        bank, cylinder, side, slot = (
            place[name] for name in ("bank", "cylinder", "side", "slot")
        )  # fmt: skip
        if cylinder is not None:
            order = sum(1 for other in cylinder_banks[: cylinder - 1] if other == bank)
            beside = places.filter(
                (pl.col("cylinder") == cylinder) & pl.col("side").eq_missing(pl.lit(side))
            ).height
            span = wide // beside
            column = order * wide + ((slot or 1) - 1) * span + 1
            label = f"cylinder {cylinder}" + (f", no. {slot}" if slot else "")
        elif slot is not None:
            span, column, label = 1, axles.index(slot) + 1, f"axle {slot}"
        else:
            span, column, label = longest, 1, ""
        title = _row_title(bank, side)
        table.append(
            (
                place["ordinal"], rows.index((bank, side)) + 1, column, span,
                title, label or title or "one for all",
            )
        )  # fmt: skip
    return pl.DataFrame(
        table,
        schema={
            "ordinal": pl.Int64, "row": pl.Int64, "column": pl.Int64, "column_span": pl.Int64,
            "row_title": pl.String, "label": pl.String,
        },
        orient="row",
    )  # fmt: skip


def view_in_words(places: pl.DataFrame) -> str:
    """Say how the drawing is to be read."""
    if places["cylinder"].is_null().all() and places["bank"].is_null().all():
        return "vehicle seen from above, front at the left"
    banks = places["bank"].n_unique()
    if banks > 1:
        return (
            "V engine seen from above, front at the left: bank 1 in the upper rows, "
            "intake sides in the middle"
        )
    return "inline engine seen from above, front at the left"


def _rows(places: pl.DataFrame) -> list[tuple[int | None, str | None]]:
    """Banks and sides from the upper edge down."""
    there = set(places.select("bank", "side").rows())
    banks = sorted({bank for bank, _ in there if bank is not None}) or [None]
    order: list[tuple[int | None, str | None]] = []
    for bank in banks:
        upper = SIDES_OF_A_BANK[2 if len(banks) > 1 and bank == 1 else 1]
        order += [(bank, side) for side in (*upper, "left", "right", None) if (bank, side) in there]
    return order


def _row_title(bank: int | None, side: str | None) -> str:
    return ", ".join(word for word in (f"bank {bank}" if bank else "", side or "") if word)
