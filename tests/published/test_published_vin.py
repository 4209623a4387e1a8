"""VIN rules against the text of 49 CFR part 565.

Values, weights and the first worked example are copied from the regulation's earlier text, where
it stood as 49 CFR 565.6, Tables III to V; the second example is NHTSA's, for 565.15(c)(4) as it
stands today, and uses the same. The examples are checked without the makers' VINs that they use:
a numeral has itself as its value, so a VIN spelt with the example's *assigned values* has the
example's sum.
"""

import pytest

from fleetlog.vin import WEIGHTS, check_digit, model_year

# 49 CFR 565.6, Table III, assigned values.
ASSIGNED_VALUES = {
    "A": 1,
    "B": 2,
    "C": 3,
    "D": 4,
    "E": 5,
    "F": 6,
    "G": 7,
    "H": 8,
    "J": 1,
    "K": 2,
    "L": 3,
    "M": 4,
    "N": 5,
    "P": 7,
    "R": 9,
    "S": 2,
    "T": 3,
    "U": 4,
    "V": 5,
    "W": 6,
    "X": 7,
    "Y": 8,
    "Z": 9,
}

# 49 CFR 565.6, Table IV, position and weight factor; position 9 is the check digit.
POSITION_WEIGHTS = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]


@pytest.mark.parametrize(("letter", "value"), ASSIGNED_VALUES.items())
@pytest.mark.parametrize("place", [1, 8, 10, 17])
def test_each_letter_counts_as_its_assigned_value(letter, value, place):
    zeros = ["0"] * 17
    zeros[place - 1] = letter
    remainder = value * POSITION_WEIGHTS[place - 1] % 11
    assert check_digit("".join(zeros)) == "0123456789X"[remainder]


def test_the_weights_are_the_published_ones():
    assert list(WEIGHTS) == POSITION_WEIGHTS


def test_all_ones():
    # The all-ones VIN: every value 1, so the sum is that of the weights, 89 = 8 x 11 + 1.
    assert sum(POSITION_WEIGHTS) == 89
    assert check_digit("1" * 17) == "1"


@pytest.mark.parametrize(
    ("assigned_values", "total", "digit"),
    [
        # 49 CFR 565.6, Table V: sum 411, remainder 4.
        ("17418598-57118341", 411, "4"),
        # NHTSA, Outline for New Manufacturer Information (49 CFR 565.15(c)(4)): sum 314,
        # remainder 6/11, check digit 6.
        ("11997113-11644345", 314, "6"),
    ],
)
def test_worked_examples(assigned_values, total, digit):
    products = [
        int(value) * weight
        for value, weight in zip(assigned_values, POSITION_WEIGHTS, strict=True)
        if value != "-"
    ]
    assert sum(products) == total
    assert check_digit(assigned_values) == digit


# 49 CFR 565.15(d)(1), Table VII, as transcribed in public repositories (2010 to 2031).
YEARS = """
2010A 2011B 2012C 2013D 2014E 2015F 2016G 2017H 2018J 2019K 2020L
2021M 2022N 2023P 2024R 2025S 2026T 2027V 2028W 2029X 2030Y 20311
"""


@pytest.mark.parametrize("entry", YEARS.split())
def test_year_codes(entry):
    year, code = int(entry[:4]), entry[4]
    # The note to Table VII, for light vehicles: with a numeral in position 7 the code means a
    # year from 1980 to 2009, with a letter one from 2010 to 2039.
    assert model_year(f"GZ0AA1A00{code}0000001", 2039) == year
    assert model_year(f"GZ0AA1100{code}0000001", 2039) == year - 30


def test_the_cycle_closes_with_2009_and_2039():
    assert model_year("GZ0AA11009000001X", 2039) == 2009
    assert model_year("GZ0AA1A09900001X1", 2039) == 2039
