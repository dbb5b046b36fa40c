"""Who looked at whom: kept apart from the ledger, insert-only."""

from people import clock
from people.models import Clinician, User, View


def note_view(user: User, clinician: Clinician | None, page: str) -> View:
    """Keep that this user looked this clinician up (or nobody that the register knows) on this page."""
    return View.objects.create(user=user, clinician=clinician, page=page, seen_at=clock.now())
