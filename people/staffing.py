"""Who works where, as what, from when: clinicians and their placements; appointments and absences by the same door.

On every day with a placement exactly one is home: checked under the clinician's lock for all days at once, so that a
change that would leave a day with none or two is refused as a whole.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q

from ledger.acts import Recording, recording
from ledger.models import Act
from people import stale
from people.absences import add_absence, end_absence, set_absence
from people.access import NotPermitted, Right, access_of, require
from people.appointing import Role, add_appointment, appoint, end_appointment
from people.clock import in_words
from people.models import Clinician, Placement, Profession, Unit, User
from people.problems import Problem, Problems, problem
from people.spans import again, check_end, day, lock, overlap, overlapping, span_problems, standing, swap

__all__ = [
    "Kind", "Newcomer", "Role", "add_absence", "add_appointment", "add_clinician", "add_placement", "appoint",
    "change_clinician", "end_absence", "end_appointment", "end_placement", "home_problem", "move", "needs_home",
    "open_clinician", "place", "professions_then", "set_absence",
]  # fmt: skip

Kind = Placement.Kind


@dataclass(frozen=True)
class Newcomer:
    """Somebody not in the register yet. Without a staff number Sited gives one."""

    name: str
    profession: str = Profession.OTHER
    staff_number: str = ""
    user: User | None = None


def open_clinician(
    *,
    actor: User,
    newcomer: Newcomer,
    unit: Unit,
    kind: str = Kind.EMPLOYED,
    from_day: date,
    until_day: date | None = None,
) -> Clinician:
    """Take somebody into the register, with a first (home) placement. Raises NotPermitted, Problems."""
    require(actor, Right.PLACE, unit.pk)
    with transaction.atomic(), recording(actor=actor, kind="clinician.opened") as rec:
        clinician = add_clinician(rec, newcomer)
        rec.subject = clinician.uuid
        rec.content |= {"staff_number": clinician.staff_number, "profession": clinician.profession}
        rec.personal = {"name": clinician.name}
        add_placement(rec, clinician=clinician, unit=unit, kind=kind, home=True, from_day=from_day, until_day=until_day)
        return clinician


def add_clinician(rec: Recording, newcomer: Newcomer) -> Clinician:
    """The same without a placement, within an act that is already open."""
    name = " ".join(newcomer.name.split())
    number = newcomer.staff_number.strip()
    found = []
    if not name:
        found.append(Problem("name", "Give the name."))
    if newcomer.profession not in Profession.values:
        raise ValueError(f"profession {newcomer.profession!r} is none of {', '.join(Profession.values)}")
    if number and Clinician.objects.filter(staff_number__iexact=number).exists():
        found.append(Problem("staff_number", f"{number} is somebody's already; a staff number is never given twice."))
    if newcomer.user is not None and Clinician.objects.filter(user=newcomer.user).exists():
        found.append(Problem("user", "This account belongs to another clinician."))
    if found:
        raise Problems(found)
    return Clinician.objects.create(
        name=name,
        profession=newcomer.profession,
        staff_number=number or _free_number(),
        user=newcomer.user,
    )


def place(
    *,
    actor: User,
    clinician: Clinician,
    unit: Unit,
    kind: str = Kind.EMPLOYED,
    home: bool,
    from_day: date,
    until_day: date | None = None,
) -> Placement:
    """Place a clinician on a unit besides where they are; for a new home see `move`. Raises NotPermitted, Problems."""
    require(actor, Right.PLACE, unit.pk)
    _never_oneself(actor, clinician)
    with transaction.atomic():
        lock(clinician)
        with recording(actor=actor, kind="placement.set", subject=clinician.uuid) as rec:
            made = add_placement(
                rec, clinician=clinician, unit=unit, kind=kind, home=home, from_day=from_day, until_day=until_day
            )
            rec.content |= {"placed": _facts(made)}
            return made


def add_placement(
    rec: Recording,
    *,
    clinician: Clinician,
    unit: Unit,
    kind: str = Kind.EMPLOYED,
    home: bool,
    from_day: date,
    until_day: date | None = None,
) -> Placement:
    """The same within an act that is already open. Add a clinician's home placements first."""
    if kind not in Kind.values:
        raise ValueError(f"kind {kind!r} is none of {', '.join(Kind.values)}")
    made = Placement(
        clinician=clinician, unit=unit, kind=kind, home=home, from_day=from_day, until_day=until_day,
        known_from_id=rec.seq,
    )  # fmt: skip
    _set_placements(rec, clinician, closed=[], made=[made])
    return made


def move(
    *,
    actor: User,
    clinician: Clinician,
    unit: Unit,
    kind: str = Kind.EMPLOYED,
    from_day: date,
    until_day: date | None = None,
    stay: bool = False,
) -> Placement:
    """Make this unit the home from a day on. The old home ends that day, or with `stay` goes on as a second placement.

    Needs the right to place over both units. Raises NotPermitted, Problems.
    """
    access = access_of(actor)
    access.require(Right.PLACE, unit.pk)
    _never_oneself(actor, clinician)
    with transaction.atomic():
        lock(clinician)
        still = Q(until_day=None) | Q(until_day__gt=from_day)
        closed = list(_placements(clinician).filter(still, home=True).order_by("from_day"))
        for each in closed:
            access.require(Right.PLACE, each.unit_id)
        with recording(actor=actor, kind="placement.set", subject=clinician.uuid) as rec:
            made = [
                Placement(
                    clinician=clinician, unit=unit, kind=kind, home=True, from_day=from_day, until_day=until_day,
                    known_from_id=rec.seq,
                )
            ]  # fmt: skip
            for each in closed:
                if each.from_day >= from_day:
                    raise problem("from_day", f"Another home begins on {in_words(each.from_day)}: end that one first.")
                made.append(again(each, rec, until_day=from_day))
                if stay:
                    made.append(again(each, rec, from_day=from_day, home=False, other=True))
            _set_placements(rec, clinician, closed=closed, made=made)
            rec.content |= {"placed": _facts(made[0]), "was": [_facts(each) for each in closed], "stays": stay}
            return made[0]


def end_placement(
    *, actor: User, placement: Placement, until_day: date | None, new_home: Placement | None = None
) -> Placement:
    """Let a placement hold no longer on `until_day` (or, None, until further notice).

    If a home ends while others go on, `new_home` says which of them is home from then on.
    Raises NotPermitted, Problems.
    """
    access = access_of(actor)
    access.require(Right.PLACE, placement.unit_id)
    if new_home is not None:
        access.require(Right.PLACE, new_home.unit_id)
    clinician = placement.clinician
    _never_oneself(actor, clinician)
    with transaction.atomic():
        lock(clinician)
        now = standing(placement)
        with recording(actor=actor, kind="placement.set", subject=clinician.uuid) as rec:
            check_end(now, until_day)
            changed = again(now, rec, until_day=until_day)
            closed, made = [now], [changed]
            if new_home is not None and until_day is not None:
                other = standing(new_home)
                closed.append(other)
                made.append(again(other, rec, until_day=until_day))
                made.append(again(other, rec, from_day=until_day, home=True, other=True))
            _set_placements(rec, clinician, closed=closed, made=made)
            rec.content |= {"was": [_facts(each) for each in closed], "placed": [_facts(each) for each in made]}
            return changed


def needs_home(clinician: Clinician, from_day: date, until_day: date | None) -> bool:
    """Whether no home placement lies in these days, so that a placement in them has to be the home."""
    return not _placements(clinician).filter(overlapping(from_day, until_day), home=True).exists()


def home_problem(spans: Iterable[tuple[date, date | None, bool]]) -> str | None:
    """What is wrong with these placements (from, until, home), None if exactly one is home on every day with any.

    Pure. Only days on which something begins or ends need a look.
    """
    spans = [span for span in spans if span[1] is None or span[0] < span[1]]
    for on in sorted({edge for start, end, _ in spans for edge in (start, end) if edge is not None}):
        held = [home for start, end, home in spans if start <= on and (end is None or on < end)]
        if held and sum(held) != 1:
            which = "no home placement" if not any(held) else "two home placements"
            return f"On {in_words(on)} there would be {which}: exactly one placement is home on any day."
    return None


def change_clinician(*, actor: User, clinician: Clinician, name: str, profession: str) -> None:
    """Correct a name or profession. What was signed keeps the old one. Raises NotPermitted, Problems."""
    access_of(actor).require_about(Right.PLACE, clinician)
    if profession not in Profession.values:
        raise ValueError(f"profession {profession!r} is none of {', '.join(Profession.values)}")
    if not (name := " ".join(name.split())):
        raise problem("name", "Give the name.")
    with transaction.atomic():
        now = lock(clinician)
        if (now.name, now.profession) == (name, profession):
            raise problem("", "Nothing would change.")
        with recording(actor=actor, kind="clinician.changed", subject=clinician.uuid) as rec:
            rec.content |= {"old": now.profession, "new": profession}
            rec.personal = {"old": now.name, "new": name}
            Clinician.objects.filter(pk=now.pk).update(name=name, profession=profession)
            stale.touch([now.pk], cause=rec.kind, act=rec.seq)


def professions_then(known: int | None) -> dict[UUID, str]:
    """Clinician's UUID -> profession as known once that act had been recorded, of those who have another one by now.

    A clinician's row holds the present one; the acts that changed it since hold the old ones. One query.
    """
    if known is None:
        return {}
    since = Act.objects.filter(kind="clinician.changed", seq__gt=known).order_by("-seq")
    return {act.subject: act.facts["old"] for act in since if act.subject is not None}


def _set_placements(rec: Recording, clinician: Clinician, *, closed: list[Placement], made: list[Placement]) -> None:
    """Write these versions if every day stays right; otherwise raise Problems with all that is wrong."""
    found = [each for placement in made for each in span_problems(placement.from_day, placement.until_day)]
    gone = {old.pk for old in closed}
    others = [each for each in _placements(clinician) if each.pk not in gone]
    for new in made:
        same = (each for each in others if (each.unit_id, each.kind) == (new.unit_id, new.kind) and overlap(each, new))
        if (other := next(same, None)) is not None:
            found.append(Problem("from_day", f"This placement stands already, from {in_words(other.from_day)}."))
    wrong = home_problem((each.from_day, each.until_day, each.home) for each in [*others, *made])
    if wrong and not found:
        found.append(Problem("home", wrong))
    if found:
        raise Problems(found)
    swap(closed, made, rec)
    stale.touch([clinician.pk], cause=rec.kind, act=rec.seq, from_day=min(each.from_day for each in [*closed, *made]))


def _placements(clinician: Clinician) -> Any:
    return Placement.objects.known().filter(clinician=clinician)


def _never_oneself(actor: User, clinician: Clinician) -> None:
    if clinician.user_id == actor.pk:
        raise NotPermitted(f"{actor.pk} may not place themselves")


def _free_number() -> str:
    """The next staff number of Sited's own series; nothing is deleted, so none is given twice."""
    taken = Clinician.objects.filter(staff_number__startswith="SITED-").count()
    while Clinician.objects.filter(staff_number=f"SITED-{taken + 1:05}").exists():
        taken += 1
    return f"SITED-{taken + 1:05}"


def _facts(placement: Placement) -> dict[str, Any]:
    return {
        "unit": str(placement.unit.uuid),
        "kind": str(placement.kind),
        "home": placement.home,
        "from_day": day(placement.from_day),
        "until_day": day(placement.until_day),
    }
