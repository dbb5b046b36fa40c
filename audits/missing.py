"""What a cohort misses: which steps, over time, in which unit; as topics to teach, and never about one person.

A cohort is everybody, or those whose first signed observation in the procedure lies in one quarter or year: that is
when they began to learn as far as evidence shows (enrolments are decisions and live above this app). Versions and
settings are never merged; second ratings never count. Counts of few people are put together or left out
(`audits.small_cells`), so that no figure of this page, nor two of them subtracted, tells of fewer.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Max, Min, OuterRef, Subquery

from audits.checklist import SETTING_WORDS, Mark, Step
from audits.checklists import parsed
from audits.models import Checklist, Observation
from audits.quarters import Quarter
from audits.quarters import through as quarters_through
from audits.rates import Rate, rate_of
from audits.small_cells import Began, Blocks, Cell, put_together
from people.access import Access, Right
from people.settings import book

_COUNTED = (Mark.MET, Mark.PROMPTED, Mark.NOT_MET)


@dataclass(frozen=True, slots=True)
class Offered:
    """A version and setting with signed observations in one's charge, and the days of its first and last."""

    checklist: Checklist
    setting: str
    first: date
    last: date


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is asked: a unit and all below it, one version, one setting, a span of quarters, a cohort.

    `began` is () for everybody, (2026,) for those who began that year, (2026, 1) for those of its first quarter.
    """

    unit: int
    checklist: Checklist
    setting: str
    first: Quarter
    last: Quarter
    began: Began = ()

    @property
    def setting_words(self) -> str:
        return SETTING_WORDS[self.setting]

    @property
    def quarters(self) -> list[Quarter]:
        return list(quarters_through(self.first, self.last))


@dataclass(frozen=True, slots=True)
class Tally:
    """Of one step: how often it was watched, not met, met after a prompt. `has_left`: some are too few to be shown."""

    watched: int
    not_met: int
    prompted: int
    has_left: bool = False

    @property
    def missed(self) -> int:
        """Not met without a prompt."""
        return self.not_met + self.prompted

    @property
    def rate(self) -> Rate:
        return rate_of(self.missed, self.watched)

    @property
    def weight(self) -> float | None:
        """The lower end of the interval: it is missed at least so often. None without a rate."""
        return self.rate.lower

    @property
    def words(self) -> str:
        """12 of 40: 30%."""
        if not self.watched:
            return "too few people to show" if self.has_left else "not watched"
        rate = self.rate
        return f"{self.missed} of {self.watched}: {'too few for a rate' if rate.share is None else rate.share_words}"

    @property
    def interval_words(self) -> str:
        """95% confidence 18 to 45%, and what is left out."""
        interval = self.rate.interval_words
        parts = [f"95% confidence {interval}" if interval else ""]
        parts.append("more are too few to show" if self.has_left and self.watched else "")
        return "; ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class StepMissed:
    """One step with its tallies: over all that is asked, by quarter, and by the units right below (None: together)."""

    step: Step
    text: str
    phase: str
    place: int
    all: Tally
    by_quarter: Mapping[Quarter, Tally]
    by_unit: Mapping[int | None, Tally]


@dataclass(frozen=True, kw_only=True)
class Missed:
    """The answer: `steps` the heaviest topic first, and how many practices were watched, as far as may be shown."""

    asked: Asked
    steps: Sequence[StepMissed]
    practices: int
    has_left: bool
    least: int

    def step(self, key: str) -> StepMissed | None:
        return next((each for each in self.steps if each.step.key == key), None)


# --- what somebody may ask ---


def offered(access: Access) -> list[Offered]:
    """The versions and settings watched in the units in one's charge, the last used first. Two queries."""
    signed = Observation.objects.signed_by().standing()
    rows = signed.filter(second_of=None, unit__in=access.units_for(Right.UNIT_FIGURES))
    spans = rows.order_by().values("checklist", "setting")
    found = list(spans.annotate(first=Min("observed_on"), last=Max("observed_on"), count=Count("pk")))
    versions = Checklist.objects.select_related("procedure").in_bulk({row["checklist"] for row in found})
    made = [Offered(versions[row["checklist"]], row["setting"], row["first"], row["last"]) for row in found]
    return sorted(made, key=lambda each: (each.last, each.checklist.pk, each.setting), reverse=True)


def missed(access: Access, asked: Asked) -> Missed:
    """What was missed. Raises NotPermitted without a right to the unit's figures. Two queries."""
    access.require(Right.UNIT_FIGURES, asked.unit)
    units, above = access.tree.below(asked.unit), access.tree.above
    settings = book()
    rows = _read(asked, units)
    at = {unit for _, unit, *_ in rows}
    least = {unit: settings.value("small_cell", above(unit), on=access.on) for unit in at}
    answer = tally(rows, asked, above=above, least=least)
    here = settings.value("small_cell", above(asked.unit), on=access.on)
    return Missed(asked=asked, steps=answer.steps, practices=answer.practices, has_left=answer.has_left, least=here)


Row = tuple[int, int, Quarter, Quarter, Mapping[str, str]]
"""One practice: person, unit, quarter, quarter in which the person began, mark of each step."""


def _read(asked: Asked, units: Iterable[int]) -> list[Row]:
    signed = Observation.objects.signed_by().standing().filter(second_of=None)
    same = signed.filter(clinician=OuterRef("clinician"), procedure=OuterRef("procedure")).order_by("observed_on")
    rows = signed.filter(checklist=asked.checklist, setting=asked.setting, unit__in=units)
    rows = rows.filter(observed_on__gte=asked.first.first, observed_on__lte=asked.last.last).order_by("pk")
    rows = rows.annotate(began=Subquery(same.values("observed_on")[:1]))
    fields = ("clinician", "unit", "observed_on", "began", "content")
    return [
        (
            person,
            unit,
            Quarter.of(on),
            Quarter.of(began),
            {key: each["mark"] for key, each in json.loads(content)["marks"].items()},
        )
        for person, unit, on, began, content in rows.values_list(*fields)
    ]


# --- pure ---


@dataclass(frozen=True, slots=True)
class Answer:
    steps: Sequence[StepMissed]
    practices: int
    has_left: bool


def tally(
    rows: Sequence[Row], asked: Asked, *, above: Callable[[int], Sequence[int]], least: Mapping[int, int]
) -> Answer:
    """The tallies of every step, of these practices of the unit asked about; `least` and `above` as `put_together`."""
    steps = parsed(asked.checklist)
    phases = {phase.key: phase.name for phase in steps.phases}
    cells = _cells(rows)
    blocks = {
        key: put_together(cells.get(key, ()), above=above, least=least, top=asked.unit)
        for key in ("", *(step.key for step in steps.steps))
    }
    found = [
        _step(step, steps.said(step.text), phases[step.phase], place, blocks[step.key], asked, above)
        for place, step in enumerate(steps.steps, 1)
    ]
    whole = _tally(blocks[""], asked)
    return Answer(sorted(found, key=_heaviest_first), whole.watched, whole.has_left)


def _heaviest_first(each: StepMissed) -> tuple[bool, float, bool, int]:
    weight = each.all.weight
    return weight is None, -(weight or 0), not each.step.critical, each.place


def _cells(rows: Sequence[Row]) -> dict[str, list[Cell]]:
    """For each step the cells of unit, quarter and beginning; under '' those of whole practices."""
    # Here, because only this page should wait for pandas.
    import pandas as pd

    judged = [
        (key, unit, quarter, began, person, mark)
        for person, unit, quarter, began, marks in rows
        for key, mark in (("", Mark.MET), *marks.items())
        if mark in _COUNTED
    ]
    by = ["step", "unit", "quarter", "began"]
    frame = pd.DataFrame(judged, columns=[*by, "person", "mark"])
    if frame.empty:
        return {}
    # Quarters as codes: pandas would take a dataclass apart.
    frame[["quarter", "began"]] = frame[["quarter", "began"]].map(lambda quarter: quarter.code)
    counts = frame.pivot_table(index=by, columns="mark", values="person", aggfunc="count", fill_value=0)
    counts = counts.reindex(columns=[str(mark) for mark in _COUNTED], fill_value=0)
    people = frame.groupby(by)["person"].agg(frozenset)
    cells: dict[str, list[Cell]] = defaultdict(list)
    for place, row in zip(counts.index, counts.to_numpy().tolist(), strict=True):
        step, unit, quarter, began = place
        cell = Cell(int(unit), Quarter.parse(quarter), Quarter.parse(began), people[place], tuple(map(int, row)))
        cells[step].append(cell)
    return cells


def _step(
    step: Step,
    text: str,
    phase: str,
    place: int,
    blocks: Blocks,
    asked: Asked,
    above: Callable[[int], Sequence[int]],
) -> StepMissed:
    def right_below(unit: int) -> int | None:
        chain = above(unit)
        at = chain.index(asked.unit)
        return chain[at - 1] if at else None

    by_quarter: dict[Quarter, list[Cell]] = defaultdict(list)
    by_unit: dict[int | None, list[Cell]] = defaultdict(list)
    missing = _left(blocks, asked)
    quarters = {cell.quarter for cell in missing}
    units = {right_below(cell.unit) for cell in missing}
    for block in blocks.blocks:
        if _is_of(block.began, asked.began):
            by_quarter[block.quarter] += block.cells
            by_unit[right_below(block.unit)] += block.cells
            if block.unit == asked.unit:
                # Put together with others here, so not shown at the units that they come from.
                units |= {right_below(cell.unit) for cell in block.cells} - {None}
    return StepMissed(
        step=step,
        text=text,
        phase=phase,
        place=place,
        all=_tally(blocks, asked),
        by_quarter={each: _sum(by_quarter[each], each in quarters) for each in asked.quarters},
        by_unit={each: _sum(by_unit[each], each in units) for each in {*by_unit, *units}},
    )


def _tally(blocks: Blocks, asked: Asked) -> Tally:
    cells = [cell for block in blocks.blocks if _is_of(block.began, asked.began) for cell in block.cells]
    return _sum(cells, bool(_left(blocks, asked)))


def _left(blocks: Blocks, asked: Asked) -> list[Cell]:
    """Cells of the cohort that are shown nowhere here: in no block, or only in one with people of other cohorts."""
    mixed = [cell for block in blocks.blocks if not _is_of(block.began, asked.began) for cell in block.cells]
    return [cell for cell in (*blocks.left, *mixed) if _is_of((cell.began.year, cell.began.number), asked.began)]


def _is_of(began: Began, cohort: Began) -> bool:
    """Whether people with this in common all belong to the cohort."""
    return began[: len(cohort)] == cohort


def _sum(cells: Iterable[Cell], has_left: bool) -> Tally:
    met, prompted, not_met = (sum(each) for each in zip(*(cell.counts for cell in cells), (0, 0, 0), strict=True))
    return Tally(met + prompted + not_met, not_met, prompted, has_left)
