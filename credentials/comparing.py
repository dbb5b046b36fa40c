"""A programme or a set of rules taken apart for reading: its parts with their fields, beside the version before."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from credentials.chances import chances_of
from credentials.models import Proposed
from credentials.rules import ruleset, terms
from credentials.rules.reading import Codes, Field, Several, Whole
from credentials.wording import RULE_EXPLAINED, RULE_WORDS, option_words

Content = Mapping[str, Any]

AGAIN_AFTER = Whole("again_after", 10, 1, 1000, "May come back after so many insertions in the rate")
WORKED_OUT = "limit"  # of drift: belongs to the run length, never typed


@dataclass(frozen=True, slots=True)
class Part:
    """One rule of a set, or all terms of a programme. `name` is its key in the content, '' for the content itself."""

    name: str
    words: str
    explained: str
    fields: tuple[Field, ...]

    @property
    def typed(self) -> tuple[Field, ...]:
        """The fields that a person fills in."""
        return tuple(each for each in self.fields if each.name != WORKED_OUT)

    def of(self, content: Content) -> Content:
        """Its values in a content; a rule left out is off."""
        return content if not self.name else content.get("rules", {}).get(self.name, {"on": False})


@dataclass(frozen=True, slots=True)
class Line:
    """One value in words, and that of the version before, '' where there is none."""

    label: str
    now: str
    before: str

    @property
    def is_changed(self) -> bool:
        return bool(self.before) and self.now != self.before


@dataclass(frozen=True, slots=True)
class Compared:
    """A part as a page shows it: its lines, and what it would do."""

    part: Part
    lines: Sequence[Line]
    chances: Sequence[str]

    @property
    def is_changed(self) -> bool:
        return any(line.is_changed for line in self.lines)


def parts(kind: str) -> Iterator[Part]:
    """The parts of 'rules' or of a 'programme', as a form asks for them."""
    if kind == "programme":
        yield Part("", "Terms", "", terms.FIELDS)
        return
    for rule, fields in ruleset.PARAMETERS.items():
        yield Part(rule, RULE_WORDS[rule], RULE_EXPLAINED[rule], fields)
    yield Part(
        "",
        "Closed questions",
        "A question that was closed comes back only if its finding was gone for a day, or after more insertions.",
        (AGAIN_AFTER,),
    )


def compared(kind: str, row: Proposed, earlier: Proposed | None) -> list[Compared]:
    """Each part of a version beside the one before."""
    now = json.loads(row.content)
    then = json.loads(earlier.content) if earlier else None
    return [
        Compared(
            part,
            [_line(field, part.of(now), None if then is None else part.of(then)) for field in part.fields],
            chances_of(part.name, part.of(now)),
        )
        for part in parts(kind)
    ]


def _line(field: Field, now: Content, then: Content | None) -> Line:
    before = "" if then is None else said(field, then.get(field.name, field.default))
    return Line(field.label, said(field, now.get(field.name, field.default)), before)


def said(field: Field, value: object) -> str:
    """A value as a table says it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        if isinstance(field, Codes):
            return ", ".join(map(str, value)) or "none"
        names = [option_words(str(each)) for each in value]
        return "all" if isinstance(field, Several) and len(names) == len(field.options) else ", ".join(names)
    return option_words(str(value))
