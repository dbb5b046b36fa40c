"""Who may see which entries: the writer, the supervisor named, educators of the unit or of the person, auditors.

A manager sees entries only where an educator refers a case, which is not part of this register yet. An auditor's view
of a person is recorded by the page that shows it (`people.lookups.note_view`).
"""

from typing import Self

from django.db.models import Q
from django.http import Http404

from ledger.models import KnownQuerySet
from people.access import Access, Right


class InsertionQuerySet(KnownQuerySet):
    """Insertions, and which of them somebody may see."""

    def visible_to(self, access: Access) -> Self:
        """The versions this user may see: one's own, those that name one, those of units and people in one's charge."""
        mine = Q(supervisor=access.user) | Q(clinician_user=access.user)
        if access.clinician is not None:
            mine |= Q(clinician=access.clinician)
        units = access.units_for(Right.FIGURES)
        if units:
            theirs = access.clinicians_for(Right.FIGURES).order_by().values("pk")
            mine |= Q(unit__in=units) | Q(clinician__in=theirs)
        return self.filter(mine)

    def seen_by(self, access: Access, uuid: object) -> "Self":
        """Every version of one entry, for a page of this user. Raises Http404 if it is out of their sight."""
        found = self.visible_to(access).filter(uuid=uuid)
        if not found.exists():
            raise Http404("No entry in scope has this identifier.")
        return found
