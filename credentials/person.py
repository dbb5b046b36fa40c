"""A person's page: the answer first, then as much of what lies behind it as whoever asks may see."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import F, QuerySet

from audits import completions
from audits.completions import Noted
from audits.holding import Held, holdings
from audits.models import Award, Procedure, Recognition
from audits.observation_pages import InSetting, by_setting
from audits.observation_pages import of_person as observed_of
from credentials import recognising
from credentials.cohorts import of_clinician
from credentials.documents import terms
from credentials.exposure import Exposed, of_person
from credentials.models import CohortMember, Enrolment, Flag
from credentials.offers import About, Offer, offers, stand_down
from credentials.record import Record, record_of
from credentials.restrictions_shown import Shown, open_ones
from credentials.returning import step_from
from credentials.rules.answers import Answer, Status
from credentials.rules.plans import open_plans
from credentials.rules.reasons import Reason
from credentials.rules.standing import AnswerAt, answer_at_home, waits_for_award
from credentials.seeing import Seen, seen_by
from credentials.standings import Judged, judge_many, pairs_of
from credentials.whocan import last_day
from credentials.wording import DECIDED, RULE_WORDS, act_words
from ledger.acts import history
from ledger.models import Act
from people.access import Access, Right
from people.models import Clinician
from people.tree import tree

ACTS_SHOWN = 50


@dataclass(frozen=True, slots=True)
class Happened:
    """One line of the history."""

    seq: int
    recorded_at: datetime
    words: str
    by: str


@dataclass(frozen=True, kw_only=True)
class PersonPage:
    """Everything that the page shows; what the reader may not see is empty. `is_now`: today, as known now."""

    clinician: Clinician
    procedure: Procedure
    seen: Seen
    judged: Judged
    at: AnswerAt
    is_now: bool
    path: str
    zone: str
    supervises: Held | None
    reasons: Sequence[Reason]
    record: Record | None
    questions: Sequence[tuple[Flag, str]]
    history: Sequence[Happened]
    observed: Sequence[InSetting]
    may_observe: bool
    awards: Sequence[Award]
    completions: Sequence[Noted]
    enrolment: Enrolment | None
    cohorts: Sequence[CohortMember]
    may_award: bool
    may_renew: bool
    offers: Sequence[Offer]
    stand_down: Offer | None
    limits: Sequence[Shown]
    exposed: Sequence[Exposed]
    recognised: Sequence[Recognition]

    @property
    def may_insert(self) -> Answer:
        """As the answer block reads it, with the two below."""
        return self.at.answer

    @property
    def on(self) -> date:
        return self.judged.on

    @property
    def expires_on(self) -> date | None:
        """The end of the award, for who may not read the reasons, which say it too."""
        return self.at.expires_on if self.at.status.is_held and not self.seen.reasons else None

    @property
    def through(self) -> date | None:
        """The last day of the answer, where that is not the award's own."""
        found, ends = last_day(self.at), self.at.expires_on
        is_awards_own = self.at.status.is_held and found and ends and found == ends - timedelta(days=1)
        return None if is_awards_own else found

    @property
    def status(self) -> str:
        """The status in words, '' for who may not know it."""
        if not self.seen.progress or (self.at.status.value in DECIDED and not self.seen.reasons):
            return ""
        return self.at.status.words

    @property
    def has_papers(self) -> bool:
        """Whether whoever reads may take papers away, or give out a certificate."""
        return self.seen.figures or self.seen.founds

    @property
    def withdraws(self) -> bool:
        """Whether withdrawing a completion is offered: to who decides, never on the page of another day."""
        return self.is_now and self.seen.decides


def person_page(
    access: Access,
    clinician: Clinician,
    *,
    procedure: Procedure | None = None,
    on: date | None = None,
    known: int | None = None,
) -> PersonPage:
    """The page of one person and procedure (None: the one that matters most), for today or another day.

    Raises LookupError in a register without procedures.
    """
    chosen = procedure or _first(clinician)
    pair = (clinician.pk, chosen.pk)
    judged = judge_many([pair], on=on, known=known)[pair]
    at = answer_at_home(judged.standing, on=judged.on)
    seen = seen_by(access, clinician)
    places = tree(known)
    home = judged.standing.home[0] if judged.standing.home else None
    is_now = on is None and known is None
    enrolment = _enrolment(clinician, chosen, known) if seen.progress else None
    about = About(
        access=access, seen=seen, clinician=clinician, procedure=chosen, status=at.status, enrolment=enrolment,
        returns=is_now and step_from(judged, clinician, chosen) is not None,
        planned=bool(open_plans(judged.facts, judged.on)),
    )  # fmt: skip
    awards = list(
        Award.objects.known(known)
        .filter(clinician=clinician, procedure=chosen)
        .select_related("scope_unit")
        .order_by("from_day", "id")
    )
    return PersonPage(
        clinician=clinician,
        procedure=chosen,
        seen=seen,
        judged=judged,
        at=at,
        is_now=is_now,
        path=places.path(home) if home is not None and home in places else "",
        zone=places.zone(home) if home is not None and home in places else "UTC",
        supervises=_supervises(clinician, home, chosen, judged.on, known),
        reasons=at.reasons if seen.reasons else (),
        record=record_of(judged, at.status, known=known) if seen.figures else None,
        questions=[(flag, RULE_WORDS[flag.rule]) for flag in _flags(clinician, chosen, known)] if seen.figures else (),
        history=_history(clinician, known) if seen.reasons else (),
        observed=by_setting(observed_of(access, clinician.pk, chosen.pk, on=judged.on, known=known)),
        may_observe=is_now and not seen.is_self and access.may_somewhere(Right.SUPERVISE),
        awards=awards if seen.progress else (),
        completions=completions.of(clinician, chosen, known=known) if seen.progress else (),
        enrolment=enrolment,
        cohorts=of_clinician(clinician, chosen) if seen.progress and is_now else (),
        may_award=seen.decides and is_now and enrolment is not None and waits_for_award(judged.standing, at.status),
        may_renew=seen.decides and is_now and _renewable(awards, judged.on),
        offers=offers(about) if is_now else (),
        stand_down=stand_down(about) if is_now else None,
        recognised=recognising.of_person(clinician, chosen, known=known) if seen.progress else (),
        exposed=of_person(clinician.pk, chosen.pk, on=judged.on) if seen.figures and is_now else (),
        limits=_limits(clinician, judged.on, known, at.status) if seen.reasons else (),
    )


def _limits(clinician: Clinician, on: date, known: int | None, status: Status) -> list[Shown]:
    return open_ones(clinician, on, known=known, withdrawn=status is Status.WITHDRAWN)


def _first(clinician: Clinician) -> Procedure:
    """The procedure that somebody has a standing in; of several the first by name."""
    procedures = list(Procedure.objects.all())
    if not procedures:
        raise LookupError("This register has no procedures yet.")
    have = {procedure for _, procedure in pairs_of([clinician.pk])}
    return next((each for each in procedures if each.pk in have), procedures[0])


def _supervises(
    clinician: Clinician, home: int | None, procedure: Procedure, on: date, known: int | None
) -> Held | None:
    if clinician.user_id is None or home is None:
        return None
    facts = holdings([clinician.user_id], known=known)
    found = facts.may_supervise(clinician.user_id, unit=home, procedure=procedure.pk, on=on)
    return found if isinstance(found, Held) else None


def _flags(clinician: Clinician, procedure: Procedure, known: int | None) -> QuerySet[Flag]:
    """Open ones first. As known then only those raised by then, whatever became of them since."""
    rows = Flag.objects.filter(clinician=clinician, procedure=procedure)
    if known is not None:
        rows = rows.filter(raised__lte=known)
    return rows.order_by(F("closed_on").desc(nulls_first=True), "-raised_on", "-id")


def _history(clinician: Clinician, known: int | None) -> list[Happened]:
    """What was done about this person, last first."""
    acts: QuerySet[Act] = history(clinician.uuid)
    if known is not None:
        acts = acts.filter(seq__lte=known)
    return [
        Happened(act.seq, act.recorded_at, act_words(act.kind), act.actor.name if act.actor else "")
        for act in acts.order_by("-seq")[:ACTS_SHOWN]
    ]


def _enrolment(clinician: Clinician, procedure: Procedure, known: int | None) -> Enrolment | None:
    rows = Enrolment.objects.known(known).filter(clinician=clinician, procedure=procedure, until_day=None)
    return rows.select_related("programme").first()


def _renewable(awards: Sequence[Award], on: date) -> bool:
    for each in awards:
        of = terms(each.terms)
        opens = each.expires_on - timedelta(days=of.notice_days)
        closes = each.expires_on + timedelta(days=of.grace_days)
        if each.until_day is None and opens <= on < closes:
            return True
    return False
