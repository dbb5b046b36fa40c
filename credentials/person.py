"""A person's page: the answer first, then as much of what lies behind it as whoever asks may see."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import QuerySet

from audits.holding import Held, holdings
from audits.models import Award, Insertion, Procedure
from credentials.curves import Curve, drift_curve, learner_curve
from credentials.documents import terms
from credentials.models import Enrolment, Flag
from credentials.rules.answers import Answer, Status
from credentials.rules.reasons import Finding, NotAssessable, Reason
from credentials.rules.standing import AnswerAt, answer_at_home
from credentials.standings import Judged, judge_many, pairs_of
from credentials.wording import BASIS_WORDS, RULE_WORDS, act_words
from ledger.acts import history
from ledger.models import Act
from people.access import Access, Right
from people.models import Clinician
from people.tree import tree


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What a user may see of a person: each part only with the right to it."""

    is_self: bool
    answer: bool
    progress: bool
    figures: bool
    decides: bool
    founds: bool


@dataclass(frozen=True, slots=True)
class Happened:
    """One line of the history."""

    seq: int
    recorded_at: datetime
    words: str
    by: str


@dataclass(frozen=True, kw_only=True)
class PersonPage:
    """Everything that the page shows; what the reader may not see is empty."""

    clinician: Clinician
    procedure: Procedure
    procedures: Sequence[Procedure]
    seen: Seen
    judged: Judged
    at: AnswerAt
    path: str
    zone: str
    supervises: Held | None
    reasons: Sequence[Reason]
    findings: Sequence[Finding]
    not_assessable: Sequence[NotAssessable]
    drift: Curve | None
    learning: Curve | None
    target: float | None
    flags: Sequence[Flag]
    acts: Sequence[Act]
    awards: Sequence[Award]
    enrolment: Enrolment | None
    may_award: bool
    may_renew: bool

    @property
    def may_insert(self) -> Answer:
        """As the answer block reads it, with the three below."""
        return self.at.answer

    @property
    def on(self) -> date:
        return self.judged.on

    @property
    def basis(self) -> str:
        """How completely entries are logged at home, which stands beside every rate."""
        days = [each.basis for each in self.judged.facts.basis if each.starts <= self.on]
        return BASIS_WORDS[days[-1] if days else "every_insertion"]

    @property
    def history(self) -> list[Happened]:
        """What was done about this person, last first."""
        return [
            Happened(act.seq, act.recorded_at, act_words(act.kind), act.actor.name if act.actor else "")
            for act in self.acts
        ]

    @property
    def questions(self) -> list[tuple[Flag, str]]:
        """The flags with what their rule is called."""
        return [(flag, RULE_WORDS[flag.rule]) for flag in self.flags]

    @property
    def expires_on(self) -> date | None:
        return self.at.expires_on if self.at.status.is_held else None


def seen_by(access: Access, clinician: Clinician) -> Seen:
    """What this user may see of this person. Five queries at most."""
    own = access.is_self(clinician)
    named = not own and Insertion.objects.known().filter(clinician=clinician, supervisor=access.user).exists()
    return Seen(
        is_self=own,
        answer=own or access.may_about(Right.ANSWER, clinician),
        progress=own or named or _oversees(access, clinician),
        figures=access.may_about(Right.FIGURES, clinician),
        decides=access.may_about(Right.DECIDE, clinician),
        founds=access.may_about(Right.FOUND, clinician),
    )


def _oversees(access: Access, clinician: Clinician) -> bool:
    return access.may_about(Right.FOUND, clinician) or access.may_about(Right.FIGURES, clinician)


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
    procedures = list(Procedure.objects.all())
    if not procedures:
        raise LookupError("This register has no procedures yet.")
    chosen = procedure or _first(clinician, procedures)
    pair = (clinician.pk, chosen.pk)
    judged = judge_many([pair], on=on, known=known)[pair]
    at = answer_at_home(judged.standing, on=judged.on)
    seen = seen_by(access, clinician)
    places = tree(known)
    home = judged.standing.home[0] if judged.standing.home else None
    figures = seen.figures
    rate = judged.facts.rules.first_attempt_rate if judged.facts.rules else None
    awards = list(Award.objects.known(known).filter(clinician=clinician, procedure=chosen).order_by("from_day", "id"))
    return PersonPage(
        clinician=clinician,
        procedure=chosen,
        procedures=procedures,
        seen=seen,
        judged=judged,
        at=at,
        path=places.path(home) if home in places else "",
        zone=places.zone(home) if home in places else "UTC",
        supervises=_supervises(clinician, home, chosen, judged.on, known),
        reasons=at.reasons if seen.progress else (),
        findings=judged.standing.findings if figures else (),
        not_assessable=judged.standing.not_assessable if figures else (),
        drift=drift_curve(judged, known) if figures else None,
        learning=learner_curve(judged, known) if figures and not at.status.is_held else None,
        target=float(rate.target) if rate and figures and at.status.is_held else None,
        flags=list(_flags(clinician, chosen)) if figures else (),
        acts=list(history(clinician.uuid).order_by("-seq")[:50]) if figures or seen.decides else (),
        awards=awards if seen.progress else (),
        enrolment=_enrolment(clinician, chosen) if seen.progress else None,
        may_award=seen.decides and known is None and on is None and at.status is Status.READY_FOR_AWARD,
        may_renew=seen.decides and known is None and on is None and _renewable(awards, judged.on),
    )


def _first(clinician: Clinician, procedures: Sequence[Procedure]) -> Procedure:
    """The procedure that somebody has a standing in; of several the first by name."""
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


def _flags(clinician: Clinician, procedure: Procedure) -> QuerySet[Flag]:
    return Flag.objects.filter(clinician=clinician, procedure=procedure).order_by("closed_on", "-raised_on")


def _enrolment(clinician: Clinician, procedure: Procedure) -> Enrolment | None:
    rows = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure, until_day=None)
    return rows.select_related("programme").first()


def _renewable(awards: Sequence[Award], on: date) -> bool:
    for each in awards:
        of = terms(each.terms)
        opens = each.expires_on - timedelta(days=of.notice_days)
        closes = each.expires_on + timedelta(days=of.grace_days)
        if each.until_day is None and opens <= on < closes:
            return True
    return False
