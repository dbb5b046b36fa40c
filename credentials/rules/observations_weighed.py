"""Observations, one by one, towards a line of progress: for a decision, with a patient, and by whom."""

from collections.abc import Callable, Iterable
from datetime import date

from audits.checklist import Purpose, Setting, Verdict
from credentials.rules.facts import Observation
from credentials.rules.pieces import Kind, Piece, Time
from credentials.rules.progress import DISPUTED, sort_of
from credentials.rules.words import day_words

NOT_COUNTED = {
    Verdict.NOT_YET: "not yet met",
    Verdict.PARTLY: "stopped at a missed vein, not counted alone",
    DISPUTED: "disputed, not counted until decided",
    Setting.SIMULATION: "in simulation, not with a patient",
    Setting.LABORATORY: "in the skills laboratory, not with a patient",
    Purpose.LEARNING: "for learning, not for a decision",
}


def beside(seen: Iterable[Observation], need: int, time: Time, main: frozenset[int] | None = None) -> frozenset[str]:
    """Which of those that stopped at a missed vein count beside others: one fewer than is asked for.

    Where it is asked by whom (`main` given), first one of each further assessor, of these first not the main
    supervisor; then, and otherwise, the first in time.
    """
    inside = [each for each in seen if not time.outside(each.day)]
    known = {each.assessor for each in inside if sort_of(each) == Verdict.MET}
    ranked = []
    for each in sorted(inside, key=lambda each: each.day):
        if sort_of(each) == Verdict.PARTLY:
            further = main is not None and each.assessor not in known
            known.add(each.assessor)
            ranked.append((not further, further and each.assessor in (main or ()), each))
    ranked.sort(key=lambda found: found[:2])
    return frozenset(each.uuid for *_, each in ranked[: max(0, need - 1)])


def is_counted(seen: Observation, beside: frozenset[str]) -> bool:
    """Whether one inside the time counts, given those that count beside others."""
    return sort_of(seen) == Verdict.MET or seen.uuid in beside


def observations(seen: Iterable[Observation], beside: frozenset[str], time: Time) -> list[Piece]:
    """A piece of each signed first rating."""
    found = []
    for each in seen:
        outside, counts = time.outside(each.day), is_counted(each, beside)
        if outside:
            counts, why = False, outside
        elif counts:
            why = "stopped at a missed vein, beside others" if each.uuid in beside else ""
        else:
            why = NOT_COUNTED[sort_of(each)]
        found.append(Piece(Kind.OBSERVATION, each.uuid, each.day, int(counts), why, bool(outside)))
    return found


def observed(seen: Iterable[Observation], weigh: Callable[[Observation], tuple[int, str]]) -> list[Piece]:
    """A piece of each, as `weigh` says what it gives, oldest first."""
    ordered = sorted(seen, key=lambda each: each.day)
    return [Piece(Kind.OBSERVATION, each.uuid, each.day, *weigh(each)) for each in ordered]


def each_new_assessor() -> Callable[[Observation], tuple[int, str]]:
    """The first by each assessor counts."""
    first: dict[int, date] = {}

    def weigh(seen: Observation) -> tuple[int, str]:
        if seen.assessor in first:
            return 0, f"the same assessor as on {day_words(first[seen.assessor])}"
        first[seen.assessor] = seen.day
        return 1, "the first" if len(first) == 1 else "another assessor"

    return weigh


def one_not_main(main: frozenset[int]) -> Callable[[Observation], tuple[int, str]]:
    """The first by somebody who is none of the main supervisors counts, and no more than that one."""
    found: list[str] = []

    def weigh(seen: Observation) -> tuple[int, str]:
        if seen.assessor in main:
            return 0, "by the main supervisor"
        found.append(seen.uuid)
        return (1, "by somebody else") if len(found) == 1 else (0, "by somebody else; one is enough")

    return weigh
