"""Misspelt words, read as the one trade word that they are a slip away from.

Only long words are corrected, and only where a single letter was added, lost, changed or swapped
with its neighbour inside the word: a wrong reading costs more than an unread word.
"""

from typing import Final

import numpy as np
import polars as pl
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

__all__ = ["respell"]

SHORTEST: Final = 5
BLOCK: Final = 4096


def respell(distinct: pl.DataFrame, patterns: pl.Series) -> pl.DataFrame:
    """Correct the words of `normal` that the patterns do not hold; adds `respelled`.

    Each distinct unknown word is compared once with each long word of the patterns, so work grows
    with the number of distinct words, not of texts; memory is bounded by blocks.
    """
    known = patterns.str.extract_all(r"[a-z]+").explode().drop_nulls().unique()
    words = (
        distinct["normal"].str.extract_all(f"[a-z]{{{SHORTEST},}}").explode().drop_nulls().unique()
    )
    unknown = words.filter(~words.is_in(known.implode())).sort()
    targets = known.filter(known.str.len_bytes() >= SHORTEST).sort()
    slips = _slips(unknown, targets)
    if slips.is_empty():
        return distinct.with_columns(respelled=pl.lit(value=False))
    changed = pl.col("normal").str.replace_many(
        [f" {word} " for word in slips["word"]],
        [f" {word} " for word in slips["meant"]],
        leftmost=True,
    )
    return distinct.with_columns(
        normal=changed, respelled=(changed != pl.col("normal")).fill_null(value=False)
    )


def _slips(unknown: pl.Series, targets: pl.Series) -> pl.DataFrame:
    """Return word and meant: one slip apart, with the same first and last letter."""
    near: list[pl.DataFrame] = []
    for start in range(0, unknown.len(), BLOCK):
        block = unknown[start : start + BLOCK]
        distance = cdist(
            block.to_list(), targets.to_list(), scorer=OSA.distance, score_cutoff=1, dtype=np.uint8
        )
        row, column = np.nonzero(distance == 1)
        near.append(pl.DataFrame({"word": block.gather(row), "meant": targets.gather(column)}))
    if not near:
        return pl.DataFrame(schema={"word": pl.String, "meant": pl.String})
    stem = pl.col("meant").str.strip_suffix("s")
    return (
        pl.concat(near)
        .filter(
            (pl.col("word").str.head(1) == pl.col("meant").str.head(1))
            & (pl.col("word").str.tail(1) == pl.col("meant").str.tail(1))
        )
        .group_by("word", maintain_order=True)
        .agg(pl.col("meant").sort().last(), stems=stem.n_unique())
        .filter(pl.col("stems") == 1)
        .drop("stems")
    )
