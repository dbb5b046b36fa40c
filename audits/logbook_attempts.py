"""From the ways in which wards write attempts down to the punctures of an occasion. Pure.

A row may number its punctures (several rows make one occasion), describe a second and third in columns of their own, or
give their number: then all but the last did not work, and site and gauge are those of the last.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from audits.entry import AttemptMade
from audits.vocabulary import NOT_RECORDED, REASONS_FOR_ATTEMPT, REASONS_FOR_NO_ATTEMPT
from people.problems import Problem

WORKING = ("first_time", "later", "working")
FIELDS = frozenset(("result", "first_time", "attempts", "attempt_number", "site", "side", "gauge", "reason")) | {
    f"{name}_{number}" for name in ("site", "gauge", "result") for number in (2, 3)
}
_FAILED = AttemptMade(site="", gauge=NOT_RECORDED, result="failed")


@dataclass(frozen=True, slots=True)
class Told:
    """What a row tells: its punctures, or the reason why none was made; or what contradicts itself.

    `reason_unused`: the row gives a reason that fits nothing of it.
    """

    attempts: tuple[AttemptMade, ...] = ()
    not_attempted: str = ""
    problem: Problem | None = None
    reason_unused: bool = False


def attempts_told(said: Mapping[str, Any]) -> Told:
    """The punctures in the values of a row by field name (`logbook_fields.FIELDS`); what is empty is missing."""
    result, first, count = said.get("result"), said.get("first_time"), said.get("attempts")
    reason = said.get("reason") or ""
    if result == "no_attempt" or (result is None and count == 0):
        if count or first or _is_described(said, 2):
            return _wrong("attempts", "No attempt was made, and attempts are given: say which.")
        fitting = reason if reason in REASONS_FOR_NO_ATTEMPT else ""
        return Told(not_attempted=fitting, reason_unused=reason != fitting)
    if result is None and first is None:
        return _wrong("result", "Say how it went: working first time, not working, no attempt made.")
    if count == 0:
        return _wrong("attempts", "It was attempted, and the number of attempts is 0: say which.")
    sides = {side for side in (said.get("side"), (said.get("site") or (None, None))[0]) if side}
    if len(sides) > 1:
        return _wrong("side", "The site says another side: say which.")
    if said.get("attempt_number"):
        told = _numbered(said, result, first)
    elif _is_described(said, 2):
        told = _side_by_side(said, result, first, count)
    else:
        told = _counted(said, result, first, count)
    return _with_reason(told, reason) if reason else told


def _counted(said: Mapping[str, Any], result: str | None, first: bool | None, count: int | None) -> Told:
    if result is None:
        # Only the first attempt is told of: that it failed is what counts, how the occasion ended is not known.
        result = "first_time" if first else "failed"
    if result == "first_time" and first is False:
        return _wrong("first_time", "It worked first time, and the first attempt did not: say which.")
    if first and result not in WORKING:
        return _wrong("first_time", "The first attempt worked, and the result is another: say which.")
    if first and result == "later":
        return _wrong("first_time", "The first attempt worked, and it did not work first time: say which.")
    worked_first = result == "first_time" or bool(first)
    if worked_first and (count or 1) > 1:
        return _wrong("attempts", f"It worked first time, and there were {count} attempts: say which.")
    later = result == "later" or (result == "working" and first is False)
    if later and count == 1:
        return _wrong("attempts", "It did not work first time, and there was one attempt: say which.")
    number = count or (2 if later else 1)
    return Told((*[_FAILED] * (number - 1), _made(said, "working" if result in WORKING else result)))


def _side_by_side(said: Mapping[str, Any], result: str | None, first: bool | None, count: int | None) -> Told:
    numbers = [number for number in (2, 3) if _is_described(said, number, number)]
    if numbers == [3]:
        return _wrong("site_3", "A third attempt is described and no second.")
    ends = [said.get(f"result_{number}") for number in numbers]
    if first or result == "first_time" or (result in WORKING and result != "later" and ends[-1] is not None):
        return _wrong(f"site_{numbers[0]}", "The first attempt worked, and a second is described: say which.")
    if count not in (None, len(numbers) + 1):
        return _wrong("attempts", f"{len(numbers) + 1} attempts are described, and {count} are given: say which.")
    if ends[-1] is None:
        # The row has one result for all of it.
        ends[-1] = result or "failed"
    attempts = [_made(said, "failed")]
    for number, end in zip(numbers, ends, strict=True):
        side, site = said.get(f"site_{number}") or (None, None)
        gauge = said.get(f"gauge_{number}") or NOT_RECORDED
        attempts.append(AttemptMade(site=site or "", side=side or "", gauge=gauge, result=_ended(end)))
    return Told(tuple(attempts))


def _numbered(said: Mapping[str, Any], result: str | None, first: bool | None) -> Told:
    worked = bool(first) if result is None else result in WORKING
    if said["attempt_number"] > 1 and (first or result == "first_time"):
        return _wrong("first_time", "This is not the first attempt: say which.")
    if said["attempt_number"] == 1 and first is not None and first != worked:
        return _wrong("first_time", "Result and first attempt differ: say which.")
    return Told((_made(said, "working" if worked else _ended(result)),))


def _is_described(said: Mapping[str, Any], first: int, last: int = 3) -> bool:
    return any(said.get(f"{name}_{n}") for n in range(first, last + 1) for name in ("site", "gauge", "result"))


def _ended(result: str | None) -> str:
    if result in WORKING:
        return "working"
    return result if result in ("stopped", "taken_over") else "failed"


def _made(said: Mapping[str, Any], result: str) -> AttemptMade:
    side, site = said.get("site") or (None, None)
    gauge = said.get("gauge") or NOT_RECORDED
    return AttemptMade(site=site or "", side=said.get("side") or side or "", gauge=gauge, result=result)


def _with_reason(told: Told, reason: str) -> Told:
    """The reason stands with the last puncture that did not work."""
    if told.problem is not None:
        return told
    place = next((at for at in reversed(range(len(told.attempts))) if told.attempts[at].result != "working"), None)
    if place is None or reason not in REASONS_FOR_ATTEMPT:
        return replace(told, reason_unused=True)
    attempts = [replace(each, reason=reason) if at == place else each for at, each in enumerate(told.attempts)]
    return replace(told, attempts=tuple(attempts))


def _wrong(field: str, text: str) -> Told:
    return Told(problem=Problem(field, text))
