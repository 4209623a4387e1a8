"""Every part that a narrative says work was done on, with its own place, action and reason.

A text is a sequence of terms, cut into statements ("." and ";") and clauses ("," "and" "due to").
An action belongs to the part right after it, else to the part right before it, else (nothing but
the action in its clause) to the part last named. Clauses that only list parts share the verb and
the place of their list. What is said of a part is gathered from all its mentions.

Precision comes before recall: what is not surely said stays null. Work is linear in the length of
the distinct texts; distinct unknown words are compared with the vocabulary once.
"""

from typing import Final

import polars as pl

from fleetlog.catalogue import Catalogue, PositionRule
from fleetlog.intake.narrative.spelling import respell
from fleetlog.intake.narrative.terms import (
    ACTIONS,
    CODED_ABOVE,
    PARTS,
    POSITION_SCHEMA,
    RULES_WITH,
    Vocabulary,
    build_vocabulary,
    distinct_texts,
    find_terms,
    mark_negated,
    opens_clause,
    possible_modes,
    value_names,
)

__all__ = ["code_narratives", "suggest_codes"]

INSPECTED: Final = ACTIONS.index("inspected")
# Letters of unread words (two blanks each included) that a clause of a list may hold.
LISTED_REST: Final = 6
# The same for a clause that holds an action alone.
ALONE_REST: Final = 4
# The same between an action and its part: the unread word may be what was worked on.
BETWEEN_REST: Final = 8
BESIDE_GAP: Final = 8
_NO_STRUCTURE: Final = ("filler", "ignored", "whole", "partial", "complains")
# Names that in a sentence often mean another part ("plug" of a harness, "piston" of a caliper).
VAGUE: Final = (
    "plug", "piston", "clutch", "gearbox", "transmission", "tran", "egr", "valve", "head",
)  # fmt: skip
PLACES: Final = ("bank", "cylinder", "side", "slot", "hand", "axle", "end")
STATED: Final = 0.9
CARRIED: Final = 0.85
APART: Final = 0.8
SAID: Final = 0.8
DOUBTED: Final = 0.5
UNDONE: Final = 0.3
RESPELLED_DOUBT: Final = 0.05
FIELD_CONFIDENCE: Final = {
    "position_confidence": tuple(POSITION_SCHEMA),
    "action_confidence": ("action",),
    "reason_confidence": ("reason",),
    "failure_mode_confidence": ("failure_mode",),
}


def code_narratives(text: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
    """Code what each narrative says was done, to which parts, where and why.

    Parameters
    ----------
    text : pl.Series
        (n,) one narrative a row; repeats are coded once.
    catalogue : Catalogue

    Returns
    -------
    pl.DataFrame
        One row per distinct text and part worked on (and cylinder, where several are named),
        ordered by text: text, part (1 to k, in order of mention), component, bank, cylinder,
        side, slot, action, reason, failure_mode, confidence (0 to 1, of the component),
        position_confidence, action_confidence, reason_confidence, failure_mode_confidence. A
        text that states no work on a known part has no row. A field not surer than
        `CODED_ABOVE` is null, and so is its confidence. LH and RH never become a bank, for which
        bank is on which hand differs between engines.
    """
    guessed = suggest_codes(text, catalogue)
    sure = guessed.filter(
        (pl.col("confidence") > CODED_ABOVE)
        & (pl.col("action_confidence") > CODED_ABOVE).fill_null(value=False)
    )
    for confidence, fields in FIELD_CONFIDENCE.items():
        sure = sure.with_columns(
            pl.when(pl.col(confidence) > CODED_ABOVE).then(name).alias(name)
            for name in (*fields, confidence)
        )
    return sure.with_columns(part=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("text"))


def suggest_codes(text: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
    """Guess the same as `code_narratives`, also where it is not sure, for somebody to review.

    Returns
    -------
    pl.DataFrame
        The columns of `code_narratives`, with a row for every known part that is named and
        every confidence as it is.
    """
    vocabulary = build_vocabulary(catalogue)
    distinct = respell(distinct_texts(text), vocabulary.patterns)
    terms = _structure(mark_negated(find_terms(distinct, vocabulary)), distinct)
    actions = _actions(terms)
    mentions = _mentions(terms, actions)
    decoded = _decode(mentions, _said(terms, mentions), _places(terms, mentions), vocabulary)
    return _rows(decoded, distinct, vocabulary, catalogue)


# ---- structure --------------------------------------------------------------------------------


def _structure(terms: pl.DataFrame, distinct: pl.DataFrame) -> pl.DataFrame:
    """Cut the terms into statements and clauses and number the parts.

    Adds clause, statement, rest (unread letters after the term and before the next), part_no (of
    a part that may be worked on), beside (the part only says where), modified (of a part whose
    name another part's name opens, as in "alternator bracket"; the latter is left out).
    """
    ends = pl.col("at") + pl.col("size")
    last = pl.col("id") != pl.col("id").shift(-1)
    first = pl.col("id") != pl.col("id").shift()
    is_part = pl.col("kind").is_in(PARTS)
    touches_next = (~last & (pl.col("at").shift(-1) == ends)).fill_null(value=False)
    terms = (
        terms.filter(pl.col("kind") != "plain")
        .join(
            distinct.select("id", length=pl.col("normal").str.len_bytes().cast(pl.Int64)),
            on="id",
            maintain_order="left",
        )
        .with_columns(
            rest=pl.when(last.fill_null(value=True))
            .then("length")
            .otherwise(pl.col("at").shift(-1))
            - ends,
            lead=pl.when(first.fill_null(value=True)).then("at").otherwise(0),
            opens_name=is_part & touches_next & is_part.shift(-1),
        )
        .with_columns(
            rest=pl.col("rest") + pl.col("lead"),
            modified=(is_part & pl.col("opens_name").shift()).fill_null(value=False),
        )
    )
    terms = terms.with_columns(
        rest=pl.col("rest"),
        clause=opens_clause().cum_sum(),
        statement=((pl.col("kind") == "stop") | first.fill_null(value=True)).cum_sum(),
    )
    kind = pl.col("kind")
    terms = terms.with_columns(
        clause_rest=pl.col("rest").sum().over("clause"),
        pronoun=(kind == "whole").any().over("clause"),
        # What somebody noticed, or what holds for some of the parts, is no finding on the part.
        finding=~kind.is_in(["complains", "partial"]).any().over("statement"),
        whole=(kind == "whole").any().over("id"),
    ).filter(~kind.is_in(_NO_STRUCTURE) & ~pl.col("opens_name"))
    beside = (
        is_part
        & (pl.col("kind").shift() == "beside")
        & (pl.col("clause") == pl.col("clause").shift())
        & (pl.col("at") - ends.shift() <= BESIDE_GAP)
    ).fill_null(value=False)
    return terms.with_columns(beside=beside).with_columns(
        part_no=pl.when(is_part & ~pl.col("beside")).then(
            (is_part & ~pl.col("beside")).cum_sum().cast(pl.Int64)
        )
    )


def _carry(column: str, within: str, *, back: bool = False) -> pl.Expr:
    """Fill the part number forward (or back), not over the border of `within`."""
    part, border = pl.col(column), pl.when(pl.col(column).is_not_null()).then(within)
    filled = part.backward_fill() if back else part.forward_fill()
    reached = border.backward_fill() if back else border.forward_fill()
    return pl.when(reached == pl.col(within)).then(filled)


# ---- actions ----------------------------------------------------------------------------------


def _actions(terms: pl.DataFrame) -> pl.DataFrame:
    """Find the part that each action is done to.

    Returns
    -------
    pl.DataFrame
        part_no, clause, value (index of the action), way ("before", "after" or "apart" from the
        part), undone (recommended, declined, ordered), doubted (an unread word may be its object).
    """
    sequence = terms.filter(
        (pl.col("kind") == "action")
        | pl.col("part_no").is_not_null()
        | pl.col("kind").is_in(["joins", "lists", "stop", "beside"])
    ).with_columns(
        in_clause=_carry("part_no", "clause"),
        ahead=_carry("part_no", "clause", back=True),
        # Work is not done on what somebody noticed.
        found=pl.when("finding").then("part_no"),
    )
    sequence = sequence.with_columns(
        in_text=_carry("found", "id"), in_statement=_carry("found", "statement")
    )
    same = pl.col("id") == pl.col("id").shift(-1)
    kind = pl.col("kind")
    after, before = pl.col("part_no").shift(-1), pl.col("part_no").shift()
    follows = after.is_not_null() & same
    precedes = before.is_not_null() & (pl.col("id") == pl.col("id").shift())
    second_action = (kind.shift(-2) == "action") & (pl.col("clause").shift(-2) == pl.col("clause"))
    opens_next = (
        (kind.shift(-1) == "lists")
        & pl.col("head").shift(-1).is_in(["and", "&"])
        & (kind.shift(-2) == "action")
        & ~precedes
        & same
    )
    way = (
        pl.when(follows & ~(precedes & second_action.fill_null(value=False)))
        .then(pl.lit("before"))
        .when(precedes)
        .then(pl.lit("after"))
        .when(opens_next)
        .then(pl.lit("shared"))
        .when(pl.col("ahead").is_not_null())
        .then(None)
        .when(pl.col("in_clause").is_not_null())
        .then(pl.lit("after"))
        .otherwise(pl.lit("apart"))
    )
    put_off = (
        terms.filter(pl.col("kind").is_in(["put_off", "not_done"]))
        .group_by("clause")
        .agg(not_done_at=pl.col("at").min())
    )
    late = (
        terms.with_columns(last_part=_carry("part_no", "statement"))
        .with_columns(owns=pl.col("part_no").is_not_null().any().over("clause"))
        .filter((pl.col("kind") == "put_off") & ~pl.col("owns"))
        .select(part_no="last_part", late=pl.lit(value=True))
        .drop_nulls()
        .unique()
    )
    found = (
        sequence.with_columns(way=way, rest_before=pl.col("rest").shift())
        .with_columns(
            part_no=pl.when(pl.col("way") == "before")
            .then(after)
            .when(pl.col("way") == "after")
            .then("in_clause")
            .when(pl.col("way") == "apart")
            .then("in_text")
            .when(pl.col("way") == "shared")
            .then("in_statement")
        )
        .filter(kind == "action")
        .drop_nulls("part_no")
        .join(put_off, on="clause", how="left", maintain_order="left")
        .join(late, on="part_no", how="left", maintain_order="left")
    )
    undone = (
        pl.col("not_done_at").is_not_null()
        & ((pl.col("value") != INSPECTED) | (pl.col("not_done_at") < pl.col("at")))
    ) | (pl.col("late").fill_null(value=False) & (pl.col("value") != INSPECTED))
    return found.select(
        "part_no",
        "clause",
        "value",
        "way",
        undone=undone.fill_null(value=False),
        # "Replaced and aligned": whether both were done to one part cannot be told.
        doubted=(pl.col("way") == "shared")
        | (
            (pl.col("way") == "apart")
            # "Both were replaced" speaks of parts that nobody can point at.
            & (
                (pl.col("clause_rest") > ALONE_REST)
                | pl.col("in_statement").is_null()
                | pl.col("pronoun")
            )
        )
        | ((pl.col("way") == "before") & (pl.col("rest") > BETWEEN_REST))
        | ((pl.col("way") == "after") & (pl.col("rest_before") > BETWEEN_REST)),
    )


# ---- mentions ---------------------------------------------------------------------------------


def _mentions(terms: pl.DataFrame, actions: pl.DataFrame) -> pl.DataFrame:
    """Gather each mention of a part with the action done to it.

    Returns
    -------
    pl.DataFrame
        id, part_no, clause, chain (the list it stands in), size (parts in that list), value (the
        component; null where it has no name), action, action_confidence, sound.
    """
    done = actions.filter(~pl.col("undone") & ~pl.col("doubted"))
    clauses = _chains(terms, done)
    way = pl.col("way")
    confidence = pl.when(way == "apart").then(APART).otherwise(STATED)
    own = done.group_by("part_no").agg(own=pl.col("value").min(), own_confidence=confidence.max())
    # Two kinds of work on one part, or work that may be on another one, cannot be told apart.
    worked = actions.filter(~pl.col("undone") & (pl.col("value") != INSPECTED))
    conflict = worked.group_by("part_no").agg(
        conflict=(pl.col("value").n_unique() > 1) | pl.col("doubted").any()
    )
    weak = (
        actions.filter(pl.col("undone") | pl.col("doubted"))
        .group_by("part_no")
        .agg(
            weak=pl.col("value").min(),
            weak_confidence=pl.when(pl.col("undone").any()).then(UNDONE).otherwise(DOUBTED),
        )
    )
    mentions = (
        terms.filter(pl.col("part_no").is_not_null())
        .join(clauses, on="clause", how="left", maintain_order="left")
        .join(own, on="part_no", how="left", maintain_order="left")
        .join(weak, on="part_no", how="left", maintain_order="left")
        .join(conflict, on="part_no", how="left", maintain_order="left")
        .with_columns(pl.col("conflict").fill_null(value=False))
    )
    shared = (
        done.join(mentions.select("part_no", "chain"), on="part_no")
        .group_by("chain")
        .agg(
            ahead=pl.col("value").filter(way == "before").min(),
            behind=pl.col("value").filter(way != "before").min(),
        )
    )
    # In a clause with several parts only the first may stand in the list.
    listed = pl.col("part_no") == pl.col("part_no").min().over("clause")
    carried = pl.when(listed).then(pl.coalesce("ahead", "behind"))
    mentions = mentions.join(shared, on="chain", how="left", maintain_order="left")
    return _resolve(mentions).select(
        "id",
        "part_no",
        "clause",
        "chain",
        "sound",
        "resolved",
        "whole",
        "conflict",
        vague=(pl.col("single") & pl.col("head").is_in(VAGUE)).fill_null(value=False),
        size=pl.len().over("chain"),
        component=pl.col("component"),
        action=pl.coalesce(
            pl.min_horizontal("own", pl.when(listed).then("ahead")), carried, "weak"
        ),
        action_confidence=pl.when(pl.col("own").is_not_null())
        .then("own_confidence")
        .when(carried.is_not_null())
        .then(CARRIED)
        .otherwise("weak_confidence"),
    )


def _chains(terms: pl.DataFrame, done: pl.DataFrame) -> pl.DataFrame:
    """Count the lists, runs of clauses that share a verb: clause, chain, sound."""
    kind = pl.col("kind")
    ways = (
        done.filter(pl.col("way") != "apart")
        .group_by("clause")
        .agg(
            prefix=(pl.col("way") == "before").any(),
            suffix=(pl.col("way") == "after").any(),
            verb=pl.col("value").min(),
        )
    )
    table = (
        terms.group_by("clause", maintain_order=True)
        .agg(
            pl.col("statement").first(),
            opened=kind.first() == "lists",
            named=pl.col("part_no").is_not_null().any(),
            acts=(kind == "action").any(),
            speaks=kind.is_in(["mode", "reason"]).any(),
            sound=(kind == "sound").any(),
            halts=kind.is_in(["not_done", "put_off", "removed_for_access", "beside"]).any(),
            rest=pl.col("clause_rest").first(),
        )
        .join(ways, on="clause", how="left", maintain_order="left")
        .with_columns(pl.col("prefix", "suffix").fill_null(value=False))
        .with_columns(
            verb_before=pl.when(pl.col("prefix"))
            .then("verb")
            .forward_fill()
            .shift()
            .over("statement"),
        )
    )
    led = pl.col("verb_before").is_not_null()
    looked = (pl.col("verb_before") == INSPECTED).fill_null(value=False)
    ends = pl.col("suffix") | pl.col("speaks") | (pl.col("sound") & ~looked) | pl.col("halts")
    link = (
        pl.col("opened")
        & pl.col("named")
        & pl.col("named").shift()
        & (pl.col("statement") == pl.col("statement").shift())
        & ~pl.col("prefix")
        & ~(pl.col("acts") & ~pl.col("suffix"))
        & ~pl.col("halts")
        & ~(pl.col("sound") & ~looked)
        & ~(led & (pl.col("suffix") | pl.col("speaks")))
        & ~ends.shift()
        & (pl.col("rest") <= LISTED_REST)
        & (pl.col("rest").shift() <= LISTED_REST)
    )
    return table.select(
        "clause", "sound", chain=(~link.fill_null(value=False)).cum_sum().cast(pl.Int64)
    )


def _resolve(mentions: pl.DataFrame) -> pl.DataFrame:
    """Name a part called by its last word alone ("pump") after the part named in full before."""
    component = pl.col("kind") == "component"
    full = (
        mentions.filter(component & ~pl.col("single"))
        .group_by("id", "head")
        .agg(
            full=pl.col("value").min(),
            fulls=pl.col("value").n_unique(),
            full_at=pl.col("part_no").min(),
        )
        .filter(pl.col("fulls") == 1)
    )
    bare = pl.col("single") & ~pl.col("modified")
    by_head = pl.when(bare & (pl.col("full_at") < pl.col("part_no"))).then("full")
    return mentions.join(full, on=["id", "head"], how="left", maintain_order="left").with_columns(
        component=pl.coalesce(by_head, pl.when(component).then("value")),
        resolved=by_head.is_not_null() & ~component,
    )


# ---- what is said of a part, and where it sits ------------------------------------------------


def _aimed(terms: pl.DataFrame) -> pl.DataFrame:
    """Give each term the part that it speaks of: `target`, and `alone` where its clause has none.

    The part named before it in its clause, else after it in its clause, else before it in its
    statement, else after it in its statement.
    """
    return terms.with_columns(
        behind=_carry("part_no", "clause"),
        ahead=_carry("part_no", "clause", back=True),
        far_behind=_carry("part_no", "statement"),
        far_ahead=_carry("part_no", "statement", back=True),
    ).with_columns(
        target=pl.coalesce("behind", "ahead", "far_behind"),
        alone=pl.col("behind").is_null() & pl.col("ahead").is_null(),
    )


def _said(terms: pl.DataFrame, mentions: pl.DataFrame) -> pl.DataFrame:
    """Failure modes and reasons: id, component, part_no, kind, value, at; several per part."""
    aimed = _aimed(terms).filter(pl.col("kind").is_in(["mode", "reason"]))
    worked = (pl.col("action_confidence") > CODED_ABOVE).fill_null(value=False)
    lone = (
        aimed.drop("whole")
        .with_columns(target=pl.coalesce("target", "far_ahead"))
        .join(
            mentions.select(
                "part_no", "component", "chain", "sound", "whole", list_size="size", worked=worked
            ),
            left_on="target",
            right_on="part_no",
        )
        # Where all are renewed, what is said elsewhere is said of the bad one.
        .with_columns(finding=pl.col("finding") & (~pl.col("whole") | pl.col("worked")))
        .filter(pl.col("finding") | (pl.col("kind") == "reason"))
    )
    # Said after a list, it may be true of one part of the list only.
    unsure = pl.col("alone") & (pl.col("list_size") > 1)
    return lone.filter(~unsure & ~pl.col("sound")).select(
        "id", "kind", "value", "at", "component", "chain", "finding", part_no="target"
    )


def _places(terms: pl.DataFrame, mentions: pl.DataFrame) -> pl.DataFrame:
    """Places: part_no, kind, value; a place at either end of a list holds for the whole list."""
    aimed = (
        _aimed(terms)
        .filter(pl.col("kind").is_in(PLACES) & (~pl.col("alone") | (pl.col("clause_rest") <= 12)))
        .with_columns(target=pl.coalesce("target", "far_ahead"))
    )
    bounds = mentions.group_by("chain").agg(
        first=pl.col("part_no").min(), last=pl.col("part_no").max()
    )
    own = aimed.join(
        mentions.select("part_no", "chain"), left_on="target", right_on="part_no"
    ).select("kind", "value", "chain", "ahead", "behind", part_no="target")
    shared = (
        own.join(bounds, on="chain")
        .filter(
            (pl.col("behind").is_null() & (pl.col("part_no") == pl.col("first")))
            | (pl.col("behind") == pl.col("last"))
        )
        .select("kind", "value", "chain")
        .join(mentions.select("part_no", "chain"), on="chain")
        .with_columns(group=_place_group())
        .join(
            own.with_columns(group=_place_group()).select("part_no", "group").unique(),
            on=["part_no", "group"],
            how="anti",
        )
    )
    columns = ["part_no", "kind", "value"]
    return pl.concat([own.select(columns), shared.select(columns)]).unique()


def _place_group() -> pl.Expr:
    """At axle ends hand, axle and end say one thing in three ways."""
    kind = pl.col("kind").cast(pl.String)
    return pl.when(kind.is_in(["hand", "axle"])).then(pl.lit("end")).otherwise(kind)


# ---- one row per part -------------------------------------------------------------------------


def _decode(
    mentions: pl.DataFrame, said: pl.DataFrame, places: pl.DataFrame, vocabulary: Vocabulary
) -> dict[str, pl.DataFrame]:
    """Gather all mentions of each part of a text, and what is said of it, under their names."""
    names = value_names(vocabulary)
    named = mentions.drop_nulls("component")
    worked = pl.col("action_confidence") > CODED_ABOVE
    entities = named.group_by("id", "component").agg(
        part_no=pl.coalesce(pl.col("part_no").filter(worked).min(), pl.col("part_no").min()),
        action=pl.coalesce(pl.col("action").filter(worked).min(), pl.col("action").min()),
        action_confidence=pl.when(
            pl.col("conflict").any() | (pl.col("action").filter(worked).n_unique() > 1)
        )
        .then(pl.min_horizontal(pl.col("action_confidence").max(), pl.lit(DOUBTED)))
        .otherwise(pl.col("action_confidence").max()),
        resolved=pl.col("resolved").all(),
        vague=pl.col("vague").all(),
    )
    spots = (
        places.join(
            named.select("id", "component", "part_no", "sound", "whole", worked=worked),
            on="part_no",
        )
        .join(names, on="value")
        .with_columns(worked=pl.col("worked").fill_null(value=False))
        .filter(pl.col("worked") | ~pl.col("sound"))
        # Where all or both are renewed, a place named elsewhere is that of the bad one.
        .filter(~pl.col("whole") | (pl.col("worked") & ~pl.col("kind").is_in(["hand", "end"])))
        .group_by("id", "component", "kind")
        .agg(
            at_work=pl.col("name").filter("worked").unique().sort(),
            elsewhere=pl.col("name").filter(~pl.col("worked")).unique().sort(),
        )
        .select(
            "id",
            "component",
            "kind",
            own=pl.col("at_work").list.len() > 0,
            found=pl.when(pl.col("at_work").list.len() > 0).then("at_work").otherwise("elsewhere"),
        )
    )
    return {
        "entities": entities.join(
            names.rename({"value": "component", "name": "code"}), on="component"
        ),
        "spots": spots,
        "said": said.join(names, on="value").drop_nulls("component"),
        "members": named.select("id", "component", "chain").unique(),
    }


def _rows(
    decoded: dict[str, pl.DataFrame],
    distinct: pl.DataFrame,
    vocabulary: Vocabulary,
    catalogue: Catalogue,
) -> pl.DataFrame:
    """Lay out what was gathered, one row per part and cylinder."""
    names = value_names(vocabulary)
    parts = catalogue.components.values()
    rules = pl.DataFrame(
        {
            "code": [part.code for part in parts],
            "rule": [part.position_rule.value for part in parts],
        }
    )
    key = ["id", "component"]
    rows = decoded["entities"].join(rules, on="code")
    possible = possible_modes(parts).rename({"component": "code", "mode": "name"})
    mode = (
        decoded["said"]
        .filter(pl.col("kind") == "mode")
        .join(names.rename({"value": "component", "name": "code"}), on="component")
    )
    bad = mode.select(key).unique().with_columns(went_bad=pl.lit(value=True))
    modes = (
        mode.join(possible, on=["code", "name"], how="semi")
        .sort("at")
        .group_by(key, maintain_order=True)
        .agg(failure_mode=pl.col("name").first(), modes=pl.col("name").n_unique())
    )
    reason = decoded["said"].filter(pl.col("kind") == "reason")
    # What is scheduled or recalled holds for the list; the rest for the part it is said of.
    wide = reason.filter(pl.col("name").is_in(["planned", "campaign"])).select(
        "id", "chain", "name"
    )
    reasons = (
        pl.concat(
            [
                reason.filter(pl.col("finding") | (pl.col("name") != "failed")).select(
                    *key, "name"
                ),
                wide.join(decoded["members"], on=["id", "chain"]).select(*key, "name"),
            ]
        )
        .group_by(key)
        .agg(
            stated=pl.col("name").filter(pl.col("name") != "failed").min(),
            stated_count=pl.col("name").filter(pl.col("name") != "failed").n_unique(),
            failed=(pl.col("name") == "failed").any(),
        )
    )
    rows = (
        rows.join(modes, on=key, how="left")
        .join(bad, on=key, how="left")
        .join(reasons, on=key, how="left")
    )
    for kind in PLACES:
        spot = decoded["spots"].filter(pl.col("kind") == kind)
        rows = rows.join(
            spot.select(*key, pl.col("found").alias(kind), pl.col("own").alias(f"{kind}_own")),
            on=key,
            how="left",
        )
    rows = _place(rows)
    went_bad = pl.col("failure_mode").is_not_null() | pl.col("failed") | pl.col("went_bad")
    rows = rows.with_columns(
        # A part that is said to have gone bad and to be renewed "while apart" is one of several.
        reason=pl.when(
            (pl.col("stated_count") == 1)
            & ~((pl.col("stated") == "while-apart") & went_bad.fill_null(value=False))
        )
        .then("stated")
        .when((pl.col("stated_count").fill_null(0) == 0) & went_bad.fill_null(value=False))
        .then(pl.lit("failed"))
    )
    actions = pl.DataFrame(
        {"action": pl.Series(range(len(ACTIONS)), dtype=pl.Int32), "done": ACTIONS}
    )
    placed = pl.any_horizontal(pl.col(name).is_not_null() for name in POSITION_SCHEMA)
    doubt = RESPELLED_DOUBT * pl.col("respelled").cast(pl.Float64)
    worked = pl.col("action_confidence").fill_null(0.4)
    return (
        rows.join(distinct.select("id", "text", "respelled"), on="id")
        .join(actions, on="action", how="left")
        .with_columns(
            confidence=pl.min_horizontal(
                worked + doubt,
                STATED - 0.1 * pl.col("resolved").cast(pl.Float64),
                pl.when("vague").then(DOUBTED).otherwise(STATED),
            )
            - doubt,
            position_confidence=pl.when(placed).then(STATED - doubt),
            action_confidence=pl.col("action_confidence") - doubt,
            reason_confidence=pl.when(pl.col("reason").is_not_null()).then(SAID),
            failure_mode_confidence=pl.when(pl.col("failure_mode").is_not_null()).then(
                pl.when(pl.col("modes") > 1).then(DOUBTED).otherwise(SAID)
            ),
        )
        .sort("text", "part_no", "cylinder")
        .select(
            "text",
            part=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("text"),
            component="code",
            **{name: pl.col(name) for name in POSITION_SCHEMA},
            action="done",
            reason="reason",
            failure_mode="failure_mode",
            confidence="confidence",
            **{name: pl.col(name) for name in FIELD_CONFIDENCE},
        )
    )


def _place(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep of the position what the component's rule knows, a row for each cylinder at work."""
    rule = pl.col("rule")
    at_axle = rule == PositionRule.PER_AXLE_END.value

    def applies(field: str) -> pl.Expr:
        return rule.is_in([allowed.value for allowed in RULES_WITH[field]])

    def one(kind: str) -> pl.Expr:
        return pl.when(pl.col(kind).list.len() == 1).then(pl.col(kind).list.first())

    end = one("end").str.split_exact(" ", 1)
    several = pl.col("end").list.len() > 1
    ends_hand = pl.col("end").list.eval(pl.element().str.split(" ").list.first()).list.unique()
    ends_axle = pl.col("end").list.eval(pl.element().str.split(" ").list.last()).list.unique()
    hand = pl.coalesce(
        end.struct.field("field_0"),
        pl.when(several & (ends_hand.list.len() == 1)).then(ends_hand.list.first()),
        pl.when(~several.fill_null(value=False)).then(one("hand")),
    )
    axle = pl.coalesce(
        end.struct.field("field_1"),
        pl.when(several & (ends_axle.list.len() == 1)).then(ends_axle.list.first()),
        pl.when(~several.fill_null(value=False)).then(one("axle")),
    )
    cylinders = (
        pl.when(
            applies("cylinder") & (pl.col("cylinder_own") | (pl.col("cylinder").list.len() == 1))
        )
        .then("cylinder")
        .otherwise(pl.lit([None], dtype=pl.List(pl.String)))
    )
    return (
        rows.with_columns(
            bank=pl.when(applies("bank")).then(one("bank")).cast(pl.Int64),
            cylinder=pl.coalesce(cylinders, pl.lit([None], dtype=pl.List(pl.String))),
            side=pl.when(applies("side")).then(one("side")).when(at_axle).then(hand),
            slot=pl.when(applies("slot")).then(one("slot")).when(at_axle).then(axle).cast(pl.Int64),
        )
        .explode("cylinder")
        .with_columns(pl.col("cylinder").cast(pl.Int64))
    )
