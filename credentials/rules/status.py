"""The status of a person on a day, at one place in the tree: the first that holds, and what it gives."""

from dataclasses import dataclass
from datetime import date

from audits.figures import Figures
from credentials.rules import awards, progress
from credentials.rules.answers import Answer, Status
from credentials.rules.awards import Line
from credentials.rules.facts import Award, Facts, Restriction, RestrictionKind
from credentials.rules.reasons import Limit, Reason
from credentials.rules.terms import Terms
from credentials.rules.words import day_words, through

RULE = "status"


@dataclass(frozen=True, slots=True)
class StatusOn:
    """A status with what it gives and why; the award and terms that it rests on, and its dates, where there are any."""

    status: Status
    limit: Limit
    award: Award | None = None
    terms: Terms | None = None
    starts: date | None = None
    expires_on: date | None = None


def status_on(facts: Facts, figures: Figures, line: Line, on: date) -> StatusOn:
    """The first status, in the order of `Status`, that holds where the awards and scopes of this line count."""
    if not awards.is_here(facts, on):
        return _no(Status.NO_PLACEMENT, "No placement and no appointment on this day.")
    if down := _restriction(facts, RestrictionKind.STAND_DOWN, on):
        ends = f", {through(down.span.until)} unless an educator decides" if down.span.until else ""
        return _no(Status.STOOD_DOWN, f"Stood down since {day_words(down.span.starts)}{ends}.", down)
    if suspended := _restriction(facts, RestrictionKind.SUSPENSION, on):
        ends = f", {through(suspended.span.until)}" if suspended.span.until else ""
        return _no(Status.SUSPENDED, f"Suspended since {day_words(suspended.span.starts)}{ends}.", suspended)
    withdrawn = _restriction(facts, RestrictionKind.WITHDRAWAL, on)
    if withdrawn and not _has_resumed(facts, withdrawn.span.starts, on):
        text = f"The award was withdrawn on {day_words(withdrawn.span.starts)}; it takes a new enrolment or award."
        return _no(Status.WITHDRAWN, text, withdrawn)
    if award := awards.award_in_force(facts, line, on):
        return _held(facts, award, on)
    if award := awards.award_in_grace(facts, line, on):
        return _in_grace(facts, award)
    if scope := awards.scope_by_role(facts, line, on):
        text = f"Inserts by role, {through(scope.span.until)}." if scope.span.until else "Inserts by role."
        limit = Limit(Answer.ALONE, Reason(rule=RULE, text=text, evidence=(scope.uuid,)))
        return StatusOn(Status.BY_ROLE, limit, starts=scope.span.starts, expires_on=scope.span.until)
    if award := awards.award_lapsed(facts, line, on):
        return _lapsed(facts, award, on)
    if enrolment := awards.enrolment_on(facts, on):
        lines = progress.towards_award(facts, figures, enrolment, on)
        return _training(enrolment.terms, enrolment.uuid, lines)
    return _no(Status.NOT_ENROLLED, "Not enrolled for this procedure, and no award.")


def _restriction(facts: Facts, kind: RestrictionKind, on: date) -> Restriction | None:
    """Of several that hold, the one that lasts longest; of equals the latest."""
    if not facts.restrictions:
        return None  # as for most people, most of the time
    found = [one for one in facts.restrictions if one.kind is kind and one.span.covers(on)]
    return max(found, key=lambda one: (one.span.until or date.max, one.span.starts, one.uuid), default=None)


def _has_resumed(facts: Facts, withdrawn: date, on: date) -> bool:
    """Whether there was an award or enrolment after the withdrawal, wherever it holds and whatever became of it."""
    return any(withdrawn < award.span.starts <= on for award in facts.awards) or any(
        withdrawn < enrolment.span.starts <= on for enrolment in facts.enrolments
    )


def _no(status: Status, text: str, restriction: Restriction | None = None) -> StatusOn:
    evidence = (restriction.uuid,) if restriction else ()
    return StatusOn(status, Limit(Answer.NO, Reason(rule=RULE, text=text, evidence=evidence)))


def _held(facts: Facts, award: Award, on: date) -> StatusOn:
    terms = award.terms
    opened = on >= awards.notice_begins(award)
    text = f"The award runs {through(award.expires_on)}"
    if awards.is_provisional(facts, award, on):
        ends = awards.provisional_ends(facts, award)
        assert ends is not None
        status, gives = Status.PROVISIONAL, terms.provisional_gives
        text = f"Provisional {through(ends)}, the first months after a first award. {text}"
    else:
        status, gives = (Status.DUE if opened else Status.CURRENT), Answer.ALONE
    reason = Reason(
        rule=RULE,
        text=f"{text}; renewal is open." if opened else f"{text}.",
        threshold=f"notice of {terms.notice_days} days",
        figure=f"valid {through(award.expires_on)}",
        evidence=(award.uuid,),
    )
    return _with_award(status, Limit(gives, reason), facts, award)


def _in_grace(facts: Facts, award: Award) -> StatusOn:
    ends = awards.grace_ends(award)
    gives = award.terms.grace_gives
    expired = day_words(award.expires_on)
    if gives is Answer.ALONE:
        text = f"The award expired on {expired}, may continue {through(ends)} under local policy."
    else:
        text = f"The award expired on {expired}; days of grace run {through(ends)}, renewal is open."
    reason = Reason(
        rule=RULE,
        text=text,
        threshold=f"{award.terms.grace_days} days of grace",
        figure=f"expired on {expired}",
        evidence=(award.uuid,),
    )
    return _with_award(Status.IN_GRACE, Limit(gives, reason), facts, award)


def _lapsed(facts: Facts, award: Award, on: date) -> StatusOn:
    gives = award.terms.lapsed_gives
    expired = day_words(award.expires_on)
    text = f"The award lapsed: it expired on {expired}."
    evidence = [award.uuid]
    if gives is Answer.NO and (plan := _restriction(facts, RestrictionKind.RETURN_PLAN, on)):
        gives = Answer.IN_ROOM
        text = f"{text} A return plan opened on {day_words(plan.span.starts)} allows supervised practice."
        evidence.append(plan.uuid)
    reason = Reason(rule=RULE, text=text, figure=f"expired on {expired}", evidence=tuple(evidence))
    return _with_award(Status.LAPSED, Limit(gives, reason), facts, award)


def _with_award(status: Status, limit: Limit, facts: Facts, award: Award) -> StatusOn:
    starts = awards.judged_from(facts, award)
    return StatusOn(status, limit, award=award, terms=award.terms, starts=starts, expires_on=award.expires_on)


def _training(terms: Terms, enrolment: str, lines: progress.Progress) -> StatusOn:
    if not progress.is_met(lines.entry):
        status, gives = Status.IN_TRAINING, Answer.NO
        text = f"In training; before the first patient: {progress.missing(lines.entry)}."
    elif progress.is_met(lines.award):
        status, gives = Status.READY_FOR_AWARD, Answer.IN_ROOM
        text = "The terms of award are met; the award waits for an educator's decision."
    else:
        status, gives = Status.IN_TRAINING, Answer.IN_ROOM
        text = f"In training: {progress.missing(lines.award)}."
    reason = Reason(rule=RULE, text=text, figure=progress.missing((*lines.entry, *lines.award)), evidence=(enrolment,))
    return StatusOn(status, Limit(gives, reason), terms=terms)
