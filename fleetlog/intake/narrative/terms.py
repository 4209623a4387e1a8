"""One form of text, and the catalogue's terms found in it.

Work is linear in the length of the distinct texts. The word lists are common practice, no source.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Final

import polars as pl

from fleetlog.catalogue import Catalogue, Component, PositionRule

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
NEGATED_ACTION_REACH: Final = 8

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
    "lists",
    "stop",
    "listed_number",
    "put_off",
    "whole",
    "partial",
    "complains",
    "filler",
    "plain",
    "ignored",
)
Kind: Final = pl.Enum(KINDS)
PARTS: Final = ("component", "unnamed_parts")
BREAKS: Final = ("joins", "lists", "stop")


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """What to look for: patterns longest first, and what each means.

    `terms` has pattern, kind, value (an index into `values`), head (the last word, singular),
    single (one word only), numbered (a part that each cylinder has); one pattern may mean two
    things.
    """

    patterns: pl.Series
    terms: pl.DataFrame
    values: pl.Series


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
    " complaint:": "  |  complaint  ",
    " repair:": "  |  ",
    " remedy:": "  |  ",
    " action:": "  |  ",
    " diag:": "  |  ",
    " problem:": "  |  complaint  ",
    " found:": "  |  ",
    " fix:": "  |  ",
    " cause:": "  |  ",
    " correction:": "  |  ",
    " c:": "  |  ",
    " - ": "  |  ",
    "(": "  ,  ",
    "+": "  &  ",
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
# Money, decimals, fractions, part numbers and fault codes name no place.
NO_PLACE: Final = (
    r"\$[0-9.,]+|\b[0-9]*[./][0-9]+[a-z]{0,2}\b|\b[a-z]*-?[0-9]{3,}[a-z0-9]*\b|[0-9]+%"
    # From one number to another: not the two alone.
    r"|\b[0-9]{1,2}\s*(?:-|thru|through|to)\s*[0-9]{1,2}\b"
)
# "1) pads 2) drums": the numbers count statements.
NUMBERED_LIST: Final = r"^\s*1[.)]\s"
LIST_NUMBER: Final = r"(^|\s)[0-9]{1,2}[.)]\s"
# What is left to make two blanks of: longer runs of blanks, and all other marks.
ODD_MARKS: Final = r"[^a-z0-9&#|,]{3,}|[^a-z0-9&#|, ]{1,2}"


def normal_form(text: pl.Expr) -> pl.Expr:
    """Bring text to its normal form.

    Lower-case words and the marks `& # , |` (end of a statement), each two blanks from the next
    and one from either end, so that neighbouring terms never share a blank.
    """
    changed = (
        pl.concat_str(
            pl.lit(" "),
            pl.when(text.str.contains(NUMBERED_LIST))
            .then(text.str.replace_all(LIST_NUMBER, " . "))
            .otherwise(text)
            .str.to_lowercase()
            .str.replace_all(NO_PLACE, " "),
        )
        .str.replace_many(LITERAL_CHANGES, leftmost=True)
        .str.replace_all(ODD_MARKS, "  ")
        .str.strip_chars()
    )
    return pl.concat_str(pl.lit(" "), changed, pl.lit(" "))


def distinct_texts(text: pl.Series) -> pl.DataFrame:
    """Return id, text and normal form of each distinct text."""
    return (
        pl.DataFrame({"text": text.cast(pl.String).unique().drop_nulls()})
        .with_row_index("id")
        .with_columns(normal=normal_form(pl.col("text")))
    )


def join_back(text: pl.Series, coded: pl.DataFrame) -> pl.DataFrame:
    """Give each row of `text` what was coded for its distinct text."""
    joined = (
        pl.DataFrame({"text": text.cast(pl.String)})
        .join(coded, on="text", how="left", maintain_order="left")
        .drop("text")
    )
    if "confidence" not in joined.columns:
        return joined
    return joined.with_columns(pl.col("confidence").fill_null(0.0))


# ---- terms ------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def build_vocabulary(catalogue: Catalogue, *, inverted: bool = False) -> Vocabulary:
    """Gather every term; `inverted` adds names as parts lists sort them ("pump, water")."""
    listed = pl.DataFrame(
        [*_component_terms(catalogue, inverted=inverted), *_word_terms(catalogue), *_place_terms()],
        schema={"words": pl.String, "kind": Kind, "name": pl.String},
        orient="row",
    ).with_columns(pattern=normal_form(pl.col("words")))
    # Actions come first, so that the least index is the strongest action.
    values = pl.Series([*ACTIONS, *sorted(set(listed["name"]) - set(ACTIONS))], dtype=pl.String)
    index = pl.DataFrame(
        {"name": values, "value": range(values.len())}, schema_overrides={"value": pl.Int32}
    )
    numbered = [
        part.code
        for part in catalogue.components.values()
        if part.position_rule in (PositionRule.PER_VALVE, PositionRule.PER_CYLINDER)
    ]
    terms = listed.join(index, on="name").with_columns(
        head=pl.col("pattern").str.strip_chars().str.extract(r"(\S+?)s?$"),
        single=~pl.col("pattern").str.strip_chars().str.contains(" ", literal=True),
        numbered=(pl.col("kind") == "component") & pl.col("name").is_in(numbered),
    )
    return vocabulary_of(terms, values)


def vocabulary_of(terms: pl.DataFrame, values: pl.Series) -> Vocabulary:
    """Make a vocabulary of terms and the names that their values stand for, longest terms first."""
    known = terms.select("pattern", "kind", "value", "head", "single", "numbered").unique()
    patterns = known.select(pl.col("pattern").unique()).sort(
        pl.col("pattern").str.len_bytes(), descending=True
    )["pattern"]
    return Vocabulary(patterns, known, values)


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
NUMBER_FORMS: Final = ("{}",)
LISTED_NUMBER_FORMS: Final = (
    "and {}",
    "& {}",
    ", {}",
    ", and {}",
    "and # {}",
    "& # {}",
    ", # {}",
)
# A number before one of these counts or measures.
UNITS: Final = (
    "hr", "hrs", "hours", "h", "mm", "qt", "qts", "gal", "ea", "miles", "psi", "min", "wheel", "ft",
    "pcs", "pc", "off", "pts", "mm left",
)  # fmt: skip
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
        ("listed_number", LISTED_NUMBER_FORMS, CYLINDERS),
    )
    for kind, forms, count in numbered:
        for number, form in product(range(1, count + 1), forms):
            yield form.format(number), kind, str(number)
    for number, unit in product(range(1, CYLINDERS + 1), UNITS):
        yield f"{number} {unit}", "filler", UNNAMED_PART
        for join in (",", "and", "&"):
            yield f"{join} {number} {unit}", "lists", UNNAMED_PART
    for number in range(CYLINDERS + 1, 100):
        yield str(number), "filler", UNNAMED_PART
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


def find_terms(distinct: pl.DataFrame, vocabulary: Vocabulary) -> pl.DataFrame:
    """Find all terms, the longest at each place.

    Returns
    -------
    pl.DataFrame
        id, at, size, kind, value, head, single, numbered; in the order of the text.
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
    """Give a bare number the meaning of the place word right before it ("cyl 3 and 5").

    Right after a part that each cylinder has, it is a cylinder ("glow plugs 1, 3 and 4"). A
    listed number that means no place leaves its comma or "and" behind.
    """
    gap = pl.col("at") - (pl.col("at") + pl.col("size")).shift()
    same_text = pl.col("id") == pl.col("id").shift()
    number = pl.col("kind").is_in(["number", "listed_number"])
    part_before = pl.col("numbered").shift() & (pl.col("kind") == "number")
    follows = same_text & (gap == 0)
    cylinder = pl.lit("cylinder", dtype=Kind)
    lead = (
        pl.when(number & same_text & part_before & (gap <= 6))
        .then(cylinder)
        .when(number & follows.fill_null(value=False))
        .then(None)
        .otherwise(pl.col("kind"))
    ).forward_fill()
    meaning = (
        pl.when(lead == "side")
        .then(pl.lit("slot", dtype=Kind))
        .when(lead.is_in(["bank", "cylinder"]))
        .then(lead)
        .when(pl.col("kind") == "listed_number")
        .then(pl.lit("lists", dtype=Kind))
    )
    return found.with_columns(
        kind=pl.when(number).then(meaning).otherwise(pl.col("kind"))
    ).drop_nulls("kind")


def opens_clause() -> pl.Expr:
    """Whether a term opens a new clause: a join, the end of a statement, or a new text."""
    new_text = (pl.col("id") != pl.col("id").shift()).fill_null(value=True)
    return pl.col("kind").is_in(BREAKS) | new_text


def mark_negated(terms: pl.DataFrame) -> pl.DataFrame:
    """Drop modes, reasons and actions that a negation shortly before turns round."""
    clause = opens_clause().cum_sum()
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


def value_names(vocabulary: Vocabulary) -> pl.DataFrame:
    """Return value (the index that terms carry) and the name that it stands for."""
    return (
        pl.DataFrame({"name": vocabulary.values})
        .with_row_index("value")
        .with_columns(pl.col("value").cast(pl.Int32))
    )


def possible_modes(parts: Iterable[Component]) -> pl.DataFrame:
    """Return component and mode of every way in which the catalogue lets a part fail."""
    pairs = [(part.code, mode) for part in parts for mode in part.failure_modes]
    return pl.DataFrame(pairs, schema={"component": pl.String, "mode": pl.String}, orient="row")
