"""Read component, position, action, reason and failure mode out of what technicians wrote.

The way is the same for a whole narrative and for a short cell: bring the text to one form, find
the catalogue's terms in it, resolve which component is meant and what is said of it, and score
how surely. Precision comes before recall: a text that names two parts alike is left uncoded, for
a wrong code spoils every figure that counts it, while an uncoded text stays readable.

Each distinct text is worked on once and joined back. Work is linear in the length of the
distinct texts. The word lists are common practice, no source.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import Final

import polars as pl

from fleetlog.catalogue import Catalogue, Component, PositionRule

__all__ = [
    "CODED_ABOVE",
    "code_actions",
    "code_failure_modes",
    "code_narratives",
    "code_reasons",
    "code_terms",
    "parse_position",
]

CODED_ABOVE: Final = 0.7
"""Below or at this confidence a caller keeps the text only.

A single part with a stated action reaches 0.8; each doubt (the work was only recommended, several
cylinders, a left or right bank, the action stated apart from the part) takes it down, and more
than one doubt takes it to 0.7 or lower. On the hand-labelled narratives of the tests every text
above this line is coded rightly. It is a score, not a probability.
"""

POSITION_SCHEMA: Final = {
    "bank": pl.Int64,
    "cylinder": pl.Int64,
    "side": pl.String,
    "slot": pl.Int64,
}
ENGINE_RULES: Final = (
    PositionRule.PER_VALVE,
    PositionRule.PER_CYLINDER,
    PositionRule.PER_BANK,
    PositionRule.PER_CAMSHAFT,
)
# Which fields tell two parts of a component apart.
RULES_WITH: Final = {
    "bank": ENGINE_RULES,
    "cylinder": (PositionRule.PER_VALVE, PositionRule.PER_CYLINDER),
    "side": (PositionRule.PER_VALVE, PositionRule.PER_CAMSHAFT),
    "slot": (PositionRule.PER_VALVE,),
}
# Strongest first: a line that says both "checked" and "replaced" is a replacement.
ACTIONS: Final = ("replaced", "repaired", "adjusted", "cleaned", "inspected")
BANKS: Final = 2
CYLINDERS: Final = 20
UNNAMED_PART: Final = "?"

# In the normal form words stand two blanks apart, so a blank counts for half a letter here.
NEGATION_REACH: Final = 30
NEGATED_ACTION_REACH: Final = 4
# What a clause may hold beside its terms and still speak of the part named before it.
BARE_CLAUSE_REST: Final = 16

KINDS: Final = (
    "component",
    "unnamed_parts",
    "mode",
    "action",
    "reason",
    "bank",
    "cylinder",
    "number",
    "side",
    "slot",
    "hand",
    "axle",
    "end",
    "negations",
    "sound",
    "not_done",
    "removed_for_access",
    "beside",
    "joins",
    "stop",
    "ignored",
)
Kind: Final = pl.Enum(KINDS)
PARTS: Final = ("component", "unnamed_parts")
BREAKS: Final = ("joins", "stop")


@dataclass(frozen=True, slots=True)
class _Vocabulary:
    """What to look for: patterns longest first, and what each means.

    `terms` has pattern, kind, value (an index into `values`); one pattern may mean two things.
    """

    patterns: pl.Series
    terms: pl.DataFrame
    values: pl.Series


def code_narratives(text: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
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
    vocabulary = _vocabulary(catalogue)
    distinct = _distinct(text)
    clauses = _clauses(_mark_negated(_find_terms(distinct, vocabulary)), distinct)
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
    return _join_back(text, coded)


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
    vocabulary = _vocabulary(catalogue, inverted=True)
    distinct = _distinct(text)
    terms = _find_terms(distinct, vocabulary)
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
    understood = terms.group_by("id").agg(understood=pl.col("size").sum())
    coded = _decode(
        distinct.join(chosen, on="id", how="left").join(understood, on="id", how="left"),
        _said_of(clauses, chosen),
        vocabulary,
        catalogue,
    )
    coverage = (pl.col("understood") / pl.col("normal").str.len_bytes()).clip(0, 1)
    confidence = (
        pl.when(pl.col("component").is_null())
        .then(pl.when(pl.col("parts") > 1).then(0.2).otherwise(0.0))
        .otherwise(0.5 + 0.5 * coverage - _position_doubt())
    )
    return _join_back(
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
    return _join_back(text, read)


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


# ---- one form of text -------------------------------------------------------------------------

LITERAL_CHANGES: Final = {
    "'": "",
    "\u2019": "",
    # Dots that do not end a statement, before the dot that does.
    " cyl.": "  cyl  ",
    " int.": "  int  ",
    " exh.": "  exh  ",
    " no.": "  no  ",
    " assy.": "  assy  ",
    " repl.": "  repl  ",
    " insp.": "  insp  ",
    " adj.": "  adj  ",
    ". ": "  |  ",
    ".\n": "  |  ",
    ".\r": "  |  ",
    "\n": "  |  ",
    ";": "  |  ",
    "!": "  |  ",
    "?": "  |  ",
    ",": "  ,  ",
    "&": "  &  ",
    "#": "  #  ",
    " ": "  ",
}
# What is left to make two blanks of: longer runs of blanks, and all other marks.
ODD_MARKS: Final = r"[^a-z0-9&#|,]{3,}|[^a-z0-9&#|, ]{1,2}"


def _normal(text: pl.Expr) -> pl.Expr:
    """Bring text to its normal form.

    Lower-case words and the marks `& # , |` (end of a statement), each two blanks from the next
    and one from either end, so that neighbouring terms never share a blank.
    """
    changed = (
        pl.concat_str(pl.lit(" "), text.str.to_lowercase())
        .str.replace_many(LITERAL_CHANGES, leftmost=True)
        .str.replace_all(ODD_MARKS, "  ")
        .str.strip_chars()
    )
    return pl.concat_str(pl.lit(" "), changed, pl.lit(" "))


def _distinct(text: pl.Series) -> pl.DataFrame:
    return (
        pl.DataFrame({"text": text.cast(pl.String).unique().drop_nulls()})
        .with_row_index("id")
        .with_columns(normal=_normal(pl.col("text")))
    )


def _join_back(text: pl.Series, coded: pl.DataFrame) -> pl.DataFrame:
    joined = (
        pl.DataFrame({"text": text.cast(pl.String)})
        .join(coded, on="text", how="left", maintain_order="left")
        .drop("text")
    )
    if "confidence" not in joined.columns:
        return joined
    return joined.with_columns(pl.col("confidence").fill_null(0.0))


# ---- terms ------------------------------------------------------------------------------------


def _vocabulary(catalogue: Catalogue, *, inverted: bool = False) -> _Vocabulary:
    """Gather every term; `inverted` adds names as parts lists sort them ("pump, water")."""
    listed = pl.DataFrame(
        [*_component_terms(catalogue, inverted=inverted), *_word_terms(catalogue), *_place_terms()],
        schema={"words": pl.String, "kind": Kind, "name": pl.String},
        orient="row",
    ).with_columns(pattern=_normal(pl.col("words")))
    # Actions come first, so that the least index is the strongest action.
    values = pl.Series([*ACTIONS, *sorted(set(listed["name"]) - set(ACTIONS))], dtype=pl.String)
    index = pl.DataFrame(
        {"name": values, "value": range(values.len())}, schema_overrides={"value": pl.Int32}
    )
    terms = listed.join(index, on="name").select("pattern", "kind", "value").unique()
    patterns = terms.select(pl.col("pattern").unique()).sort(
        pl.col("pattern").str.len_bytes(), descending=True
    )["pattern"]
    return _Vocabulary(patterns, terms, values)


def _component_terms(catalogue: Catalogue, *, inverted: bool) -> Iterator[tuple[str, str, str]]:
    for part in catalogue.components.values():
        for name in part.names:
            first, _, last = name.rpartition(" ")
            for noun in (last, _plural(last)):
                yield f"{first} {noun}", "component", part.code
                if inverted and first:
                    yield f"{noun}, {first}", "component", part.code
                    yield f"{noun} {first}", "component", part.code


def _plural(noun: str) -> str:
    if noun.endswith("s"):
        return noun
    if noun.endswith(("ch", "sh", "x")):
        return f"{noun}es"
    if noun.endswith("y") and noun[-2:-1] not in "aeiou":
        return f"{noun[:-1]}ies"
    return f"{noun}s"


def _word_terms(catalogue: Catalogue) -> Iterator[tuple[str, str, str]]:
    for mode in catalogue.failure_modes.values():
        for words in mode.words:
            yield words, "mode", mode.code
    for kind, group in (("action", "actions"), ("reason", "reasons")):
        for code, listed in catalogue.words[group].items():
            for words in listed:
                yield words, kind, code
    for kind, listed in catalogue.words["context"].items():
        for words in listed:
            yield words, kind, UNNAMED_PART
    yield "|", "stop", UNNAMED_PART


# How each place is written; {} stands for the number or the hand.
BANK_FORMS: Final = ("bank {}", "bank{}", "bank # {}", "bk {}", "b{}", "b{}s1", "b{}s2")
CYLINDER_FORMS: Final = (
    "cyl {}",
    "cyl{}",
    "cyl # {}",
    "cyls {}",
    "cylinder {}",
    "cylinder # {}",
    "cylinders {}",
    "number {} cylinder",
    "# {}",
    "# {} cyl",
    "# {} cylinder",
)
NUMBER_FORMS: Final = (
    "{}",
    "and {}",
    "& {}",
    ", {}",
    ", and {}",
    "and # {}",
    "& # {}",
    ", # {}",
)
SIDE_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "intake": ("intake", "inlet", "int"),
    "exhaust": ("exhaust", "exh", "ex"),
}
HAND_WORDS: Final[dict[str, tuple[str, ...]]] = {"left": ("left", "lh"), "right": ("right", "rh")}
AXLE_WORDS: Final[dict[str, tuple[str, ...]]] = {"1": ("front", "frt", "fr"), "2": ("rear",)}
END_LETTERS: Final[dict[str, tuple[str, ...]]] = {
    "left 1": ("lf", "fl"),
    # "fr" is left out: it is also short for front.
    "right 1": ("rf",),
    "left 2": ("lr", "rl"),
    "right 2": ("rr",),
}


def _place_terms() -> Iterator[tuple[str, str, str]]:
    """Yield every way of writing a place, with its kind and value."""
    numbered: tuple[tuple[str, tuple[str, ...], int], ...] = (
        ("bank", BANK_FORMS, BANKS),
        ("cylinder", CYLINDER_FORMS, CYLINDERS),
        ("number", NUMBER_FORMS, CYLINDERS),
    )
    for kind, forms, count in numbered:
        for number, form in product(range(1, count + 1), forms):
            yield form.format(number), kind, str(number)
    worded: tuple[tuple[str, dict[str, tuple[str, ...]], tuple[str, ...]], ...] = (
        ("side", SIDE_WORDS, ("{}", "{} side")),
        ("hand", HAND_WORDS, ("{}", "{} side", "{} bank")),
        ("axle", AXLE_WORDS, ("{}",)),
        ("end", END_LETTERS, ("{}",)),
    )
    for kind, places, forms in worded:
        for place, words in places.items():
            for word, form in product(words, forms):
                yield form.format(word), kind, place
    for (hand, hands), (axle, axles) in product(HAND_WORDS.items(), AXLE_WORDS.items()):
        for word, end in product(hands, axles):
            for ends in (f"{word} {end}", f"{end} {word}", f"{word} side {end}"):
                yield ends, "end", f"{hand} {axle}"


def _find_terms(distinct: pl.DataFrame, vocabulary: _Vocabulary) -> pl.DataFrame:
    """Find all terms, the longest at each place.

    Returns
    -------
    pl.DataFrame
        id, at, size, kind, value; in the order of the text.
    """
    patterns = pl.lit(vocabulary.patterns.implode())
    normal = pl.col("normal").str
    found = (
        distinct.select(
            "id",
            pattern=normal.extract_many(patterns, leftmost=True),
            at=normal.find_many(patterns, leftmost=True),
        )
        .explode("pattern", "at")
        .drop_nulls("pattern")
        .join(vocabulary.terms, on="pattern", how="left", maintain_order="left")
        .with_columns(
            pl.col("at").cast(pl.Int64), size=pl.col("pattern").str.len_bytes().cast(pl.Int64)
        )
        .drop("pattern")
    )
    return _resolve_numbers(found)


def _resolve_numbers(found: pl.DataFrame) -> pl.DataFrame:
    """Give a bare number the meaning of the place word right before it ("cyl 3 and 5")."""
    ends = pl.col("at") + pl.col("size")
    follows = (pl.col("at") == ends.shift()) & (pl.col("id") == pl.col("id").shift())
    number = pl.col("kind") == "number"
    lead = (
        pl.when(number & follows.fill_null(value=False)).then(None).otherwise(pl.col("kind"))
    ).forward_fill()
    meaning = (
        pl.when(lead == "side")
        .then(pl.lit("slot", dtype=Kind))
        .when(lead.is_in(["bank", "cylinder"]))
        .then(lead)
    )
    return found.with_columns(
        kind=pl.when(number).then(meaning).otherwise(pl.col("kind"))
    ).drop_nulls("kind")


def _mark_negated(terms: pl.DataFrame) -> pl.DataFrame:
    """Drop modes, reasons and actions that a negation shortly before turns round."""
    clause = _opens_clause().cum_sum()
    negation = pl.col("kind") == "negations"
    action = pl.col("kind") == "action"

    def last(what: pl.Expr, value: pl.Expr) -> pl.Expr:
        return pl.when(what).then(value).forward_fill()

    ends = pl.col("at") + pl.col("size")
    gap = pl.col("at") - last(negation, ends)
    same_clause = clause == last(negation, clause)
    action_between = (last(action, pl.col("at")) > last(negation, pl.col("at"))) & (
        last(action, clause) == clause
    )
    reach = pl.when(action).then(NEGATED_ACTION_REACH).otherwise(NEGATION_REACH)
    negated = (
        pl.col("kind").is_in(["action", "mode", "reason"])
        & same_clause
        & (gap <= reach)
        & (action | ~action_between.fill_null(value=False))
    )
    return terms.filter(~negated.fill_null(value=False))


# ---- clauses ----------------------------------------------------------------------------------


def _opens_clause() -> pl.Expr:
    new_text = (pl.col("id") != pl.col("id").shift()).fill_null(value=True)
    return pl.col("kind").is_in(BREAKS) | new_text


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
        clause=_opens_clause().cum_sum(),
        joined=kind == "joins",
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
    chosen: pl.DataFrame, said: pl.DataFrame, vocabulary: _Vocabulary, catalogue: Catalogue
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
    names = _names(vocabulary)
    possible = (
        _possible_modes(parts)
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


def _names(vocabulary: _Vocabulary) -> pl.DataFrame:
    """Return value (the index that terms carry) and the name that it stands for."""
    return (
        pl.DataFrame({"name": vocabulary.values})
        .with_row_index("value")
        .with_columns(pl.col("value").cast(pl.Int32))
    )


def _possible_modes(parts: Iterable[Component]) -> pl.DataFrame:
    pairs = [(part.code, mode) for part in parts for mode in part.failure_modes]
    return pl.DataFrame(pairs, schema={"component": pl.String, "mode": pl.String}, orient="row")


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
    vocabulary = _vocabulary(catalogue)
    distinct = _distinct(text)
    terms = _mark_negated(_find_terms(distinct, vocabulary))
    found = (
        terms.filter(pl.col("kind") == kind)
        .group_by("id")
        .agg(least=pl.col("value").min(), greatest=pl.col("value").max())
        .filter(pl.col("least") == pl.col("greatest"))
        .join(_names(vocabulary), left_on="least", right_on="value")
    )
    slug = pl.col("text").str.strip_chars().str.to_lowercase()
    coded = distinct.join(found, on="id", how="left").select(
        "text", code=pl.when(slug.is_in(list(slugs))).then(slug).otherwise("name")
    )
    return _join_back(text, coded)["code"].alias(text.name)
