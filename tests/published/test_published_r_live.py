"""Runs reference.R again where R and its package survival are installed."""

import shutil
import subprocess

import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, HERE, channing, read_figures


def r_is_here():
    if shutil.which("Rscript") is None:
        return False
    call = ["Rscript", "-e", "stopifnot(packageVersion('survival') >= '3.5.3')"]
    return subprocess.run(call, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not r_is_here(), reason="R with survival 3.5.3 or later is not installed")
def test_the_recorded_figures_are_what_r_prints(tmp_path):
    for name in ("shock_absorbers.csv", "clustered_lives.csv"):
        shutil.copy(DATA / name, tmp_path)
    channing().write_csv(tmp_path / "channing.csv")
    printed = subprocess.run(
        ["Rscript", str(HERE / "reference.R"), str(tmp_path)],
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    (tmp_path / "figures.csv").write_text(printed)
    live, recorded = read_figures(tmp_path / "figures.csv"), read_figures(DATA / "r_survival.csv")
    assert live.keys() == recorded.keys()
    for name, values in recorded.items():
        assert_allclose(live[name], values, rtol=1e-6, atol=1e-12, err_msg=name)
