"""Entries begun and not yet submitted: kept for their writer alone, counting for nothing, gone when submitted."""

import json
from typing import Any
from uuid import UUID

from django.db import transaction

from audits.entry import LONGEST_COMMENT
from audits.freetext import text_problems
from audits.models import Draft, Insertion
from people.access import NotPermitted
from people.models import User
from people.problems import Problems, problem

LARGEST = 20_000  # characters
MOST = 20  # drafts of one person


def save_draft(*, user: User, uuid: UUID, content: dict[str, Any]) -> Draft:
    """Keep what a form holds so far under the UUID that its entry will have.

    Raises Problems for text that may tell who a patient is, too much of it, or an entry that is submitted already;
    NotPermitted for a draft of somebody else.
    """
    found = [
        each
        for name, value in content.items()
        if isinstance(value, str)
        for each in text_problems(name, value, longest=LONGEST_COMMENT)
    ]
    if found:
        raise Problems(found)
    if len(json.dumps(content)) > LARGEST:
        raise problem("", "This is more than a draft can hold.")
    with transaction.atomic():
        mine = list(Draft.objects.select_for_update().filter(user=user))
        known = next((each for each in mine if each.uuid == uuid), None)
        if known is None:
            if Draft.objects.filter(uuid=uuid).exists():
                raise NotPermitted(f"draft {uuid} is not {user.pk}'s")
            if Insertion.objects.filter(uuid=uuid).exists():
                raise problem("", "This entry is submitted already: correct it instead.")
            if len(mine) >= MOST:
                raise problem("", f"There are {MOST} drafts: submit or discard one first.")
            return Draft.objects.create(uuid=uuid, user=user, content=content)
        known.content = content
        known.save(update_fields=["content", "changed_at"])
        return known


def drafts_of(user: User) -> list[Draft]:
    """This user's drafts, the latest first."""
    return list(Draft.objects.filter(user=user).order_by("-changed_at", "-pk"))


def discard_draft(*, user: User, uuid: UUID) -> bool:
    """Throw one's draft away; whether there was one."""
    return bool(Draft.objects.filter(user=user, uuid=uuid).delete()[0])
