"""Remember which heading was taken for which field, so that next month's sheet needs no matching."""

from collections.abc import Mapping as Columns
from datetime import datetime
from typing import Any

from sheets.models import Mapping


def remember(*, user: Any, kind: str, signature: str, columns: Columns[str, str | None], at: datetime) -> None:
    """Keep this user's match for sheets with these headings, in place of an earlier one."""
    Mapping.objects.update_or_create(
        user=user, kind=kind, signature=signature, defaults={"columns": dict(columns), "used_at": at}
    )


def recall(*, user: Any, kind: str, signature: str) -> dict[str, str | None] | None:
    """The match that this user last made for such a sheet, or else the latest that anybody made; None if nobody did."""
    known = Mapping.objects.filter(kind=kind, signature=signature).order_by("-used_at")
    own = known.filter(user=user).first() or known.first()
    return own.columns if own else None
