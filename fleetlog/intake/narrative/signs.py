"""Signs read out of complaints: what was noticed, in slugs; what is denied is no sign.

Texts are brought to the same normal form as narratives and searched for the catalogue's words,
the longest at each place. A negation turns round what follows it in its clause ("no tick"), and
"gone" what stands before it ("tick is gone"). Work is linear in the length of the distinct texts.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

import polars as pl

from fleetlog.catalogue import load_catalogue
from fleetlog.catalogue.signs import Sign, load_signs
from fleetlog.intake.narrative.spelling import respell
from fleetlog.intake.narrative.terms import (
    UNNAMED_PART,
    Kind,
    Vocabulary,
    distinct_texts,
    find_terms,
    mark_negated,
    normal_form,
    opens_clause,
    vocabulary_of,
)

__all__ = ["code_signs"]

BREAKS_AND_NEGATIONS: Final = ("negations", "joins", "lists")
GONE: Final = (
    "gone", "is gone", "went away", "goes away", "has gone", "resolved", "cleared up", "not heard",
    "not found", "not present", "could not hear", "no longer heard", "fixed",
)  # fmt: skip
# Letters and doubled blanks between a sign and the word that says it is gone.
GONE_REACH: Final = 24
# Words of the trade that are a letter away from a sign's and must stay as they are.
SPELT_RIGHT: Final = ("trick", "stick", "sticks", "sticking", "clock", "trap", "tape", "track")


def code_signs(text: pl.Series) -> pl.DataFrame:
    """Return the signs that texts complain of.

    Parameters
    ----------
    text : complaints as they were written; nulls tell nothing.

    Returns
    -------
    ``text`` and ``sign`` (a code of :func:`fleetlog.catalogue.signs.load_signs`): a row for each
    distinct text and sign in it, none for texts without one.
    """
    vocabulary = _vocabulary()
    distinct = distinct_texts(text)
    if distinct.is_empty():
        return pl.DataFrame(schema={"text": pl.String, "sign": pl.String})
    known = pl.concat([vocabulary.patterns, pl.Series([f" {word} " for word in SPELT_RIGHT])])
    terms = find_terms(respell(distinct, known), vocabulary)
    signs = _not_gone(mark_negated(terms)).filter(pl.col("kind") == "mode")
    names = pl.DataFrame({"sign": vocabulary.values}).with_row_index("value")
    return (
        signs.select("id", pl.col("value").cast(pl.UInt32))
        .unique()
        .join(names, on="value")
        .join(distinct, on="id")
        .select("text", "sign")
        .sort("text", "sign")
    )


def _not_gone(terms: pl.DataFrame) -> pl.DataFrame:
    """Drop the signs that a word shortly after them, in the same clause, says are gone."""
    clause = opens_clause().cum_sum()
    gone = pl.col("kind") == "sound"

    def following(value: pl.Expr) -> pl.Expr:
        return pl.when(gone).then(value).backward_fill()

    near = following(pl.col("at")) - (pl.col("at") + pl.col("size")) <= GONE_REACH
    denied = (pl.col("kind") == "mode") & near & (following(clause) == clause)
    return terms.filter(~denied.fill_null(value=False))


@lru_cache(maxsize=1)
def _vocabulary() -> Vocabulary:
    return _build(load_signs(), load_catalogue().words["context"])


def _build(signs: Mapping[str, Sign], context: Mapping[str, tuple[str, ...]]) -> Vocabulary:
    """Signs take the place that failure modes have in a narrative: negations reach them alike."""
    rows = [
        *((words, "mode", sign.code) for sign in signs.values() for words in sign.words),
        *((words, kind, UNNAMED_PART) for kind in BREAKS_AND_NEGATIONS for words in context[kind]),
        *((words, "sound", UNNAMED_PART) for words in GONE),
        ("|", "stop", UNNAMED_PART),
    ]
    listed = pl.DataFrame(
        rows, schema={"words": pl.String, "kind": Kind, "name": pl.String}, orient="row"
    ).with_columns(pattern=normal_form(pl.col("words")))
    values = pl.Series(sorted(set(listed["name"])), dtype=pl.String)
    index = pl.DataFrame(
        {"name": values, "value": range(values.len())}, schema_overrides={"value": pl.Int32}
    )
    terms = listed.join(index, on="name").with_columns(
        head=pl.lit(""), single=pl.lit(value=False), numbered=pl.lit(value=False)
    )
    return vocabulary_of(terms, values)
