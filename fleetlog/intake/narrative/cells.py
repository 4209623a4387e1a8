"""One code for a short cell: a part description, a position, an action, a reason, a failure mode.

A cell is brought to one form, the catalogue's terms are found in it, and the confidence rises with
the share that was understood. A cell that names two parts alike is left uncoded.
"""

from collections.abc import Iterable
from typing import Final

import polars as pl

from fleetlog.catalogue import Catalogue, PositionRule
from fleetlog.intake.narrative.terms import (
    BREAKS,
    PARTS,
    POSITION_SCHEMA,
    RULES_WITH,
    Kind,
    Vocabulary,
    build_vocabulary,
    distinct_texts,
    find_terms,
    join_back,
    mark_negated,
    possible_modes,
    value_names,
)

SAYS_NOTHING: Final = ("filler", "plain", "whole", "partial", "beside")


def code_terms(text: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
    """Code short cells such as a part description ("ROCKER ARM, EXH", "GASKET, VALVE COVER").

    Parameters
    ----------
    text : pl.Series
        (n,) one cell a row. The catalogue's own codes are accepted as they are.
    catalogue : Catalogue

    Returns
    -------
    pl.DataFrame
        (n, 6), rows as in `text`: component, bank, cylinder, side, slot, confidence. Confidence
        rises with the share of the cell that was understood.
    """
    vocabulary = build_vocabulary(catalogue, inverted=True)
    distinct = distinct_texts(text)
    terms = find_terms(distinct, vocabulary)
    # A cell is one clause: commas part the words of one name here, not two statements.
    clauses = terms.filter(~pl.col("kind").is_in(BREAKS)).with_columns(
        clause=pl.col("id"), topic=pl.col("id")
    )
    chosen = (
        clauses.filter(pl.col("kind").is_in(PARTS))
        .group_by("id")
        .agg(
            part=pl.when(pl.col("kind") == "component").then("value").min(),
            parts=pl.col("value").n_unique(),
        )
        .with_columns(part=pl.when(pl.col("parts") == 1).then("part"))
    )
    # Words that say nothing of their own neither speak for the cell nor against it.
    says = ~pl.col("kind").is_in(SAYS_NOTHING)
    understood = terms.group_by("id").agg(
        understood=pl.col("size").filter(says).sum(), empty=pl.col("size").filter(~says).sum()
    )
    coded = _decode(
        distinct.join(chosen, on="id", how="left").join(understood, on="id", how="left"),
        _said_of(clauses, chosen),
        vocabulary,
        catalogue,
    )
    coverage = (pl.col("understood") / (pl.col("normal").str.len_bytes() - pl.col("empty"))).clip(
        0, 1
    )
    confidence = (
        pl.when(pl.col("component").is_null())
        .then(pl.when(pl.col("parts") > 1).then(0.2).otherwise(0.0))
        .otherwise(0.4 + 0.6 * coverage - _position_doubt())
    )
    return join_back(
        text,
        _accept_codes(coded.with_columns(confidence=confidence), catalogue).select(
            "text", "component", *POSITION_SCHEMA, "confidence"
        ),
    )


def code_actions(text: pl.Series, catalogue: Catalogue) -> pl.Series:
    """Code an action column; null where a cell names none or several."""
    return _code_cells(text, "action", catalogue.words["actions"], catalogue)


def code_reasons(text: pl.Series, catalogue: Catalogue) -> pl.Series:
    """Code a column of reasons for removal; null where a cell names none or several."""
    return _code_cells(text, "reason", [*catalogue.words["reasons"], "unknown"], catalogue)


def code_failure_modes(text: pl.Series, catalogue: Catalogue) -> pl.Series:
    """Code a failure-mode column; null where a cell names none or several."""
    return _code_cells(text, "mode", catalogue.failure_modes, catalogue)


def parse_position(text: pl.Series) -> pl.DataFrame:
    """Read a position column: "B2 C7 EXH 1", "bank 2 exhaust side", "cyl 3 intake", "LF".

    Parameters
    ----------
    text : pl.Series
        (n,) one position a row.

    Returns
    -------
    pl.DataFrame
        (n, 4), rows as in `text`: bank, cylinder, side ("intake", "exhaust", "left", "right"),
        slot (valve of that side, or axle from the front). All null where nothing was read. LH
        and RH alone give side "left" and "right", which fit a part at an axle end only. With
        `#` a number is a cylinder, as in "#3"; the same field named twice with different
        numbers is left null.
    """
    distinct = pl.DataFrame({"text": text.cast(pl.String).unique().drop_nulls()}).with_columns(
        normal=pl.col("text")
        .str.to_lowercase()
        .str.replace_all(r"[^a-z0-9#]+", " ")
        .str.strip_chars()
    )
    read = distinct.with_columns(
        bank=_one_number(r"\b(?:bank|bk|b)\s*#?\s*([0-9]{1,2})\b|\bb([0-9])s[0-9]\b"),
        cylinder=_one_number(
            r"\b(?:cylinders?|cyls?|c)\s*#?\s*([0-9]{1,2})\b|(?:^|\s)#\s*([0-9]{1,2})\b"
        ),
        valve_side=_one_of(
            {
                "intake": r"\b(?:intake|inlet|int|in)(?:\b|[0-9])",
                "exhaust": r"\b(?:exhaust|exh|ex)(?:\b|[0-9])",
            }
        ),
        hand=_one_of(
            {
                "left": r"\b(?:left|lh|l|lf|fl|lr|rl|lhs|nearside left)\b",
                "right": r"\b(?:right|rh|r|rf|fr|rr|rhs)\b",
            }
        ),
        valve=_one_number(
            r"\b(?:intake|inlet|int|in|exhaust|exh|ex)\s*(?:side|valve)?\s*([0-9]{1,2})\b"
            r"|\b(?:slot|valve|s|v)\s*#?\s*([0-9]{1,2})\b"
        ),
        axle=_one_of(
            {
                "1": r"\b(?:front|frt|lf|fl|rf|fr|axle 1)\b",
                "2": r"\b(?:rear|lr|rl|rr|axle 2)\b",
            }
        ).cast(pl.Int64),
    ).select(
        "text",
        "bank",
        "cylinder",
        side=pl.coalesce("valve_side", "hand"),
        slot=pl.coalesce("valve", "axle"),
    )
    return join_back(text, read)


def _one_number(pattern: str) -> pl.Expr:
    """Take the number that every match of the pattern agrees on."""
    numbers = (
        pl.col("normal")
        .str.extract_all(pattern)
        .list.eval(pl.element().str.extract(r"([0-9]+)(?:s[0-9])?$").cast(pl.Int64))
    )
    return pl.when(numbers.list.n_unique() == 1).then(numbers.list.first())


def _one_of(patterns: dict[str, str]) -> pl.Expr:
    """Take the name whose pattern occurs, if only one does."""
    found = {name: pl.col("normal").str.contains(pattern) for name, pattern in patterns.items()}
    count = pl.sum_horizontal(*found.values())
    named = pl.coalesce(*(pl.when(hit).then(pl.lit(name)) for name, hit in found.items()))
    return pl.when(count == 1).then(named)


def _said_of(clauses: pl.DataFrame, chosen: pl.DataFrame) -> pl.DataFrame:
    """Gather what the chosen part's own clauses say, else those that speak of it.

    Returns
    -------
    pl.DataFrame
        id, kind, part, and least and greatest value; they differ where the text names several.
    """
    named = chosen.drop_nulls("part").select("id", "part")
    own = (
        clauses.filter(pl.col("kind") == "component")
        .join(named, left_on=["id", "value"], right_on=["id", "part"], how="semi")
        .select(topic="clause")
        .unique()
    )
    value = pl.col("value")
    in_own = pl.col("clause") == pl.col("topic")
    return (
        clauses.filter(
            pl.col("kind").is_in(
                ["mode", "reason", "bank", "cylinder", "side", "slot", "hand", "axle", "end"]
            )
        )
        .join(own, on="topic", how="semi")
        .join(named, on="id")
        .select("id", "kind", "part", "value", own=pl.when(in_own).then(value))
    )


def _least_and_greatest(said: pl.DataFrame) -> pl.DataFrame:
    grouped = said.group_by("id", "kind").agg(
        own_least=pl.col("own").min(),
        own_greatest=pl.col("own").max(),
        least=pl.col("value").min(),
        greatest=pl.col("value").max(),
    )
    return grouped.select(
        "id",
        "kind",
        least=pl.coalesce("own_least", "least"),
        greatest=pl.coalesce("own_greatest", "greatest"),
    )


def _decode(
    chosen: pl.DataFrame, said: pl.DataFrame, vocabulary: Vocabulary, catalogue: Catalogue
) -> pl.DataFrame:
    """Turn indices into codes, keeping only what can be true of the chosen component.

    Adds component, the position fields, reason, failure_mode, and the doubts: several_places,
    several_reasons, handed.
    """
    parts = catalogue.components.values()
    component_rules = pl.DataFrame(
        {
            "component": [part.code for part in parts],
            "rule": [part.position_rule.value for part in parts],
        }
    )
    names = value_names(vocabulary)
    possible = (
        possible_modes(parts)
        .join(names.rename({"name": "component", "value": "part"}), on="component")
        .join(names.rename({"name": "mode"}), on="mode")
        .with_columns(kind=pl.lit("mode", dtype=Kind))
    )
    modes = said.filter(pl.col("kind") == "mode").join(
        possible, on=["kind", "part", "value"], how="semi"
    )
    summary = _least_and_greatest(pl.concat([said.filter(pl.col("kind") != "mode"), modes]))
    decoded = chosen.join(
        names.rename({"value": "part", "name": "component"}), on="part", how="left"
    ).join(component_rules, on="component", how="left")
    for kind in ("mode", "reason", "bank", "cylinder", "side", "slot", "hand", "axle", "end"):
        found = (
            summary.filter(pl.col("kind") == kind)
            .join(names.rename({"value": "least"}), on="least", how="left")
            .select(
                "id",
                pl.when(pl.col("least") == pl.col("greatest")).then("name").alias(kind),
                (pl.col("least") != pl.col("greatest")).alias(f"{kind}_several"),
            )
        )
        decoded = decoded.join(found, on="id", how="left").with_columns(
            pl.col(f"{kind}_several").fill_null(value=False)
        )
    return _place(decoded)


def _place(decoded: pl.DataFrame) -> pl.DataFrame:
    """Keep of the position what the component's rule knows."""
    rule = pl.col("rule")
    at_axle = rule == PositionRule.PER_AXLE_END.value

    def applies(field: str) -> pl.Expr:
        return rule.is_in([allowed.value for allowed in RULES_WITH[field]])

    end = pl.col("end").str.split_exact(" ", 1)
    hand = pl.coalesce(end.struct.field("field_0"), pl.col("hand"))
    axle = pl.coalesce(end.struct.field("field_1"), pl.col("axle"))
    several_in_engine = pl.any_horizontal(
        *(applies(field) & pl.col(f"{field}_several") for field in RULES_WITH)
    )
    several_at_axle = at_axle & pl.any_horizontal("end_several", "hand_several", "axle_several")
    return decoded.with_columns(
        several_places=(several_in_engine | several_at_axle).fill_null(value=False),
        handed=(applies("bank") & pl.col("hand").is_not_null()).fill_null(value=False),
        bank=pl.when(applies("bank")).then("bank").cast(pl.Int64),
        cylinder=pl.when(applies("cylinder")).then("cylinder").cast(pl.Int64),
        side=pl.when(applies("side")).then("side").when(at_axle).then(hand),
        slot=pl.when(applies("slot")).then("slot").when(at_axle).then(axle).cast(pl.Int64),
        failure_mode="mode",
    )


# ---- how surely -------------------------------------------------------------------------------


def _position_doubt() -> pl.Expr:
    return 0.2 * pl.col("several_places").cast(pl.Float64) + 0.05 * pl.col("handed").cast(
        pl.Float64
    )


def _accept_codes(coded: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Take a cell that is a component's code as that component, for certain."""
    slug = pl.col("text").str.strip_chars().str.to_lowercase()
    exact = slug.is_in(list(catalogue.components))
    return coded.with_columns(
        pl.when(exact).then(slug).otherwise("component").alias("component"),
        pl.when(exact).then(1.0).otherwise("confidence").alias("confidence"),
        *(pl.when(~exact).then(field).alias(field) for field in POSITION_SCHEMA),
    )


def _code_cells(
    text: pl.Series, kind: str, slugs: Iterable[str], catalogue: Catalogue
) -> pl.Series:
    vocabulary = build_vocabulary(catalogue)
    distinct = distinct_texts(text)
    terms = mark_negated(find_terms(distinct, vocabulary))
    found = (
        terms.filter(pl.col("kind") == kind)
        .group_by("id")
        .agg(least=pl.col("value").min(), greatest=pl.col("value").max())
        .filter(pl.col("least") == pl.col("greatest"))
        .join(value_names(vocabulary), left_on="least", right_on="value")
    )
    slug = pl.col("text").str.strip_chars().str.to_lowercase()
    coded = distinct.join(found, on="id", how="left").select(
        "text", code=pl.when(slug.is_in(list(slugs))).then(slug).otherwise("name")
    )
    return join_back(text, coded)["code"].alias(text.name)
