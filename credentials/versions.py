"""The versions of rules, programmes and checklists that concern somebody: in force, waiting, from before."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import Enum

from django.db.models import QuerySet

from audits.checklists import checklists_known
from audits.models import Checklist
from credentials.models import Programme, Proposed, Rules
from people.access import Access, Right
from people.clock import in_words

KINDS: Mapping[str, type[Proposed]] = {"rules": Rules, "programme": Programme, "checklist": Checklist}
KIND_WORDS = {"rules": "Rules", "programme": "Programme", "checklist": "Checklist"}


class State(Enum):
    """Where a version stands on a day."""

    IN_FORCE = "in_force"
    WAITS = "waits"
    AHEAD = "ahead"
    REPLACED = "replaced"
    RETIRED = "retired"
    TAKEN_BACK = "taken_back"

    @property
    def words(self) -> str:
        return _STATE_WORDS[self]


_STATE_WORDS = {
    State.IN_FORCE: "In force",
    State.WAITS: "Waits for a second person",
    State.AHEAD: "Approved, not in effect yet",
    State.REPLACED: "Replaced by a later version",
    State.RETIRED: "Out of use",
    State.TAKEN_BACK: "Taken back",
}


@dataclass(frozen=True, eq=False)
class Version:
    """A version as lists and pages name it."""

    row: Proposed
    kind: str
    path: str
    at: State

    @property
    def title(self) -> str:
        return str(self.row)

    @property
    def kind_words(self) -> str:
        return KIND_WORDS[self.kind]

    @property
    def proposer(self) -> str:
        return self.row.proposed_by.name if self.row.proposed_by else "the examples that came with Sited"

    @property
    def state(self) -> str:
        """Where it stands, with the day from which it will."""
        ahead = f"Approved, from {in_words(self.row.effective_on)}"
        return ahead if self.at is State.AHEAD else self.at.words

    @property
    def decided(self) -> str:
        return f"approved by {self.row.approved_by.name}" if self.row.approved_by else ""


def versions(access: Access) -> list[Version]:
    """Every version at the units of this user and above them, by procedure, unit and age. Two queries."""
    units = concerning(access)
    found: list[Version] = []
    for kind in KINDS:
        rows = list(_rows(kind).filter(unit__in=units).order_by("procedure__name", "unit", "-version"))
        found += _states(access, kind, rows)
    return found


def version_of(access: Access, kind: str, row: Proposed) -> Version:
    """One version, with where it stands among the others of its unit and procedure. One query."""
    same = _rows(kind).filter(unit=row.unit_id, procedure=row.procedure_id)
    return next(each for each in _states(access, kind, list(same)) if each.row.pk == row.pk)


def before(row: Proposed) -> Proposed | None:
    """The version that this one follows: the latest approved one of the same unit and procedure with a lower number."""
    rows = type(row)._default_manager.filter(unit=row.unit_id, procedure=row.procedure_id, version__lt=row.version)
    return rows.filter(approved__isnull=False).order_by("-version").first()


def concerning(access: Access) -> frozenset[int]:
    """The units whose rules concern this user: those of one's hospitals and of one's offices, and all above."""
    units = access.neighbourhood | access.units_for(Right.KEEP_RULES)
    return frozenset(each for unit in units for each in access.tree.above(unit))


def _rows(kind: str) -> QuerySet[Proposed]:
    rows: QuerySet[Proposed] = KINDS[kind]._default_manager.select_related(
        "unit", "procedure", "proposed_by", "approved_by"
    )
    return rows


def _states(access: Access, kind: str, rows: Iterable[Proposed]) -> list[Version]:
    rows = list(rows)
    retired = _retired(kind, rows, access.on)
    binding: dict[tuple[int, int], Proposed] = {}
    for row in sorted(rows, key=_age):
        if row.approved_id is not None and row.effective_on <= access.on and row.pk not in retired:
            binding[row.unit_id, row.procedure_id] = row
    found = []
    for row in rows:
        at = _state(row, binding.get((row.unit_id, row.procedure_id)), access.on)
        at = State.RETIRED if row.pk in retired else at
        found.append(Version(row, kind, access.tree.path(row.unit_id), at))
    return found


def _retired(kind: str, rows: list[Proposed], on: date) -> frozenset[int]:
    """Which of these are out of use; only a checklist can be."""
    if kind != "checklist":
        return frozenset()
    known = checklists_known()
    return frozenset(row.pk for row in rows if isinstance(row, Checklist) and known.is_retired(row, on))


def _age(row: Proposed) -> tuple[date, int]:
    return row.effective_on, row.version


def _state(row: Proposed, binding: Proposed | None, on: date) -> State:
    if row.approved_id is None:
        return State.WAITS if row.known_until_id is None else State.TAKEN_BACK
    if row.effective_on > on:
        return State.AHEAD
    return State.IN_FORCE if binding is not None and binding.pk == row.pk else State.REPLACED
