"""What Today says of a new version that asks something else of somebody: a programme, checklist or rules at home."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from django.urls import reverse

from audits.checklists import checklists_known
from audits.models import Procedure
from credentials.documents import programmes_known, rules_known
from credentials.models import Standing
from credentials.today_lines import Line, Part
from people.access import Access
from people.clock import in_words

BEFORE = timedelta(days=30)
AFTER = timedelta(days=14)


def waiting(access: Access) -> Iterator[Line]:
    """Each version that binds at one's home from a day of the last two weeks or the month to come, for what one learns
    or holds. Six queries.
    """
    if access.clinician is None or access.home is None:
        return
    mine = Procedure.objects.filter(
        pk__in=Standing.objects.filter(clinician=access.clinician).exclude(status="not_enrolled").values("procedure")
    )
    procedures = {each.pk: each for each in mine}
    if not procedures:
        return
    above = access.tree.above(access.home)
    shelves: dict[str, Any] = {
        "programme": programmes_known(),
        "checklist": checklists_known(),
        "rules": rules_known(),
    }
    for kind, shelf in shelves.items():
        for row in shelf.rows:
            if row.procedure_id not in procedures or not access.on - AFTER < row.effective_on <= access.on + BEFORE:
                continue
            # A nearer unit's version, or a later one, may bind here in its place.
            binding = shelf.binding(row.procedure_id, above, max(row.effective_on, access.on))
            if binding is not None and binding.pk == row.pk:
                since = "in effect since" if row.effective_on <= access.on else "in effect from"
                words = f"New {kind} for {procedures[row.procedure_id].name}, {since} {in_words(row.effective_on)}"
                yield Line(Part.MINE, f"{words}: read what it asks", reverse("document", args=[kind, row.uuid]))
