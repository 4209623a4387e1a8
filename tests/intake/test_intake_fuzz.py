"""Damaged files: each gives a load in which every row is accounted for, or a sentence.

The yardstick for cells is Python's own csv module (RFC 4180 with its leniences): a row that was
kept must hold just the cells that csv reads at that row, in their columns.
"""

import csv
import io
import json
import random
import re
import shutil

import polars as pl
import pytest
import xlsxwriter

from fleetlog import intake
from fleetlog.errors import FleetlogError
from fleetlog.store import Store

HEADINGS = (
    "shop", "ro_no", "vin", "opened_on", "odometer", "technician", "complaint", "correction",
    "component", "action", "reason", "part_no", "qty", "line_cost",
)  # fmt: skip
ROWS = 12


def sound_rows(chooser, vins):
    parts = ["Lifter", "Rocker arm", "Valve cover gasket", "Water pump"]
    return [
        [
            "North Yard", f"N{n // 3}", vins[n // 3 % 4], f"2021-03-{1 + n // 3:02d}",
            str(20_000 + 10 * (n // 3)), "T. Amber", "ticking, when cold", 'said "hot"\nthen cold',
            chooser.choice(parts), "replaced", "failed", f"PN{n:04d}", "1", "12.50",
        ]
        for n in range(ROWS)
    ]  # fmt: skip


def as_csv(rows, delimiter=",", newline="\r\n"):
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator=newline).writerows([HEADINGS, *rows])
    return out.getvalue().encode()


def as_json_lines(rows):
    return "\n".join(
        json.dumps(dict(zip(HEADINGS, row, strict=True)), ensure_ascii=False) for row in rows
    ).encode()


def as_workbook(rows):
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        for place, row in enumerate([HEADINGS, *rows]):
            sheet.write_row(place, 0, row)
    return out.getvalue()


def as_parquet(rows):
    out = io.BytesIO()
    pl.DataFrame(rows, schema=dict.fromkeys(HEADINGS, pl.String), orient="row").write_parquet(out)
    return out.getvalue()


def flip_bytes(chooser, data):
    damaged = bytearray(data)
    for _ in range(chooser.randint(1, 12)):
        damaged[chooser.randrange(len(damaged))] = chooser.randrange(256)
    return bytes(damaged)


def drop_piece(chooser, data):
    begin = chooser.randrange(len(data))
    return data[:begin] + data[begin + chooser.randint(1, 200) :]


def repeat_piece(chooser, data):
    begin = chooser.randrange(len(data))
    end = min(len(data), begin + chooser.randint(1, 300))
    return data[:end] + data[begin:end] + data[end:]


def cut_short(chooser, data):
    return data[: chooser.randrange(1, len(data))]


def odd_quotes(chooser, data):
    damaged = bytearray(data)
    for _ in range(chooser.randint(1, 5)):
        damaged.insert(chooser.randrange(len(damaged)), ord('"'))
    return bytes(damaged)


def mixed_line_ends(chooser, data):
    lines = data.replace(b"\r\n", b"\n").split(b"\n")
    return b"".join(line + chooser.choice([b"\n", b"\r\n", b"\r"]) for line in lines)


def odd_characters(chooser, data):
    odd = [
        "\x00",
        "\x0b",
        "\x1f",
        "\u2028",
        "\ufeff",
        "\u202e",
        "\U0001f600",
        "\t",
        ";",
        ",,",
        "\\",
    ]
    at = chooser.randrange(len(data))
    return data[:at] + chooser.choice(odd).encode() * chooser.randint(1, 3) + data[at:]


def huge_cell(chooser, data):
    at = chooser.randrange(len(data))
    return (
        data[:at]
        + chooser.choice([b"x", b"9", b" ", b"a,"]) * chooser.choice([5_000, 70_000, 2_200_000])
        + data[at:]
    )


def other_encoding(chooser, data):
    text = data.decode(errors="replace").replace("hot", "heiß é ñ")
    return text.encode(chooser.choice(["cp1252", "utf-16", "utf-16-le", "utf-8-sig"]), "replace")


BYTE_DAMAGE = (
    flip_bytes, drop_piece, repeat_piece, cut_short, odd_quotes, mixed_line_ends, odd_characters,
    huge_cell, other_encoding,
)  # fmt: skip


def swap_cells(chooser, rows):
    one, other = chooser.choice(rows), chooser.choice(rows)
    here, there = chooser.randrange(len(one)), chooser.randrange(len(other))
    one[here], other[there] = other[there], one[here]


def odd_cell(chooser, rows):
    row = chooser.choice(rows)
    row[chooser.randrange(len(row))] = chooser.choice(
        ["", "N/A", "-", "=1+1", "1e400", "-5", "٣", "2021-02-30", "'; DROP TABLE load; --", "\x07",
         "NaN", "99999999999999999999", "12,5", "1.234,56", "a" * 3000, "{}", "[1]", "null"]
    )  # fmt: skip


def lose_cell(chooser, rows):
    row = chooser.choice(rows)
    del row[chooser.randrange(len(row))]


def gain_cell(chooser, rows):
    row = chooser.choice(rows)
    row.insert(chooser.randrange(len(row) + 1), chooser.choice(["", "extra", "7"]))


CELL_DAMAGE = (swap_cells, odd_cell, lose_cell, gain_cell)


def damaged_file(seed, vins):
    """Return the bytes of one damaged file, its suffix and its delimiter."""
    chooser = random.Random(seed)
    rows = sound_rows(chooser, vins)
    kind = chooser.choice(["csv"] * 6 + ["jsonl"] * 2 + ["xlsx", "parquet"])
    if kind == "csv":
        for _ in range(chooser.randint(0, 3)):
            chooser.choice(CELL_DAMAGE)(chooser, rows)
    delimiter = chooser.choice([",", ";", "\t", "|"])
    data = as_csv(rows, delimiter, chooser.choice(["\r\n", "\n"]))
    if kind != "csv":
        data = {"jsonl": as_json_lines, "xlsx": as_workbook, "parquet": as_parquet}[kind](rows)
    for _ in range(chooser.randint(0 if kind == "csv" else 1, 2)):
        if data:
            data = chooser.choice(BYTE_DAMAGE)(chooser, data)
    return data, kind


def rows_as_csv_reads_them(data, encoding, delimiter):
    csv.field_size_limit(10_000_000)
    text = data.decode(encoding)
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))


def check_one(seed, base, folder, vins):
    """Load one damaged file; return "load" or the sentence of the refusal."""
    data, kind = damaged_file(seed, vins)
    path = folder / f"damaged_{seed}.{kind}"
    path.write_bytes(data)
    own = shutil.copy(base.path, folder / f"own_{seed}.fleetlog")
    store = Store.open(own)
    try:
        result = intake.load(store, path, kind="repairs")
    except FleetlogError as error:
        sentence = str(error)
        assert path.name in sentence, sentence
        assert store.frame("SELECT count(*) FROM repair_order").item() == 0
        return sentence
    finally:
        path.unlink()
    assert result.rows_read == result.rows_kept + result.rows_held + result.rows_identical
    held = intake.held_rows(store)
    assert held["file_row"].n_unique() == result.rows_held
    assert held["problem"].null_count() == 0
    assert held["remedy"].null_count() == 0
    kept = store.frame(
        "SELECT s.file_row, s.cells FROM source_row s"
        " WHERE NOT EXISTS (FROM held_row h WHERE h.load_id = s.load_id AND h.file_row = s.file_row)"
        f" AND s.load_id = {result.load_id} ORDER BY s.file_row"
    )
    if kind == "csv" and kept.height:
        check_cells(data, kept, seed)
    store.path.unlink()
    return "load"


def check_cells(data, kept, seed):
    """Every kept row holds the cells that csv reads at its place, each in its column."""
    as_read = []
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "latin-1"):
        for delimiter in (",", ";", "\t", "|"):
            try:
                as_read.append(rows_as_csv_reads_them(data, encoding, delimiter))
            except (UnicodeError, csv.Error):
                continue
    wanted = [(row["file_row"], [cell or "" for cell in row["cells"]]) for row in kept.to_dicts()]
    for table in as_read:
        if all(
            number <= len(table) and trimmed(table[number - 1]) == trimmed(cells)
            for number, cells in wanted
        ):
            return
    raise AssertionError(f"seed {seed}: kept cells are not those of the file: {wanted[:3]}")


def trimmed(cells):
    """Return the cells without the empty ones at the end, line ends alike."""
    kept = [plain(cell) for cell in cells]
    while kept and not kept[-1]:
        kept.pop()
    return kept


def plain(cell):
    """Line ends alike, no blanks around; a damaged byte stands for any letter."""
    return re.sub(r"[^\x00-\x7f]+", "?", cell.replace("\r\n", "\n").replace("\r", "\n")).strip()


def check_many(seeds, base, folder, vins):
    ended = [check_one(seed, base, folder, vins) for seed in seeds]
    # A yardstick of the test itself: damage of this kind must lead to both ends.
    assert 0 < sum(end == "load" for end in ended) < len(ended)


def test_damaged_files_load_or_are_refused_in_a_sentence(store, tmp_path, vins):
    check_many(range(8), store, tmp_path, vins)


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(100))
def test_ten_thousand_damaged_files(store, tmp_path, vins, batch):
    check_many(range(100 * (batch + 1), 100 * (batch + 2)), store, tmp_path, vins)
