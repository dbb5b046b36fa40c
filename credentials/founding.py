"""Founding awards: what was held before the register began, entered by one person and confirmed by another."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction
from django.db.models import QuerySet

from audits.awards import add_award
from audits.calendar import add_months
from audits.freetext import text_problems
from audits.models import Award, Procedure
from credentials.awarding import new_award
from credentials.documents import terms
from credentials.enrolling import programme_for
from credentials.models import Founding
from credentials.proposing import AlreadyDecided, role_words
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, Unit, User
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock
from people.tree import tree

MEANING, REFUSED = "founding award confirmed", "founding award refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFounding:
    """A claim: who held what, where, since when, on what evidence kept where. `expires_on` is the first day without."""

    clinician: Clinician
    procedure: Procedure
    scope_unit: Unit
    awarded_on: date
    evidence_kind: str
    evidence_place: str
    expires_on: date | None = None


def enter_founding(*, actor: User, new: NewFounding) -> Founding:
    """Enter a claim about somebody else. Raises NotPermitted, Problems."""
    access = access_of(actor)
    access.require_about(Right.FOUND, new.clinician)
    access.require(Right.FOUND, new.scope_unit.pk)
    with transaction.atomic():
        lock(new.clinician)
        with recording(actor=actor, kind="founding.entered", subject=new.clinician.uuid) as rec:
            made = add_founding(rec, entered_by=actor, new=new)
            rec.content |= _facts(made)
            return made


def add_founding(rec: Recording, *, entered_by: User, new: NewFounding) -> Founding:
    """The same within an act that is already open, an import. Raises Problems."""
    found = text_problems(
        "evidence_kind", new.evidence_kind, longest=60, asked="Say what shows it, such as a certificate."
    )
    found += text_problems("evidence_place", new.evidence_place, longest=120, asked="Say where the evidence is kept.")
    if new.awarded_on > clock.today("Pacific/Kiritimati"):
        found.append(Problem("awarded_on", "This day lies in the future."))
    if new.expires_on is not None and months_between(new.awarded_on, new.expires_on) is None:
        found.append(
            Problem(
                "expires_on",
                f"An award holds for whole months from {in_words(new.awarded_on)}: this last day fits none.",
            )
        )
    open_claims = Founding.objects.filter(
        clinician=new.clinician, procedure=new.procedure, scope_unit=new.scope_unit, decided=None
    )
    if open_claims.exists():
        found.append(Problem("", "Such a claim waits for confirmation already."))
    held = Award.objects.known().filter(
        clinician=new.clinician, procedure=new.procedure, scope_unit=new.scope_unit, until_day=None
    )
    if held.exists():
        found.append(Problem("", "An award is in the register already."))
    if found:
        raise Problems(found)
    made = Founding.objects.create(
        clinician=new.clinician,
        procedure=new.procedure,
        scope_unit=new.scope_unit,
        awarded_on=new.awarded_on,
        expires_on=new.expires_on,
        evidence_kind=new.evidence_kind.strip(),
        evidence_place=new.evidence_place.strip(),
        entered_by=entered_by,
        known_from_id=rec.seq,
    )
    # Nobody's standing rests on a claim; the registry wants the kind named all the same.
    stale.touch(cause=rec.kind, act=rec.seq)
    return made


def months_between(start: date, expires_on: date) -> int | None:
    """The whole months after which an award of `start` ends on `expires_on`; None if no number of months does."""
    guess = (expires_on.year - start.year) * 12 + expires_on.month - start.month
    return guess if guess > 0 and add_months(start, guess) == expires_on else None


def founding_digest(claim: Founding) -> str:
    """What who confirms signs."""
    return digest_of({"founding": str(claim.uuid), "clinician": str(claim.clinician.uuid), **_facts(claim)})


def waiting(access: Access) -> QuerySet[Founding]:
    """The claims that wait at this user's units; a claim about oneself, or entered by oneself, waits for others."""
    return (
        Founding.objects.filter(decided=None, scope_unit__in=access.units_for(Right.FOUND))
        .select_related("clinician", "procedure", "scope_unit", "entered_by")
        .order_by("clinician__name", "id")
    )


def may_decide(access: Access, claim: Founding) -> bool:
    """Whether this user may confirm or refuse: never their own claim, never a claim about themselves."""
    return (
        access.may(Right.FOUND, claim.scope_unit_id)
        and claim.entered_by_id != access.user.pk
        and not access.is_self(claim.clinician)
    )


def decide_founding(*, signer: Confirmed, claim: Founding, confirmed: bool) -> Award | None:
    """Confirm a claim, which makes the award, or refuse it. Raises NotPermitted, AlreadyDecided, Problems."""
    if not may_decide(access_of(signer.user), claim):
        raise NotPermitted(f"{signer.user.pk} may not decide founding award {claim.uuid}")
    with transaction.atomic():
        lock(claim.clinician)
        row = Founding.objects.select_for_update().get(pk=claim.pk)
        if row.decided_id is not None:
            raise AlreadyDecided("Somebody decided this claim before.")
        with recording(actor=signer.user, kind="founding.decided", subject=row.clinician.uuid) as rec:
            made = _award(rec, row, signer.user) if confirmed else None
            rec.content |= {
                **_facts(row),
                "founding": str(row.uuid),
                "confirmed": confirmed,
                "award": str(made.uuid) if made else None,
            }
            signer.use(founding_digest(claim), rec, role=role_words(signer.user, row.scope_unit_id))
            Founding.objects.filter(pk=row.pk).update(decided_id=rec.seq, decided_by=signer.user, confirmed=confirmed)
            stale.touch([row.clinician_id], procedure=row.procedure_id, cause=rec.kind, act=rec.seq)
    claim.refresh_from_db()
    return made


def _award(rec: Recording, row: Founding, by: User) -> Award:
    today = clock.today(tree().zone(row.scope_unit_id))
    programme = programme_for(row.clinician, row.procedure, today)
    if programme is None:
        raise problem(
            "", f"No programme for {row.procedure.name} is in effect at the home unit: approve one first, then confirm."
        )
    months = months_between(row.awarded_on, row.expires_on) if row.expires_on else terms(programme.content).months
    assert months is not None
    return add_award(
        rec,
        new_award(
            clinician=row.clinician,
            procedure=row.procedure,
            scope_unit=row.scope_unit,
            programme=programme,
            kind=Award.Kind.FOUNDING,
            from_day=row.awarded_on,
            first=False,
            months=months,
            basis=canonical({**_facts(row), "entered_by": row.entered_by.name, "confirmed_by": by.name}),
        ),
    )


def _facts(row: Founding) -> dict[str, str | None]:
    return {
        "procedure": row.procedure.code,
        "scope_unit": str(row.scope_unit.uuid),
        "awarded_on": row.awarded_on.isoformat(),
        "expires_on": row.expires_on.isoformat() if row.expires_on else None,
        "evidence_kind": row.evidence_kind,
        "evidence_place": row.evidence_place,
    }


def last_day(claim: Founding) -> date | None:
    """The last day on which the claimed award holds, if the claim says so."""
    return claim.expires_on - timedelta(days=1) if claim.expires_on else None
