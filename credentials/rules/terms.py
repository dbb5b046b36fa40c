"""The terms of one version of a programme: what entry, award, renewal and return ask, and what each status gives.

The content is one flat JSON object; `FIELDS` is the list of its names with their limits, defaults and words for a form.
Defaults are common practice without a source, to be approved locally.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from credentials.rules.answers import Answer
from credentials.rules.reading import Choice, Codes, ContentError, Field, Whole, Wrong, YesNo, read_fields

ANY_ANSWER = tuple(answer.value for answer in Answer)
SUPERVISED = (Answer.IN_ROOM.value, Answer.NEARBY.value)

FIELDS: tuple[Field, ...] = (
    Whole("entry_knowledge", 1, 0, 20, "Knowledge tests passed before the first patient"),
    Whole("entry_simulation", 1, 0, 50, "Simulation sessions before the first patient"),
    Whole("entry_theory", 0, 0, 20, "Theory sessions before the first patient"),
    Whole("entry_policy", 0, 0, 20, "Policies read before the first patient"),
    Whole("insertions", 10, 0, 500, "Supervised insertions attempted"),
    Whole("supervisors", 2, 0, 20, "Different supervisors"),
    Whole("days", 3, 0, 200, "Different days"),
    Whole("successes", 0, 0, 500, "Of these working first time, at least (0: not asked)"),
    YesNo("nearby_counts", False, "Insertions countersigned 'nearby' count"),
    Whole("other_evidence_cap", 2, 0, 500, "At most so many accepted on other evidence"),
    Whole("paper_cap", 5, 0, 500, "At most so many from paper, before the start day"),
    Whole("simulation", 0, 0, 100, "Simulation sessions in all"),
    Whole("observations", 0, 0, 20, "Observations for a decision with a patient, met"),
    Whole("observation_assessors", 0, 0, 20, "These observations by so many different assessors (0: not asked)"),
    YesNo("observation_not_main", False, "At least one of them by somebody other than the main supervisor"),
    Codes("counts_from", (), 2, "Countersigned insertions of these procedures count as well"),
    Whole("counts_from_cap", 0, 0, 500, "At most so many of them, the first in the time of learning"),
    Whole("months", 24, 1, 120, "Months an award is valid"),
    Whole("provisional_months", 6, 0, 60, "Months provisional after a first award (0: none)"),
    Choice("provisional_gives", Answer.ALONE.value, ANY_ANSWER, "While provisional, may insert"),
    Whole("notice_days", 90, 0, 366, "Days before expiry on which renewal opens"),
    Whole("grace_days", 30, 0, 366, "Days of grace after expiry (0: none)"),
    Choice("grace_gives", Answer.IN_ROOM.value, ANY_ANSWER, "In grace, may insert"),
    Choice("lapsed_gives", Answer.IN_ROOM.value, (Answer.NO.value, *SUPERVISED), "Lapsed, may insert"),
    Whole("renewal_insertions", 12, 0, 500, "Insertions logged for renewal"),
    Whole("renewal_observations", 0, 0, 20, "Observations for a decision with a patient, met, for renewal"),
    Whole("renewal_months", 12, 1, 120, "within so many months"),
    Whole("supervising_after_days", 0, 0, 3660, "Days after award before supervising others"),
    Whole("long_absence_days", 180, 1, 3660, "An absence of so many days asks for a return step"),
    Whole("return_insertions", 3, 0, 100, "Return step: supervised insertions (0: no return step)"),
    Choice("return_gives", Answer.IN_ROOM.value, SUPERVISED, "Until the return step is done, may insert"),
)
_ANSWERS = ("provisional_gives", "grace_gives", "lapsed_gives", "return_gives")


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """One version's terms. Counts are of insertions attempted; days are civil days; months are calendar months.

    `counts_from` are codes of other procedures: their insertions under supervision since this learning began count
    here too, the first `counts_from_cap` of them, towards an award and nothing else.
    """

    entry_knowledge: int = 1
    entry_simulation: int = 1
    entry_theory: int = 0
    entry_policy: int = 0
    insertions: int = 10
    supervisors: int = 2
    days: int = 3
    successes: int = 0
    nearby_counts: bool = False
    other_evidence_cap: int = 2
    paper_cap: int = 5
    simulation: int = 0
    observations: int = 0
    observation_assessors: int = 0
    observation_not_main: bool = False
    counts_from: tuple[str, ...] = ()
    counts_from_cap: int = 0
    months: int = 24
    provisional_months: int = 6
    provisional_gives: Answer = Answer.ALONE
    notice_days: int = 90
    grace_days: int = 30
    grace_gives: Answer = Answer.IN_ROOM
    lapsed_gives: Answer = Answer.IN_ROOM
    renewal_insertions: int = 12
    renewal_observations: int = 0
    renewal_months: int = 12
    supervising_after_days: int = 0
    long_absence_days: int = 180
    return_insertions: int = 3
    return_gives: Answer = Answer.IN_ROOM

    @classmethod
    def parse(cls, content: Mapping[str, object]) -> "Terms":
        """The terms in a programme's content; a name left out takes its default. Raises ContentError."""
        errors: list[Wrong] = []
        values: dict[str, Any] = read_fields(content, FIELDS, at="", errors=errors)
        if not errors:
            errors.extend(_contradictions(values))
        if errors:
            raise ContentError(errors)
        answers: dict[str, Any] = {name: Answer(values[name]) for name in _ANSWERS}
        return cls(**values | answers)

    def to_content(self) -> dict[str, object]:
        """The content that parses to these terms: strings, whole numbers, booleans and a list of codes."""
        content = {name: value.value if isinstance(value, Answer) else value for name, value in asdict(self).items()}
        return content | {"counts_from": list(self.counts_from)}


def errors_in(content: Mapping[str, object]) -> list[Wrong]:
    """What is wrong with a programme's content, for the form: an empty list if it can be used."""
    try:
        Terms.parse(content)
    except ContentError as invalid:
        return invalid.errors
    return []


def _contradictions(values: Mapping[str, Any]) -> list[Wrong]:
    wrong = [
        Wrong(name, f"cannot be more than the {values['insertions']} insertions asked")
        for name in ("supervisors", "days", "successes", "counts_from_cap")
        if values[name] > values["insertions"]
    ]
    if values["provisional_months"] > values["months"]:
        wrong.append(Wrong("provisional_months", f"cannot be longer than the award's {values['months']} months"))
    if values["observation_assessors"] > values["observations"]:
        wrong.append(
            Wrong("observation_assessors", f"cannot be more than the {values['observations']} observations asked")
        )
    if values["observation_not_main"] and not values["observations"]:
        wrong.append(Wrong("observation_not_main", "asks for an observation, and none is asked above"))
    if values["counts_from_cap"] and not values["counts_from"]:
        wrong.append(Wrong("counts_from_cap", "names no procedure: choose one above, or write 0"))
    if values["counts_from"] and not values["counts_from_cap"]:
        wrong.append(Wrong("counts_from_cap", "say how many of them count at most"))
    return wrong
