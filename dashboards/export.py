"""Tables as CSV files that are safe to open in a spreadsheet."""

from __future__ import annotations

import polars as pl

#: A spreadsheet takes a cell that starts with one of these as a formula.
#: Source: OWASP, "CSV Injection".
FORMULA_STARTS = r"^[=+\-@\t\r]"


def csv_text(frame: pl.DataFrame) -> str:
    """Write a frame as CSV, with text that would run as a formula made plain by a leading quote."""
    text = pl.col(pl.String)
    return frame.with_columns(
        pl.when(text.str.contains(FORMULA_STARTS)).then("'" + text).otherwise(text).name.keep()
    ).write_csv()
