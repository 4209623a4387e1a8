"""Lines that were kept as text because no code was sure: what they may be, for a person to say."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from fleetlog.catalogue import load_catalogue
from fleetlog.errors import InputError
from fleetlog.intake.narrative import code_terms, suggest_codes
from fleetlog.intake.workbook import MOST_ROWS, text_workbook
from fleetlog.sql import read_sql
from fleetlog.store import Store

# The columns that a person fills in, under headings that a file of order lines has.
FILLED_IN = (
    "component", "bank", "cylinder", "side", "slot", "action", "reason", "failure_mode",
)  # fmt: skip


def review_queue(store: Store) -> pl.DataFrame:
    """Return the lines that wait for a person, those with the most frequent words first.

    Columns: shop, ro_no, line_no, vin, opened_on, description (the line's own words), narrative
    (those of its order), bank, cylinder, side, slot, action, reason, failure_mode (as far as
    they are known), suggestion (the likeliest component or null), confidence (0 to 1, of the
    suggestion), alike (lines of the queue with the same words). Linear in the lines and in the
    length of their distinct words.
    """
    catalogue = load_catalogue()
    lines = store.frame(read_sql("intake", "review_lines")).with_columns(
        words=pl.coalesce("description", "narrative")
    )
    described = lines["description"].drop_nulls().unique()
    told = lines.filter(pl.col("description").is_null())["narrative"].drop_nulls().unique()
    suggested = pl.concat(
        [
            code_terms(described, catalogue).select(
                words=described, suggestion="component", confidence="confidence"
            ),
            suggest_codes(told, catalogue).select(
                words="text", suggestion="component", confidence="confidence"
            ),
        ]
    )
    best = (
        suggested.drop_nulls("suggestion")
        .sort("confidence", descending=True, maintain_order=True)
        .unique("words", keep="first", maintain_order=True)
    )
    return (
        lines.join(best, on="words", how="left", maintain_order="left")
        .with_columns(alike=pl.len().over("words"))
        .sort("alike", "words", descending=[True, False], maintain_order=True)
        .drop("words")
    )


def export_review(store: Store, path: str | Path) -> int:
    """Write the queue into a workbook that is a file of order lines; return the rows.

    The column ``component`` holds the words of the line: whoever knows what they mean puts a
    code or a plain name there, and loads the file as ``order-lines``. A row that is left as it
    is changes nothing.

    Raises
    ------
    InputError : nothing waits, or more than a sheet can have.
    """
    queue = review_queue(store)
    if queue.is_empty():
        raise InputError("no line waits for a person: there is nothing to review")
    if queue.height > MOST_ROWS:
        raise InputError(
            f"{queue.height} lines wait, more than a sheet can have: give the files a column map "
            "that names the parts column, or correct the commonest words first"
        )
    with text_workbook(path) as book:
        queue.select(
            "shop",
            "ro_no",
            "line_no",
            pl.col("description").alias("component"),
            *FILLED_IN[1:],
            pl.col("suggestion").alias("it may be"),
            pl.col("confidence").round(2).alias("how sure"),
            pl.col("alike").alias("lines with these words"),
            pl.col("narrative").alias("words of the order"),
        ).write_excel(book, "lines", autofit=False, dtype_formats={pl.String: "@"})
        book.get_worksheet_by_name("lines").freeze_panes(1, 3)
    return queue.height
