"""What an observation comes to, in sentences: for the page of ticks, the check page and the observation's own."""

from collections.abc import Iterable, Mapping
from typing import Any

from audits.checklist import MARK_WORDS, Checklist, Mark, Marks, Purpose, Setting, Verdict
from audits.observing import Check

NOT_PROVIDED = "Not provided"


def verdict_words(check: Check) -> str:
    """The verdict in a sentence, and why."""
    if check.observation.purpose == Purpose.LEARNING:
        return "For learning: there is no verdict, and it counts towards no decision."
    if check.verdict is None:
        return f"Nothing is decided yet. {limit_words(check)}"
    if check.verdict is Verdict.NOT_YET:
        return f"Not yet: {why_not_yet(check) or 'the steps would allow more; it is the assessor’s own judgement.'}"
    if check.verdict is Verdict.PARTLY:
        return (
            f"Met as far as it went: practice stopped at a missed vein. It stands for {stands_for(check.checklist)}, "
            "and not alone for an award."
        )
    return "Met: every critical step was met without a prompt."


def setting_words(setting: str) -> str:
    """What the setting does to an observation for a decision, '' with a patient."""
    if setting == Setting.PATIENT:
        return ""
    return "It was not with a patient, so it is never added to observations that were."


def why_not_yet(check: Check) -> str:
    """Why the marks allow no more than 'not yet', '' if they do."""
    return _why(check.checklist, check.marks, check.missed, check.not_reached)


def limit_words(check: Check) -> str:
    """For the page of ticks: what the marks so far allow at most, '' for learning."""
    if check.best is None:
        return ""
    if check.best is Verdict.NOT_YET:
        return f"With these marks it can only be ‘not yet’: {why_not_yet(check)}"
    if check.best is Verdict.PARTLY:
        return (
            "With these marks it can be ‘met as far as it went’ at most: practice stopped at a missed vein. It then "
            f"stands for {stands_for(check.checklist)}, and not alone for an award."
        )
    return "With these marks it can be ‘met’. You may still decide ‘not yet’."


def stands_for(steps: Checklist) -> str:
    """The phases that an observation can stand for which stopped at a missed vein: 'Before, Prepare and Asepsis'."""
    return listed(each.name.lower() for each in steps.phases if each.stands) or "nothing"


def behind_words(steps: Checklist) -> str:
    return listed(each.name.lower() for each in steps.phases if not each.stands)


def listed(words: Iterable[str]) -> str:
    *first, last = list(words) or [""]
    return f"{', '.join(first)} and {last}" if first else last


def mark_words(said: Mapping[str, Any]) -> str:
    return MARK_WORDS.get(said.get("mark", ""), NOT_PROVIDED)


def _why(steps: Checklist, marks: Marks, missed: Iterable[str], not_reached: Iterable[str]) -> str:
    found = []
    for key in missed:
        how = "was met only after a prompt" if marks[key].mark is Mark.PROMPTED else "was not met"
        found.append(f"‘{steps.said(steps.step(key).text)}’ {how}")
    found += [f"‘{steps.said(steps.step(key).text)}’ was not reached" for key in not_reached]
    if not found:
        return ""
    return f"{listed(found)}, and {'these are critical steps' if len(found) > 1 else 'it is a critical step'}."
