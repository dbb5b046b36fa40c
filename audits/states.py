"""Where an entry stands, in one word and one line: awaiting countersignature, countersigned, sent back and the rest."""

from collections.abc import Mapping
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from audits.models import Dispute, Insertion, Proposal, Statement

WORDS: Mapping[str, str] = {
    "awaiting": "Awaiting countersignature",
    "countersigned": "Countersigned",
    "accepted": "Accepted on other evidence",
    "sent_back": "Sent back",
    "not_me": "Supervisor says: not me",
    "change": "A change waits for agreement",
    "disputed": "Disputed",
    "unsupervised": "No supervisor named",
    "emergency": "Emergency, nobody to supervise",
    "paper": "From before the start day",
    "withdrawn": "Withdrawn",
}


@dataclass(frozen=True, slots=True)
class State:
    """A code of WORDS, and the line that a page shows."""

    code: str
    words: str

    @property
    def short(self) -> str:
        """The line without who is awaited, for a list that names the supervisor beside it."""
        return WORDS["awaiting"] if self.code == "awaiting" else self.words


def with_state(rows: QuerySet[Insertion]) -> QuerySet[Insertion]:
    """Bring along what `state_of` reads. Three queries, however many rows."""
    return rows.prefetch_related(
        Prefetch("statements", Statement.objects.known(), to_attr="standing"),
        Prefetch("disputes", Dispute.objects.known(), to_attr="disputed"),
        Prefetch("proposals", Proposal.objects.known(), to_attr="proposed"),
    )


def state_of(row: Insertion) -> State:
    """Of a version that stands, read with `with_state` and its supervisor."""
    statement = next(iter(row.standing), None)  # type: ignore[attr-defined]
    if row.withdrawn:
        return State("withdrawn", WORDS["withdrawn"])
    if row.disputed:  # type: ignore[attr-defined]
        about = row.disputed[0].get_about_display()  # type: ignore[attr-defined]
        return State("disputed", f"Disputed: {about[:1].lower()}{about[1:]}")
    if row.proposed:  # type: ignore[attr-defined]
        return State("change", WORDS["change"])
    if statement is not None:
        return _stated(statement)
    return _unsigned(row)


def _stated(statement: Statement) -> State:
    kind = Statement.Kind
    code = {kind.SENT_BACK: "sent_back", kind.NOT_ME: "not_me", kind.OTHER_EVIDENCE: "accepted"}.get(
        kind(statement.kind), "countersigned"
    )
    how = {kind.IN_ROOM: ", in the room", kind.NEARBY: ", nearby"}.get(kind(statement.kind), "")
    return State(code, f"{WORDS[code]}{how}")


def _unsigned(row: Insertion) -> State:
    if row.source == Insertion.Source.PAPER:
        return State("paper", WORDS["paper"])
    if row.emergency:
        return State("emergency", WORDS["emergency"])
    if row.supervisor_id is None:
        return State("unsupervised", WORDS["unsupervised"])
    name = row.supervisor.name if row.supervisor else ""
    return State("awaiting", f"{WORDS['awaiting']} by {name}")


def in_state(rows: QuerySet[Insertion], code: str) -> QuerySet[Insertion]:
    """The versions in this state, of versions that stand. Raises KeyError for a code that is none."""
    kind = Statement.Kind
    here = OuterRef("pk")
    disputed = Q(Exists(Dispute.objects.known().filter(insertion=here)))
    changing = Q(Exists(Proposal.objects.known().filter(insertion=here)))
    answered = Q(Exists(Statement.objects.known().filter(insertion=here)))
    settled = Q(withdrawn=False) & ~disputed & ~changing
    plain = settled & ~answered
    on_paper = Q(source=Insertion.Source.PAPER)

    def says(*kinds: str) -> Q:
        return settled & Q(Exists(Statement.objects.known().filter(insertion=here, kind__in=kinds)))

    narrow = {
        "withdrawn": Q(withdrawn=True),
        "disputed": Q(withdrawn=False) & disputed,
        "change": Q(withdrawn=False) & ~disputed & changing,
        "countersigned": says(kind.IN_ROOM, kind.NEARBY),
        "accepted": says(kind.OTHER_EVIDENCE),
        "sent_back": says(kind.SENT_BACK),
        "not_me": says(kind.NOT_ME),
        "paper": plain & on_paper,
        "emergency": plain & ~on_paper & Q(emergency=True),
        "unsupervised": plain & ~on_paper & Q(emergency=False, supervisor=None),
        "awaiting": plain & ~on_paper & Q(emergency=False, supervisor__isnull=False),
    }
    return rows.filter(narrow[code])
