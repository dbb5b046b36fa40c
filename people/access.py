"""Who may do what about whom, on a day: the table 'who sees and does what' as one object for each user.

It answers both ways: may this user (`may`, `may_about`), and which may this user (`units_for`, `clinicians_for`).
Out of scope is 'not found' (404); in scope and not allowed is `NotPermitted` (403).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cached_property
from typing import TypeVar
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest

from people import clock
from people.models import Appointment, Clinician, ClinicianQuerySet, Placement, User
from people.tree import Tree, tree

Role = Appointment.Role
Row = TypeVar("Row", Appointment, Placement)


class NotPermitted(PermissionDenied):
    """This user may not do this to an object that lies in scope. Answered with 403."""


class Right(StrEnum):
    """What a role gives over its units. `ANSWER` is *may insert*, through when, may supervise: no figures, no reasons.

    Writes that need more than a role (a supervisor who holds the procedure, say) ask that of their own app.
    """

    ANSWER = "answer"
    PROGRESS = "progress"
    FIGURES = "figures"
    UNIT_FIGURES = "unit_figures"
    SUPERVISE = "supervise"
    ASSESS = "assess"
    STAND_DOWN = "stand_down"
    DECIDE = "decide"
    LOG_ON_BEHALF = "log_on_behalf"
    FOUND = "found"
    KEEP_RULES = "keep_rules"
    PLACE = "place"
    ADMINISTER = "administer"


_STAFF = frozenset({Role.SUPERVISOR, Role.ASSESSOR, Role.EDUCATOR, Role.MANAGER, Role.AUDITOR})
ROLES: Mapping[Right, frozenset[str]] = {
    Right.ANSWER: _STAFF,
    Right.PROGRESS: _STAFF,
    Right.FIGURES: frozenset({Role.EDUCATOR, Role.AUDITOR}),
    Right.UNIT_FIGURES: frozenset({Role.EDUCATOR, Role.MANAGER, Role.AUDITOR}),
    Right.SUPERVISE: frozenset({Role.SUPERVISOR, Role.ASSESSOR, Role.EDUCATOR}),
    Right.ASSESS: frozenset({Role.ASSESSOR}),
    Right.STAND_DOWN: frozenset({Role.SUPERVISOR, Role.EDUCATOR, Role.MANAGER}),
    Right.DECIDE: frozenset({Role.EDUCATOR}),
    Right.LOG_ON_BEHALF: frozenset({Role.EDUCATOR}),
    Right.FOUND: frozenset({Role.EDUCATOR, Role.MANAGER}),
    Right.KEEP_RULES: frozenset({Role.EDUCATOR, Role.MANAGER}),
    Right.PLACE: frozenset({Role.EDUCATOR, Role.MANAGER, Role.ADMINISTRATOR}),
    Right.ADMINISTER: frozenset({Role.ADMINISTRATOR}),
}
# What everybody has about themselves, and what nobody has.
OWN = frozenset({Right.ANSWER, Right.PROGRESS, Right.FIGURES})
NEVER_OWN = frozenset(
    {Right.SUPERVISE, Right.ASSESS, Right.STAND_DOWN, Right.DECIDE, Right.FOUND, Right.LOG_ON_BEHALF, Right.PLACE}
)


@dataclass(frozen=True, eq=False)
class Access:
    """One user on one day. `appointments` and `placements` are those that hold that day in their unit's own zone."""

    user: User
    clinician: Clinician | None
    tree: Tree
    on: date
    appointments: tuple[Appointment, ...]
    placements: tuple[Placement, ...]

    @cached_property
    def roles(self) -> Mapping[str, frozenset[int]]:
        """role -> every unit that it covers."""
        covered: dict[str, frozenset[int]] = {}
        for each in self.appointments:
            covered[each.role] = covered.get(each.role, frozenset()) | self.tree.below(each.unit_id)
        return covered

    def units(self, *roles: str) -> frozenset[int]:
        """Every unit that any of these roles covers: those appointed to, and all below."""
        return frozenset().union(*(self.roles.get(role, frozenset()) for role in roles))

    def has(self, role: str, unit_id: int) -> bool:
        return unit_id in self.roles.get(role, frozenset())

    @cached_property
    def home(self) -> int | None:
        """The unit of the home placement of that day."""
        return next((each.unit_id for each in self.placements if each.home), None)

    @cached_property
    def hospitals(self) -> frozenset[int]:
        """The hospitals where this user is placed or appointed (all of the group's, if appointed to the group)."""
        return frozenset(each for each in self.neighbourhood if self.tree.level(each) == "hospital")

    @cached_property
    def neighbourhood(self) -> frozenset[int]:
        """Every unit of the hospitals where this user is placed or appointed, an administrator's appointment aside."""
        at = {each.unit_id for each in self.placements}
        at |= {each.unit_id for each in self.appointments if each.role != Role.ADMINISTRATOR}
        tops = {hospital if (hospital := self.tree.hospital(unit)) is not None else unit for unit in at}
        return frozenset().union(*(self.tree.below(top) for top in tops))

    def units_for(self, right: Right) -> frozenset[int]:
        """Every unit over which this user has this right."""
        return self.neighbourhood if right == Right.ANSWER else self.units(*ROLES[right])

    def as_printed(self, appointments: Iterable[Appointment]) -> str:
        """These appointments as a signature prints them: 'Educator, Saltmarsh Hospital'."""
        return "; ".join(f"{each.get_role_display()}, {self.tree.path(each.unit_id)}" for each in appointments)

    def printed_for(self, right: Right) -> str:
        """The appointments that give this right, whatever part of the group they cover, as a signature prints them."""
        return self.as_printed(each for each in self.appointments if each.role in ROLES[right])

    def may(self, right: Right, unit_id: int) -> bool:
        return unit_id in self.units_for(right)

    def may_somewhere(self, right: Right) -> bool:
        return bool(self.units_for(right))

    def require(self, right: Right, unit_id: int) -> None:
        """Raises NotPermitted without this right over this unit."""
        if not self.may(right, unit_id):
            raise NotPermitted(f"{self.user.pk} has no right to {right} over unit {unit_id}")

    def is_self(self, clinician: Clinician) -> bool:
        return self.clinician is not None and self.clinician.pk == clinician.pk

    def clinicians_for(self, right: Right) -> ClinicianQuerySet:
        """Those about whom this user has this right: by their units that day (else their last home), and oneself."""
        found = Clinician.objects.all().belonging(
            self.units_for(right), self.on, besides=self._self if right in OWN else ()
        )
        return found.exclude(pk__in=self._self) if right in NEVER_OWN else found

    def may_about(self, right: Right, clinician: Clinician) -> bool:
        """The same for one person. One query."""
        if self.is_self(clinician) and right in (OWN | NEVER_OWN):
            return right in OWN
        return self.clinicians_for(right).filter(pk=clinician.pk).exists()

    def require_about(self, right: Right, clinician: Clinician) -> None:
        """Raises NotPermitted without this right about this person."""
        if not self.may_about(right, clinician):
            raise NotPermitted(f"{self.user.pk} has no right to {right} about clinician {clinician.pk}")

    def in_scope(self) -> ClinicianQuerySet:
        """Everybody of whose being in the register this user may know."""
        units = self.neighbourhood | self.units_for(Right.PLACE)
        return Clinician.objects.all().belonging(units, self.on, besides=self._self)

    def get_clinician(self, uuid: UUID | str, right: Right) -> Clinician:
        """This person, for a page that asks this right. Raises Http404 out of scope, NotPermitted within it."""
        found = self.in_scope().filter(uuid=uuid).select_related("user").first()
        if found is None:
            raise Http404("Nobody in scope has this identifier.")
        self.require_about(right, found)
        return found

    def get_unit(self, unit_id: int, right: Right) -> int:
        """This unit, for a page that asks this right. Raises Http404 out of scope, NotPermitted within it."""
        if unit_id not in self.neighbourhood | self.units_for(Right.PLACE):
            raise Http404("No unit in scope has this number.")
        self.require(right, unit_id)
        return unit_id

    @property
    def _self(self) -> tuple[int, ...]:
        return () if self.clinician is None else (self.clinician.pk,)


def access_of(user: User, on: date | None = None) -> Access:
    """What this user may do, today (in each unit's own zone) or on another day. At most four queries."""
    now = tree()
    if not user.is_active:
        return Access(user, None, now, on or _today(now, (), ()), (), ())
    clinician = Clinician.objects.filter(user=user).first()
    appointments = _holding(Appointment.objects.known().filter(user=user).order_by("id"), now, on)
    placements: tuple[Placement, ...] = ()
    if clinician is not None:
        placements = _holding(Placement.objects.known().filter(clinician=clinician).order_by("-home", "id"), now, on)
    return Access(user, clinician, now, on or _today(now, placements, appointments), appointments, placements)


def of(request: HttpRequest) -> Access:
    """The access of the user who asks; read once for each request."""
    if not hasattr(request, "_access"):
        request._access = access_of(request.user)  # type: ignore[attr-defined, arg-type]
    access: Access = request._access  # type: ignore[attr-defined]
    return access


def require(user: User, right: Right, unit_id: int) -> None:
    """At the door of a write: raises NotPermitted unless this user has this right over this unit today."""
    access_of(user).require(right, unit_id)


def _holding(rows: QuerySet[Row], now: Tree, on: date | None) -> tuple[Row, ...]:
    return tuple(row for row in rows if row.holds_on(on or clock.today(now.zone(row.unit_id))))


def _today(now: Tree, placements: tuple[Placement, ...], appointments: tuple[Appointment, ...]) -> date:
    at = [each.unit_id for each in placements] + [each.unit_id for each in appointments]
    if at:
        return clock.today(now.zone(at[0]))
    return clock.today(now.zone(now.root) if now else "UTC")
