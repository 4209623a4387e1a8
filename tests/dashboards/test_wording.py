"""Numbers as they are written on every screen."""

import math
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import wording


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (wording.whole(1234567.4), "1,234,567"),
        (wording.whole(None), "\N{EN DASH}"),
        (wording.share(0.256, 1), "25.6 %"),
        (wording.span(38_200.0, 40_800.0), "38,200 to 40,800"),
        (wording.span(38_200.0, None), "38,200 or more"),
        (wording.span(38_200.0, math.inf), "38,200 or more"),
        (wording.span(None, 5.0), "up to 5"),
        (wording.share_span(0.018, 0.059, 1), "1.8 to 5.9 %"),
        (wording.money(2459.0, "USD"), "2,459 USD"),
        (wording.rate(0.00331, "mi"), "3.31"),
        (wording.rate_unit("USD", "km"), "USD per 1,000 km"),
        (wording.day(date(2025, 3, 4)), "2025-03-04"),
        (wording.words("flat-lobe"), "flat lobe"),
        (wording.words(None), "not stated"),
        (wording.counted(1, "failure"), "1 failure"),
        (wording.counted(1200, "part life", "part lives"), "1,200 part lives"),
    ],
)
def test_written(written: str, expected: str) -> None:
    assert written == expected


PLACES = [
    f"bank {bank}, cylinder {4 * bank - 4 + cylinder}, {side}, no. {slot}"
    for bank in (1, 2)
    for cylinder in (1, 2, 3, 4)
    for side in ("intake", "exhaust")
    for slot in (1, 2)
]


@pytest.mark.parametrize(
    ("positions", "expected"),
    [
        ([], ""),
        ([""], ""),
        (["all 16"], "all 16"),
        (["bank 2"], "bank 2"),
        (["left, no. 2", "right, no. 2"], "left and right, no. 2"),
        ([f"bank 2, cylinder {n}, exhaust" for n in (5, 6, 7, 8)],
         "bank 2, cylinders 5 to 8, exhaust"),
        (["cylinder 7", "cylinder 1", "cylinder 7", "cylinder 3"], "cylinders 1, 3 and 7"),
        (["bank 2, cylinder 6, exhaust", "bank 2, cylinder 7, intake"],
         "bank 2: cylinder 6, exhaust; cylinder 7, intake"),
        (["bank 1 (assumed)", "bank 2"], "bank 1 (assumed); bank 2"),
        (["bank 1", "bank 2, cylinder 5"], "bank 1; bank 2, cylinder 5"),
    ],
)  # fmt: skip
def test_places_say_once_what_they_share(positions: list[str], expected: str) -> None:
    assert wording.places(positions) == expected


@given(st.sets(st.sampled_from(PLACES)), st.sets(st.sampled_from(PLACES)))
def test_places_of_different_positions_read_differently(one: set[str], other: set[str]) -> None:
    told = [wording.places(sorted(each)) for each in (one, other)]
    assert (told[0] == told[1]) == (one == other)


def test_places_of_every_position_are_few_words() -> None:
    assert len(wording.places(PLACES)) < 120
