"""Writing a checklist: kept as one goes for those who keep the rules of its unit, until it is proposed or thrown away.

A draft is no evidence and binds nobody, so it leaves no act; what is proposed from it does, under the draft's UUID.
"""

from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.db import transaction

from audits.checklist import Fault, errors_in
from audits.checklists import checklists_known, parsed
from audits.example_checklist import EXAMPLE, NAME
from audits.models import Checklist, ChecklistDraft, Procedure
from credentials.checklist_edits import EMPTY, Edit
from credentials.proposing import propose
from people import clock
from people.access import Access, Right, require
from people.models import Unit, User
from people.problems import problem
from people.tree import tree

MOST = 20  # drafts at one unit


class Start(StrEnum):
    """What a draft begins with."""

    IN_FORCE = "in_force"
    EXAMPLE = "example"
    EMPTY = "empty"


START_WORDS = {
    Start.IN_FORCE.value: "From the checklist in force there",
    Start.EXAMPLE.value: "From the example: adult cannulation by landmark",
    Start.EMPTY.value: "Empty",
}
IN_FORCE, FROM_EXAMPLE, FROM_NOTHING = START_WORDS.values()


class Changed(RuntimeError):  # noqa: N818
    """Somebody saved this draft after it was shown; nothing was written over. `draft` is as it is now."""

    def __init__(self, draft: ChecklistDraft) -> None:
        super().__init__(f"{draft.changed_by.name} saved this draft after you opened it.")
        self.draft = draft


class AlreadyProposed(RuntimeError):  # noqa: N818
    """This draft became a version, of the same UUID."""


def begin(*, actor: User, unit: Unit, procedure: Procedure, start: str, uuid: UUID) -> ChecklistDraft:
    """Begin a draft; the same UUID again is the same draft. Raises NotPermitted, Problems, AlreadyProposed."""
    require(actor, Right.KEEP_RULES, unit.pk)
    with transaction.atomic():
        Unit.objects.select_for_update().get(pk=unit.pk)
        if Checklist.objects.filter(uuid=uuid).exists():
            raise AlreadyProposed("This draft was proposed already.")
        known = ChecklistDraft.objects.filter(uuid=uuid).first()
        if known is not None:
            require(actor, Right.KEEP_RULES, known.unit_id)
            return known
        if ChecklistDraft.objects.filter(unit=unit).count() >= MOST:
            raise problem("", f"{MOST} checklists are being written for this unit: propose or throw one away first.")
        name, content = _beginning(unit, procedure, start)
        return ChecklistDraft.objects.create(
            uuid=uuid,
            unit=unit,
            procedure=procedure,
            name=name,
            content=content,
            begun_by=actor,
            changed_by=actor,
            changed_at=clock.now(),
        )


def _beginning(unit: Unit, procedure: Procedure, start: str) -> tuple[str, dict[str, Any]]:
    if start == Start.EXAMPLE:
        return NAME, EXAMPLE.to_content()
    if start == Start.EMPTY:
        return "", {name: list(rows) for name, rows in EMPTY.items()}
    row = in_force(procedure.pk, unit.pk)
    if row is None:
        raise problem("start", "No checklist is in force there: begin from the example, or with an empty one.")
    return row.name, parsed(row).to_content()


def in_force(procedure: int, unit: int) -> Checklist | None:
    """The version that binds at a unit today, its own or that of a unit above. Two queries."""
    now = tree()
    return checklists_known().binding(procedure, now.above(unit), clock.today(now.zone(unit)))


def change(
    *, user: User, draft: ChecklistDraft, revision: int, edit: Edit | None = None, name: str | None = None
) -> ChecklistDraft:
    """Save one edit, or another name, of the draft as it stood at this revision.

    Raises NotPermitted; Changed if somebody saved it meanwhile; Problems; ChecklistDraft.DoesNotExist once it is gone.
    """
    require(user, Right.KEEP_RULES, draft.unit_id)
    with transaction.atomic():
        row = ChecklistDraft.objects.select_for_update(of=("self",)).select_related("changed_by").get(pk=draft.pk)
        if row.revision != revision:
            raise Changed(row)
        row.content = edit(row.content) if edit else row.content
        row.name = _named(name) if name is not None else row.name
        row.changed_by, row.changed_at, row.revision = user, clock.now(), row.revision + 1
        row.save(update_fields=["content", "name", "changed_by", "changed_at", "revision"])
    return row


def _named(name: str) -> str:
    if not name.strip():
        raise problem("name", "Give the version a name.")
    if len(name.strip()) > 80:
        raise problem("name", "Use at most 80 characters.")
    return name.strip()


def drop(*, user: User, draft: ChecklistDraft) -> None:
    """Throw a draft away. Raises NotPermitted."""
    require(user, Right.KEEP_RULES, draft.unit_id)
    ChecklistDraft.objects.filter(pk=draft.pk).delete()


def propose_draft(
    *, actor: User, draft: ChecklistDraft, revision: int, name: str, effective_on: date, note: str = ""
) -> Checklist:
    """Propose what is written, as it stood at this revision; the draft ends. Act `checklist.proposed`.

    Raises NotPermitted, Changed, AlreadyProposed (sent twice), Problems for content that cannot be used yet.
    """
    require(actor, Right.KEEP_RULES, draft.unit_id)
    with transaction.atomic():
        rows = ChecklistDraft.objects.select_for_update(of=("self",)).select_related("changed_by", "unit", "procedure")
        row = rows.filter(pk=draft.pk).first()
        if row is None:
            raise AlreadyProposed("This draft was proposed or thrown away already.")
        if row.revision != revision:
            raise Changed(row)
        made = propose(
            Checklist,
            actor=actor,
            unit=row.unit,
            procedure=row.procedure,
            name=name,
            content=row.content,
            effective_on=effective_on,
            note=note,
            uuid=row.uuid,
        )
        row.delete()
    return made


def faults_in(content: Mapping[str, Any]) -> list[Fault]:
    """What still has to be mended before it can be proposed, naming phases and steps by their words."""
    found = []
    for fault in errors_in(content):
        part, _, rest = fault.path.partition(".")
        place = rest.partition(".")[0]
        row = content[part][int(place)] if place.isdigit() else None
        words = _PART_WORDS[part] if row is None else row.get("text") or row.get("name") or row["label"]
        found.append(Fault(f"{part}.{row['key']}" if row else part, f"{words}: {fault.message}"))
    return found


_PART_WORDS = {
    "values": "Local values",
    "phases": "Phases",
    "steps": "Steps",
    "ratings": "Overall impression",
}


def drafts(access: Access) -> list[ChecklistDraft]:
    """What is being written at the units whose rules this user keeps, the latest first. One query."""
    rows = ChecklistDraft.objects.filter(unit__in=access.units_for(Right.KEEP_RULES))
    return list(rows.select_related("unit", "procedure", "changed_by").order_by("-changed_at", "-pk"))
