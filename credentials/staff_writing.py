"""Taking one row of a staff list into the register, within the open act of its import.

Each part is passed over if it is there already, added where that changes nothing that stands, and refused with advice
where it would: names, ends of placements, moves and renewed awards are changed on their own pages, where they are seen.
"""

from collections.abc import Callable, Iterable
from datetime import date, timedelta

from audits.completions import Kind, NewCompletion, add_completion
from audits.models import Completion, Procedure
from credentials.founding import NewFounding, add_founding, months_between
from credentials.learning import add_learning
from credentials.models import Enrolment, Founding, Learning
from credentials.staff_people import Staff
from credentials.staff_rows import Said
from credentials.staff_units import Units, out_of_reach
from ledger.acts import Recording
from people import clock
from people.access import Access, Right
from people.clock import in_words
from people.models import Appointment, Clinician, Placement, Unit, User
from people.problems import Problem, Problems, problem
from people.spans import overlapping
from people.staffing import add_appointment, add_placement, needs_home

_OWN = "Nobody does this about themselves: let somebody else import or enter it."


class Writer:
    """Takes rows in, one by one. `warn(position, field, text)` takes remarks that refuse nothing."""

    def __init__(
        self,
        rec: Recording,
        *,
        actor: User,
        access: Access,
        procedures: Iterable[Procedure],
        warn: Callable[[int, str, str], None],
        paths: Iterable[str] = (),
    ) -> None:
        self._rec = rec
        self._actor = actor
        self._access = access
        self._warn = warn
        self._procedures = {word.casefold(): each for each in procedures for word in (each.code, each.name)}
        self._staff = Staff(rec, access, warn)
        self.units = Units(rec, access, lambda position, text: warn(position, "unit", text), paths=paths)

    def begin(self) -> int:
        """A mark before a row, for `forget`."""
        self._staff.begin()
        return len(self.units.opened)

    def forget(self, mark: int) -> None:
        """The row after this mark was taken back: what it opened and whom it brought is not there."""
        self.units.forget(mark)
        self._staff.forget()

    def take(self, said: Said) -> bool:
        """Take a row in; whether it brought anything new. Raises Problems, and then nothing of it may stay."""
        user, clinician, changed = self._staff.of(said)
        if user is not None and clinician is None and not said.roles:
            self._warn(
                said.position, "unit", "Neither a unit nor an appointment: an account alone, which sees nothing."
            )
        unit = self._unit(said)
        changed |= self._placement(said, clinician, unit)
        changed |= self._appointments(said, user, unit)
        if clinician is not None:
            changed |= self._learning(said, clinician, unit)
            changed |= self._founding(said, clinician, unit)
        return changed

    def _unit(self, said: Said) -> int | None:
        return self.units.find_or_open(said.position, said.path) if said.path else None

    def _placement(self, said: Said, clinician: Clinician | None, unit: int | None) -> bool:
        if clinician is None or unit is None:
            return False
        same = Placement.objects.known().filter(clinician=clinician, unit=unit, kind=said.kind)
        today = clock.today(self.units.tree.zone(unit))
        starts = said.from_day or today
        standing = same.filter(overlapping(starts, said.until_day)).order_by("from_day").first()
        if standing is not None:
            self._same_placement(said, standing)
            return False
        self._require(Right.PLACE, unit, "unit")
        self._never_own(clinician, "unit")
        if said.from_day is None:
            self._warn(said.position, "from_day", f"No first day is given: placed from {in_words(today)}.")
        home = needs_home(clinician, starts, said.until_day) if said.home is None else said.home
        try:
            add_placement(
                self._rec,
                clinician=clinician,
                unit=Unit.objects.get(pk=unit),
                kind=said.kind,
                home=home,
                from_day=starts,
                until_day=said.until_day,
            )
        except Problems as problems:
            raise Problems(_in_fields(problems, home)) from None
        return True

    def _same_placement(self, said: Said, standing: Placement) -> None:
        if said.from_day is not None and said.from_day != standing.from_day:
            text = f"This placement stands already, from {in_words(standing.from_day)}: change it on the person's page."
            raise problem("from_day", text)
        if said.until_day is not None and said.until_day != standing.until_day:
            text = f"This placement holds {clock.through(standing.until_day)}: set its last day on the person's page."
            raise problem("through", text)
        if said.home is not None and said.home != standing.home:
            raise problem("home", "Which unit is home is changed on the person's page: move the home.")

    def _appointments(self, said: Said, user: User | None, unit: int | None) -> bool:
        if not said.roles:
            return False
        if user is None:
            raise problem("roles", "An appointment needs an account: give the e-mail.")
        where = self.units.named(said.role_path, field="role_unit") if said.role_path else unit
        if where is None:
            raise problem("role_unit", "Say at which unit.")
        starts = said.role_from or said.from_day or clock.today(self.units.tree.zone(where))
        changed = False
        for role in said.roles:
            same = Appointment.objects.known().filter(user=user, role=role, unit=where)
            standing = same.filter(overlapping(starts, said.role_until)).order_by("from_day").first()
            if standing is not None:
                if said.role_from is not None and said.role_from < standing.from_day:
                    text = (
                        f"This appointment stands from {in_words(standing.from_day)}: change it on the account's page."
                    )
                    raise problem("role_from", text)
                if said.role_until is not None and said.role_until != standing.until_day:
                    text = f"It holds {clock.through(standing.until_day)}: set its last day on the account's page."
                    raise problem("role_through", text)
                continue
            self._require(Right.ADMINISTER, where, "role_unit" if said.role_path else "roles")
            if user.pk == self._actor.pk:
                raise problem("roles", _OWN)
            at = Unit.objects.get(pk=where)
            add_appointment(self._rec, user=user, role=role, unit=at, from_day=starts, until_day=said.role_until)
            changed = True
        return changed

    # --- what is learned, what is held ---

    def _learning(self, said: Said, clinician: Clinician, unit: int | None) -> bool:
        changed = False
        for procedure in self._named(said.learning, "learning"):
            assert said.learning_from is not None
            changed |= self._enrolment(said, clinician, procedure, said.learning_from, unit)
            for kind, day, field in (
                (Kind.KNOWLEDGE, said.knowledge_on, "knowledge_on"),
                (Kind.SIMULATION, said.simulation_on, "simulation_on"),
            ):
                changed |= day is not None and self._completion(clinician, procedure, kind, day, field, unit)
        return changed

    def _enrolment(
        self, said: Said, clinician: Clinician, procedure: Procedure, from_day: date, unit: int | None
    ) -> bool:
        enrolled = Enrolment.objects.known().filter(clinician=clinician, procedure=procedure)
        waiting = Learning.objects.known().filter(clinician=clinician, procedure=procedure)
        if enrolled.filter(until_day=None).exists() or waiting.exists():
            return False
        if enrolled.filter(from_day=from_day).exists():
            # It ended, with an award or otherwise, and the list still says when it began.
            return False
        self._require_educator(clinician, unit, "learning")
        try:
            made = add_learning(
                self._rec, clinician=clinician, procedure=procedure, from_day=from_day, entered_by=self._actor
            )
        except Problems as problems:
            raise problem("learning", " ".join(item.text for item in problems.items)) from None
        if isinstance(made, Learning):
            text = f"No programme for {procedure.name} is approved yet: the enrolment is made when one is."
            self._warn(said.position, "learning", text)
        return True

    def _completion(
        self, clinician: Clinician, procedure: Procedure, kind: str, on: date, field: str, unit: int | None
    ) -> bool:
        known = Completion.objects.known().filter(
            clinician=clinician, procedure=procedure, kind=kind, on=on, passed=True
        )
        if known.exists():
            return False
        self._require_educator(clinician, unit, field)
        by = f"{self._actor.name}, from a staff list"[:150]
        new = NewCompletion(clinician=clinician, procedure=procedure, kind=kind, on=on, verified_by=by)
        try:
            add_completion(self._rec, new)
        except Problems as problems:
            raise problem(field, " ".join(item.text for item in problems.items)) from None
        return True

    def _founding(self, said: Said, clinician: Clinician, unit: int | None) -> bool:
        changed = False
        for procedure in self._named(said.held, "held"):
            assert said.awarded_on is not None
            where = self.units.named(said.held_at, field="held_at") if said.held_at else unit or self._home(clinician)
            if where is None:
                raise problem("held_at", "Say at which unit the award holds.")
            known = Founding.objects.filter(clinician=clinician, procedure=procedure, scope_unit=where)
            if claim := known.filter(awarded_on=said.awarded_on).first():
                if claim.confirmed is False:
                    self._warn(said.position, "held", "This award was refused when it was to be confirmed.")
                continue
            self._require(Right.FOUND, where, "held_at" if said.held_at else "held")
            self._never_own(clinician, "held")
            self._claim(said, clinician, procedure, where)
            changed = True
        return changed

    def _claim(self, said: Said, clinician: Clinician, procedure: Procedure, where: int) -> None:
        assert said.awarded_on is not None
        new = NewFounding(
            clinician=clinician,
            procedure=procedure,
            scope_unit=Unit.objects.get(pk=where),
            awarded_on=said.awarded_on,
            expires_on=said.expires_on,
            evidence_kind=said.evidence_kind,
            evidence_place=said.evidence_place,
        )
        try:
            add_founding(self._rec, entered_by=self._actor, new=new)
        except Problems as problems:
            raise Problems(_of_a_claim(problems, said)) from None

    def _named(self, names: Iterable[str], field: str) -> list[Procedure]:
        found = []
        for name in names:
            procedure = self._procedures.get(name.casefold())
            if procedure is None:
                codes = ", ".join(sorted({each.code for each in self._procedures.values()})) or "none yet"
                raise problem(field, f"No procedure has this code or name; there are: {codes}.")
            found.append(procedure)
        return found

    def _home(self, clinician: Clinician) -> int | None:
        found = Placement.objects.known().filter(clinician=clinician, home=True).order_by("-from_day").first()
        return found.unit_id if found else None

    # --- who may ---

    def _require(self, right: Right, unit: int, field: str) -> None:
        if not self.units.may(right, unit):
            raise Problems([out_of_reach(field)])

    def _require_educator(self, clinician: Clinician, unit: int | None, field: str) -> None:
        self._never_own(clinician, field)
        where = unit if unit is not None else self._home(clinician)
        if where is None or not self.units.may(Right.DECIDE, where):
            raise problem(field, "Only an educator of the person's unit says this.")

    def _never_own(self, clinician: Clinician, field: str) -> None:
        if clinician.user_id == self._actor.pk:
            raise problem(field, _OWN)


def _in_fields(problems: Problems, home: bool) -> list[Problem]:
    names = {"until_day": "through"}
    found = []
    for item in problems.items:
        text = item.text
        if item.field == "home" and home:
            text += " Move the home on the person's page, or write N under Home unit."
        found.append(Problem(names.get(item.field, item.field), text))
    return found


def _of_a_claim(problems: Problems, said: Said) -> list[Problem]:
    found = []
    for item in problems.items:
        text = item.text
        if item.field == "expires_on" and (fitting := _fitting(said)):
            text += f" One that holds {fitting} would."
        found.append(Problem({"expires_on": "valid_through", "": "held"}.get(item.field, item.field), text))
    return found


def _fitting(said: Said) -> str:
    """The nearest earlier last day that fits: lists often give the day on which an award no longer holds."""
    assert said.awarded_on is not None
    assert said.expires_on is not None
    days = (said.expires_on - timedelta(days=number) for number in range(1, 32))
    awarded = said.awarded_on
    return next((clock.through(day) for day in days if months_between(awarded, day) is not None), "")
