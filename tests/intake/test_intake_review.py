"""Lines that were kept as text wait for a person, and come back with a part."""

import fastexcel
import polars as pl
import pytest
import xlsxwriter

from fleetlog import intake
from fleetlog.errors import InputError


@pytest.fixture
def waiting(load_rows, row):
    """Two lines nobody can code, one that is coded, and one told by a narrative in doubt."""
    return load_rows(
        [
            row(ro_no="N1", component="doohickey by the lifter", position=None, part_no="PN1"),
            row(ro_no="N2", component="doohickey by the lifter", position=None),
            row(ro_no="N3"),
            row(ro_no="N4", component=None, position=None, correction="recommended a water pump"),
        ]
    )


def test_what_waits_is_listed_with_what_it_may_be(store, waiting):
    queue = intake.review_queue(store)
    assert queue["ro_no"].to_list() == ["N1", "N2", "N4"]
    assert queue["alike"].to_list() == [2, 2, 1]
    told = queue.row(2, named=True)
    assert told["suggestion"] == "cooling.water-pump"
    assert 0 < told["confidence"] < 0.7
    assert told["narrative"] == "recommended a water pump"


def fill_in(path, out, parts):
    """Copy the exported sheet with some components filled in: RO number -> part."""
    cells = fastexcel.read_excel(path).load_sheet(0, header_row=None, dtypes="string").to_polars()
    rows = [list(row) for row in cells.rows()]
    number, part = rows[0].index("ro_no"), rows[0].index("component")
    for row in rows[1:]:
        row[part] = parts.get(row[number], row[part])
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("lines")
        for place, row in enumerate(rows):
            for column, text in enumerate(row):
                if text is not None:
                    sheet.write_string(place, column, text)
    return out


def test_filled_in_lines_come_back_and_the_others_stay(store, waiting, tmp_path):
    out = tmp_path / "review.xlsx"
    assert intake.export_review(store, out) == 3
    filled = fill_in(out, tmp_path / "filled.xlsx", {"N1": "Water pump"})
    result = intake.load(store, filled, kind="order-lines")
    assert (result.rows_read, result.rows_kept, result.rows_identical) == (3, 1, 2)
    line = store.frame(
        "SELECT l.* FROM repair_line l JOIN repair_order USING (ro_id) WHERE ro_no = 'N1'"
    ).row(0, named=True)
    assert line["component"] == "cooling.water-pump"
    assert line["part_no"] == "PN1"
    assert line["action"] == "replaced"
    assert intake.review_queue(store)["ro_no"].to_list() == ["N2", "N4"]


def test_a_code_keeps_the_words_of_the_line(store, waiting, tmp_path):
    out = tmp_path / "review.xlsx"
    intake.export_review(store, out)
    filled = fill_in(out, tmp_path / "filled.xlsx", {"N1": "cooling.water-pump"})
    intake.load(store, filled, kind="order-lines")
    words = store.frame(
        "SELECT description FROM repair_line WHERE component = 'cooling.water-pump'"
    )
    assert words["description"].to_list() == ["doohickey by the lifter"]


def test_nothing_waits(store, load_rows, row, tmp_path):
    load_rows([row()])
    assert intake.review_queue(store).is_empty()
    assert intake.review_queue(store).schema["confidence"] == pl.Float64
    with pytest.raises(InputError, match="no line waits"):
        intake.export_review(store, tmp_path / "none.xlsx")
