"""The dated facts behind the answer of a past day, in words, each with the act that brought it in.

A fact that was written again with the same words is the same fact: only what reads otherwise is a difference.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from audits.checklist import Purpose
from audits.checklists import checklists_known
from audits.models import Award, Completion, Observation, Procedure, Recognition, Restriction, ScopeByRole
from audits.ruling import struck_observations
from credentials.documents import programmes_known, rules_known
from credentials.models import Enrolment, Programme
from credentials.wording import act_words, option_words
from ledger.models import Act
from people.clock import in_words, through
from people.models import Absence, Appointment, Clinician, Placement, Setting
from people.settings import NAMES, parsed, value_words
from people.staffing import professions_then
from people.tree import Tree, tree

ELSEWHERE = "a programme that is not in this register"
SETTING = "Setting"
PLANNED = ("cover_needed", "supervisors_needed")  # they change no answer
PLANS = (Restriction.Kind.PLAN, Restriction.Kind.RETURN_PLAN)


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact as it was known: what it is and says, whether it held on the day, the act that brought it in."""

    heading: str
    words: str
    holds: bool
    act: Act
    ended: Act | None = None  # the act since which it is no longer known like this


@dataclass(frozen=True, slots=True)
class Version:
    """A version of rules, programme or checklist that was in force, or None where there was none."""

    heading: str
    kind: str
    words: str
    uuid: str


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between what was known then and what is known now, and the act that made it, if one did."""

    words: str
    act: Act | None = None

    @property
    def source(self) -> str:
        """'Suspended, number 412', '' where it follows from the others."""
        return f"{act_words(self.act.kind)}, number {self.act.seq}" if self.act else ""


def facts_of(
    clinician: Clinician, procedure: Procedure, *, above: Sequence[int] = (), on: date, known: int | None = None
) -> list[Fact]:
    """Every dated fact about this person and procedure that had begun by that day, as known now or then; with the
    settings of a unit, given with those above it. The number of queries does not grow with them.
    """
    return [*_facts(clinician, procedure, on, known), *_settings(procedure, above, on, known)]


def _settings(procedure: Procedure, above: Sequence[int], on: date, known: int | None) -> Iterator[Fact]:
    """The settings of these units that an answer may rest on."""
    places = tree(known)
    rows = Setting.objects.known(known).filter(unit__in=above, from_day__lte=on, about__in=("", procedure.code))
    rows = rows.exclude(name__in=PLANNED).select_related("known_from__actor", "known_until__actor")
    for row in rows.order_by("from_day", "pk"):
        title = NAMES[row.name].title if row.name in NAMES else row.name
        words = f"{title} at {places.where(row.unit_id)}: {value_words(row.name, parsed(row))}"
        yield Fact(SETTING, f"{words}, from {in_words(row.from_day)}", False, row.known_from, row.known_until)


def _observed(clinician: Clinician, procedure: Procedure, on: date, known: int | None) -> Iterator[Fact]:
    """Observations for a decision, without what they came to: signed, and not struck out."""
    struck = struck_observations(known).filter(observation_dispute__observation__clinician=clinician)
    rows = Observation.objects.signed_by(known).filter(
        clinician=clinician, procedure=procedure, second_of=None, purpose=Purpose.DECISION, observed_on__lte=on
    )
    rows = rows.exclude(pk__in=struck.values("observation_dispute__observation")).defer("content")
    for row in rows.select_related("signed__actor", "assessor").order_by("observed_on", "pk"):
        words = f"for a decision, {row.get_setting_display().lower()}, {in_words(row.observed_on)}, {row.assessor.name}"
        if row.signed is not None:
            yield Fact("Observed", words, True, row.signed)


def _facts(clinician: Clinician, procedure: Procedure, on: date, known: int | None) -> Iterator[Fact]:
    places = tree(known)
    of_procedure = Q(procedure=None) | Q(procedure=procedure)

    programmes = {row.uuid: f"{row.name} {row.version}" for row in Programme.objects.filter(procedure=procedure)}

    def read(rows: QuerySet[Any], *with_: str, since: str = "from_day") -> Iterable[Any]:
        found = rows.filter(**{f"{since}__lte": on}).order_by(since, "pk")
        return found.select_related("known_from__actor", "known_until__actor", *with_)

    for row in read(Placement.objects.known(known).filter(clinician=clinician)):
        at = f"{places.where(row.unit_id)}, {row.get_kind_display().lower()}{', home' if row.home else ''}"
        yield _fact("Placed", f"{at}, {_span(row)}", row, on)
    if clinician.user_id is not None:
        for row in read(Appointment.objects.known(known).filter(user=clinician.user_id)):
            words = f"{row.get_role_display()}, {places.where(row.unit_id)}, {_span(row)}"
            yield _fact("Appointed", words, row, on)
    for row in read(Absence.objects.known(known).filter(clinician=clinician)):
        yield _fact("Away", _span(row), row, on)
    for row in read(Enrolment.objects.known(known).filter(clinician=clinician, procedure=procedure), "programme"):
        yield _fact("Enrolled", f"{programmes.get(row.programme.uuid, ELSEWHERE)}, {_span(row)}", row, on)
    for row in read(Award.objects.known(known).filter(clinician=clinician, procedure=procedure)):
        yield _fact("Award", _award(row, places, programmes), row, on, holds=_award_holds(row, on))
    profession = professions_then(known).get(clinician.uuid, clinician.profession)
    whose = Q(clinician=clinician) | Q(profession=profession)
    for row in read(ScopeByRole.objects.known(known).filter(whose, procedure=procedure)):
        who = "" if row.clinician_id else f"{row.get_profession_display()}, everybody of this profession, "
        yield _fact("Scope by role", f"{who}{places.where(row.unit_id)}, {_span(row)}", row, on)
    for row in read(Restriction.objects.known(known).filter(of_procedure, clinician=clinician)):
        yield _fact("Limit", _restriction(row), row, on)
    done = Completion.objects.known(known).filter(clinician=clinician, procedure=procedure)
    for row in read(done, since="on"):
        holds = row.passed and (row.valid_until is None or on < row.valid_until)
        yield _fact("Done", _completion(row), row, on, holds=holds)
    yield from _observed(clinician, procedure, on, known)
    brought = Recognition.objects.known(known).filter(clinician=clinician, procedure=procedure)
    for row in read(brought, since="on"):
        words = f"{row.get_outcome_display().lower()}, from {row.origin}, decided {in_words(row.on)}"
        yield _fact("Brought from elsewhere", words, row, on, holds=True)


def differences(then: Sequence[Fact], now: Sequence[Fact]) -> list[Change]:
    """What is known now and was not then, and what was known then and is no longer, in the order of the acts."""
    before, after = ({(each.heading, each.words) for each in facts} for facts in (then, now))
    found = [
        Change(f"Came in later. {each.heading}: {each.words}.", each.act)
        for each in now
        if (each.heading, each.words) not in before
    ]
    found += [
        Change(f"No longer stands. {each.heading}: {each.words}.", each.ended)
        for each in then
        if (each.heading, each.words) not in after
    ]
    return sorted(found, key=lambda change: change.act.seq if change.act else 0)


def versions_on(procedure: Procedure, above: Sequence[int], *, on: date, known: int | None = None) -> list[Version]:
    """The rules, programme and checklist in force on a day at a unit, given with those above it."""
    shelves = (
        ("Rules", "rules", rules_known(known)),
        ("Programme", "programme", programmes_known(known)),
        ("Checklist", "checklist", checklists_known(known)),
    )
    found = []
    for heading, kind, shelf in shelves:
        row: Any = shelf.binding(procedure.pk, above, on)
        words = f"{row.name}, version {row.version}, in effect from {in_words(row.effective_on)}" if row else "none"
        found.append(Version(heading, kind, words, str(row.uuid) if row else ""))
    return found


def _fact(heading: str, words: str, row: Any, on: date, *, holds: bool | None = None) -> Fact:
    stands = row.holds_on(on) if holds is None else holds
    return Fact(heading, words, stands, row.known_from, row.known_until)


def _span(row: Any) -> str:
    return f"from {in_words(row.from_day)}, {through(row.until_day)}"


def _award(row: Award, places: Tree, programmes: Mapping[UUID, str]) -> str:
    words = f"{row.get_kind_display()} at {places.where(row.scope_unit_id)}, from {in_words(row.from_day)}, "
    words += through(row.expires_on)
    if row.until_day is not None and row.until_day < row.expires_on:
        words += f", ended by a decision after {in_words(row.until_day - timedelta(days=1))}"
    return f"{words}, under {programmes.get(row.programme, ELSEWHERE)}"


def _award_holds(row: Award, on: date) -> bool:
    return row.holds_on(on) and on < row.expires_on


def _restriction(row: Restriction) -> str:
    whose = "" if row.procedure_id else ", every procedure"
    words = f"{row.get_kind_display()}{whose}, {_span(row)}"
    if row.kind in PLANS:
        words += f", allowing {option_words(row.answer)}"
        words += f", to be done by {in_words(row.due_on)}" if row.due_on else ""
    return words


def _completion(row: Completion) -> str:
    words = f"{row.get_kind_display()}{f', {row.about}' if row.about else ''}, {in_words(row.on)}"
    words += "" if row.passed else ", not passed"
    return words + (f", valid {through(row.valid_until)}" if row.valid_until else "")
