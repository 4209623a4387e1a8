"""Runs every reference script again where R and its package survival are installed."""

import shutil
import subprocess

import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, HERE, read_figures, textbook_data


def r_is_here():
    if shutil.which("Rscript") is None:
        return False
    call = ["Rscript", "-e", "stopifnot(packageVersion('survival') >= '3.5.3')"]
    return subprocess.run(call, capture_output=True, check=False).returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not r_is_here(), reason="R with survival 3.5.3 or later is not installed")
@pytest.mark.parametrize(
    ("script", "recorded"),
    [
        ("reference.R", "r_survival.csv"),
        ("reference_curves.R", "r_curves.csv"),
        ("reference_life_models.R", "r_life_models.csv"),
        ("reference_recurrence.R", "r_recurrence.csv"),
        ("reference_regression.R", "r_regression.csv"),
    ],
)
def test_the_recorded_figures_are_what_r_prints(tmp_path, script, recorded):
    for name in ("shock_absorbers.csv", "clustered_lives.csv", "recurrences.csv"):
        shutil.copy(DATA / name, tmp_path)
    for name in ("channing", "kidney", "bmt"):
        textbook_data(name).write_csv(tmp_path / f"{name}.csv")
    printed = subprocess.run(
        ["Rscript", str(HERE / script), str(tmp_path)], capture_output=True, check=True, text=True
    ).stdout
    (tmp_path / "figures.csv").write_text(printed)
    live, figures = read_figures(tmp_path / "figures.csv"), read_figures(DATA / recorded)
    assert live.keys() == figures.keys()
    for name, values in figures.items():
        assert_allclose(live[name], values, rtol=1e-6, atol=1e-12, err_msg=name)
