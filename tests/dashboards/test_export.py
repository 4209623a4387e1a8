"""CSV files that a spreadsheet can open without running what a record says."""

import io

import polars as pl
import pytest

from dashboards.export import csv_text


# Source of the list of characters: OWASP, "CSV Injection".
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_would_run_is_made_plain(start: str) -> None:
    written = csv_text(pl.DataFrame({"ro_no": [f'{start}cmd("x")', "N100"]}))
    back = pl.read_csv(io.StringIO(written), infer_schema_length=0)
    assert back["ro_no"].to_list() == [f'\'{start}cmd("x")', "N100"]


def test_numbers_keep_their_sign_and_gaps_stay_gaps() -> None:
    written = csv_text(pl.DataFrame({"days": [-3, 4], "maker": [None, "Grennick"]}))
    assert written.splitlines() == ["days,maker", "-3,", "4,Grennick"]
