import pytest
from django.db import IntegrityError, transaction

from people.lookups import note_view
from people.models import View
from tests.factories import make_cast

pytestmark = pytest.mark.django_db


def test_who_looked_at_whom_when_and_where_is_kept_for_good():
    cast = make_cast()
    note_view(cast.auditor, cast.owner, "person")
    row = note_view(cast.colleague.user, None, "who_can")
    assert [(each.user, each.clinician, each.page) for each in View.objects.order_by("id")] == [
        (cast.auditor, cast.owner, "person"),
        (cast.colleague.user, None, "who_can"),
    ]
    assert row.seen_at is not None
    for write in (lambda: View.objects.update(page="other"), lambda: View.objects.all().delete()):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            write()
