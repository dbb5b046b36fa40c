"""Who may see which entries and observations.

Of entries: the writer, the supervisor named, educators of the unit or of the person, auditors.

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


class ObservationQuerySet(KnownQuerySet):
    """Observations, and which of them somebody may see."""

    def visible_to(self, access: Access) -> Self:
        """Those this user may see: one's own once signed, those one makes or made, those of units and people in charge.

        What is not signed yet is its assessor's alone. A second rating is private to its raters and to those who may
        see figures; and who still owes a second rating does not see the first.
        """
        made = Q(assessor=access.user)
        mine = Q(clinician_user=access.user)
        if access.clinician is not None:
            mine |= Q(clinician=access.clinician)
        seen = mine & Q(second_of=None)
        rated = Q(seconds__assessor=access.user, seconds__known_until=None, seconds__signed__isnull=False)
        seconded = Q(second_of__assessor=access.user)
        units = access.units_for(Right.FIGURES)
        charge = Q(pk=None)
        if units:
            theirs = access.clinicians_for(Right.FIGURES).order_by().values("pk")
            charge = (Q(unit__in=units) | Q(clinician__in=theirs)) & ~mine
        owing = Q(seconds__assessor=access.user, seconds__known_until=None, seconds__signed=None) | Q(
            asked__whom=access.user, asked__known_until=None
        )
        signed = Q(signed__isnull=False) & (seen | rated | (seconded & Q(second_of__signed__isnull=False)) | charge)
        found = self.filter(made | signed)
        # Not by `exclude`, which would ask about each of many rows apart.
        hidden = self.model._default_manager.filter(owing).order_by().values("pk")
        return found.exclude(Q(pk__in=hidden) & ~made).distinct()

    def seen_by(self, access: Access, uuid: object) -> "Self":
        """One observation, for a page of this user. Raises Http404 if it is out of their sight."""
        found = self.visible_to(access).filter(uuid=uuid)
        if not found.exists():
            raise Http404("No observation in scope has this identifier.")
        return found
