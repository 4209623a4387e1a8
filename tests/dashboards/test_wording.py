"""Numbers as they are written on every screen."""

import math
from datetime import date

import pytest

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
