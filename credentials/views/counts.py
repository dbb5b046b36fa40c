"""What counts towards somebody's progress, and why not."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from audits.models import Procedure
from credentials.progressing import what_counts as found
from credentials.seeing import seen_by
from people import access
from people.access import NotPermitted, Right
from people.lookups import note_view
from people.pages import page


@require_GET
def what_counts(request: HttpRequest, uuid: UUID, procedure_id: int) -> HttpResponse:
    """Piece by piece, for who may know how far this person is, as on the person's page."""
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.ANSWER)
    seen = seen_by(mine, clinician)
    if not seen.progress:
        raise NotPermitted(f"{mine.user.pk} may not know the progress of clinician {clinician.pk}")
    procedure = get_object_or_404(Procedure, pk=procedure_id)
    if not seen.is_self:
        note_view(mine.user, clinician, "counts")
    return page(request, "credentials/what_counts.html", {"shown": found(mine, seen, clinician, procedure)})
