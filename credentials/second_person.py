"""What waits for a second person at somebody's units, in the order in which it can be decided."""

from dataclasses import dataclass

from audits.models import Checklist
from credentials import founding, proposing
from credentials.models import Founding, Learning, Programme, Proposed, Rules
from people.access import Access
from people.clock import in_words
from people.tree import Tree, tree


@dataclass(frozen=True, slots=True)
class Waiting:
    """A document or a claim, in words; whether this user may decide it, and if not, why."""

    what: Proposed | Founding
    words: str
    may: bool
    why: str = ""


def waiting(access: Access) -> list[Waiting]:
    """Programmes, checklists, then rules, then founding awards, which need a programme. A fixed number of queries."""
    found: list[Waiting] = []
    documents = (
        *sorted(proposing.waiting(Programme, access), key=_order),
        *sorted(proposing.waiting(Checklist, access), key=_order),
        *sorted(proposing.waiting(Rules, access), key=_order),
    )
    learners = list(Learning.objects.known().values_list("procedure", flat=True))
    for row in documents:
        own = row.proposed_by_id == access.user.pk
        also = learners.count(row.procedure_id) if isinstance(row, Programme) else 0
        text = words(row, access.tree) + (f"; {also} who learn wait for it" if also else "")
        found.append(Waiting(row, text, not own, ": you proposed it" if own else ""))
    for claim in founding.waiting(access):
        own = claim.entered_by_id == access.user.pk
        about = access.is_self(claim.clinician)
        why = ": it is about you" if about else ": you entered it" if own else ""
        found.append(Waiting(claim, words(claim, access.tree), founding.may_decide(access, claim), why))
    return found


def words(what: Proposed | Founding, now: Tree | None = None) -> str:
    """A line that says what waits."""
    places = now or tree()
    if isinstance(what, Founding):
        last = founding.last_day(what)
        until = f" through {in_words(last)}" if last else ""
        return (
            f"Founding award: {what.clinician.name} ({what.clinician.staff_number}), {what.procedure.name}, at "
            f"{places.path(what.scope_unit_id)}, from {in_words(what.awarded_on)}{until}; {what.evidence_kind}, kept "
            f"at {what.evidence_place}; entered by {what.entered_by.name}"
        )
    kind = {Programme: "Programme", Checklist: "Checklist"}.get(type(what), "Rules")
    by = what.proposed_by.name if what.proposed_by else "nobody, an example"
    return (
        f"{kind}: {what.name}, version {what.version}, at {places.path(what.unit_id)}, in effect from "
        f"{in_words(what.effective_on)}; proposed by {by}"
    )


def _order(row: Proposed) -> tuple[str, int]:
    return row.procedure.code, row.version
