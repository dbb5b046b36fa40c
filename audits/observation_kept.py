"""What is kept of an observation before it is signed: ticks and words, and what becomes of them by a change. Pure."""

from collections.abc import Mapping
from typing import Any

from audits.checklist import LEVEL_WORDS, Checklist, Mark
from audits.freetext import text_problems
from people.problems import Problem, Problems

LONGEST_TEXT, LONGEST_NOTE = 1000, 300
EMPTY: Mapping[str, Any] = {
    "marks": {}, "stopped": False, "rating": None, "given": "", "recommended": "", "met": None, "feedback": "",
    "next": "",
}  # fmt: skip
WORDS = ("feedback", "next")


def merged(kept: Mapping[str, Any], changes: Mapping[str, Any], steps: Checklist) -> dict[str, Any]:
    """What is kept with the changes in it: all of them or none.

    Raises Problems, each beside its field ('feedback', 'note-hands'), and ValueError for what no form sends.
    """
    content = {**EMPTY, **kept}
    problems: list[Problem] = []
    for name, value in changes.items():
        if name == "marks":
            content["marks"] = _marks(content["marks"], value, steps, problems)
            continue
        if not _may_be(name, value, steps):
            raise ValueError(f"an observation holds no {name!r} that is {value!r}")
        if name in WORDS:
            problems += text_problems(name, value, longest=LONGEST_TEXT)
            value = value.strip()
        content[name] = value
    if problems:
        raise Problems(problems)
    return content


def _may_be(name: str, value: object, steps: Checklist) -> bool:
    if name == "rating":
        return value is None or (type(value) is int and 1 <= value <= len(steps.ratings))
    if name in ("given", "recommended"):
        return isinstance(value, str) and (not value or value in LEVEL_WORDS)
    if name == "met":
        return value is None or type(value) is bool
    if name == "stopped":
        return type(value) is bool
    return name in WORDS and isinstance(value, str)


def _marks(
    kept: Mapping[str, Any], changes: Mapping[str, Mapping[str, str]], steps: Checklist, problems: list[Problem]
) -> dict[str, Any]:
    marks = {key: dict(each) for key, each in kept.items()}
    known = {step.key for step in steps.steps}
    for key, said in changes.items():
        if key not in known:
            raise ValueError(f"step {key!r} is none of this checklist")
        if set(said) - {"mark", "reason", "note"} or not all(isinstance(each, str) for each in said.values()):
            raise ValueError(f"step {key!r} holds nothing like {said!r}")
        if said.get("mark"):
            Mark(said["mark"])
        for part in ("reason", "note"):
            problems += text_problems(f"{part}-{key}", said.get(part, ""), longest=LONGEST_NOTE)
        marks[key] = {**marks.get(key, {}), **{part: text.strip() for part, text in said.items()}}
    return {key: each for key, each in marks.items() if any(each.values())}
