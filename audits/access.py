"""Who may see which entries and observations.

Of entries: the writer, the supervisor named, educators of the unit or of the person, auditors.

A manager sees entries only where an educator refers a case, which is not part of this register yet. An auditor's view
of a person is recorded by the page that shows it (`people.lookups.note_view`).
"""

from typing import Any, Self

from django.db.models import Q
from django.http import Http404

from ledger.models import KnownQuerySet
from people.access import Access, Right
from people.models import User


class VisibleQuerySet(KnownQuerySet):
    """Evidence, and what of it somebody may see. `what` names one of it."""

    what = ""

    def visible_to(self, access: Access) -> Self:
        raise NotImplementedError

    def seen_by(self, access: Access, uuid: object) -> Self:
        """Every version of one, for a page of this user. Raises Http404 if it is out of their sight."""
        found = self.visible_to(access).filter(uuid=uuid)
        if not found.exists():
            raise Http404(f"No {self.what} in scope has this identifier.")
        return found


def is_own(user: User, row: Any) -> bool:
    """Whether this account is, or was when it was entered, that of the person whom the evidence is about."""
    return user.pk in (row.clinician_user_id, row.clinician.user_id)


class InsertionQuerySet(VisibleQuerySet):
    """Insertions, and which of them somebody may see."""

    what = "entry"

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


class ObservationQuerySet(VisibleQuerySet):
    """Observations, and which of them somebody may see."""

    what = "observation"

    def signed_by(self, known: int | None = None) -> Self:
        """Those that are signed, as known now or at that number."""
        found = self.known(known).filter(signed__isnull=False)
        return found if known is None else found.filter(signed__lte=known)

    def standing(self) -> Self:
        """Without those that were struck out after a disagreement."""
        return self.exclude(disputes__outcome="struck")

    def visible_to(self, access: Access) -> Self:
        """Those this user may see: one's own once signed, those one makes or made, those of units and people in charge.

        What is not signed yet is its assessor's alone. A second rating is private to its raters and to those who may
        see figures, never shown to the person observed. Who has still to rate a practice sees nobody else's rating.
        No query of its own: all of it is part of the one that is asked.
        """
        every = self.model._default_manager.order_by()
        made = Q(assessor=access.user)
        own = Q(clinician_user=access.user)
        if access.clinician is not None:
            own |= Q(clinician=access.clinician)
        rated = every.filter(made, second_of__isnull=False, known_until=None).values("second_of")
        others = Q(pk__in=rated) | Q(second_of__assessor=access.user)
        if units := access.units_for(Right.FIGURES):
            theirs = access.clinicians_for(Right.FIGURES).order_by().values("pk")
            others |= Q(unit__in=units) | Q(clinician__in=theirs)

        # Somebody is asked until their rating is signed or declined; a first rater has still to rate until they sign.
        asked = every.filter(asked__whom=access.user, asked__known_until=None).values("pk")
        unrated = every.filter(made, signed=None, second_of=None).values("pk")
        blind = Q(pk__in=asked) | Q(second_of__in=asked) | Q(second_of__in=unrated)
        return self.filter(made | Q(signed__isnull=False) & ~blind & (own & Q(second_of=None) | others & ~own))
