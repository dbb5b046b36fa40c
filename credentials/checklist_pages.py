"""What the pages of checklists show: a version beside the one before, and where its retirement stands."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from audits.checklist import Checklist as Steps
from audits.checklists import checklists_known, parsed
from audits.models import Checklist, ChecklistDraft, Retirement
from credentials.checklist_changes import compared
from credentials.checklist_drafts import drafts, faults_in, in_force
from credentials.retiring import last_day
from credentials.versions import State, Version, before
from people.access import Access, Right


@dataclass(frozen=True)
class Retired:
    """The latest time a version was taken out of use: how it stands today, and whether this user may decide on it."""

    row: Retirement
    last_day: date
    is_open: bool
    has_lapsed: bool
    may_decide: bool


def shown(access: Access, version: Version) -> dict[str, Any]:
    """The context of a checklist version's page. A fixed number of queries."""
    row = version.row
    assert isinstance(row, Checklist)
    earlier = compared_with(access, row)
    keeps = access.may(Right.KEEP_RULES, row.unit_id)
    return {
        "earlier": earlier,
        "compared": compared(parsed(row), parsed(earlier) if earlier else None),
        "retired": retired(access, row),
        "retires": keeps and version.at in (State.IN_FORCE, State.AHEAD),
        "follows": keeps and version.at is State.IN_FORCE,
    }


def compared_with(access: Access, row: Checklist) -> Checklist | None:
    """The version that a reader knows: the latest usable one before at this unit, else that of the units above."""
    known = checklists_known()
    earlier = [
        each
        for each in known.rows
        if (each.unit_id, each.procedure_id) == (row.unit_id, row.procedure_id)
        and each.version < row.version
        and not known.is_retired(each, access.on)
    ]
    if earlier:
        return max(earlier, key=lambda each: each.version)
    above = [each for each in access.tree.above(row.unit_id) if each != row.unit_id]
    found = known.binding(row.procedure_id, above, max(access.on, row.effective_on))
    if found is None:
        last = before(row)
        return last if isinstance(last, Checklist) else None
    return found


def retired(access: Access, row: Checklist) -> Retired | None:
    """The latest retirement of this version. One query."""
    rows = Retirement.objects.known().filter(checklist=row).select_related("by", "decided_by", "checklist")
    found = rows.order_by("-id").first()
    if found is None:
        return None
    undecided = found.decided_id is None
    is_open = undecided and access.on < found.lapses_on
    may = is_open and found.by_id != access.user.pk and access.may(Right.KEEP_RULES, row.unit_id)
    return Retired(found, last_day(found), is_open, undecided and not is_open, may)


def binds_instead(access: Access, row: Checklist) -> Checklist | None:
    """What would bind at its unit today without this version."""
    known = checklists_known()
    without = type(known)(tuple(each for each in known.rows if each.pk != row.pk), known.retirements)
    return without.binding(row.procedure_id, access.tree.above(row.unit_id), access.on)


def being_written(access: Access) -> list[tuple[ChecklistDraft, str, str]]:
    """The drafts at the units whose rules this user keeps, each with the path and the zone of its unit."""
    places = access.tree
    return [(each, places.path(each.unit_id), places.zone(each.unit_id)) for each in drafts(access)]


def draft_shown(draft: ChecklistDraft) -> dict[str, Any]:
    """The context of a draft's pages: what it says, what differs from the version in force, what is to be mended."""
    now = Steps.written(draft.content)
    earlier = in_force(draft.procedure_id, draft.unit_id)
    return {
        "draft": draft,
        "earlier": earlier,
        "compared": compared(now, parsed(earlier) if earlier else None),
        "mend": faults_in(draft.content),
    }
