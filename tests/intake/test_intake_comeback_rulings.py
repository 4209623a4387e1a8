"""What a person says of a seeming comeback stays said, whatever is undone and loaded again."""

import pytest

from fleetlog import analyses, intake
from fleetlog.errors import InputError


@pytest.fixture
def returned(store, load_rows, row):
    """N1, its return N2 ten days later and another return N3, ten days after that."""

    def load():
        return load_rows(
            [
                row(ro_no=number, opened_on=f"2021-03-{day}", closed_on=f"2021-03-{day}",
                    odometer=str(odometer), component="Alternator", position="",
                    reason="failed", action="replaced")
                for number, day, odometer in (("N1", "04", 60_000), ("N2", "14", 60_500), ("N3", "24", 61_000))
            ],
            name="returned.csv",
        )  # fmt: skip

    load()
    return load


def pairs_of(store):
    return sorted(analyses.comebacks(store).pairs.select("ro_no", "back_ro_no").rows())


def test_an_unrelated_pair_is_no_comeback_and_stays_so(store, returned):
    assert pairs_of(store) == [("N1", "N2"), ("N2", "N3")]
    revision = store.revision()
    ruled = intake.rule_unrelated(
        store, "north yard:N2", "North Yard:n1", reason=" belt, not bearing ", said_by="QS"
    )
    assert (ruled.shop, ruled.ro_no, ruled.other_ro_no) == ("North Yard", "N2", "N1")
    assert store.revision() == revision + 1
    # Then the next return is looked at: twenty days and 1,000 miles, so within the window.
    assert pairs_of(store) == [("N1", "N3"), ("N2", "N3")]
    result = analyses.comebacks(store)
    assert result.unrelated.select("ro_no", "other_ro_no", "reason", "said_by").rows() == [
        ("N1", "N2", "belt, not bearing", "QS")
    ]
    assert any("1 pair of orders" in sentence for sentence in result.summary)
    intake.undo_load(store, 3)
    assert store.frame("FROM repair_order").is_empty()
    returned()
    assert pairs_of(store) == [("N1", "N3"), ("N2", "N3")]


def test_the_last_word_counts_and_can_be_taken_back(store, returned):
    intake.rule_unrelated(store, "North Yard:N1", "North Yard:N2", reason="one")
    intake.rule_unrelated(store, "North Yard:N2", "North Yard:N1", reason="two", said_by="WY")
    assert store.frame("SELECT reason, said_by FROM comeback_ruling").rows() == [("two", "WY")]
    # Also while the orders are not there.
    intake.undo_load(store, 3)
    intake.rule_related(store, "north yard:n2", "North Yard:N1")
    returned()
    assert pairs_of(store) == [("N1", "N2"), ("N2", "N3")]
    with pytest.raises(InputError, match="nobody has said"):
        intake.rule_related(store, "North Yard:N2", "North Yard:N1")


def test_rulings_that_cannot_be(store, load_rows, row, vins, returned):
    load_rows([row(ro_no="X1", vin=vins[1])], name="other.csv")
    for first, second, reason, words in (
        ("North Yard:N1", "North Yard:N1", "why", "are one order"),
        ("North Yard:N1", "North Yard:X1", "why", "two vehicles"),
        ("North Yard:N1", "North Yard:N9", "why", "no order"),
        ("North Yard:N1", "North Yard:N2", "  ", "say why"),
    ):
        with pytest.raises(InputError, match=words):
            intake.rule_unrelated(store, first, second, reason=reason)
    with pytest.raises(InputError, match="write shop:number"):
        intake.rule_related(store, "North Yard:N1", "N2")
    assert store.frame("FROM comeback_ruling").is_empty()
