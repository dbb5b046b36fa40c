"""How far those who watched the same practice marked it alike: for each checklist version and setting, never merged.

A pair is a first rating and a second rating of the same practice, both signed. Raters see the pairs of their own;
educators and auditors those of their units. The person observed and managers see none, and who has still to rate a
practice sees nothing that holds its other ratings. No standing, finding or flag ever rests on any of this.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q

from audits.access import ObservationQuerySet
from audits.checklist import LEVEL_WORDS, MARK_WORDS, MISSED, SETTING_WORDS, VERDICT_WORDS, Mark, Purpose, Step
from audits.checklists import parsed
from audits.models import Checklist, Observation, SecondAsked
from audits.rates import percent
from people.access import Access, Right

LEAST = 10
"""Practices rated more than once below which there are counts only, and no coefficient."""

MET_OR_NOT: Mapping[str, str] = {"met": "Met", "not": "Not met, or after a prompt"}
NO_CRITICAL_MISSED: Mapping[str, str] = {"met": "None missed", "not": "One or more missed"}

Ratings = Sequence[Sequence[str]]
"""What each practice was given: one word in code from each rater, the first rater's first."""


@dataclass(frozen=True, slots=True)
class Group:
    """One checklist version in one setting, and how many practices were rated more than once against it."""

    checklist: Checklist
    setting: str
    practices: int

    @property
    def key(self) -> str:
        return f"{self.checklist.uuid}.{self.setting}"

    @property
    def setting_words(self) -> str:
        return SETTING_WORDS[self.setting]


@dataclass(frozen=True, slots=True)
class Compared:
    """One thing on which raters may agree. `how` says what the answers are; `categories` are all that were offered."""

    key: str
    text: str
    how: str
    categories: Mapping[str, str]
    phase: str = ""
    critical: bool = False


@dataclass(frozen=True, kw_only=True)
class Line:
    """Agreement on one thing. `alike`: practices in which all raters gave the same, of `practices`.

    `table` counts pairs: rows the first rater's answer, columns another's of the same practice. `share` is the mean
    share of rater pairs that agree. The coefficients are None under `LEAST` practices; `kappa` too where it is not
    defined, and `raters` (fewest and most of one practice) says whether it is Cohen's or Fleiss's.
    """

    place: int
    about: Compared
    practices: int
    left_out: int
    alike: int
    raters: tuple[int, int]
    table: tuple[tuple[int, ...], ...]
    share: float | None
    kappa: float | None
    ac1: float | None

    @property
    def is_few(self) -> bool:
        return self.practices < LEAST

    @property
    def pairs(self) -> int:
        return sum(map(sum, self.table))

    @property
    def share_words(self) -> str:
        return _too_few(self) or f"{percent(self.share or 0)}%"

    @property
    def ac1_words(self) -> str:
        return _too_few(self) or coefficient_words(self.ac1)

    @property
    def kappa_words(self) -> str:
        """The figure, or why there is none."""
        if self.is_few:
            return _too_few(self)
        if self.raters[0] != self.raters[1]:
            return f"not given: {self.raters[0]} to {self.raters[1]} raters"
        return "not defined: all alike" if self.kappa is None else coefficient_words(self.kappa)

    @property
    def table_words(self) -> str:
        """The table of marks in words, the most frequent first: 'Met and met 8; met and not met 2'."""
        words = list(self.about.categories.values())
        found = [
            (-count, f"{words[row]} / {words[column].lower()} {count}")
            for row, counts in enumerate(self.table)
            for column, count in enumerate(counts)
            if count
        ]
        return "; ".join(text for _, text in sorted(found, key=lambda each: each[0]))

    @property
    def used(self) -> list[tuple[str, list[int]]]:
        """The rows of the table with only the answers that were given: (words, counts), columns as `headings`."""
        places = self._used
        words = list(self.about.categories.values())
        return [(words[row], [self.table[row][column] for column in places]) for row in places]

    @property
    def headings(self) -> list[str]:
        words = list(self.about.categories.values())
        return [words[place] for place in self._used]

    @property
    def _used(self) -> list[int]:
        rows = [any(counts) for counts in self.table]
        columns = [any(counts) for counts in zip(*self.table, strict=True)]
        return [place for place, (row, column) in enumerate(zip(rows, columns, strict=True)) if row or column]


# --- pure ---


def compare(ratings: Mapping[str, Ratings], asked: Sequence[Compared]) -> tuple[Line, ...]:
    """The agreement on each thing that is asked about, in that order.

    `ratings` has the practices of each key. A practice with fewer than two ratings is left out and counted as such.
    Raises ValueError for an answer that was not offered.
    """
    # Here, because only this page should wait for pandas.
    import pandas as pd

    rows = [
        (about.key, practice, rater, answer)
        for about in asked
        for practice, given in enumerate(ratings.get(about.key, ()))
        if len(given) > 1
        for rater, answer in enumerate(given)
    ]
    frame = pd.DataFrame(rows, columns=["key", "practice", "rater", "answer"])
    counts = frame.groupby(["key", "practice", "answer"]).size().unstack("answer", fill_value=0)
    both = frame[frame["rater"] == 0].merge(frame[frame["rater"] > 0], on=["key", "practice"], suffixes=("", "_other"))
    pairs = both.groupby(["key", "answer", "answer_other"]).size().to_dict()
    return tuple(_line(place, about, ratings.get(about.key, ()), counts, pairs) for place, about in enumerate(asked, 1))


def _line(place: int, about: Compared, given: Ratings, counts: Any, pairs: Mapping[Any, int]) -> Line:
    from audits.statistics.agreement import cohen_kappa, fleiss_kappa, gwet_ac1

    offered = list(about.categories)
    rated = [each for each in given if len(each) > 1]
    if strangers := {answer for each in rated for answer in each} - set(offered):
        raise ValueError(f"{about.key}: {sorted(strangers)} were not offered, only {offered}")
    table = tuple(tuple(pairs.get((about.key, row, column), 0) for column in offered) for row in offered)
    sizes = [len(each) for each in rated]
    share = ac1 = kappa = None
    if len(rated) >= LEAST:
        each_answer = counts.loc[about.key].reindex(columns=offered, fill_value=0).to_numpy()
        found = gwet_ac1(each_answer)
        share, ac1 = found.observed, found.coefficient
        if max(sizes) == 2:
            kappa = cohen_kappa(table).coefficient
        elif min(sizes) == max(sizes):
            kappa = fleiss_kappa(each_answer).coefficient
    return Line(
        place=place,
        about=about,
        practices=len(rated),
        left_out=len(given) - len(rated),
        alike=sum(len(set(each)) == 1 for each in rated),
        raters=(min(sizes, default=0), max(sizes, default=0)),
        table=table,
        share=share,
        kappa=kappa,
        ac1=ac1,
    )


def coefficient_words(value: float | None) -> str:
    """Two decimals, with a true minus."""
    return "" if value is None else f"{value:.2f}".replace("-", "−").replace("−0.00", "0.00")


def _too_few(line: Line) -> str:
    return f"under {LEAST}: counts only" if line.is_few else ""


def marks_offered(step: Step) -> dict[str, str]:
    """The marks that a rater could choose for this step: 'did not arise' is none where it always arises."""
    return {mark: words for mark, words in MARK_WORDS.items() if mark != Mark.DID_NOT_ARISE or step.if_arises}


# --- what somebody may see ---


def groups(access: Access) -> list[Group]:
    """The versions and settings with pairs that this user may see, the most often rated first. Two queries."""
    rows = _seconds(access).order_by().values("checklist", "setting")
    found = list(rows.annotate(practices=Count("second_of", distinct=True)))
    versions = Checklist.objects.select_related("procedure").in_bulk({row["checklist"] for row in found})
    made = [Group(versions[row["checklist"]], row["setting"], row["practices"]) for row in found]
    return sorted(made, key=lambda each: (-each.practices, -each.checklist.pk, each.setting))


def agreement(access: Access, group: Group) -> tuple[Line, ...]:
    """What this user may see of one group: the whole first, then step by step. One query."""
    rows = _seconds(access).filter(checklist=group.checklist, setting=group.setting).order_by("second_of", "pk")
    practices: dict[int, list[Mapping[str, Any]]] = {}
    for first, first_content, content in rows.values_list("second_of", "second_of__content", "content"):
        practices.setdefault(first, [json.loads(first_content)]).append(json.loads(content))
    return _compared(group.checklist, list(practices.values()))


def _seconds(access: Access) -> ObservationQuerySet:
    """Signed second ratings whose first is signed too, as far as this user may see the pair."""
    user = access.user
    mine = Q(assessor=user) | Q(second_of__assessor=user)
    asked = SecondAsked.objects.known().filter(whom=user).order_by().values("observation")
    begun = Observation.objects.known().filter(assessor=user, signed=None, second_of__isnull=False)
    to_rate = Q(second_of__in=asked) | Q(second_of__in=begun.order_by().values("second_of"))
    of_oneself = Q(clinician_user=user) | Q(clinician__user=user)
    in_charge = Q(unit__in=access.units_for(Right.FIGURES))
    rows: ObservationQuerySet = Observation.objects.signed_by().filter(
        second_of__signed__isnull=False, second_of__known_until=None
    )
    return rows.filter(mine | in_charge & ~to_rate).exclude(of_oneself)


def _compared(version: Checklist, practices: Sequence[Sequence[Mapping[str, Any]]]) -> tuple[Line, ...]:
    steps = parsed(version)
    phases = {phase.key: phase.name for phase in steps.phases}
    asked, ratings = _whole(practices, {step.key for step in steps.steps if step.critical}, steps.ratings)
    for step in steps.steps:
        text, given = steps.said(step.text), [_marks(practice, step.key) for practice in practices]
        about = Compared(step.key, text, "The mark", marks_offered(step), phases[step.phase], step.critical)
        asked.append(about)
        ratings[step.key] = given
        if step.critical:
            key = f"{step.key}.met"
            asked.append(Compared(key, text, "Met or not", MET_OR_NOT, phases[step.phase], critical=True))
            ratings[key] = [_met(each) for each in given]
    return compare(ratings, asked)


def _whole(
    practices: Sequence[Sequence[Mapping[str, Any]]], critical: set[str], impressions: Sequence[str]
) -> tuple[list[Compared], dict[str, list[list[str]]]]:
    """What is said of a practice as a whole: the verdict, whether a critical step was missed, impression and level."""
    decided = [each for each in practices if each[0]["purpose"] == Purpose.DECISION]
    asked = [
        Compared(".verdict", "The decision", "Of those for a decision", VERDICT_WORDS),
        Compared(".critical", "Critical steps missed", "No step, or one or more", NO_CRITICAL_MISSED),
        Compared(".rating", "Overall impression", "The word", {str(n): word for n, word in enumerate(impressions, 1)}),
        Compared(".recommended", "Supervision recommended for the next one", "The level", LEVEL_WORDS),
    ]
    ratings = {
        ".verdict": [[rating["verdict"] for rating in each] for each in decided],
        ".critical": [[_critical(rating, critical) for rating in each] for each in practices],
        ".rating": [[str(rating["rating"]) for rating in each] for each in practices],
        ".recommended": [[rating["recommended"] for rating in each] for each in practices],
    }
    return asked, ratings


def _critical(rating: Mapping[str, Any], critical: Iterable[str]) -> str:
    missed = any(rating["marks"].get(key, {}).get("mark") in MISSED for key in critical)
    return "not" if missed else "met"


def _marks(practice: Sequence[Mapping[str, Any]], key: str) -> list[str]:
    """What each rater marked at one step."""
    return [rating["marks"][key]["mark"] for rating in practice if key in rating["marks"]]


def _met(marks: Sequence[str]) -> list[str]:
    """Met against not met, of those who judged the step; nothing where somebody saw it not reached, say."""
    if any(mark != Mark.MET and mark not in MISSED for mark in marks):
        return []
    return ["met" if mark == Mark.MET else "not" for mark in marks]
