"""Countersignatures whose signer is found to have been not eligible: what rests on them, and what an educator decides.

Until somebody decides, the credit counts and is in question. In a batch, with a reason: it counts all the same, or it
counts no more; safety and volume stay in either case. What was decided may be decided otherwise later.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from audits.freetext import text_problems
from audits.holding import Refusal, holdings
from audits.logbook import touch
from audits.models import Insertion, Outcome, Reconsidered, Statement
from audits.outcomes import SUPERVISED, refresh
from audits.wording import summary
from ledger.acts import recording
from people.access import Access, NotPermitted, Right, access_of
from people.models import Clinician, User
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of

MEANING = "decided about countersignatures in question"
LONGEST_REASON = 500
MOST = 500
Decided = Reconsidered.Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class InQuestion:
    """A countersignature that its signer could not give there and then, as is known now, and why."""

    statement: Statement
    why: str
    decided: Reconsidered | None

    @property
    def insertion(self) -> Insertion:
        return self.statement.insertion

    @property
    def what(self) -> str:
        """What was signed, in a line."""
        return f"{self.insertion.procedure.name}. {summary(self.insertion)}. {self.statement.get_kind_display()}"


def in_question(access: Access) -> list[InQuestion]:
    """Those on this user's units that wait for a decision, by signer, oldest first. A fixed number of queries."""
    waits = Outcome.objects.filter(in_question=1, unit__in=access.units_for(Right.DECIDE)).values("insertion")
    rows = _statements().filter(insertion__in=waits).exclude(insertion__clinician__user=access.user)
    return _why(list(rows.order_by("by__name", "by", "insertion__performed_at", "pk")))


def resting_on(
    access: Access, signer: User, *, first: date | None = None, last: date | None = None
) -> list[InQuestion]:
    """All that rests on one signer on this user's units and could not, decided or not, of these days."""
    rows = _statements().filter(by=signer, insertion__unit__in=access.units_for(Right.DECIDE))
    if first is not None:
        rows = rows.filter(insertion__performed_on__gte=first)
    if last is not None:
        rows = rows.filter(insertion__performed_on__lte=last)
    return _why(list(rows.order_by("insertion__performed_at", "pk")))


def count_for(access: Access) -> int:
    """How many wait for this user."""
    if not access.may_somewhere(Right.DECIDE):
        return 0
    waits = Outcome.objects.filter(in_question=1, unit__in=access.units_for(Right.DECIDE))
    own = () if access.clinician is None else (access.clinician.pk,)
    return waits.exclude(clinician__in=own).count()


def decision_digest(statements: Collection[Statement], outcome: str, reason: str) -> str:
    """What whoever decides signs: every countersignature, what becomes of them, and why."""
    return digest_of(
        {
            "statements": sorted([str(each.insertion.uuid), each.insertion_digest, each.pk] for each in statements),
            "outcome": str(outcome),
            "reason": reason.strip(),
        }
    )


def decide(*, signer: Confirmed, statements: Collection[Statement], outcome: str, reason: str) -> list[Reconsidered]:
    """Decide about these at once: they count all the same, or no more. What is signed is `decision_digest`.

    Raises NotPermitted (not one's unit, one's own entry, one's own signature), NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    if outcome not in Decided.values:
        raise problem("outcome", "Choose what becomes of them.")
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why."):
        raise Problems(found)
    if not 0 < len(statements) <= MOST:
        raise problem("", f"Choose at least one, and at most {MOST} at once.")
    with transaction.atomic():
        whose = sorted({each.insertion.clinician_id for each in statements})
        list(Clinician.objects.select_for_update().filter(pk__in=whose).order_by("pk").values_list("pk"))
        rows = {each.statement.pk: each for each in _why(list(_statements().filter(pk__in=[s.pk for s in statements])))}
        if len(rows) != len({each.pk for each in statements}):
            raise problem("", "One of them is not in question any more: look again.")
        for each in rows.values():
            _require(access, each)
        with recording(actor=signer.user, kind="statements.reconsidered") as rec:
            decided = [each.decided.pk for each in rows.values() if each.decided]
            Reconsidered.objects.filter(pk__in=decided).update(known_until_id=rec.seq)
            made = Reconsidered.objects.bulk_create(
                [
                    Reconsidered(
                        statement=each.statement, outcome=outcome, reason=reason.strip(), by=signer.user,
                        known_from_id=rec.seq,
                    )
                    for each in rows.values()
                ]
            )  # fmt: skip
            rec.content |= {
                "outcome": str(outcome),
                "statements": {str(row.uuid): facts_of(row.statement) for row in made},
            }
            rec.personal = {"reason": reason.strip()}
            refresh([each.insertion.uuid for each in rows.values()])
            touch({(each.insertion.clinician_id, each.insertion.procedure_id) for each in rows.values()}, rec)
            signer.use(decision_digest(statements, outcome, reason), rec, role=access.printed_for(Right.DECIDE))
            return made


def facts_of(statement: Statement) -> dict[str, str | int]:
    """Which countersignature is meant, as an act says it."""
    row = statement.insertion
    return {"insertion": str(row.uuid), "version": row.version, "digest": statement.insertion_digest}


def _require(access: Access, each: InQuestion) -> None:
    row = each.insertion
    own = access.user.pk in (row.clinician_user_id, row.clinician.user_id, each.statement.by_id)
    if own or not access.may(Right.DECIDE, row.unit_id):
        raise NotPermitted(f"{access.user.pk} may not decide about the signature on insertion {row.uuid}")


def _statements() -> QuerySet[Statement]:
    rows = Statement.objects.known().filter(kind__in=SUPERVISED, insertion__known_until=None)
    return rows.select_related("insertion__clinician", "insertion__procedure", "insertion__unit", "by")


def _why(rows: list[Statement]) -> list[InQuestion]:
    """Of these countersignatures those whose signer could not give them, each with why."""
    facts = holdings({row.by_id for row in rows})
    decided = {each.statement_id: each for each in Reconsidered.objects.known().filter(statement__in=rows)}
    found = []
    for row in rows:
        at = row.insertion
        held = facts.may_supervise(row.by_id, unit=at.unit_id, procedure=at.procedure_id, on=at.performed_on)
        if isinstance(held, Refusal):
            found.append(InQuestion(statement=row, why=held.text, decided=decided.get(row.pk)))
    return found
