"""Rules, programmes and checklists as local documents: two people for each version, in effect from a day."""

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any, TypeVar
from uuid import UUID, uuid4

from django.db import transaction
from django.db.models import Max, QuerySet

from audits import checklist
from audits.freetext import text_problems
from audits.models import Checklist, Procedure
from credentials import learning
from credentials.models import Programme, Proposed, Rules
from credentials.rules import ruleset, terms
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import stale
from people.access import Access, NotPermitted, Right, access_of, require
from people.clock import in_words, today
from people.models import Unit, User
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.tree import tree

Document = TypeVar("Document", bound=Proposed)
MEANING = "approved"
KINDS: dict[type[Proposed], tuple[str, Callable[[Mapping[str, object]], Sequence[tuple[str, str]]]]] = {
    Rules: ("rules", ruleset.errors_in),
    Programme: ("programme", terms.errors_in),
    Checklist: ("checklist", checklist.errors_in),
}


class AlreadyDecided(RuntimeError):  # noqa: N818
    """Somebody approved this version before, or it was taken back."""


def propose(
    model: type[Document],
    *,
    actor: User,
    unit: Unit,
    procedure: Procedure,
    name: str,
    content: Mapping[str, Any],
    effective_on: date,
    note: str = "",
    uuid: UUID | None = None,
) -> Document:
    """Propose a version for a unit and all below. It binds nobody until another person approves it.

    Raises NotPermitted; Problems for content that cannot be used, or a past day for any but a first version.
    """
    require(actor, Right.KEEP_RULES, unit.pk)
    with transaction.atomic():
        Unit.objects.select_for_update().get(pk=unit.pk)
        with recording(actor=actor, kind=f"{KINDS[model][0]}.proposed") as rec:
            return add_proposal(
                rec,
                model,
                proposed_by=actor,
                unit=unit,
                procedure=procedure,
                name=name,
                content=content,
                effective_on=effective_on,
                note=note,
                uuid=uuid,
            )


def add_proposal(
    rec: Recording,
    model: type[Document],
    *,
    proposed_by: User | None,
    unit: Unit,
    procedure: Procedure,
    name: str,
    content: Mapping[str, Any],
    effective_on: date,
    note: str = "",
    uuid: UUID | None = None,
) -> Document:
    """The same within an act that is already open. Nobody as proposer: an example that came with Sited."""
    complete: dict[str, Any] = {}
    found: list[Problem] = []
    try:
        complete = usable(model, content)
    except Problems as problems:
        found.extend(problems.items)
    if not name.strip():
        found.append(Problem("name", "Give the version a name."))
    if len(name) > 80:
        found.append(Problem("name", "Use at most 80 characters."))
    found.extend(text_problems("note", note, longest=500))
    found.extend(_day_problems(model, unit, procedure, effective_on))
    if model is Programme:
        found.extend(counted_from_problems(complete, procedure))
    if found:
        raise Problems(found)
    last = model._default_manager.filter(unit=unit, procedure=procedure).aggregate(last=Max("version"))["last"] or 0
    row: Document = model._default_manager.create(  # type: ignore[assignment]
        uuid=uuid or uuid4(),
        unit=unit,
        procedure=procedure,
        version=last + 1,
        name=name.strip(),
        content=canonical(complete),
        note=note.strip(),
        proposed_by=proposed_by,
        effective_on=effective_on,
        known_from_id=rec.seq,
    )
    if rec.subject is None:
        rec.subject = row.uuid
        rec.content |= {
            "digest": document_digest(row),
            "version": row.version,
            "effective_on": effective_on.isoformat(),
        }
    return row


def usable(model: type[Proposed], content: Mapping[str, Any]) -> dict[str, Any]:
    """The content complete with what is worked out from it. Raises Problems for content that cannot be used."""
    complete = ruleset.with_limit(ruleset.spelt_out(content)) if model is Rules else dict(content)
    if found := [Problem(path, message) for path, message in KINDS[model][1](complete)]:
        raise Problems(found)
    return complete


def counted_from_problems(content: Mapping[str, Any], procedure: Procedure) -> list[Problem]:
    """A programme may count insertions of other procedures that are in the register, and never its own again."""
    codes = content.get("counts_from", ())
    known = set(Procedure.objects.filter(code__in=codes).values_list("code", flat=True)) if codes else set()
    found = [f"{code} is not the code of a procedure" for code in codes if code not in known]
    if procedure.code in codes:
        found.append("its own insertions count already: choose other procedures")
    return [Problem("counts_from", each) for each in found]


def _day_problems(model: type[Proposed], unit: Unit, procedure: Procedure, effective_on: date) -> list[Problem]:
    """Only a unit's first version may take effect in the past, and none before a version that binds already."""
    approved = model._default_manager.filter(unit=unit, procedure=procedure, approved__isnull=False)
    latest = approved.aggregate(last=Max("effective_on"))["last"]
    if latest is None:
        return []
    now = today(tree().zone(unit.pk))
    if effective_on < now:
        return [
            Problem("effective_on", f"Choose {in_words(now)} or later: only a first version may begin in the past.")
        ]
    if effective_on < latest:
        return [
            Problem("effective_on", f"Another version takes effect on {in_words(latest)}: choose that day or later.")
        ]
    return []


def document_digest(row: Proposed) -> str:
    """What who approves signs: the content with unit, procedure, version and day."""
    return digest_of(
        {
            "kind": KINDS[type(row)][0],
            "uuid": str(row.uuid),
            "unit": str(row.unit.uuid),
            "procedure": row.procedure.code,
            "version": row.version,
            "name": row.name,
            "content": json.loads(row.content),
            "effective_on": row.effective_on.isoformat(),
        }
    )


def approve(*, signer: Confirmed, document: Document) -> Document:
    """Approve a version that somebody else proposed. Raises NotPermitted, AlreadyDecided, Problems."""
    model, kind = type(document), KINDS[type(document)][0]
    require(signer.user, Right.KEEP_RULES, document.unit_id)
    with transaction.atomic():
        row = model._default_manager.select_for_update().get(pk=document.pk)
        if row.approved_id is not None or row.known_until_id is not None:
            raise AlreadyDecided("This version was decided before.")
        if row.proposed_by_id == signer.user.pk:
            raise NotPermitted("Somebody else than who proposed a version approves it.")
        if late := _day_problems(model, row.unit, row.procedure, row.effective_on):
            raise problem("", f"{late[0].text} Take it back and propose it again.")
        learners = learning.waiting_for(row) if isinstance(row, Programme) else []
        with recording(actor=signer.user, kind=f"{kind}.approved", subject=row.uuid) as rec:
            signer.use(document_digest(row), rec, role=role_words(signer.user, row.unit_id))
            rec.content |= {"version": row.version, "effective_on": row.effective_on.isoformat()}
            model._default_manager.filter(pk=row.pk).update(approved_id=rec.seq, approved_by=signer.user)
            stale.touch(
                cause=rec.kind,
                act=rec.seq,
                procedure=row.procedure_id,
                units=tree().below(row.unit_id),
                from_day=row.effective_on,
            )
            learning.open_waiting(rec, learners)
    document.refresh_from_db()
    return document


def take_back(*, actor: User, document: Proposed) -> None:
    """Take back a version that nobody approved yet. Raises NotPermitted, AlreadyDecided."""
    model, kind = type(document), KINDS[type(document)][0]
    require(actor, Right.KEEP_RULES, document.unit_id)
    with transaction.atomic():
        row = model._default_manager.select_for_update().get(pk=document.pk)
        if row.approved_id is not None or row.known_until_id is not None:
            raise AlreadyDecided("This version was decided before.")
        with recording(actor=actor, kind=f"{kind}.taken_back", subject=row.uuid) as rec:
            model._default_manager.filter(pk=row.pk).update(known_until_id=rec.seq)
            stale.touch(cause=rec.kind, act=rec.seq)


def waiting(model: type[Document], access: Access) -> QuerySet[Document]:
    """The versions that wait for approval at this user's units, their own proposals included."""
    rows: QuerySet[Document] = model._default_manager.filter(known_until=None, approved=None)  # type: ignore[assignment]
    return (
        rows.filter(unit__in=access.units_for(Right.KEEP_RULES))
        .select_related("unit", "procedure", "proposed_by")
        .order_by("unit_id", "procedure_id", "version")
    )


def role_words(user: User, unit: int) -> str:
    """The appointments by which somebody acts at a unit, as a signature prints them: 'Educator, Saltmarsh Hospital'."""
    access = access_of(user)
    above = access.tree.above(unit)
    return access.as_printed(each for each in access.appointments if each.unit_id in above)
