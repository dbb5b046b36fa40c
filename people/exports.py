"""A list that was taken away is an act: who took which rows of which list, and the digest of the file."""

from django.db import transaction

from ledger.acts import recording
from people.models import User
from sheets.listing import Export


def record(*, actor: User, made: Export) -> None:
    """Record an export before a byte of it is sent: `sheets.listing.export(..., on_export=...)`."""
    with transaction.atomic(), recording(actor=actor, kind="export.made") as rec:
        rec.content |= {
            "list": made.name,
            "format": made.format,
            "rows": made.rows,
            "columns": list(made.columns),
            "order": made.order,
            "digest": made.digest,
        }
        # What a list was narrowed by may be somebody's name.
        rec.personal = {"filters": list(made.filters)}
