"""Who looked at whom: kept apart from the ledger, insert-only."""

from collections.abc import Iterable

from django.db.models import Min

from people import clock
from people.models import Clinician, User, View


def note_view(user: User, clinician: Clinician | None, page: str) -> View:
    """Keep that this user looked this clinician up (or nobody that the register knows) on this page."""
    return View.objects.create(user=user, clinician=clinician, page=page, seen_at=clock.now())


def note_views(user: User, clinicians: Iterable[Clinician | None], page: str) -> list[View]:
    """The same for several at once. One query, none for nobody."""
    seen_at = clock.now()
    return View.objects.bulk_create(
        View(user=user, clinician=clinician, page=page, seen_at=seen_at) for clinician in clinicians
    )


def first_views(clinician: Clinician, page: str) -> list[View]:
    """The first look of each user at this clinician on this page, oldest first."""
    first = View.objects.filter(clinician=clinician, page=page).values("user").annotate(first=Min("pk")).values("first")
    return list(View.objects.filter(pk__in=first).select_related("user").order_by("pk"))
