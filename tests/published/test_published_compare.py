"""Group comparison against R's package survival, lifelines and a textbook.

The R call behind each figure of data/r_curves.csv is in reference_curves.R. Data: KMsurv (Klein
and Moeschberger 2003): kidney (infection of dialysis patients), channing (retirement centre, late
entry), bmt (bone-marrow transplants).
"""

import polars as pl
import pytest
from lifelines.statistics import multivariate_logrank_test
from r_reference import DATA, channing, read_figures, textbook_data

from fleetlog import stats

R = read_figures(DATA / "r_curves.csv")
EXACT = 1e-9


def kidney():
    rows = textbook_data("kidney")
    return {"exit": rows["time"], "event": rows["delta"] == 1, "group": rows["type"]}


@pytest.mark.parametrize(
    ("emphasis", "name"), [(None, "rho0"), ((0.5, 0), "rho0.5"), ((1, 0), "rho1")]
)
def test_emphasis_of_r(emphasis, name):
    result = stats.log_rank(**kidney(), emphasis=emphasis)
    assert result.statistic == pytest.approx(R[f"kidney.{name}"][0], rel=EXACT)


@pytest.mark.parametrize(
    ("emphasis", "options"),
    [
        (None, {}),
        ("at-risk", {"weightings": "wilcoxon"}),
        ("survival", {"weightings": "peto"}),
        ((1, 0), {"weightings": "fleming-harrington", "p": 1, "q": 0}),
        ((0, 1), {"weightings": "fleming-harrington", "p": 0, "q": 1}),
        ((1, 1), {"weightings": "fleming-harrington", "p": 1, "q": 1}),
        ((0.5, 2), {"weightings": "fleming-harrington", "p": 0.5, "q": 2}),
    ],
)
def test_emphasis_of_lifelines(emphasis, options):
    rows = textbook_data("kidney")
    peer = multivariate_logrank_test(
        rows["time"].to_numpy(), rows["type"].to_numpy(), rows["delta"].to_numpy(), **options
    )
    result = stats.log_rank(**kidney(), emphasis=emphasis)
    assert result.statistic == pytest.approx(peer.test_statistic, rel=EXACT)
    assert result.p_value == pytest.approx(peer.p_value, rel=EXACT)


@pytest.mark.parametrize(
    ("emphasis", "printed"),
    [(None, 2.53), ("at-risk", 0.002), ((0, 1), 9.67), ((1, 1), 9.83), ((0.5, 2), 8.18)],
)
def test_kidney_figures_of_the_book(emphasis, printed):
    # Klein and Moeschberger 2003, table 7.3. Quoted from memory.
    result = stats.log_rank(**kidney(), emphasis=emphasis)
    digits = 3 if printed < 0.01 else 2
    assert result.statistic == pytest.approx(printed, abs=0.5 * 10**-digits)


def test_late_entry_with_ties():
    kept = channing().filter(pl.col("ageentry") < pl.col("age"))
    assert kept.height == 462 - 4
    result = stats.log_rank(kept["age"], kept["death"] == 1, kept["gender"], entry=kept["ageentry"])
    assert result.statistic == pytest.approx(R["channing.gender"][0], rel=EXACT)


def test_transplants_in_three_groups():
    rows = textbook_data("bmt")
    given = {"exit": rows["t2"], "event": rows["d3"] == 1, "group": rows["group"]}
    assert stats.log_rank(**given).statistic == pytest.approx(R["bmt.groups"][0], rel=EXACT)
    # Klein and Moeschberger 2003, example 7.4 print 13.80 (from memory).
    assert stats.log_rank(**given).statistic == pytest.approx(13.80, abs=0.005)
    strata = stats.log_rank(**given, strata=rows["z3"])
    assert strata.statistic == pytest.approx(R["bmt.strata"][0], rel=EXACT)
    early = stats.log_rank(**given, strata=rows["z3"], emphasis=(1, 0))
    assert early.statistic == pytest.approx(R["bmt.rho1_strata"][0], rel=EXACT)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("groups", {}),
        ("trend", {"trend": True}),
        ("strata", {"strata": "stratum"}),
        ("weighted", {"weight": "weight"}),
    ],
)
def test_clusters_have_the_robust_score_of_r(name, options):
    rows = pl.read_csv(DATA / "clustered_lives.csv")
    rows = rows.unique("exit", keep="first", maintain_order=True).filter(
        ~pl.col("exit").is_in(rows["entry"].implode())
    )
    chosen = {
        key: rows[value] if isinstance(value, str) else value for key, value in options.items()
    }
    result = stats.log_rank(
        rows["exit"],
        rows["cause"] > 0,
        rows["group"],
        entry=rows["entry"],
        cluster=rows["cluster"],
        **chosen,
    )
    assert result.statistic == pytest.approx(R[f"robust.{name}"][0], rel=EXACT)
    assert result.clusters == rows["cluster"].n_unique()
