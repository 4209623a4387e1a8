"""Difference of two proportions against the worked figures of its author."""

import pytest

from fleetlog.stats import proportion_difference


@pytest.mark.parametrize(
    ("counts", "limits"),
    [((56, 70, 48, 80), (0.0524, 0.3339)), ((9, 10, 3, 10), (0.1705, 0.8090))],
)
def test_newcombe_1998_method_10(counts, limits):
    """Newcombe 1998, Statistics in Medicine 17, 873-890, table II, method 10.

    The figures were found again in a public R package's own check that cites the table; the paper
    itself was not at hand. They are given to four places.
    """
    assert proportion_difference(*counts) == pytest.approx(limits, abs=5e-5)
