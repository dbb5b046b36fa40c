"""Certificates: given out for an award in force or in grace, looked up by the token in their square code, revoked.

The token has 160 random bits, is in the code and nowhere else: the register keeps its digest. Whether the certificate
still holds is judged on the day that somebody asks, at the unit where the award is held.
"""

import hashlib
import re
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction

from audits.freetext import text_problems
from audits.models import Award
from credentials.documents import terms
from credentials.models import Certificate, Programme
from credentials.papers.paper import CAUTION, moment_words
from credentials.papers.printing import pdf, square_code
from credentials.rules.answers import Status
from credentials.rules.standing import AnswerAt, answer_at
from credentials.standings import judge_many
from ledger.acts import head, recording
from ledger.canonical import digest
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, User
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock
from people.tree import Tree, tree

BYTES = 20  # 160 bits; ASVS 5.0, 11.5.1 asks for at least 128
MADE = "certificate.made"
REVOKED = "certificate.revoked"
MEANING = "revoked a certificate"
LONGEST_REASON = 300
TOKEN = re.compile(r"[A-Za-z0-9_-]{27}")


@dataclass(frozen=True, kw_only=True)
class GivenOut:
    """A certificate that was just made: its row, the file, and the token, which nobody sees again."""

    row: Certificate
    file: bytes
    token: str


@dataclass(frozen=True, kw_only=True)
class Holding:
    """An award that a certificate may say, and how it stands at the unit where it is held."""

    award: Award
    at: AnswerAt
    on: date
    where: str

    @property
    def lapses_on(self) -> date:
        return self.award.expires_on + timedelta(days=terms(self.award.terms).grace_days)


@dataclass(frozen=True, kw_only=True)
class Public:
    """What the page behind the code says, and nothing else."""

    name: str
    procedure: str
    where: str
    made_on: date
    on: date
    state: str  # holds, grace, ended or revoked
    through: date | None


def may_give_out(access: Access, clinician: Clinician) -> bool:
    """Oneself, and educators and managers of the unit."""
    return access.is_self(clinician) or access.may_about(Right.FOUND, clinician)


def holdings_of(clinician: Clinician) -> list[Holding]:
    """What certificates may say about this person today: one for each procedure and unit, in force or in grace."""
    places = tree()
    rows = Award.objects.known().filter(clinician=clinician, until_day=None).order_by("procedure__name", "from_day")
    found = [_holding(each, places) for each in rows.select_related("procedure", "scope_unit", "clinician")]
    return [each for each in found if each is not None]


def give_out(*, actor: User, award: Award, address: Callable[[str], str]) -> GivenOut:
    """A certificate of this award; `address` makes the public page's address from the token.

    Raises NotPermitted; Problems where the award is neither in force nor in grace today.
    """
    clinician, access = award.clinician, access_of(actor)
    if not may_give_out(access, clinician):
        raise NotPermitted(f"{actor.pk} gives out no certificate of clinician {clinician.pk}")
    token = secrets.token_urlsafe(BYTES)
    with transaction.atomic():
        lock(clinician)
        holding = _holding(award, tree()) if Award.objects.known().filter(pk=award.pk).exists() else None
        if holding is None:
            raise problem("", f"{clinician.name} does not hold this today: a certificate would say what is not so.")
        known, now = head(), clock.now()
        file = pdf("certificate", _said(holding, actor, known=known, now=now, address=address(token)), at=now)
        with recording(actor=actor, kind=MADE, subject=clinician.uuid) as rec:
            row = Certificate.objects.create(
                clinician=clinician,
                procedure=award.procedure,
                award=award.uuid,
                token_digest=digest(token),
                by=actor,
                made_on=holding.on,
                made_id=rec.seq,
            )
            rec.content |= {**certificate_facts(row), "file": hashlib.sha256(file).hexdigest(), "known": known}
            stale.touch(cause=rec.kind, act=rec.seq)
    return GivenOut(row=row, file=file, token=token)


def certificate_facts(row: Certificate) -> dict[str, Any]:
    """All that the row says: its act says the same."""
    return {
        "award": str(row.award),
        "certificate": str(row.uuid),
        "made_on": row.made_on.isoformat(),
        "procedure": row.procedure.code,
        "token_digest": row.token_digest,
    }


def revocation_digest(row: Certificate, reason: str) -> str:
    """What whoever revokes a certificate signs: all that it says, and why."""
    return digest_of({**certificate_facts(row), "reason": reason.strip()})


def check_revocation(row: Certificate, reason: str) -> None:
    """Raises Problems for a revocation that could not be made, before it is signed."""
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why it is revoked."):
        raise Problems(found)
    if row.revoked_id is not None:
        raise problem("", "It was revoked already.")


def revoke(*, signer: Confirmed, certificate: Certificate, reason: str) -> Certificate:
    """Let the page behind a certificate's code say that it was revoked. The award is not touched.

    By educators of the unit; what is signed is `revocation_digest`. Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, certificate.clinician)
    reason = reason.strip()
    with transaction.atomic():
        rows = Certificate.objects.select_for_update(of=("self",)).select_related("clinician", "procedure")
        row = rows.get(pk=certificate.pk)
        check_revocation(row, reason)
        with recording(actor=signer.user, kind=REVOKED, subject=row.clinician.uuid) as rec:
            Certificate.objects.filter(pk=row.pk, revoked=None).update(revoked_id=rec.seq)
            rec.content |= {"certificate": str(row.uuid)}
            rec.personal = {"reason": reason}
            stale.touch(cause=rec.kind, act=rec.seq)
            signer.use(revocation_digest(row, reason), rec, role=access.printed_for(Right.DECIDE))
        row.refresh_from_db()
    return row


def of(clinician: Clinician) -> Sequence[Certificate]:
    """The certificates that were given out about somebody, the latest first."""
    rows = Certificate.objects.filter(clinician=clinician).select_related("procedure", "by", "made", "revoked")
    return list(rows.order_by("-pk"))


def look_up(token: str) -> Public | None:
    """What the public page says today, None for a token that opens nothing; each costs the same digest and query."""
    rows = Certificate.objects.filter(token_digest=hashlib.sha256(token.encode()).hexdigest())
    row = rows.select_related("clinician", "procedure").first()
    if row is None or not TOKEN.fullmatch(token):
        return None
    award = Award.objects.filter(uuid=row.award).select_related("scope_unit").order_by("pk").first()
    if award is None:
        return None
    places = tree()
    judged = judge_many([(row.clinician_id, row.procedure_id)], on=clock.today(places.zone(award.scope_unit_id)))
    standing = judged[row.clinician_id, row.procedure_id]
    at = answer_at(standing.standing, places.above(award.scope_unit_id), on=standing.on)
    state = "holds" if at.status.is_held else "grace" if at.status is Status.IN_GRACE else "ended"
    through = at.expires_on - timedelta(days=1) if at.expires_on and state != "ended" else None
    is_revoked = row.revoked_id is not None
    return Public(
        name=row.clinician.name,
        procedure=row.procedure.name,
        where=places.path(award.scope_unit_id),
        made_on=row.made_on,
        on=standing.on,
        state="revoked" if is_revoked else state,
        through=None if is_revoked else through,
    )


def _holding(award: Award, places: Tree) -> Holding | None:
    """How an award stands today where it is held; None if it is neither in force nor in grace."""
    on = clock.today(places.zone(award.scope_unit_id))
    pair = (award.clinician_id, award.procedure_id)
    judged = judge_many([pair], on=on)[pair]
    at = answer_at(judged.standing, places.above(award.scope_unit_id), on=on)
    if not (at.status.is_held or at.status is Status.IN_GRACE) or at.award != str(award.uuid):
        return None
    return Holding(award=award, at=at, on=on, where=places.path(award.scope_unit_id))


def _said(holding: Holding, actor: User, *, known: int, now: datetime, address: str) -> dict[str, Any]:
    """What certificate.typ reads."""
    award = holding.award
    clinician = award.clinician
    registration = clinician.user.registration if clinician.user else ""
    who = f"{clinician.get_profession_display()}, staff number {clinician.staff_number}"
    last = award.expires_on - timedelta(days=1)
    return {
        "title": "Certificate",
        "organisation": tree().name(tree().root),
        "name": clinician.name,
        "who": f"{who}, registration {registration}" if registration else who,
        "says": f"holds {award.procedure.name} at {holding.where}, and everywhere below it.",
        "marks": list(_marks(holding)),
        "facts": [
            ["Procedure", award.procedure.name],
            ["Held at", holding.where],
            ["From", in_words(award.from_day)],
            ["Through", in_words(last)],
            ["On which footing", award.get_kind_display()],
            ["Terms", _terms_words(award)],
        ],
        "signed": [list(each) for each in _signed(award)],
        "code": square_code(address),
        "code_alt": f"Square code that opens {address}",
        "address": address,
        "ask": f"This paper says how it stood on {in_words(holding.on)}. The code opens a page that says whether it "
        "still holds, without signing in.",
        "not_proof": "Whether somebody may insert here and now, and with whom beside, the register answers on the "
        "ward: a stand-down or a plan is not on any paper.",
        "foot": f"Made {moment_words(now)} by {actor.name}, as known at number {known}.",
        "caution": CAUTION,
    }


def _marks(holding: Holding) -> list[str]:
    award, found = holding.award, []
    if holding.at.status is Status.IN_GRACE:
        found.append(
            f"Ran out on {in_words(award.expires_on)}; in grace: it lapses on {in_words(holding.lapses_on)} unless "
            "it is renewed."
        )
    if award.provisional_until is not None and holding.on < award.provisional_until:
        last = award.provisional_until - timedelta(days=1)
        found.append(f"Provisional through {in_words(last)}: the first months after a first award.")
    if award.kind == Award.Kind.FOUNDING:
        found.append("Founding award: held before the register began, confirmed by two people on other evidence.")
    if award.kind == Award.Kind.RECOGNISED:
        found.append("Recognised from elsewhere: accepted by an educator on evidence from outside.")
    return found


def _terms_words(award: Award) -> str:
    row = Programme.objects.filter(uuid=award.programme).first()
    return str(row) if row is not None else "as kept with the award"


def _signed(award: Award) -> list[tuple[str, str]]:
    """Who signed the decision: printed name, role, moment, meaning, as the act that made the award says."""
    first = Award.objects.filter(uuid=award.uuid).select_related("known_from").order_by("pk")[0].known_from
    signature = first.facts.get("signature")
    if not signature:
        return [("Signature", f"none in the register: it came with act number {first.seq}")]
    at = datetime.fromisoformat(signature["signed_at"])
    return [
        ("Printed name", signature["printed_name"]),
        ("Role", signature["role"] or "not noted"),
        ("Registration", signature["registration"] or "none noted"),
        ("Signed", moment_words(at)),
        ("Meaning", signature["meaning"]),
    ]
