"""Awarding: a signed decision that somebody holds a procedure, its renewal, and scope by role."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction

from audits.awards import NewAward, NewScope, add_award, add_scope, end_scope
from audits.calendar import add_months
from audits.freetext import text_problems
from audits.models import Award, Procedure, ScopeByRole
from credentials.documents import programmes_known
from credentials.documents import terms as parsed
from credentials.enrolling import close_enrolment
from credentials.models import Enrolment, Programme
from credentials.proposing import role_words
from credentials.return_plans import end_with_award
from credentials.rules import observation_overdue
from credentials.rules.awards import enrolment_on
from credentials.rules.progress import Line, is_met
from credentials.rules.terms import Terms
from credentials.rules.words import counted
from credentials.standings import Judged, judge_many
from credentials.unsettled import Unsettled, unsettled
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people.access import Right, access_of
from people.clock import in_words
from people.models import Clinician, Unit
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock
from people.tree import tree

AWARDED, RENEWED, SCOPED, SCOPE_ENDED = "awarded", "renewed", "scope by role decided", "scope by role ended"


@dataclass(frozen=True)
class Check:
    """What stands before whoever decides: the terms with what is there, what is open. `digest` is what is signed."""

    clinician: Clinician
    procedure: Procedure
    on: date
    lines: tuple[Line, ...]
    open: Unsettled
    programme: Programme | None
    known: int

    @property
    def is_met(self) -> bool:
        return is_met(self.lines)

    @property
    def digest(self) -> str:
        return digest_of(
            {
                "clinician": str(self.clinician.uuid),
                "procedure": self.procedure.code,
                "on": self.on.isoformat(),
                "programme": str(self.programme.uuid) if self.programme else None,
                "lines": [[line.label, line.have, line.need, line.note] for line in self.lines],
                "hangs": self.open.content,
            }
        )


def check_award(clinician: Clinician, procedure: Procedure) -> Check:
    """How far the enrolment that holds today is on its terms. Raises Problems for somebody who is not enrolled."""
    judged, enrolment = _judged(clinician, procedure), _enrolment(clinician, procedure)
    if enrolment is None:
        raise problem("", f"{clinician.name} is not enrolled for {procedure.name}: enrol first.")
    if enrolment.from_day > judged.on:
        raise problem("", f"{clinician.name} is enrolled only from {in_words(enrolment.from_day)}.")
    if enrolment_on(judged.facts, judged.on) is None:
        # Without an enrolment that counts there are no terms, and no terms would be met by anybody.
        raise problem("", f"The award of {clinician.name} was withdrawn since: end the old enrolment, and enrol again.")
    return _check(clinician, procedure, judged, (*judged.standing.entry, *judged.standing.award), enrolment.programme)


def check_renewal(clinician: Clinician, procedure: Procedure) -> Check:
    """How far the award is on its terms of renewal. Raises Problems if there is none, or if it is too early or late."""
    judged = _judged(clinician, procedure)
    award = renewable(clinician, procedure, judged.on)
    return _check(clinician, procedure, judged, judged.standing.renewal, _programme_renewed_under(award, judged.on))


def award(*, signer: Confirmed, clinician: Clinician, procedure: Procedure, scope_unit: Unit) -> Award:
    """Award a procedure at a unit and all below, from today. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, clinician)
    access.require(Right.DECIDE, scope_unit.pk)
    with transaction.atomic():
        lock(clinician)
        check = check_award(clinician, procedure)
        _require_met(check)
        enrolment = _enrolment(clinician, procedure)
        assert enrolment is not None
        assert check.programme is not None
        first = not Award.objects.known().filter(clinician=clinician, procedure=procedure).exists()
        with recording(actor=signer.user, kind="award.made", subject=clinician.uuid) as rec:
            made = add_award(
                rec,
                new_award(
                    clinician=clinician,
                    procedure=procedure,
                    scope_unit=scope_unit,
                    programme=check.programme,
                    kind=Award.Kind.AWARD,
                    from_day=check.on,
                    first=first,
                    basis=_basis(check),
                ),
            )
            close_enrolment(rec, enrolment=enrolment, until_day=check.on)
            end_with_award(rec, clinician, procedure, check.on)
            _sign(rec, signer, check, made)
            return made


def renew(*, signer: Confirmed, clinician: Clinician, procedure: Procedure) -> Award:
    """Renew the award that is in notice or grace: the anchor stays, months are added. Raises as `award`.

    Whether it may be renewed its own terms say; the renewal has the terms of the version in effect at its unit today.
    """
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, clinician)
    with transaction.atomic():
        lock(clinician)
        check = check_renewal(clinician, procedure)
        _require_met(check)
        old = renewable(clinician, procedure, check.on)
        access.require(Right.DECIDE, old.scope_unit_id)
        elsewhere = _extended(old)
        content = check.programme.content if check.programme else old.terms
        terms = parsed(content)
        months = old.months + terms.months
        if add_months(old.anchor, months) <= check.on:
            raise problem("", f"{counted(terms.months, 'month')} more would be over already: enrol, and award again.")
        with recording(actor=signer.user, kind="award.renewed", subject=clinician.uuid) as rec:
            # Held at several units, it is renewed at all of them: whoever extended it there decided that it holds.
            renewed = [
                add_award(
                    rec,
                    NewAward(
                        clinician=clinician,
                        procedure=procedure,
                        scope_unit=each.scope_unit,
                        programme=check.programme.uuid if check.programme else each.programme,
                        terms=content,
                        kind=Award.Kind.RENEWAL,
                        from_day=check.on,
                        anchor=each.anchor,
                        months=months,
                        basis=_basis(check),
                        provisional_until=each.provisional_until,
                        supervises_from=each.supervises_from,
                        long_absence_days=terms.long_absence_days if terms.return_insertions else None,
                    ),
                    replaces=each,
                )
                for each in (*elsewhere, old)
            ]
            _sign(rec, signer, check, renewed[-1])
            return renewed[-1]


def _extended(award: Award) -> list[Award]:
    """The same award where it was extended to: one anchor, one end, other units."""
    rows = Award.objects.known().filter(
        clinician=award.clinician_id, procedure=award.procedure_id, until_day=None, anchor=award.anchor,
        expires_on=award.expires_on,
    )  # fmt: skip
    return list(rows.exclude(pk=award.pk).select_related("clinician", "procedure", "scope_unit").order_by("pk"))


def renewable(clinician: Clinician, procedure: Procedure, on: date) -> Award:
    """The award that may be renewed on this day. Raises Problems with the day on which renewal opens or closed."""
    rows = Award.objects.known().filter(clinician=clinician, procedure=procedure, until_day=None, from_day__lte=on)
    old = rows.select_related("scope_unit").order_by("-expires_on").first()
    if old is None:
        raise problem("", f"{clinician.name} holds no award for {procedure.name} that could be renewed.")
    terms = parsed(old.terms)
    opens, closes = (
        old.expires_on - timedelta(days=terms.notice_days),
        old.expires_on + timedelta(days=terms.grace_days),
    )
    if on < opens:
        raise problem("", f"Renewal opens on {in_words(opens)}.")
    if on >= closes:
        raise problem("", f"It lapsed on {in_words(closes)}: enrol, and award again.")
    return old


def new_award(
    *,
    clinician: Clinician,
    procedure: Procedure,
    scope_unit: Unit,
    programme: Programme,
    kind: str,
    from_day: date,
    first: bool,
    basis: str,
    months: int | None = None,
) -> NewAward:
    """An award anchored on its first day under these terms, with what supervising needs copied from them."""
    terms: Terms = parsed(programme.content)
    provisional = first and terms.provisional_months > 0
    return NewAward(
        clinician=clinician,
        procedure=procedure,
        scope_unit=scope_unit,
        programme=programme.uuid,
        terms=programme.content,
        kind=kind,
        from_day=from_day,
        anchor=from_day,
        months=months or terms.months,
        basis=basis,
        first=first,
        provisional_until=add_months(from_day, terms.provisional_months) if provisional else None,
        supervises_from=from_day + timedelta(days=terms.supervising_after_days),
        long_absence_days=terms.long_absence_days if terms.return_insertions else None,
    )


def scope_digest(scope: NewScope | ScopeByRole) -> str:
    """The digest of a scope by role as a page shows it, decided or still to be: who decides or ends it signs this."""
    return digest_of(
        {
            "scope_for": str(scope.clinician.uuid) if scope.clinician else None,
            "profession": scope.profession,
            "procedure": scope.procedure.code,
            "unit": str(scope.unit.uuid),
            "from": scope.from_day.isoformat(),
            "until": scope.until_day.isoformat() if scope.until_day else None,
            "basis": scope.basis,
        }
    )


def decide_scope(*, signer: Confirmed, new: NewScope) -> ScopeByRole:
    """Let a person, or a profession on a unit, insert by appointment until a date. Raises NotPermitted, Problems."""
    access = access_of(signer.user)
    access.require(Right.DECIDE, new.unit.pk)
    if new.clinician is not None:
        access.require_about(Right.DECIDE, new.clinician)
    elif access.clinician is not None and access.clinician.profession == new.profession:
        raise problem(
            "profession", "This would be a decision about yourself too: somebody of another profession makes it."
        )
    if new.until_day is None:
        raise problem("until_day", "Give the last day: a scope by role is looked at again by then.")
    if new.until_day <= new.from_day:
        raise problem("until_day", "It would end before it began.")
    if found := text_problems("basis", new.basis, longest=300, asked="Say on what grounds."):
        raise Problems(found)
    with transaction.atomic():
        if new.clinician is not None:
            lock(new.clinician)
        with recording(actor=signer.user, kind="scope.decided") as rec:
            made = add_scope(rec, new)
            rec.subject = new.clinician.uuid if new.clinician else new.unit.uuid
            rec.content |= {
                "scope": str(made.uuid),
                "procedure": new.procedure.code,
                "unit": str(new.unit.uuid),
                "profession": new.profession,
                "from": new.from_day.isoformat(),
                "until": new.until_day.isoformat(),
            }
            rec.personal = {"basis": new.basis}
            signer.use(scope_digest(new), rec, role=role_words(signer.user, new.unit.pk))
            return made


def finish_scope(*, signer: Confirmed, scope: ScopeByRole, until_day: date, digest: str = "") -> ScopeByRole:
    """Let a scope by role end on another day; `digest` is what was signed ('': the scope as it stands).

    Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require(Right.DECIDE, scope.unit_id)
    if scope.clinician is not None:
        access.require_about(Right.DECIDE, scope.clinician)
    with transaction.atomic():
        if scope.clinician is not None:
            lock(scope.clinician)
        with recording(actor=signer.user, kind="scope.ended") as rec:
            made = end_scope(rec, scope, until_day)
            rec.subject = scope.clinician.uuid if scope.clinician else scope.unit.uuid
            rec.content |= {"scope": str(scope.uuid), "until": until_day.isoformat()}
            signer.use(digest or scope_digest(scope), rec, role=role_words(signer.user, scope.unit_id))
            return made


def _judged(clinician: Clinician, procedure: Procedure) -> Judged:
    return judge_many([(clinician.pk, procedure.pk)])[clinician.pk, procedure.pk]


def _programme_renewed_under(award: Award, on: date) -> Programme | None:
    """The version in effect where the award holds, else its own; None where neither is in the register."""
    binding = programmes_known().binding(award.procedure_id, tree().above(award.scope_unit_id), on)
    return binding or Programme.objects.filter(uuid=award.programme).first()


def _enrolment(clinician: Clinician, procedure: Procedure) -> Enrolment | None:
    rows = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure, until_day=None)
    return rows.select_related("programme", "clinician", "procedure").first()


def _check(
    clinician: Clinician, procedure: Procedure, judged: Judged, lines: tuple[Line, ...], programme: Programme | None
) -> Check:
    overdue = next((each.text for each in judged.standing.findings if each.rule == observation_overdue.RULE), "")
    return Check(
        clinician=clinician,
        procedure=procedure,
        on=judged.on,
        lines=lines,
        open=unsettled(clinician, procedure, overdue=overdue),
        programme=programme,
        known=judged.known,
    )


def _require_met(check: Check) -> None:
    found = [
        Problem("", f"{line.label}: have {line.have}, need {line.need}.") for line in check.lines if not line.is_met
    ]
    if found:
        raise Problems(found)


def _basis(check: Check) -> str:
    """What the decision was made on, kept with it."""
    return canonical(
        {
            "known": check.known,
            "on": check.on.isoformat(),
            "terms": [
                {"label": line.label, "have": line.have, "need": line.need, "note": line.note} for line in check.lines
            ],
            **check.open.content,
        }
    )


def _sign(rec: Recording, signer: Confirmed, check: Check, made: Award) -> None:
    rec.content |= {
        "award": str(made.uuid),
        "procedure": check.procedure.code,
        "scope_unit": str(made.scope_unit.uuid),
        "programme": str(made.programme),
        "from": made.from_day.isoformat(),
        "expires_on": made.expires_on.isoformat(),
        "months": made.months,
    }
    signer.use(check.digest, rec, role=role_words(signer.user, made.scope_unit_id))
