"""Headings find their fields by the names that the trade uses, and no name finds two."""

from collections import Counter

import pytest

from fleetlog.errors import InputError
from fleetlog.intake.columns import (
    ColumnMap,
    choices,
    fields_of,
    kinds,
    match_columns,
    plain,
)

TYPES = {"text", "integer", "number", "money", "distance", "date", "yes-no", "codes"}


def test_every_kind_has_known_types_and_headings_of_one_meaning():
    assert set(kinds()) == {
        "engine-families",
        "vehicles",
        "repairs",
        "orders",
        "order-lines",
        "meters",
        "service-rules",
        "torques",
    }
    for kind in kinds():
        counts = Counter(
            heading
            for field in fields_of(kind)
            for heading in {plain(field.name), *map(plain, field.headings)}
        )
        assert [heading for heading, times in counts.items() if times > 1] == [], kind
        assert {field.type for field in fields_of(kind)} <= TYPES | set(choices())


def test_headings_are_compared_without_case_accents_and_signs():
    headings = ["  Repair-Order No. ", "DATE OPENED", "Vin #", "Odomètre", "odometer", "Tech."]
    found = match_columns("repairs", headings, ColumnMap(), file_name="x.csv")
    assert dict(found.columns) == {
        "ro_no": 0, "opened_on": 1, "vin": 2, "odometer": 4, "technician": 5,
    }  # fmt: skip
    assert found.unmatched == ("Odomètre",)


def test_own_name_goes_before_a_synonym():
    found = match_columns(
        "repairs", ["date", "ro", "opened_on", "ro_no"], ColumnMap(), file_name="x.csv"
    )
    assert (found.columns["opened_on"], found.columns["ro_no"]) == (2, 3)
    assert found.unmatched == ("date", "ro")


def test_map_prefers_the_heading_as_written():
    headings = ["Ln", "Ln $", "Order", "Date in"]
    columns = {"line_no": "Ln", "line_cost": "Ln $", "ro_no": "order", "opened_on": "Date in"}
    found = match_columns("repairs", headings, ColumnMap(columns=columns), file_name="x.csv")
    assert dict(found.columns) == {"line_no": 0, "line_cost": 1, "ro_no": 2, "opened_on": 3}
    with pytest.raises(InputError, match="2 columns are headed 'order'"):
        match_columns(
            "repairs", [*headings, "Order "], ColumnMap(columns=columns), file_name="x.csv"
        )
