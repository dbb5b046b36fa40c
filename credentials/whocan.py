"""Who can: anybody in the hospital looked up by name, and everybody on a unit, here and now. Answers, no figures."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from audits.holding import Held, Holdings, holdings
from audits.models import Procedure
from credentials.gathering import Pair
from credentials.rules.answers import Answer, Status
from credentials.rules.standing import AnswerAt
from credentials.seeing import followed, overseen
from credentials.standings import Read, read_many
from credentials.wording import DECIDED
from people.access import Access, Right
from people.clock import in_words
from people.models import Appointment, Clinician, Placement, User
from people.naming import called

MOST_FOUND = 50
SUPERVISING = (Appointment.Role.SUPERVISOR, Appointment.Role.ASSESSOR, Appointment.Role.EDUCATOR)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One person at one unit: the answer and its last day, whether they may supervise. No reasons.

    `next` is where they stand, '' for who may not know it.
    """

    clinician: Clinician | None
    user: User | None
    name: str
    kind: str
    unit: str
    may_insert: Answer | None
    supervises: bool
    through: date | None
    next: str

    @property
    def is_alone(self) -> bool:
        return self.may_insert is Answer.ALONE


def here_and_now(access: Access, unit: int, procedure: Procedure) -> list[Line]:
    """Everybody placed on this unit or below today, and whoever may supervise there without a placement, by name.

    Each with the answer at the unit of their placement. Raises Http404 or NotPermitted for a unit that this user may
    not ask about.
    """
    access.get_unit(unit, Right.ANSWER)
    placements = list(
        Placement.objects.known()
        .on(access.on)
        .filter(unit__in=access.tree.below(unit))
        .select_related("clinician", "clinician__user")
        .order_by("clinician__name", "clinician_id", "-home")
    )
    at: dict[int, Placement] = {}
    for placement in placements:
        at.setdefault(placement.clinician_id, placement)
    lines = _lines(access, [(each.clinician, each, each.unit_id) for each in at.values()], procedure)
    lines += _without_placement(access, unit, procedure, {each.clinician.user_id for each in at.values()})
    return sorted(lines, key=lambda line: (line.name.casefold(), line.clinician.pk if line.clinician else 0))


def look_up(access: Access, words: str, procedure: Procedure, unit: int | None = None) -> list[Line]:
    """Those in scope whose name or staff number holds every word, with their answer at a unit (None: at home)."""
    if not words.split():
        return []
    found = access.clinicians_for(Right.ANSWER).select_related("user").filter(called(words))
    people = list(found.order_by("name", "pk")[:MOST_FOUND])
    placed = Placement.objects.known().on(access.on).filter(clinician__in=people).order_by("home", "id")
    at = {each.clinician_id: each for each in placed}
    return _lines(access, [(each, at.get(each.pk), unit) for each in people], procedure)


def _lines(
    access: Access, people: Sequence[tuple[Clinician, Placement | None, int | None]], procedure: Procedure
) -> list[Line]:
    """A line for each (person, placement of theirs, unit at which they are asked about; None: at home)."""
    keys = [each.pk for each, _, _ in people]
    gathered = _Gathered(
        read_many([(key, procedure.pk) for key in keys]),
        holdings([each.user_id for each, _, _ in people if each.user_id is not None]),
        frozenset(followed(access).filter(pk__in=keys).values_list("pk", flat=True)),
        frozenset(overseen(access).filter(pk__in=keys).values_list("pk", flat=True)),
    )
    return [_line(access, each, placement, unit, procedure, gathered) for each, placement, unit in people]


@dataclass(frozen=True, eq=False)
class _Gathered:
    """What the lines are made of, read at once; of whom this user may know how far they are, and why."""

    standings: Mapping[Pair, Read]
    holdings: Holdings
    followed: Collection[int]
    overseen: Collection[int]


def _line(
    access: Access,
    clinician: Clinician,
    placement: Placement | None,
    unit: int | None,
    procedure: Procedure,
    gathered: _Gathered,
) -> Line:
    found = gathered.standings[clinician.pk, procedure.pk]
    at = found.home if unit is None else found.at(access.tree.above(unit))
    place = unit if unit is not None else placement.unit_id if placement else None
    supervises = bool(
        clinician.user_id is not None
        and place is not None
        and gathered.holdings.may_supervise(clinician.user_id, unit=place, procedure=procedure.pk, on=access.on)
    )
    return Line(
        clinician=clinician,
        user=clinician.user,
        name=clinician.name,
        kind=placement.get_kind_display().lower() if placement and placement.kind != Placement.Kind.EMPLOYED else "",
        unit=access.tree.path(placement.unit_id) if placement and placement.unit_id in access.tree else "",
        may_insert=at.answer,
        supervises=supervises,
        through=last_day(at),
        next=_next(at, is_overseen=clinician.pk in gathered.overseen) if clinician.pk in gathered.followed else "",
    )


def last_day(at: AnswerAt) -> date | None:
    """The last day on which the calendar leaves the answer as it is, where it rests on an award, grace or a scope."""
    dated = at.status.is_held or at.status in (Status.IN_GRACE, Status.BY_ROLE)
    until = at.until if at.until is not None else at.expires_on
    return until - timedelta(days=1) if dated and until is not None else None


def _next(at: AnswerAt, *, is_overseen: bool) -> str:
    """One phrase on where somebody stands, for those who may know it."""
    if at.status.value in DECIDED:
        return at.status.words if is_overseen else ""
    ended = at.expires_on - timedelta(days=1) if at.expires_on else None
    if at.status is Status.LAPSED and ended:
        return f"award ended {in_words(ended)}"
    if at.status is Status.IN_GRACE and ended:
        return f"expired {in_words(ended)}, in grace"
    if at.status is Status.DUE:
        return "renewal is open"
    return "" if at.status is Status.CURRENT else at.status.words


def _without_placement(access: Access, unit: int, procedure: Procedure, placed: Iterable[int | None]) -> list[Line]:
    """Accounts that may supervise here by appointment, without a placement here."""
    appointed = (
        Appointment.objects.known()
        .on(access.on)
        .filter(role__in=SUPERVISING, unit__in=access.tree.above(unit))
        .exclude(user__in=[each for each in placed if each is not None])
        .select_related("user")
        .order_by("user__name", "id")
    )
    users = {each.user_id: each.user for each in appointed}
    facts = holdings(list(users))
    able = [
        user
        for key, user in users.items()
        if isinstance(facts.may_supervise(key, unit=unit, procedure=procedure.pk, on=access.on), Held)
    ]
    clinicians = {each.user_id: each for each in Clinician.objects.filter(user__in=able)}
    lines = _lines(access, [(each, None, unit) for each in clinicians.values()], procedure)
    return lines + [
        Line(
            clinician=None,
            user=user,
            name=user.name,
            kind="appointed",
            unit="",
            may_insert=None,
            supervises=True,
            through=None,
            next="",
        )
        for user in able
        if user.pk not in clinicians
    ]
