"""Cohorts: people enrolled together for a rotation under one version of a programme.

    cohort = open_cohort(actor=..., new=NewCohort(...))
    who = joining(access, cohort, listed, people())      # what each (staff number, name) of a list would become
    join(actor=..., cohort=cohort, clinicians=[...])

A list enrols in a fixed number of queries, however long it is. `credentials.cohort_ends` says what becomes of each.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import QuerySet

from audits.directory import People, may_be
from audits.freetext import text_problems
from audits.models import Award, Procedure
from credentials.documents import programmes_known
from credentials.enrolling import add_enrolments
from credentials.models import Cohort, CohortMember, Enrolment
from ledger.acts import Recording, recording
from people import clock
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, Unit, User
from people.problems import Problem, Problems, problem
from people.tree import tree
from sheets.cells import Refused

LONGEST_NAME = 80
LONGEST_ROTATION = 3 * 366  # days


@dataclass(frozen=True, kw_only=True)
class NewCohort:
    """A rotation to be opened. `until_day` is the first day after it."""

    name: str
    unit: Unit
    procedure: Procedure
    from_day: date
    until_day: date


@dataclass(frozen=True, slots=True)
class Joining:
    """What one line of a list would become: enrolled (`clinician` alone), joined with the enrolment there is, or
    refused with the reason.
    """

    said: str
    clinician: Clinician | None = None
    enrolled: bool = False
    refused: str = ""


def open_cohort(*, actor: User, new: NewCohort) -> Cohort:
    """Open a cohort under the programme in effect at its unit on its first day. Raises NotPermitted, Problems."""
    access_of(actor).require(Right.DECIDE, new.unit.pk)
    found = text_problems("name", new.name, longest=LONGEST_NAME, asked="Give the cohort a name.")
    if new.until_day <= new.from_day:
        found.append(Problem("until_day", f"Give a last day from {in_words(new.from_day)} on."))
    elif (new.until_day - new.from_day).days > LONGEST_ROTATION:
        found.append(Problem("until_day", "A rotation lasts at most three years."))
    programme = programmes_known().binding(new.procedure.pk, tree().above(new.unit.pk), new.from_day)
    if programme is None:
        text = f"No programme for {new.procedure.name} is in effect there on {in_words(new.from_day)}."
        found.append(Problem("from_day", f"{text} Have one approved first, or choose a later day."))
    if Cohort.objects.filter(unit=new.unit, name__iexact=new.name.strip(), closed=None).exists():
        found.append(Problem("name", "A cohort of this name is open there: give another name."))
    if found or programme is None:
        raise Problems(found)
    with transaction.atomic(), recording(actor=actor, kind="cohort.opened") as rec:
        made = Cohort(
            name=new.name.strip(),
            unit=new.unit,
            procedure=new.procedure,
            programme=programme,
            from_day=new.from_day,
            until_day=new.until_day,
            by=actor,
            opened_id=rec.seq,
        )
        made.save(force_insert=True)
        rec.subject = made.uuid
        rec.content |= facts_of(made)
        return made


def facts_of(cohort: Cohort) -> dict[str, str]:
    """What the act that opened a cohort says of it."""
    return {
        "name": cohort.name,
        "unit": str(cohort.unit.uuid),
        "procedure": cohort.procedure.code,
        "programme": str(cohort.programme.uuid),
        "from": cohort.from_day.isoformat(),
        "until": cohort.until_day.isoformat(),
    }


def joining(access: Access, cohort: Cohort, listed: Iterable[tuple[str, str]], known: People) -> list[Joining]:
    """What each staff number of a list would become, in its order; a name beside it has to fit.

    The number of queries does not grow with them.
    """
    decided = {each.pk: each for each in access.clinicians_for(Right.DECIDE)}
    me = access.clinician.pk if access.clinician else None
    found: list[tuple[str, int | None, str]] = []
    seen: set[int] = set()
    for number, name in listed:
        key, refused = _named(known, number, name)
        if key is not None and not refused:
            refused = _not_decided(key, me, decided) or ("Named twice in the list." if key in seen else "")
            seen.add(key)
        found.append((number, key, refused))
    reasons, has = _as_they_stand(cohort, [key for _, key, refused in found if key is not None and not refused])
    lines = []
    for said, key, refused in found:
        why = refused or (reasons.get(key, "") if key is not None else "")
        who = decided.get(key) if key is not None else None
        lines.append(Joining(said, who, enrolled=key in has, refused=why))
    return lines


def join(
    *, actor: User, cohort: Cohort, clinicians: Sequence[Clinician], from_day: date | None = None
) -> list[Clinician]:
    """Take these people into the cohort and enrol who is not yet, in one act. `from_day` None: the rotation's first.

    Raises NotPermitted, and Problems naming whom it refuses: then nobody is taken in.
    """
    with transaction.atomic():
        lock_all(each.pk for each in clinicians)
        with recording(actor=actor, kind="cohort.joined", subject=cohort.uuid) as rec:
            return add_members(rec, actor=actor, cohort=cohort, clinicians=clinicians, from_day=from_day)


def add_members(
    rec: Recording, *, actor: User, cohort: Cohort, clinicians: Sequence[Clinician], from_day: date | None = None
) -> list[Clinician]:
    """The same within an act that is open; the caller holds everybody's lock. Returns who was enrolled by it."""
    access = access_of(actor)
    access.require(Right.DECIDE, cohort.unit_id)
    begins = from_day or cohort.from_day
    if cohort.closed_id is not None:
        raise problem("", f"{cohort.name} is closed: open another cohort.")
    if not cohort.from_day <= begins < cohort.until_day:
        raise problem("from_day", f"Give a day of the rotation: from {in_words(cohort.from_day)} {_through(cohort)}.")
    if not clinicians:
        raise problem("", "Name somebody.")
    theirs = set(access.clinicians_for(Right.DECIDE).values_list("pk", flat=True))
    if strangers := [each.pk for each in clinicians if each.pk not in theirs]:
        raise NotPermitted(f"{actor.pk} decides nothing about clinicians {strangers}")
    reasons, enrolled = _as_they_stand(cohort, [each.pk for each in clinicians])
    if reasons:
        raise Problems([Problem("", f"{each.name}: {reasons[each.pk]}") for each in clinicians if each.pk in reasons])
    new = [each for each in clinicians if each.pk not in enrolled]
    add_enrolments(rec, new, procedure=cohort.procedure, programme=cohort.programme, from_day=begins)
    made = CohortMember.objects.bulk_create(
        [CohortMember(cohort=cohort, clinician=each, known_from_id=rec.seq) for each in clinicians]
    )
    rec.content |= {
        "procedure": cohort.procedure.code,
        "programme": str(cohort.programme.uuid),
        "from": begins.isoformat(),
        "enrolled": [{"clinician": str(each.uuid), "from": begins.isoformat()} for each in new],
        "members": {str(row.uuid): str(row.clinician.uuid) for row in made},
    }
    return new


def members(cohort: Cohort) -> QuerySet[CohortMember]:
    """Who is or was in the cohort, by name."""
    rows = CohortMember.objects.known().filter(cohort=cohort)
    return rows.select_related("clinician", "moved_to", "handed_to").order_by("clinician__name", "clinician_id")


def visible_cohorts(access: Access) -> QuerySet[Cohort]:
    """Those at this user's units, for educators, managers and auditors; open ones and closed ones."""
    rows = Cohort.objects.filter(unit__in=access.units_for(Right.UNIT_FIGURES))
    return rows.select_related("unit", "procedure", "programme")


def of_clinician(clinician: Clinician, procedure: Procedure) -> list[CohortMember]:
    """The cohorts in which this person learns a procedure now."""
    rows = CohortMember.objects.known().filter(clinician=clinician, cohort__procedure=procedure, outcome="")
    return list(rows.select_related("cohort").order_by("cohort__until_day", "pk"))


def _named(known: People, number: str, name: str) -> tuple[int | None, str]:
    """The clinician's key for a staff number, and what is wrong with it."""
    try:
        found = known.by_number(number)
    except Refused as refused:
        return None, refused.reason
    if found is None or found[0].clinician is None:
        return None, "Nobody in the register has this staff number: check it, or take the person in first."
    if name and not may_be(name, found[0].name):
        return found[0].clinician, f"This staff number is that of {found[0].name}: check the number and the name."
    return found[0].clinician, ""


def _not_decided(key: int, me: int | None, decided: Mapping[int, Clinician]) -> str:
    if key == me:
        return "Nobody does this about themselves: let somebody else enter it."
    return "" if key in decided else "You are no educator of this person's unit."


def _as_they_stand(cohort: Cohort, clinicians: Collection[int]) -> tuple[dict[int, str], set[int]]:
    """Who cannot join and why, and who would join with the enrolment they have. Three queries."""
    reasons: dict[int, str] = {}
    enrolled: set[int] = set()
    rows = Enrolment.objects.known().filter(clinician__in=clinicians, procedure=cohort.procedure)
    for row in rows.select_related("programme"):
        if row.until_day is not None and row.until_day <= cohort.from_day:
            continue
        if row.until_day is not None:
            reasons[row.clinician_id] = f"Enrolled until {in_words(row.until_day)}: choose a later day."
        elif row.programme_id == cohort.programme_id:
            enrolled.add(row.clinician_id)
        else:
            reasons[row.clinician_id] = f"Enrolled already, under {row.programme}: move the enrolment first."
    now = clock.today(tree().zone(cohort.unit_id))
    held = Award.objects.known().filter(
        clinician__in=clinicians, procedure=cohort.procedure, until_day=None, expires_on__gt=now
    )
    reasons |= dict.fromkeys(held.values_list("clinician", flat=True), "Holds an award for it.")
    here = CohortMember.objects.known().filter(cohort=cohort, clinician__in=clinicians)
    reasons |= dict.fromkeys(here.values_list("clinician", flat=True), "In this cohort already.")
    return reasons, enrolled


def lock_all(clinicians: Iterable[int]) -> None:
    """Everybody in one order, as every other write takes them."""
    list(Clinician.objects.select_for_update().filter(pk__in=set(clinicians)).order_by("pk").values_list("pk"))


def _through(cohort: Cohort) -> str:
    return clock.through(cohort.until_day)
