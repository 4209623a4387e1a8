"""Cells that list several parts: find what parts them, and make a row of each part."""

from __future__ import annotations

from collections.abc import Mapping

import duckdb
import polars as pl

from fleetlog.catalogue import load_catalogue
from fleetlog.intake.columns import Field, MatchedColumns, fields_read
from fleetlog.intake.frames import run, set_variables
from fleetlog.intake.narrative import CODED_ABOVE, code_terms
from fleetlog.sql import read_sql

# What may part a list, and the share of pieces that must be known parts for it to be one. The
# unit separator comes from lists within JSON and never from a keyboard. A comma also stands
# within the name of one part ("gasket, valve cover"), so it has to make more sense than that.
LIST_MARKS: Mapping[str, float] = {
    "\x1f": 0.0, "\n": 0.5, ";": 0.5, "|": 0.5, ",": 0.8, "+": 0.8,
}  # fmt: skip
# Cells that stand for one part where a row lists several: not the ones that tell of the work.
_OF_ONE = ("line_no", "part_no", "part_lot", "qty", "line_labour_h", "line_cost")


def split_lists(
    connection: duckdb.DuckDBPyConnection, matched: MatchedColumns, kind: str, said: str | None
) -> str | None:
    """Build ``cell`` (and ``list_note``) from ``whole_cell``, a row for each part that is listed.

    Returns what parts the lists; None where every row tells of one thing. ``said`` is the mark
    that a column map gives. Linear in the rows; the distinct texts of the parts column are read.
    """
    parts = [
        entry.name
        for entry in fields_read(kind)
        if not entry.order and entry.name in matched.columns
    ]
    mark = None
    if kind in ("repairs", "order-lines") and "component" in matched.columns:
        mark = said or _find_mark(connection)
    if mark is None:
        run(connection, "cell_single")
        return None
    _make_listed(connection, fields_read(kind), parts, mark)
    return mark


def _find_mark(connection: duckdb.DuckDBPyConnection) -> str | None:
    """Return the first mark whose pieces are known parts; None where cells hold no lists."""
    marked: pl.Series = connection.sql(
        read_sql("intake", "list_cells"), params={"marks": list(LIST_MARKS)}
    ).pl()["written"]
    for mark, share in LIST_MARKS.items():
        written = marked.filter(marked.str.contains(mark, literal=True))
        pieces = (
            written.str.strip_chars(f" {mark}")
            .str.split(mark)
            .explode()
            .str.strip_chars()
            .drop_nulls()
        )
        # Texts with the mark at one end only hold no list.
        if len(pieces) <= len(written):
            continue
        known = (code_terms(pieces, load_catalogue())["confidence"] > CODED_ABOVE).sum()
        if known >= share * len(pieces):
            return mark
    return None


def _make_listed(
    connection: duckdb.DuckDBPyConnection, entries: tuple[Field, ...], listed: list[str], mark: str
) -> None:
    """Run the script that takes the cells apart; only our own field names get into it."""
    set_variables(connection, {"list_mark": mark})
    run(
        connection,
        "cell_listed",
        pieces=", ".join(f"pieces_of({name}) AS {name}_pieces" for name in listed),
        longest="greatest(1, " + ", ".join(f"used_length({name}_pieces)" for name in listed) + ")",
        unequal=_first_unequal(listed, "'{name}'"),
        unequal_written=_first_unequal(listed, "{name}"),
        spoken=" OR ".join(
            f"(len({name}_pieces) > 1 AND {name}_pieces[place] IS NOT NULL)" for name in listed
        ),
        order_cells=", ".join(entry.name for entry in entries if entry.name not in listed),
        line_cells=", ".join(
            f"piece_of_{'one' if name in _OF_ONE else 'each'}({name}_pieces, part, nth) AS {name}"
            for name in listed
        ),
        notes=", ".join(
            f"{{field: '{name}', was: CASE WHEN len({name}_pieces) = 1 THEN {name} END}}"
            for name in listed
            if name in _OF_ONE
        )
        or "NULL::STRUCT(field VARCHAR, was VARCHAR)",
    )


def _first_unequal(listed: list[str], what: str) -> str:
    """Return the expression for the first list that is neither single nor the longest."""
    cases = " ".join(
        f"WHEN len({name}_pieces) > 1 AND len({name}_pieces) < parts THEN {what.format(name=name)}"
        for name in listed
    )
    return f"CASE {cases} END"
