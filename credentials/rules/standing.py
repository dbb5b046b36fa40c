"""The answer, judged: for the home unit, for each unit where an award or scope holds, and for everywhere else."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from audits.figures import Figures
from credentials.rules import (
    asking,
    attempts_limit,
    awards,
    critical_step,
    drift,
    expiry,
    first_attempt_rate,
    logged,
    observation_overdue,
    plans,
    progress,
    recency,
    repeated_failure,
    return_step,
    serious_event,
    volume,
)
from credentials.rules.answers import Answer, Status, strictest
from credentials.rules.awards import Line
from credentials.rules.ceiling import Ceiling, ceiling_at
from credentials.rules.facts import Award, Facts, Span
from credentials.rules.reasons import Finding, Limit, NotAssessable, Reason
from credentials.rules.status import StatusOn, status_on

RULES = (
    first_attempt_rate,
    drift,
    repeated_failure,
    recency,
    volume,
    attempts_limit,
    serious_event,
    critical_step,
    observation_overdue,
    expiry,
)
"""Every rule: a module with RULE, `findings` and `not_assessable`."""

NOT_HELD_HERE = Reason(rule="status", text="The award is not held here: it covers another part of the group.")


@dataclass(frozen=True, slots=True)
class Step:
    """From this day on, by the calendar alone, this status and answer."""

    on: date
    status: Status
    answer: Answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The answer where a unit's awards and scopes count, before any ceiling; `unit` None is everywhere else.

    `gives` is what the status gives, `answer` the strictest of that, plans and return step. Reasons: what decides comes
    first. `ahead` are the changes that the calendar brings, ascending, if nothing new happens.
    """

    unit: int | None
    status: Status
    gives: Answer
    answer: Answer
    award: str = ""
    starts: date | None = None
    expires_on: date | None = None
    reasons: tuple[Reason, ...] = ()
    ahead: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """The record that a page shows beside the answer: the last months up to the day, and the last insertion logged."""

    months: int
    insertions: int
    successes: int
    partial: int
    last_on: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A clinician's standing in a procedure on a day. `home` is the home unit and the units above it, nearest first."""

    home: tuple[int, ...]
    judgements: tuple[Judgement, ...]
    ceilings: tuple[Ceiling, ...]
    findings: tuple[Finding, ...]
    not_assessable: tuple[NotAssessable, ...]
    entry: tuple[progress.Line, ...]
    award: tuple[progress.Line, ...]
    renewal: tuple[progress.Line, ...]
    plan: tuple[progress.Line, ...]
    recent: Recent
    rules: tuple[str, int, str] | None  # uuid, version, name


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerAt:
    """The answer at one unit. `until` is the first day on which the calendar changes it or its footing, if known."""

    answer: Answer
    status: Status
    unit: int | None
    award: str
    starts: date | None
    expires_on: date | None
    until: date | None
    reasons: tuple[Reason, ...]


def judge(facts: Facts, figures: Figures, on: date) -> Standing:
    """The standing on that day. `figures` must answer `asking.ask_for(facts, on)`."""
    units = _scope_units(facts, on)
    judgements = [_judgement(facts, figures, facts.line(unit), unit, on) for unit in units]
    judgements.append(_judgement(facts, figures, (), None, on))
    enrolment = awards.enrolment_on(facts, on)
    towards = progress.towards_award(facts, figures, enrolment, on) if enrolment else progress.Progress((), ())
    renewing = asking.renewable(facts, on)
    recent = figures.window(asking.RECENT)
    return Standing(
        home=facts.home_line,
        judgements=tuple(judgements),
        ceilings=_ceilings(facts, on),
        findings=tuple(finding for rule in RULES for finding in rule.findings(facts, figures, on)),
        not_assessable=tuple(one for rule in RULES if (one := rule.not_assessable(facts, figures, on))),
        entry=towards.entry,
        award=towards.award,
        renewal=progress.towards_renewal(facts, figures, renewing, on) if renewing else (),
        plan=_plan_lines(facts, figures, on),
        recent=Recent(
            months=asking.recent_months(facts),
            insertions=recent.trials,
            successes=recent.successes,
            partial=recent.partial,
            last_on=logged.last_day(facts, figures, on),
        ),
        rules=(facts.rules.uuid, facts.rules.version, facts.rules.name) if facts.rules else None,
    )


def answer_at(standing: Standing, units_above: Sequence[int], *, on: date) -> AnswerAt:
    """The answer at a unit, given as itself and the units above it, nearest first.

    The nearest scope that covers the unit decides, else the judgement for everywhere else; then the ceiling of the
    placement there. `on` is the day for which the standing was judged.
    """
    judgement = _judgement_at(standing.judgements, units_above)
    limit = ceiling_at(standing.ceilings, units_above, on)
    reasons = judgement.reasons
    if limit and limit.gives < judgement.answer:
        reasons = (limit.reason, *reasons)
    return AnswerAt(
        answer=_capped(judgement.answer, limit),
        status=judgement.status,
        unit=judgement.unit,
        award=judgement.award,
        starts=judgement.starts,
        expires_on=judgement.expires_on,
        until=_holds_until(standing.ceilings, judgement, units_above, on),
        reasons=reasons,
    )


def answer_at_home(standing: Standing, *, on: date) -> AnswerAt:
    """The answer at the home unit."""
    return answer_at(standing, standing.home, on=on)


def waits_for_award(standing: Standing, status: Status) -> bool:
    """Whether somebody enrolled meets every term, so that only the decision is missing.

    After a lapse the status stays `lapsed` until the new award, however far the new learning is.
    """
    if status is not Status.LAPSED:
        return status is Status.READY_FOR_AWARD
    asked = (*standing.entry, *standing.award)
    return bool(asked) and progress.is_met(asked)


def answer_ahead(standing: Standing, units_above: Sequence[int], *, on: date, day: date) -> Answer:
    """What the calendar alone leaves of the answer at a unit on a later day, if nothing new happens until then.

    `on` is the day for which the standing was judged. Raises ValueError for a day before it.
    """
    if day < on:
        raise ValueError(f"{day} is before the day that was judged, {on}")
    judgement = _judgement_at(standing.judgements, units_above)
    steps = [Step(on, judgement.status, judgement.answer), *judgement.ahead]
    step = max((step for step in steps if step.on <= day), key=lambda step: step.on)
    return _capped(step.answer, ceiling_at(standing.ceilings, units_above, day))


def _capped(answer: Answer, limit: Limit | None) -> Answer:
    return strictest((answer, limit.gives)) if limit else answer


def _judgement_at(judgements: Iterable[Judgement], line: Sequence[int]) -> Judgement:
    of_unit = {judgement.unit: judgement for judgement in judgements}
    return next((of_unit[unit] for unit in line if unit in of_unit), of_unit[None])


def _footing(status: Status) -> str:
    """What an answer rests on: in an award's life only its validity matters to how long one may rely on it."""
    if status.is_held:
        return "held"
    return "training" if status in (Status.IN_TRAINING, Status.READY_FOR_AWARD) else status.value


def _holds_until(ceilings: Sequence[Ceiling], judgement: Judgement, line: Sequence[int], on: date) -> date | None:
    """The first later day on which the calendar changes the answer at this unit, or what it rests on."""
    steps = [Step(on, judgement.status, judgement.answer), *judgement.ahead]
    moves = {day for one in ceilings for day in (one.span.starts, one.span.until) if day and day > on}
    now = (_capped(judgement.answer, ceiling_at(ceilings, line, on)), _footing(judgement.status))
    for day in sorted({step.on for step in judgement.ahead} | moves):
        step = max((step for step in steps if step.on <= day), key=lambda step: step.on)
        if (_capped(step.answer, ceiling_at(ceilings, line, day)), _footing(step.status)) != now:
            return day
    return None


def _scope_units(facts: Facts, on: date) -> list[int]:
    """Units at which an award or scope begun by that day makes a difference, ascending."""
    counting = {award.unit for award in awards.counting_awards(facts, None, on)}
    return sorted(counting | {scope.unit for scope in facts.scopes if scope.span.covers(on)})


def _judgement(facts: Facts, figures: Figures, line: Line, unit: int | None, on: date) -> Judgement:
    found = status_on(facts, figures, line, on)
    limits = [found.limit, *_other_limits(facts, figures, found, on)]
    answer = strictest(limit.gives for limit in limits)
    reasons = [limit.reason for limit in sorted(limits, key=lambda limit: limit.gives.rank)]
    if unit is None and _is_held_elsewhere(facts, found, on):
        reasons.insert(0, NOT_HELD_HERE)
    return Judgement(
        unit=unit,
        status=found.status,
        gives=found.limit.gives,
        answer=answer,
        award=found.award.uuid if found.award else "",
        starts=found.starts,
        expires_on=found.expires_on,
        reasons=tuple(reasons),
        ahead=_ahead(facts, figures, line, (found.status, answer), on),
    )


def _other_limits(facts: Facts, figures: Figures, found: StatusOn, on: date) -> list[Limit]:
    return [
        *plans.limits(facts, figures, found.terms, on),
        *return_step.limits(facts, figures, found.terms, on),
    ]


def _is_held_elsewhere(facts: Facts, found: StatusOn, on: date) -> bool:
    """Whether the person would have a better footing where an award or scope of theirs covers."""
    if found.status not in (Status.IN_TRAINING, Status.READY_FOR_AWARD, Status.NOT_ENROLLED):
        return False
    return awards.award_in_force(facts, None, on) is not None or awards.scope_by_role(facts, None, on) is not None


def _ahead(facts: Facts, figures: Figures, line: Line, now: tuple[Status, Answer], on: date) -> tuple[Step, ...]:
    steps: list[Step] = []
    for day in _calendar_days(facts, line, on):
        found = status_on(facts, figures, line, day)
        answer = strictest([found.limit.gives, *(one.gives for one in _other_limits(facts, figures, found, day))])
        if (found.status, answer) != now:
            now = (found.status, answer)
            steps.append(Step(day, *now))
    return tuple(steps)


def _calendar_days(facts: Facts, line: Line, on: date) -> list[date]:
    """Later days on which a known fact begins, ends or runs out, as far as a status on this line can depend on it."""
    days: set[date | None] = set()
    for span in facts.spans:
        days.update((span.starts, span.until))
    for award in facts.awards:
        if line is None or award.unit in line:
            days.update(award_days(facts, award))
    for completion in facts.completions:
        days.update((completion.day, completion.valid_until))
    days.update(observation.day for observation in facts.observations)
    return sorted(day for day in days if day and day > on)


def award_days(facts: Facts, award: Award) -> tuple[date | None, ...]:
    """The days on which an award's own calendar moves on: notice, expiry, ends of grace and of provisional months."""
    return (
        awards.notice_begins(award),
        award.expires_on,
        awards.grace_ends(award),
        awards.provisional_ends(facts, award),
    )


def _plan_lines(facts: Facts, figures: Figures, on: date) -> tuple[progress.Line, ...]:
    """What open plans and a return step at home still ask."""
    found = status_on(facts, figures, facts.home_line, on)
    lines = [
        line for plan in plans.open_plans(facts, on) for line in progress.on_plan(facts, figures, plan, found.terms, on)
    ]
    if found.terms and return_step.limits(facts, figures, found.terms, on):
        returned = return_step.returned_on(facts, found.terms, on)
        assert returned is not None
        lines.append(return_step.line(figures, found.terms, returned))
    return tuple(lines)


def _ceilings(facts: Facts, on: date) -> tuple[Ceiling, ...]:
    """Placements that hold or are to come; those that are over no longer matter."""
    found = [
        Ceiling(
            unit=one.unit,
            kind=one.kind,
            home=one.home,
            gives=one.ceiling,
            span=Span(one.span.starts, one.span.until),
        )
        for one in facts.placements
        if one.span.until is None or one.span.until > on
    ]
    return tuple(sorted(found, key=lambda one: (one.span.starts, one.unit, one.kind, one.home)))
