"""One code for a whole text or cell: of narratives, part descriptions, single coded columns.

The way is the same for a narrative and for a short cell: bring the text to one form, find the
catalogue's terms in it, resolve which component is meant and what is said of it, and score how
surely. Precision comes before recall: a text that names two parts alike is left uncoded.
"""

from collections.abc import Iterable
from typing import Final

import polars as pl

from fleetlog.catalogue import Catalogue, PositionRule
from fleetlog.intake.narrative.terms import (
    ACTIONS,
    BREAKS,
    NEGATED_ACTION_REACH,
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
    opens_clause,
    possible_modes,
    value_names,
)

# What a clause may hold beside its terms and still speak of the part named before it.
BARE_CLAUSE_REST: Final = 16
SAYS_NOTHING: Final = ("filler", "plain", "whole", "partial", "beside")


def code_single(text: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
    """Code what each narrative says was done, to which part, where and why.

    Parameters
    ----------
    text : pl.Series
        (n,) one narrative a row: a correction, or a line's own text.
    catalogue : Catalogue

    Returns
    -------
    pl.DataFrame
        (n, 9), rows as in `text`: component, bank, cylinder, side, slot, action, reason,
        failure_mode, confidence (0 to 1; 0 where nothing was found). Trust a row only where
        confidence is above `CODED_ABOVE`. A field that the text does not settle is null; LH and
        RH never become a bank, for which bank is on which hand differs between engines.
    """
    vocabulary = build_vocabulary(catalogue)
    distinct = distinct_texts(text)
    clauses = _clauses(mark_negated(find_terms(distinct, vocabulary)), distinct)
    chosen = _choose_component(clauses)
    said = _said_of(clauses, chosen)
    coded = _score_narrative(
        _decode(distinct.join(chosen, on="id", how="left"), said, vocabulary, catalogue)
    ).select(
        "text",
        "component",
        *POSITION_SCHEMA,
        "action",
        "reason",
        "failure_mode",
        "confidence",
    )
    return join_back(text, coded)


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


def _clauses(terms: pl.DataFrame, distinct: pl.DataFrame) -> pl.DataFrame:
    """Add to each term its clause, what the clause says as a whole, and whom it speaks of.

    Returns
    -------
    pl.DataFrame
        The terms with clause (unique over all texts), topic (the clause whose part this one
        speaks of: itself, else the last one before that names a part, else the first after),
        bare (nothing but terms in it), action_said (the action of the clause, or of the one that
        it continues), has_mode, access, sound, not_done.
    """
    kind = pl.col("kind")
    # Plain minima and maxima of ready columns group far faster than filters inside each group.
    terms = terms.with_columns(
        clause=opens_clause().cum_sum(),
        joined=kind.is_in(["joins", "lists"]),
        action_own=pl.when(kind == "action").then("value"),
        has_part=kind.is_in(PARTS),
        has_mode=kind == "mode",
        access=kind == "removed_for_access",
        sound=kind == "sound",
        not_done=kind == "not_done",
    )
    flags = ("has_part", "has_mode", "access", "sound", "not_done")
    summary = (
        terms.group_by("clause", maintain_order=True)
        .agg(
            pl.col("id", "joined").first(),
            pl.col("at").first().alias("start"),
            pl.col("size").sum().alias("understood"),
            pl.col("action_own").min(),
            pl.col(*flags).max(),
        )
        .join(
            distinct.select("id", length=pl.col("normal").str.len_bytes().cast(pl.Int64)),
            on="id",
            how="left",
            maintain_order="left",
        )
    )
    first = pl.col("id") != pl.col("id").shift().fill_null(-1)
    following = pl.col("start").shift(-1)
    last = (pl.col("id") != pl.col("id").shift(-1)).fill_null(value=True)
    extent = pl.when(last).then(pl.col("length")).otherwise(following) - pl.when(first).then(
        0
    ).otherwise(pl.col("start"))
    nothing = pl.lit(-1, dtype=pl.Int32)
    # A clause opened by a join shares the verb before it, unless it says something of its own.
    carried = (
        pl.when(pl.col("access") & pl.col("action_own").is_null())
        .then(nothing)
        .when(pl.col("action_own").is_not_null())
        .then("action_own")
        .when(pl.col("has_mode") | pl.col("sound") | pl.col("not_done") | ~pl.col("joined") | first)
        .then(nothing)
        .forward_fill()
    )
    access_carried = (
        pl.when(pl.col("access") & pl.col("action_own").is_null())
        .then(pl.lit(value=True))
        .when(
            pl.col("action_own").is_not_null()
            | pl.col("has_mode")
            | pl.col("sound")
            | ~pl.col("joined")
            | first
        )
        .then(pl.lit(value=False))
        .forward_fill()
    )
    named = pl.when(pl.col("has_part"))
    before, before_id = named.then("clause").forward_fill(), named.then("id").forward_fill()
    after, after_id = named.then("clause").backward_fill(), named.then("id").backward_fill()
    summary = summary.with_columns(
        bare=(extent - pl.col("understood")) <= BARE_CLAUSE_REST,
        action_said=pl.when(carried >= 0).then(carried),
        access=access_carried,
        topic=pl.when(before_id == pl.col("id"))
        .then(before)
        .when(after_id == pl.col("id"))
        .then(after)
        .otherwise("clause"),
    )
    # Clauses are numbered from 1 in the order of `summary`.
    said = summary.select("topic", "bare", "action_said", *flags)[terms["clause"] - 1]
    return pl.concat(
        [terms.select("id", "at", "size", "kind", "value", "clause"), said], how="horizontal"
    )


# ---- which component --------------------------------------------------------------------------


def _choose_component(clauses: pl.DataFrame) -> pl.DataFrame:
    """Choose the one part that most was done to.

    Returns
    -------
    pl.DataFrame
        id, part (null where two are alike or it has no name), parts (how many were named), tier
        (2 work done, 1 looked at or spoken of, 0 found good, -1 moved out of the way), action,
        action_apart (stated in a clause after the one that names the part), recommended.
    """
    inspected = ACTIONS.index("inspected")
    later = (
        clauses.filter(
            ~pl.col("has_part")
            & pl.col("bare")
            & (pl.col("topic") < pl.col("clause"))
            & (pl.col("kind").is_in(["action", "sound", "not_done"]))
        )
        .group_by("topic")
        .agg(
            action_later=pl.col("value").filter(pl.col("kind") == "action").min(),
            sound_later=(pl.col("kind") == "sound").any(),
            not_done_later=pl.col("not_done").any(),
        )
        .rename({"topic": "clause"})
    )
    beside = (pl.col("kind").shift() == "beside") & (
        (pl.col("at") - pl.col("at").shift() - pl.col("size").shift()) <= NEGATED_ACTION_REACH + 4
    )
    mentions = (
        clauses.with_columns(beside=(beside & (pl.col("clause") == pl.col("clause").shift())))
        .filter(pl.col("kind").is_in(PARTS))
        .join(later, on="clause", how="left")
        .with_columns(
            pl.col("beside", "sound_later", "not_done_later").fill_null(value=False),
        )
    )
    recommended = pl.col("not_done") | pl.col("not_done_later")
    said = pl.when(~recommended | (pl.col("action_said") == inspected)).then("action_said")
    added = pl.when(~pl.col("access") & ~recommended).then("action_later")
    action = pl.min_horizontal(said, added)
    worked_on = action < inspected
    mentions = mentions.with_columns(action=action, recommended=recommended).with_columns(
        tier=pl.when(pl.col("beside"))
        .then(-1)
        .when(worked_on)
        .then(2)
        .when(pl.col("access"))
        .then(-1)
        .when(pl.col("sound") | pl.col("sound_later"))
        .then(0)
        .otherwise(1),
        action_apart=worked_on & (said.is_null() | (said >= inspected)),
        part=pl.when(pl.col("kind") == "component").then("value").otherwise(-1),
    )
    per_part = mentions.group_by("id", "part").agg(
        tier=pl.col("tier").max(),
        action=pl.col("action").min(),
        action_apart=(pl.col("action_apart") | ~(pl.col("tier") == 2)).all(),
        recommended=pl.col("recommended").any(),
    )
    top = per_part.group_by("id").agg(top=pl.col("tier").max(), parts=pl.len())
    leaders = per_part.join(top, on="id").filter(pl.col("tier") == pl.col("top"))
    return leaders.group_by("id").agg(
        part=pl.when((pl.len() == 1) & (pl.col("part").first() >= 0)).then(pl.col("part").first()),
        parts=pl.col("parts").first(),
        tier=pl.col("top").first(),
        action=pl.when(pl.col("top").first() == 0)
        .then(pl.lit(inspected, dtype=pl.Int32))
        .otherwise(pl.col("action").first()),
        action_apart=pl.col("action_apart").first(),
        recommended=pl.col("recommended").first(),
    )


# ---- what is said of it -----------------------------------------------------------------------


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


def _score_narrative(decoded: pl.DataFrame) -> pl.DataFrame:
    """Add action, reason and confidence; see `CODED_ABOVE` for what the score means."""
    replaced, repaired = ACTIONS.index("replaced"), ACTIONS.index("repaired")
    found_good = pl.col("tier") == 0
    coded = pl.col("component").is_not_null()
    decoded = decoded.with_columns(
        failure_mode=pl.when(~found_good).then("failure_mode"),
        reason=pl.when(~found_good).then("reason"),
    ).with_columns(
        reason=pl.when(pl.col("reason").is_not_null())
        .then("reason")
        .when(
            pl.col("failure_mode").is_not_null()
            & ~pl.col("reason_several")
            & pl.col("action").is_in([replaced, repaired])
        )
        .then(pl.lit("failed")),
        said_action=pl.when(coded & (pl.col("tier") >= 0)).then("action"),
    )
    acted = pl.col("said_action").is_not_null()
    confidence = (
        0.5
        + pl.when(acted & pl.col("action_apart") & (pl.col("tier") == 2))
        .then(0.2)
        .when(acted)
        .then(0.3)
        .otherwise(0.0)
        + pl.when(pl.col("failure_mode").is_not_null() | pl.col("reason").is_not_null())
        .then(0.1)
        .otherwise(0.0)
        - 0.05 * (pl.col("parts").clip(1, 3) - 1).cast(pl.Float64)
        - 0.1 * pl.col("reason_several").cast(pl.Float64)
        - 0.15 * pl.col("recommended").cast(pl.Float64)
        - _position_doubt()
    )
    uncoded = pl.when(pl.col("parts") > 0).then(0.2).otherwise(0.0)
    actions = pl.DataFrame(
        {"said_action": range(len(ACTIONS)), "action_code": ACTIONS},
        schema={"said_action": pl.Int32, "action_code": pl.String},
    )
    return (
        decoded.with_columns(
            confidence=pl.when(coded).then(confidence.clip(0, 1)).otherwise(uncoded)
        )
        .join(actions, on="said_action", how="left")
        .drop("action")
        .rename({"action_code": "action"})
    )


# ---- cells that hold one slug -----------------------------------------------------------------


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
