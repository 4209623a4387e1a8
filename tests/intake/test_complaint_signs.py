"""Complaints to signs: what is meant by which words, and what is denied."""

import polars as pl
import pytest

from fleetlog.catalogue.signs import load_signs, read_signs
from fleetlog.errors import InputError
from fleetlog.intake.narrative.signs import code_signs

CASES = [
    ("ticking noise at idle, check engine lamp on", {"tick", "engine-lamp"}),
    ("Cust states mis-fire / ROUGH IDLE", {"misfire", "rough-running"}),
    ("tickng when hot", {"tick"}),  # one slip of a letter
    ("misfre under load", {"misfire"}),
    ("no crank, single click", {"no-start"}),
    ("slow crank, needs jump start", {"hard-start"}),
    ("oil smell, smoke from engine bay", {"oil-leak", "smoke"}),
    ("CEL on", {"engine-lamp"}),
    ("no tick today", set()),
    ("engine has no tick; oil leak", {"oil-leak"}),
    ("no tick or knock, but squeals", {"squeal"}),
    ("drvr rpts rattle on cold start, no misfire", {"rattle"}),
    ("tick is gone", set()),
    ("tick no longer heard", set()),
    ("no longer ticking, brakes grinding", {"grind"}),
    ("stick in gear", set()),  # a word of its own, not a slip
    ("scheduled service", set()),
]


@pytest.mark.parametrize(("text", "signs"), CASES)
def test_what_a_complaint_tells(text, signs):
    assert set(code_signs(pl.Series([text]))["sign"]) == signs


def test_texts_are_read_alone_and_once():
    texts = pl.Series([text for text, _ in CASES] * 2 + [None])
    together = code_signs(texts)
    for text, signs in CASES:
        assert set(together.filter(pl.col("text") == text)["sign"]) == signs
    assert together.is_duplicated().sum() == 0
    assert code_signs(pl.Series([None], dtype=pl.String)).is_empty()


def test_every_word_of_the_catalogue_tells_its_own_sign():
    signs = load_signs()
    words = [(word, sign.code) for sign in signs.values() for word in sign.words]
    coded = code_signs(pl.Series([word for word, _ in words]))
    found = set(coded.rows())
    assert [pair for pair in words if pair not in found] == []


def test_a_word_under_two_signs_is_refused(tmp_path):
    (tmp_path / "complaint_signs.toml").write_text(
        '[tick]\ntitle = "Tick"\nwords = ["tap"]\n[tap]\ntitle = "Tap"\nwords = ["tap"]\n'
    )
    with pytest.raises(InputError, match="'tap' stands under both tick and tap"):
        read_signs(tmp_path)
