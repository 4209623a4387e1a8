"""What is proposed for a file, what stays open, and the map that comes of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

import polars as pl

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, fields_of

FIELD_COLUMNS: Final = {
    "field": pl.String,
    "heading": pl.String,
    "confidence": pl.Float64,
    "why": pl.String,
}


@dataclass(frozen=True)
class Question:
    """What the file does not settle.

    about : the key of the map (or ``column FIELD``) that the answer goes to.
    text : the question, in a sentence.
    choices : the answers that can be given; empty: free text.
    examples : cells that show what is meant.
    needed : a load cannot do without the answer.
    """

    about: str
    text: str
    choices: tuple[str, ...] = ()
    examples: tuple[str, ...] = ()
    needed: bool = False


@dataclass(frozen=True)
class Proposal:
    """A proposed column map and what it rests on.

    kind : of file.
    column_map : as far as it is settled.
    fields : field, heading, confidence (0 to 1), why; one row per proposed field.
    questions : what stays open.
    unused : headings that no field is proposed for; kept only as written.
    remarks : what else was seen, in sentences.
    doubtful : what may be, but not surely enough to propose it; columns as in ``fields``.
    """

    file_name: str
    made: datetime
    kind: str
    column_map: ColumnMap
    fields: pl.DataFrame
    questions: tuple[Question, ...]
    unused: tuple[str, ...]
    remarks: tuple[str, ...]
    doubtful: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FIELD_COLUMNS))

    @property
    def can_load(self) -> bool:
        """Whether no open question stands in the way of a load."""
        return not any(question.needed for question in self.questions)

    def answered(self, question: Question, answer: str) -> Proposal:
        """Return the proposal with one of its questions answered; "" leaves it without an answer.

        Raises
        ------
        InputError : the answer is none of the choices.
        """
        if not answer and not question.needed:
            left = tuple(other for other in self.questions if other != question)
            return replace(self, questions=left)
        if question.choices and answer not in question.choices:
            raise InputError(
                f"{question.about}: {answer!r} is no answer: give one of "
                f"{', '.join(question.choices)}"
            )
        left = tuple(other for other in self.questions if other != question)
        key, _, name = question.about.partition(" ")
        if key != "column":
            column_map = _with_answer(self.column_map, key, answer)
            return replace(self, column_map=column_map, questions=left)
        others = {f: h for f, h in self.column_map.columns.items() if h != answer and f != name}
        columns = {name: answer, **others}
        used = set(columns.values())
        before = set(self.column_map.columns.values())
        said = pl.DataFrame(
            {"field": [name], "heading": [answer], "confidence": [1.0], "why": ["you said so"]}
        )
        return replace(
            self,
            column_map=replace(self.column_map, columns=columns),
            fields=pl.concat([said, self.fields.filter(pl.col("field").is_in(list(others)))]),
            questions=left,
            unused=tuple(h for h in (*self.unused, *sorted(before - used)) if h not in used),
        )

    def to_toml(self) -> str:
        """Return the map as TOML that :meth:`ColumnMap.read` reads, with reasons as comments."""
        lines = [
            _comment(f"Proposed from {self.file_name} on {self.made:%Y-%m-%d %H:%M}."),
            _comment("The figure behind a line is how sure the proposal is, from 0 to 1."),
            *(_comment(remark) for remark in self.remarks),
            "",
        ]
        for question in self.questions:
            answers = " or ".join(question.choices) or "your answer"
            lines.append(_comment(f"OPEN: {question.text} Fill in {question.about}: {answers}."))
            lines += [_comment(f"  as in {example}") for example in question.examples]
            if not question.about.startswith("column "):
                lines.append(_comment(f'{question.about} = ""'))
        for name in ("kind", "shop", "distance_unit", "date_order", "decimal_mark", "delimiter"):
            value = getattr(self.column_map, name)
            if value is not None:
                lines.append(f"{name} = {_toml_text(value)}")
        for name in ("encoding", "sheet", "list_mark"):
            value = getattr(self.column_map, name)
            if value is not None:
                lines.append(f"{name} = {_toml_text(value)}")
        if self.column_map.header_row is not None:
            lines.append(f"header_row = {self.column_map.header_row}")
        lines += ["", "[columns]"]
        reasons = {row["field"]: row for row in self.fields.to_dicts()}
        for name, heading in self.column_map.columns.items():
            row = reasons.get(name)
            note = "" if row is None else "  " + _comment(f"{row['confidence']:.2f} {row['why']}")
            lines.append(f"{name} = {_toml_text(heading)}{note}")
        asked = {question.about.removeprefix("column ") for question in self.questions}
        open_fields = [
            entry.name
            for entry in fields_of(self.kind)
            if entry.required and entry.name in asked - set(self.column_map.columns)
        ]
        likely = self.doubtful.filter(~pl.col("field").is_in(list(self.column_map.columns)))
        guessed = set(likely["field"])
        lines += [_comment(f'{name} = ""') for name in open_fields if name not in guessed]
        if likely.height:
            lines += ["", _comment("Not sure enough to propose; take the mark off what is right:")]
            lines += [
                _comment(
                    f"{row['field']} = {_toml_text(row['heading'])}"
                    f"  # {row['confidence']:.2f} {row['why']}"
                )
                for row in likely.to_dicts()
            ]
        if self.unused:
            lines += ["", _comment("Kept only as written:")]
            lines += [_comment(f"  {heading}") for heading in self.unused]
        return "\n".join(lines) + "\n"


def _with_answer(column_map: ColumnMap, key: str, answer: str) -> ColumnMap:
    said: dict[str, Any] = {key: answer}
    return replace(column_map, **said)


def _comment(text: str) -> str:
    return "# " + "".join(c if c.isprintable() else " " for c in text)


def _toml_text(text: str) -> str:
    """Return a TOML string: JSON's escapes are TOML's, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
