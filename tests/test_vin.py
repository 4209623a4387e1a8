"""Vehicle identification numbers.

Invented VINs begin with G: the list of country blocks of ISO 3780 shows GA to G0 as not
assigned, in four public copies of it that agree (read, not bought: the standard
itself is sold), so no maker holds such a prefix.
"""

import string

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog.errors import InputError
from fleetlog.vin import check_digit, check_digits, model_year, validate

ALLOWED = sorted(set(string.digits + string.ascii_uppercase) - set("IOQ"))
vins = st.text(ALLOWED, min_size=17, max_size=17)


def with_check_digit(vin):
    return vin[:8] + check_digit(vin) + vin[9:]


GOOD = with_check_digit("GZ0AA1A00K0000001")


def test_a_good_vin_has_no_problems():
    assert validate(GOOD) == []
    assert validate(f"  {GOOD.lower()} ") == []


def test_length_and_characters_are_named_with_their_place():
    assert validate("GZ0") == ["A VIN has 17 characters, this one has 3."]
    problems = validate("GZ0AA1AO0K00Q0001")
    assert problems == [
        "A VIN holds numerals and letters without I, O and Q; change 'O' in position 8, "
        "'Q' in position 13."
    ]
    assert len(validate("GZ0-I")) == 2


def test_a_wrong_check_digit_is_named_with_the_right_one():
    wrong = GOOD[:8] + ("1" if GOOD[8] != "1" else "2") + GOOD[9:]
    (problem,) = validate(wrong)
    assert f"position 9 is {wrong[8]!r}" in problem
    assert f"give {GOOD[8]!r}" in problem


@pytest.mark.parametrize("vin", ["", "GZ0", "GZ0AA1AO0K0000001", "GZ0AA1A00K000000é"])
def test_a_malformed_vin_has_no_check_digit(vin):
    with pytest.raises(InputError, match="has no check digit: A VIN"):
        check_digit(vin)


@given(vin=vins)
def test_the_right_check_digit_passes(vin):
    assert validate(with_check_digit(vin)) == []


@given(vin=vins, place=st.sampled_from([p for p in range(17) if p != 8]), digits=st.data())
def test_one_wrong_numeral_is_always_caught(vin, place, digits):
    # 11 is prime and neither a weight nor the difference of two numerals is a multiple of it.
    old, new = digits.draw(st.lists(st.sampled_from(string.digits), min_size=2, max_size=2))
    right = with_check_digit(vin[:place] + old + vin[place + 1 :])
    wrong = right[:place] + new + right[place + 1 :]
    assert bool(validate(wrong)) is (old != new)


@given(column=st.lists(st.none() | vins | st.text(max_size=20), max_size=30))
def test_a_column_gives_what_each_vin_gives(column):
    def one(vin):
        if vin is None:
            return None
        try:
            return check_digit(vin)
        except InputError:
            return None

    found = check_digits(pl.Series("vin", column, dtype=pl.String))
    assert found.name == "vin"
    assert found.to_list() == [one(vin) for vin in column]


def test_position_7_settles_the_year_of_a_light_vehicle():
    assert model_year("GZ0AA1100K0000001", 2026) == 1989
    assert model_year("GZ0AA1A00K0000001", 2026) == 2019


def test_for_other_vehicles_the_latest_possible_year_counts():
    assert model_year("GZ0AA1100K0000001", 2026, light_vehicle=False) == 2019
    assert model_year("GZ0AA1100K0000001", 2018, light_vehicle=False) == 1989


def test_a_year_after_the_bound_is_set_30_years_back():
    assert model_year("GZ0AA1A00Y0000001", 2027) == 2000


@pytest.mark.parametrize("code", ["0", "U", "Z"])
def test_no_year_code_no_year(code):
    assert model_year(f"GZ0AA1A00{code}0000001", 2026) is None


def test_no_year_fits_the_bound():
    assert model_year("GZ0AA1A00K0000001", 1985) is None


def test_a_malformed_vin_has_no_model_year():
    with pytest.raises(InputError, match="has no model year: A VIN has 17"):
        model_year("GZ0", 2026)
