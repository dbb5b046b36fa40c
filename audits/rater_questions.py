"""Questions about how people mark: for educators to ask, never an answer, never a consequence.

Three of them: the same marks again and again; more steps met than others find; two who watched the same practice and
differ on a critical step. Each comes with how often careful marking would show the same by chance. The chances take
steps as independent of each other and learners as alike, which they are not: the true chance is higher. Raters see
their own figures as 'your own marking'; of others they learn only what several others marked together.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

import numpy as np
from django.db.models import Exists, OuterRef, Q

from audits.calendar import add_months
from audits.checklist import MARK_WORDS, MISSED, SETTING_WORDS, Mark
from audits.checklists import parsed
from audits.models import Checklist, Observation
from people.access import Access, Right

if TYPE_CHECKING:
    import pandas as pd

MONTHS = 12
MARKS = [str(mark) for mark in Mark]
LEAST_RUN = 5
LEAST_PRACTICES = 5
LEAST_RATERS = 2
RARELY = 0.01
"""A question is asked where careful marking would show the same less often than this."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One signed rating. `is_own`: made by who asks; `in_charge`: who asks may ask its rater about it."""

    pk: int
    uuid: UUID
    rater: int
    name: str
    checklist: int
    setting: str
    observed_at: datetime
    observed_on: date
    second_of: int | None
    marks: Mapping[str, str]
    is_own: bool
    in_charge: bool


SHEET = ("pk", "uuid", "rater", "name", "checklist", "setting", "observed_at", "observed_on", "second_of")


@dataclass(frozen=True, slots=True)
class Sheets:
    """All ratings of the last months against the versions that concern who asks. `checklists` by key."""

    user: int
    rows: Sequence[Sheet]
    checklists: Mapping[int, Checklist]


@dataclass(frozen=True, kw_only=True)
class Marking:
    """How one person marked against one version in one setting, beside the others.

    `watched`: marks of met, met after a prompt or not met, at steps that others judged too; `met` of them without a
    prompt. `expected` is how many would be met by the others' share at each step; `chance` that so many or more are
    (Poisson-binomial tail); `plain_chance` the same without regard to which steps (Fisher's exact test, one-sided).
    `run`: how many of the last ratings carry the same mark at every step; `run_chance` that they would by the others'
    marks. None where others, or one's own ratings, are too few to say.
    """

    rater: int
    name: str
    checklist: Checklist
    setting: str
    practices: int
    others: int
    other_raters: int
    watched: int
    met: int
    expected: float | None
    chance: float | None
    plain_chance: float | None
    run: int
    run_chance: float | None

    @property
    def setting_words(self) -> str:
        return SETTING_WORDS[self.setting]

    @property
    def met_words(self) -> str:
        """412 of 420 steps met; by the marks of 3 others about 380.2 would be."""
        said = f"{self.met} of {self.watched} steps met without a prompt"
        if self.expected is None:
            return f"{said}: {self.too_few_words}"
        return (
            f"{said}; by the marks of {self.other_raters} others at the same steps, about {self.expected:.1f} would be"
        )

    @property
    def run_words(self) -> str:
        return f"the last {self.run} ratings carry the same mark at every step" if self.run >= LEAST_RUN else ""

    @property
    def chances(self) -> list[str]:
        """How often careful marking would show the same, in sentences."""
        said = []
        if self.chance is not None:
            said.append(f"So many or more by chance: {odds_words(self.chance)}.")
        if self.run_words:
            odds = "not known" if self.run_chance is None else odds_words(self.run_chance)
            said.append(f"{_sentence(self.run_words)}; by chance, with the others’ marks: {odds}.")
        return said

    @property
    def too_few_words(self) -> str:
        if self.practices < LEAST_PRACTICES:
            return f"under {LEAST_PRACTICES} practices, too few to compare"
        return (
            f"too few others to compare with ({self.others} ratings by {self.other_raters}; "
            f"it takes {LEAST_PRACTICES} by {LEAST_RATERS})"
        )


@dataclass(frozen=True, slots=True)
class Apart:
    """Two raters of the same practice who differ on a critical step: met against not met."""

    first: Sheet
    second: Sheet
    checklist: Checklist
    step: str

    @property
    def words(self) -> str:
        said = ", ".join(f"{self.said(each)} by {each.name}" for each in (self.first, self.second))
        return f"‘{self.text}’: {said}"

    @property
    def text(self) -> str:
        steps = parsed(self.checklist)
        return steps.said(steps.step(self.step).text)

    def said(self, sheet: Sheet) -> str:
        return MARK_WORDS[sheet.marks[self.step]].lower()


@dataclass(frozen=True, kw_only=True)
class Question:
    """One question for an educator: about whom, what was seen, and how often careful marking shows the same."""

    who: str
    about: str
    words: str
    odds: str
    checklist: Checklist
    setting: str
    observation: UUID | None = None
    on: date | None = None

    @property
    def setting_words(self) -> str:
        return SETTING_WORDS[self.setting]


# --- reads ---


def sheets(access: Access) -> Sheets:
    """The ratings of the last twelve months that concern this user, as rater or educator. Two queries.

    With them come the ratings of everybody else against the same versions, from which only sums are ever told.
    """
    since = add_months(access.on, -MONTHS)
    recent = Observation.objects.signed_by().filter(observed_on__gt=since)
    of_oneself = Q(clinician_user=access.user) | Q(clinician__user=access.user)
    charge = recent.visible_to(access).filter(unit__in=access.units_for(Right.DECIDE)).exclude(of_oneself).order_by()
    mine = recent.filter(assessor=access.user).order_by()
    rows = recent.filter(Q(checklist__in=charge.values("checklist")) | Q(checklist__in=mine.values("checklist")))
    rows = rows.annotate(in_charge=Exists(charge.filter(pk=OuterRef("pk")))).order_by("observed_at", "pk")
    fields = (
        "pk", "uuid", "assessor", "assessor__name", "checklist", "setting", "observed_at", "observed_on", "second_of",
    )  # fmt: skip
    found = [
        Sheet(**dict(zip(SHEET, facts, strict=True)), marks=_marks(content), is_own=facts[2] == access.user.pk,
              in_charge=in_charge)
        for *facts, content, in_charge in rows.values_list(*fields, "content", "in_charge")
    ]  # fmt: skip
    versions = Checklist.objects.select_related("procedure").in_bulk({each.checklist for each in found})
    return Sheets(access.user.pk, found, versions)


def _marks(content: str) -> dict[str, str]:
    return {key: each["mark"] for key, each in json.loads(content)["marks"].items()}


def own_marking(found: Sheets) -> list[Marking]:
    """One's own, for each version and setting."""
    return _markings(found, [each for each in found.rows if each.is_own])


def own_apart(found: Sheets) -> list[Apart]:
    """Where another rater of a practice that one rated differs from oneself on a critical step, the last first."""
    return [each for each in _apart(found) if each.first.is_own or each.second.is_own]


def questions(found: Sheets) -> list[Question]:
    """What an educator may ask about others' ratings in their charge, by name."""
    asked = []
    for each in _markings(found, [row for row in found.rows if row.in_charge and not row.is_own]):
        facts: dict[str, Any] = {"who": each.name, "checklist": each.checklist, "setting": each.setting}
        if each.run >= LEAST_RUN and (each.run_chance is None or each.run_chance < RARELY):
            odds = odds_words(each.run_chance) if each.run_chance is not None else f"not known: {each.too_few_words}"
            asked.append(Question(**facts, about="Identical ratings", words=_sentence(each.run_words), odds=odds))
        if each.chance is not None and each.chance < RARELY:
            odds = f"{odds_words(each.chance)}; without regard to which steps, {odds_words(each.plain_chance or 0)}"
            asked.append(Question(**facts, about="More met than others find", words=each.met_words, odds=odds))
    for pair in _apart(found):
        if pair.first.in_charge and pair.second.in_charge and not (pair.first.is_own or pair.second.is_own):
            asked.append(
                Question(
                    who=f"{pair.first.name} and {pair.second.name}",
                    about="Apart on a critical step",
                    words=pair.words,
                    odds="",
                    checklist=pair.checklist,
                    setting=pair.first.setting,
                    observation=pair.first.uuid,
                    on=pair.first.observed_on,
                )
            )
    return sorted(asked, key=lambda each: (each.who.casefold(), each.about, each.checklist.pk, each.setting))


# --- pure ---


def has_enough(ratings: int, raters: int) -> bool:
    """Whether so many ratings by so many others may stand beside somebody's: several, so that none is told apart."""
    return ratings >= LEAST_PRACTICES and raters >= LEAST_RATERS


def odds_words(chance: float) -> str:
    """How often, in words, to two figures: 'about 1 time in 360'."""
    if chance >= 0.5:
        return "more often than not"
    if chance < 1e-6:
        return "less than 1 time in a million"
    return f"about 1 time in {float(f'{1 / chance:.2g}'):,.0f}"


def chance_of_run(counts: "pd.DataFrame", run: int) -> float:
    """Chance that so many ratings carry the same mark at every step, by the others' marks.

    `counts` has a row for each step and a column for each mark. At one step with shares p of the marks it is
    sum p^run; steps are taken as independent, so their product. A step that others never marked says nothing.
    """
    shares = counts[counts.sum(axis=1) > 0]
    shares = shares.div(shares.sum(axis=1), axis=0)
    return float(np.prod((shares.to_numpy() ** run).sum(axis=1)))


def run_of(marks: Sequence[Mapping[str, str]]) -> int:
    """How many of the last ratings, the latest last, are the same at every step; 0 without any."""
    count = 0
    for each in reversed(marks):
        if each != marks[-1]:
            break
        count += 1
    return count


def lenience(own: "pd.DataFrame", others: "pd.DataFrame") -> tuple[int, int, float, float, float]:
    """Steps met of those judged, how many would be by the others' shares, and two chances of so many or more.

    Both frames have a row for each step and the columns `met` and `watched`. Only steps count that both judged. The
    first chance takes each step by the others' share there (Poisson-binomial); the second is Fisher's exact test of
    all steps together. Sources: `audits.statistics.rates`; Fisher (1922), J R Stat Soc 85:87-94, as scipy has it.
    """
    from scipy.stats import fisher_exact

    from audits.statistics.rates import observed_to_expected

    both = own.join(others.add_suffix("_others"), how="inner")
    both = both[(both["watched"] > 0) & (both["watched_others"] > 0)]
    met, watched = int(both["met"].sum()), int(both["watched"].sum())
    shares = np.repeat((both["met_others"] / both["watched_others"]).to_numpy(), both["watched"].to_numpy())
    found = observed_to_expected(met, shares)
    met_others, watched_others = int(both["met_others"].sum()), int(both["watched_others"].sum())
    table = np.array([[met, watched - met], [met_others, watched_others - met_others]])
    plain = float(fisher_exact(table, alternative="greater").pvalue)
    return met, watched, found.expected, found.tail, plain


def _markings(found: Sheets, chosen: Sequence[Sheet]) -> list[Marking]:
    """One for each rater, version and setting among the chosen ratings."""
    if not chosen:
        return []
    counts = _pivot(found.rows)
    groups: dict[tuple[int, str, int], list[Sheet]] = defaultdict(list)
    for each in chosen:
        groups[each.checklist, each.setting, each.rater].append(each)
    made = [_marking(found, counts, rows) for rows in groups.values()]
    return sorted(made, key=lambda each: (each.name.casefold(), each.rater, -each.checklist.pk, each.setting))


def _pivot(rows: Iterable[Sheet]) -> "pd.DataFrame":
    """How often each rater gave each mark at each step of each version in each setting."""
    # Here, because only this page should wait for pandas.
    import pandas as pd

    flat = [(row.checklist, row.setting, row.rater, step, mark) for row in rows for step, mark in row.marks.items()]
    by = ["checklist", "setting", "rater", "step"]
    frame = pd.DataFrame(flat, columns=[*by, "mark"])
    counts = frame.groupby([*by, "mark"]).size().unstack("mark", fill_value=0)
    return counts.reindex(columns=MARKS, fill_value=0).reset_index()


def _marking(found: Sheets, counts: "pd.DataFrame", rows: Sequence[Sheet]) -> Marking:
    one = rows[0]
    there = counts[(counts["checklist"] == one.checklist) & (counts["setting"] == one.setting)]
    others = there[there["rater"] != one.rater].groupby("step")[MARKS].sum()
    own = _pivot(rows).groupby("step")[MARKS].sum()
    theirs = [row for row in found.rows if (row.checklist, row.setting) == (one.checklist, one.setting)]
    theirs = [row for row in theirs if row.rater != one.rater]
    raters = len({row.rater for row in theirs})
    judged = _judged(own)
    figures: dict[str, Any] = {
        "watched": int(judged["watched"].sum()), "met": int(judged["met"].sum()), "expected": None, "chance": None,
        "plain_chance": None, "run": run_of([row.marks for row in rows]), "run_chance": None,
    }  # fmt: skip
    if has_enough(len(theirs), raters):
        if figures["run"] >= LEAST_RUN:
            figures["run_chance"] = chance_of_run(others.loc[others.index.isin(own.index)], figures["run"])
        if len(rows) >= LEAST_PRACTICES:
            names = ("met", "watched", "expected", "chance", "plain_chance")
            figures |= zip(names, lenience(judged, _judged(others)), strict=True)
    return Marking(
        rater=one.rater,
        name=one.name,
        checklist=found.checklists[one.checklist],
        setting=one.setting,
        practices=len(rows),
        others=len(theirs),
        other_raters=raters,
        **figures,
    )


def _judged(counts: "pd.DataFrame") -> "pd.DataFrame":
    """The columns `met` and `watched` of each step."""
    watched = counts[["met", *map(str, MISSED)]].sum(axis=1)
    return counts[["met"]].assign(watched=watched)


def _apart(found: Sheets) -> list[Apart]:
    """Pairs of ratings of one practice that differ on a critical step, the last practice first."""
    by_key = {row.pk: row for row in found.rows}
    made = []
    for second in reversed(found.rows):
        first = by_key.get(second.second_of or 0)
        if first is None:
            continue
        version = found.checklists[second.checklist]
        for step in parsed(version).steps:
            marks = {first.marks.get(step.key), second.marks.get(step.key)}
            if step.critical and Mark.MET in marks and marks & MISSED:
                made.append(Apart(first, second, version, step.key))
    return made


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
