"""Checklists being written and taken out of use, for tests that need one."""

from datetime import timedelta
from typing import Any

from audits.models import Checklist, ChecklistDraft, Procedure, Retirement
from people import clock
from people.models import Unit, User
from people.tree import tree
from tests.factories import STEPS, ProcedureFactory, UserFactory, an_act


def a_draft(unit: Unit, by: User | None = None, procedure: Procedure | None = None, **said: Any) -> ChecklistDraft:
    by = by or UserFactory()
    given = {"name": "Steps of the ward", "content": STEPS, "changed_at": clock.now(), **said}
    return ChecklistDraft.objects.create(
        unit=unit, procedure=procedure or ProcedureFactory(), begun_by=by, changed_by=by, **given
    )


def a_retirement_of(row: Checklist, by: User | None = None) -> Retirement:
    """Taken out of use today, not decided."""
    today = clock.today(tree().zone(row.unit_id))
    return Retirement.objects.create(
        checklist=row, reason="It releases the tourniquet too late.", by=by or UserFactory(), from_day=today,
        lapses_on=today + timedelta(days=7), known_from_id=an_act(),
    )  # fmt: skip
