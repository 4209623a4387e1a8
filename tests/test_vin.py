"""Vehicle identification numbers.

Invented VINs begin with G: the list of country blocks of ISO 3780 shows GA to G0 as not
assigned, in four public copies of it that agree (read, not bought: the standard
itself is sold), so no maker holds such a prefix.
"""

import string

import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fleetlog.errors import InputError
from fleetlog.vin import (
    SLIPS,
    check_digit,
    check_digits,
    mend_candidates,
    mends,
    model_year,
    near_vins,
    validate,
)

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


TWINS = {"0": "OQ", "1": "I", "5": "S", "8": "B", "2": "Z", "S": "5", "B": "8", "Z": "2"}


@st.composite
def slips(draw):
    """Draw a sound VIN, the kind of a slip, and the VIN as it is then written."""
    vin = with_check_digit(draw(vins))
    kind = draw(st.sampled_from(SLIPS))
    at = draw(st.integers(0, 15 if kind == "transposed" else 16))
    if kind == "look-alike":
        assume(vin[at] in TWINS)
        return vin, kind, vin[:at] + draw(st.sampled_from(TWINS[vin[at]])) + vin[at + 1 :]
    if kind == "transposed":
        assume(vin[at] != vin[at + 1])
        return vin, kind, vin[:at] + vin[at + 1] + vin[at] + vin[at + 2 :]
    if kind == "missing":
        return vin, kind, vin[:at] + vin[at + 1 :]
    if kind == "doubled":
        return vin, kind, vin[:at] + vin[at] + vin[at:]
    other = draw(st.sampled_from([read for read in ALLOWED if read != vin[at]]))
    return vin, kind, vin[:at] + other + vin[at + 1 :]


@given(slip=slips())
def test_the_true_vin_is_among_the_candidates_and_all_of_them_are_sound(slip):
    vin, kind, written = slip
    found = {mend.vin: mend.slip for mend in mends(written)}
    assert vin in found
    # A slip that looks like a likelier one is called that.
    assert SLIPS.index(found[vin]) <= SLIPS.index(kind)
    assert all(validate(candidate) == [] for candidate in found)
    assert written not in found


@settings(max_examples=40)
@given(slip=slips(), data=st.data())
def test_blanks_hyphens_and_small_letters_change_nothing(slip, data):
    _, _, written = slip
    at = data.draw(st.integers(0, len(written)))
    loose = written[:at].lower() + data.draw(st.sampled_from([" ", "-", " - "])) + written[at:]
    assert mends(loose) == mends(written)


def one_wrong_by_trial(written):
    """Find the same by trying every character in every place."""
    tried = {written[:at] + read + written[at + 1 :] for at in range(17) for read in ALLOWED}
    return {vin for vin in tried if vin != written and validate(vin) == []}


def one_missing_by_trial(written):
    tried = {written[:at] + read + written[at:] for at in range(17) for read in ALLOWED}
    return {vin for vin in tried if validate(vin) == []}


@settings(max_examples=40)
@given(text=vins)
def test_none_is_forgotten_of_those_with_one_wrong_or_missing_character(text):
    found = set(mend_candidates(pl.Series([text]))["vin"])
    assert one_wrong_by_trial(text) <= found
    transposed = {text[:at] + text[at + 1] + text[at] + text[at + 2 :] for at in range(16)}
    assert found <= one_wrong_by_trial(text) | transposed
    assert set(mend_candidates(pl.Series([text[:16]]))["vin"]) == one_missing_by_trial(text[:16])


@settings(max_examples=50)
@given(slips_drawn=st.lists(slips(), min_size=1, max_size=5))
def test_in_a_fleet_the_candidates_are_found_that_it_has(slips_drawn):
    fleet = pl.Series([vin for vin, _, _ in slips_drawn])
    written = pl.Series("w", [text for _, _, text in slips_drawn])
    found = near_vins(written, fleet)
    assert set(zip(written, fleet, strict=True)) <= set(found.select("written", "vin").rows())
    assert set(found["vin"]) <= set(fleet)


@pytest.mark.parametrize(
    ("written", "slip", "what"),
    [
        (GOOD.replace("0", "O"), "look-alike", "'O' for '0' in position 3"),
        (GOOD[:5] + "2" + GOOD[6:], "wrong character", "'2' for '1' in position 6"),
        (GOOD[1] + GOOD[0] + GOOD[2:], "transposed", "'ZG' for 'GZ' in positions 1 and 2"),
        (GOOD[1:], "missing", "'G' left out in position 1"),
        ("G" + GOOD, "doubled", "'G' written twice in position 1"),
    ],
)
def test_a_slip_is_said_in_words(written, slip, what):
    (found,) = [mend for mend in mends(written) if mend.vin == GOOD]
    assert found.slip == slip
    assert found.what.startswith(what)


def test_letters_that_no_vin_holds_beside_a_slip_are_a_second_one():
    written = (GOOD[1] + GOOD[0] + GOOD[2:]).replace("0", "Q")
    (row,) = mend_candidates(pl.Series([written])).filter(vin=GOOD).to_dicts()
    assert row["second"]
    assert "besides letters that no VIN holds" in row["what"]


def test_any_number_of_look_alikes_is_seen_through_among_a_fleet():
    vin = with_check_digit("GZ5SBZ8200K000528")
    written = vin.translate(str.maketrans("S5B8Z20", "5S8B2ZO"))
    (row,) = near_vins(pl.Series([written]), pl.Series([vin, GOOD])).to_dicts()
    assert (row["vin"], row["slip"]) == (vin, "look-alike")


@pytest.mark.parametrize("text", ["", "GZ0", "GZ0AA1A00K000000é", "?" * 17, "0" * 40])
def test_what_is_far_from_any_vin_has_no_candidate(text):
    assert mends(text) == []


@pytest.mark.parametrize(
    "vin",
    [
        "17418598457118341",  # 49 CFR 565.6, Table V, in assigned values: check digit 4
        "11997113611644345",  # NHTSA, 49 CFR 565.15(c)(4), in assigned values: check digit 6
    ],
)
def test_the_worked_examples_of_the_rule_are_found_again_from_each_slip(vin):
    written = {
        "look-alike": vin.replace("8", "B", 1) if "8" in vin else vin.replace("5", "S", 1),
        "transposed": vin[:13] + vin[14] + vin[13] + vin[15:],
        "missing": vin[:5] + vin[6:],
        "doubled": vin[:14] + vin[13] + vin[14:],
        "wrong character": vin[:6] + "K" + vin[7:],
    }
    assert tuple(written) == SLIPS
    for slip, text in written.items():
        assert text != vin
        assert vin in {mend.vin for mend in mends(text)}, slip
