"""Changing a checklist that is being written: each edit gives a new content. Pure.

A row is a step, a phase or a local value; `PARTS` says where the content keeps it. Steps stand together by phase.
"""

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import Any

from audits.checklist import (
    FEWEST_RATINGS,
    LONGEST_RATING,
    MOST_PHASES,
    MOST_RATINGS,
    MOST_STEPS,
    MOST_VALUES,
    Phase,
    Step,
    Value,
    errors_in_row,
    values_named,
)
from audits.freetext import text_problems
from people.problems import Problem, Problems, problem

Content = dict[str, Any]
Edit = Callable[[Content], Content]
Row = dict[str, Any]

PARTS: Mapping[str, tuple[str, type, int]] = {
    "step": ("steps", Step, MOST_STEPS),
    "phase": ("phases", Phase, MOST_PHASES),
    "value": ("values", Value, MOST_VALUES),
}
EMPTY: Content = {"values": [], "phases": [], "steps": [], "ratings": []}
GONE = "It is not in this draft any more."
# What a key is made of: what the row says first.
_NAMED_BY = {"step": "text", "phase": "name", "value": "label"}
_LONGEST_KEY = 24
_LONGEST_TEXT = 1000


def row_of(content: Mapping[str, Any], part: str, key: str) -> Row | None:
    """The row of this key, or None where there is none (any more)."""
    found: Row | None = next((each for each in content[PARTS[part][0]] if each["key"] == key), None)
    return found


def put(part: str, key: str, said: Mapping[str, Any]) -> Edit:
    """Write a row; without a key a new one, at the end of its phase. Raises Problems by the names of its fields."""

    def edit(content: Content) -> Content:
        place, kind, most = PARTS[part]
        rows = [dict(each) for each in content[place]]
        given = {name: value.strip() if isinstance(value, str) else value for name, value in said.items()}
        if key:
            old = _wanted(rows, key)
            moved = part == "step" and old["phase"] != given.get("phase", old["phase"])
            row = old | given
            rows = [row if each["key"] == key else each for each in rows if not (moved and each["key"] == key)]
            rows += [row] if moved else []
        elif len(rows) >= most:
            raise problem("", f"There are {most} already, which is the most that a checklist can hold.")
        else:
            blank: Row = {each.name: each.default for each in fields(kind) if isinstance(each.default, str | bool)}
            row = blank | given | {"key": _free_key(given.get(_NAMED_BY[part], ""), rows, part)}
            rows.append(row)
        _refuse(part, kind, row, content)
        return _in_order({**content, place: rows})

    return edit


def remove(part: str, key: str) -> Edit:
    """Take a row out. Raises Problems for a phase that still has steps and for a value that a step still names."""

    def edit(content: Content) -> Content:
        place = PARTS[part][0]
        row = _wanted(content[place], key)
        if part == "phase" and any(each["phase"] == key for each in content["steps"]):
            raise problem("", f"“{row['name']}” still has steps: move or remove them first.")
        named = f"{{{key}}}"
        users = [each["text"] for each in content["steps"] if named in each["text"] + each["guidance"]]
        if part == "value" and users:
            raise problem("", f"A step still names {named}: “{users[0]}”. Change that step first.")
        return {**content, place: [each for each in content[place] if each["key"] != key]}

    return edit


def move(part: str, key: str, by: int) -> Edit:
    """One place up (-1) or down (1). A step at the edge of its phase goes on into the phase beside it; at the very
    edge nothing changes."""

    def edit(content: Content) -> Content:
        place = PARTS[part][0]
        rows = [dict(each) for each in content[place]]
        row = _wanted(rows, key)
        at = rows.index(row)
        beside = at + by
        inside = 0 <= beside < len(rows)
        if part == "step" and not (inside and rows[beside]["phase"] == row["phase"]):
            phases = [each["key"] for each in content["phases"]]
            to = phases.index(row["phase"]) + by
            if not 0 <= to < len(phases):
                return content
            row["phase"] = phases[to]
        elif inside:
            rows[at], rows[beside] = rows[beside], rows[at]
        return _in_order({**content, place: rows})

    return edit


def put_ratings(ratings: Sequence[str]) -> Edit:
    """The words of the overall impression, lowest first. Raises Problems (field 'ratings')."""
    words = [each.strip() for each in ratings if each.strip()]

    def edit(content: Content) -> Content:
        found = []
        if not FEWEST_RATINGS <= len(words) <= MOST_RATINGS:
            found.append("Give two to seven, each in a line of its own, the lowest first.")
        if any(len(each) > LONGEST_RATING for each in words):
            found.append("Use at most 80 characters for each.")
        if len({each.casefold() for each in words}) < len(words):
            found.append("Two of them are the same.")
        problems = [Problem("ratings", each) for each in found]
        problems += [each for text in words for each in text_problems("ratings", text, longest=_LONGEST_TEXT)]
        if problems:
            raise Problems(problems)
        return {**content, "ratings": words}

    return edit


def _refuse(part: str, kind: type, row: Row, content: Content) -> None:
    found = [Problem(fault.path, fault.message) for fault in errors_in_row(kind, row)]
    if part == "step":
        if row["phase"] not in {each["key"] for each in content["phases"]}:
            found.append(Problem("phase", "Choose a phase."))
        known = {each["key"] for each in content["values"]}
        found += [
            Problem(field, f"There is no local value {{{name}}}: add it first, or write it without braces.")
            for field in ("text", "guidance")
            for name in values_named(row[field])
            if name not in known
        ]
    texts = [name for name, value in row.items() if isinstance(value, str) and name not in ("key", "phase")]
    named = {each.field for each in found}
    for name in texts:
        if name not in named:
            found += text_problems(name, row[name], longest=_LONGEST_TEXT)
    if found:
        raise Problems(found)


def _wanted(rows: Sequence[Row], key: str) -> Row:
    row = next((each for each in rows if each["key"] == key), None)
    if row is None:
        raise problem("", GONE)
    return row


def _in_order(content: Content) -> Content:
    phases = [each["key"] for each in content["phases"]]
    steps = sorted(content["steps"], key=lambda each: phases.index(each["phase"]))
    return {**content, "steps": steps}


def _free_key(text: str, rows: Sequence[Row], part: str) -> str:
    """A key from the first words: 'Checks the allergies' gives checks_the_allergies; a number tells doubles apart."""
    plain = unicodedata.normalize("NFKD", text.casefold()).encode("ascii", "ignore").decode()
    words = "_".join(re.findall(r"[a-z0-9]+", plain))[:_LONGEST_KEY].strip("_")
    base = words if words[:1].isalpha() else f"{part}_{words}".rstrip("_")
    taken = {each["key"] for each in rows}
    return next(key for n in range(1, len(rows) + 2) if (key := base if n == 1 else f"{base}_{n}") not in taken)
