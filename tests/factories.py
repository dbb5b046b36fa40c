"""The least valid row of each model, straight through the models, each brought in by an act of its own.

Each app's part has its own block. Where a test is about a write, it calls the write; these rows only set the stage.
`make_*` functions at the foot set a whole stage: a tree of units, a cast.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import factory
from factory.django import DjangoModelFactory

from audits import models as audits
from audits.checklists import parsed
from audits.observation_content import checked
from credentials import models as credentials
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger.acts import recording
from ledger.canonical import canonical, digest
from people import models as people

ZONE = "Australia/Adelaide"
LONG_AGO = datetime.date(2020, 1, 1)
SECRET = "correct staple under rain"


def an_act(kind: str = "test.staged", actor: people.User | None = None) -> int:
    """Append an act of its own and return its number, for `known_from_id`."""
    with recording(actor=actor, kind=kind) as rec:
        pass
    return rec.seq


class KnownFactory(DjangoModelFactory):
    class Meta:
        abstract = True

    known_from_id = factory.LazyFunction(an_act)


# --- people ---


class UserFactory(DjangoModelFactory):
    """An account with a secret of its own (SECRET)."""

    class Meta:
        model = people.User
        skip_postgeneration_save = True

    name = factory.Sequence(lambda n: f"Person {n}")
    email = factory.Sequence(lambda n: f"person{n}@wrenfield.example")
    registration = factory.Sequence(lambda n: f"REG{n:06}")
    profession = people.Profession.NURSE
    own_secret = True

    @factory.post_generation
    def secret(self: people.User, create: bool, given: str | None, **_: Any) -> None:  # type: ignore[misc]
        self.set_password(given or SECRET)
        if create:
            self.save(update_fields=["password"])


class ClinicianFactory(DjangoModelFactory):
    """Somebody on the staff, with no account (user=UserFactory() gives one) and no placement yet."""

    class Meta:
        model = people.Clinician

    name = factory.Sequence(lambda n: f"Clinician {n}")
    # Above every number that a test names: a long run makes thousands of clinicians.
    staff_number = factory.Sequence(lambda n: f"{1_000_000 + n}")
    profession = people.Profession.NURSE


class UnitFactory(DjangoModelFactory):
    class Meta:
        model = people.Unit

    level = people.Unit.Level.WARD


class PlaceFactory(KnownFactory):
    class Meta:
        model = people.Place

    unit = factory.SubFactory(UnitFactory)
    name = factory.Sequence(lambda n: f"Unit {n}")
    zone = ZONE


class PlacementFactory(KnownFactory):
    class Meta:
        model = people.Placement

    clinician = factory.SubFactory(ClinicianFactory)
    home = True
    from_day = LONG_AGO


class AppointmentFactory(KnownFactory):
    class Meta:
        model = people.Appointment

    user = factory.SubFactory(UserFactory)
    role = people.Appointment.Role.SUPERVISOR
    from_day = LONG_AGO


class AbsenceFactory(KnownFactory):
    class Meta:
        model = people.Absence

    clinician = factory.SubFactory(ClinicianFactory)
    from_day = LONG_AGO


class SettingFactory(KnownFactory):
    class Meta:
        model = people.Setting

    from_day = LONG_AGO
    value = factory.LazyAttribute(lambda row: canonical(row.plain))

    class Params:
        plain = None


# --- audits ---


class ProcedureFactory(DjangoModelFactory):
    class Meta:
        model = audits.Procedure
        django_get_or_create = ("code",)

    code = "adult-landmark"
    name = "Adult, landmark"
    band = audits.Band.ADULT
    technique = audits.Technique.LANDMARK


class InsertionFactory(KnownFactory):
    """An unsigned first-time success with one attempt (attempts=0 leaves them out, attempts=2 makes two)."""

    class Meta:
        model = audits.Insertion
        skip_postgeneration_save = True

    uuid = factory.Faker("uuid4", cast_to=None)
    clinician = factory.SubFactory(ClinicianFactory)
    clinician_user = factory.LazyAttribute(lambda row: row.clinician.user)
    procedure = factory.SubFactory(ProcedureFactory)
    occasion = factory.Sequence(lambda n: f"T{n:06}")
    performed_at = datetime.datetime(2026, 3, 2, 1, 30, tzinfo=datetime.UTC)
    zone = ZONE
    performed_on = factory.LazyAttribute(lambda row: row.performed_at.astimezone(ZoneInfo(row.zone)).date())
    entered_at = factory.LazyAttribute(lambda row: row.performed_at + datetime.timedelta(minutes=10))
    result = audits.Result.FIRST_TIME
    punctures = 1
    content = factory.LazyAttribute(lambda row: canonical({"uuid": str(row.uuid), "version": 1}))
    digest = factory.LazyAttribute(lambda row: digest(row.content))

    @factory.post_generation
    def attempts(self: audits.Insertion, create: bool, given: int | None, **_: Any) -> None:  # type: ignore[misc]
        count = self.punctures if given is None else given
        for ordinal in range(1, count + 1) if create else ():
            worked = ordinal == count and self.result != audits.Result.NO_ATTEMPT
            end = {"result": "working"} if worked else {"result": "failed", "reason": "no_entry"}
            AttemptFactory(insertion=self, ordinal=ordinal, **end)


class AttemptFactory(DjangoModelFactory):
    class Meta:
        model = audits.Attempt

    ordinal = 1
    site = "forearm"
    side = "left"
    gauge = 20
    technique = "landmark"
    result = "working"


STEPS: dict[str, Any] = {
    "values": [{"key": "flush_ml", "label": "Flush", "text": "5 mL or more", "source": "common practice, no source"}],
    "phases": [
        {"key": "prepare", "name": "Prepare", "stands": True},
        {"key": "insert", "name": "Insert", "stands": False},
    ],
    "steps": [
        {"key": "hands", "phase": "prepare", "text": "Cleans hands", "critical": True, "if_arises": False,
         "guidance": "", "source": ""},
        {"key": "hair", "phase": "prepare", "text": "Clips hair", "critical": False, "if_arises": True,
         "guidance": "Never shaves.", "source": ""},
        {"key": "sharps", "phase": "insert", "text": "Puts the needle straight into the container", "critical": True,
         "if_arises": False, "guidance": "", "source": ""},
        {"key": "flush", "phase": "insert", "text": "Flushes with {flush_ml}", "critical": False, "if_arises": False,
         "guidance": "", "source": ""},
    ],
    "ratings": ["Not safe yet", "Safe with help at hand", "Safe and steady"],
}  # fmt: skip


class ChecklistFactory(KnownFactory):
    """Four steps in two phases, two of them critical, approved and in force for long; `approved=None` only proposes."""

    class Meta:
        model = audits.Checklist

    procedure = factory.SubFactory(ProcedureFactory)
    version = factory.Sequence(lambda n: n + 1)
    name = "Steps of the ward"
    content = factory.LazyFunction(lambda: canonical(STEPS))
    effective_on = LONG_AGO
    approved_id = factory.LazyFunction(an_act)


class ObservationFactory(KnownFactory):
    """Begun and not signed, for a decision, with a patient; `clinician`, `unit`, `assessor` are the caller's."""

    class Meta:
        model = audits.Observation

    uuid = factory.Faker("uuid4", cast_to=None)
    clinician_user = factory.LazyAttribute(lambda row: row.clinician.user)
    procedure = factory.SubFactory(ProcedureFactory)
    checklist = factory.LazyAttribute(lambda row: ChecklistFactory(procedure=row.procedure, unit=row.unit))
    purpose = "decision"
    setting = "patient"
    observed_at = datetime.datetime(2026, 3, 2, 1, 30, tzinfo=datetime.UTC)
    zone = ZONE
    observed_on = factory.LazyAttribute(lambda row: row.observed_at.astimezone(ZoneInfo(row.zone)).date())


class SignedObservationFactory(ObservationFactory):
    """Signed with every step met; `kept` says otherwise as the draft would, `signed_id` and `signed_at` by whom it was.

    As the rows, digest and columns fit together; no act of signing vouches for it.
    """

    signed_id = factory.LazyFunction(an_act)
    signed_at = factory.LazyAttribute(lambda row: row.observed_at + datetime.timedelta(hours=1))
    kept: Mapping[str, Any] = {}

    @classmethod
    def _create(cls, model_class: Any, *args: Any, **fields: Any) -> audits.Observation:
        kept = {"rating": 2, "given": "in_room", "recommended": "nearby", "met": True, **fields.pop("kept")}
        row: audits.Observation = model_class(*args, **fields)
        kept.setdefault("marks", {step.key: {"mark": "met"} for step in parsed(row.checklist).steps})
        found = checked(row, kept)
        row.content, row.digest, row.verdict = found.content, found.digest, str(found.verdict or "")
        row.stopped, row.missed = found.said["stopped"], ",".join(found.missed)
        row.rating, row.given, row.recommended = kept["rating"], kept["given"], kept["recommended"]
        row.save(force_insert=True)
        return row


# --- credentials ---


class ProgrammeFactory(KnownFactory):
    """The example terms, proposed by nobody and not approved yet."""

    class Meta:
        model = credentials.Programme

    procedure = factory.SubFactory(ProcedureFactory)
    version = factory.Sequence(lambda n: n + 1)
    name = "Example programme"
    content = factory.LazyFunction(lambda: canonical(Terms().to_content()))
    effective_on = LONG_AGO


class RulesFactory(KnownFactory):
    """The example rules, proposed by nobody and not approved yet."""

    class Meta:
        model = credentials.Rules

    procedure = factory.SubFactory(ProcedureFactory)
    version = factory.Sequence(lambda n: n + 1)
    name = "Example rules"
    content = factory.LazyFunction(lambda: canonical(default_content()))
    effective_on = LONG_AGO


class CompletionFactory(KnownFactory):
    class Meta:
        model = audits.Completion

    procedure = factory.SubFactory(ProcedureFactory)
    kind = audits.Completion.Kind.KNOWLEDGE
    on = LONG_AGO
    verified_by = "Ed Ucator"


class EnrolmentFactory(KnownFactory):
    class Meta:
        model = credentials.Enrolment

    procedure = factory.SubFactory(ProcedureFactory)
    programme = factory.LazyAttribute(
        lambda row: ProgrammeFactory(procedure=row.procedure, unit=row.clinician.placements.first().unit)
    )
    from_day = LONG_AGO


class ScopeFactory(KnownFactory):
    class Meta:
        model = audits.ScopeByRole

    procedure = factory.SubFactory(ProcedureFactory)
    from_day = LONG_AGO
    basis = "Specialist registration"


class RecognitionFactory(KnownFactory):
    """Something brought from elsewhere, to be assessed again."""

    class Meta:
        model = audits.Recognition

    procedure = factory.SubFactory(ProcedureFactory)
    origin = "Marrick Valley Health"
    evidence = "Certificate seen, kept in the education office"
    outcome = "reassess"
    reason = "Another technique is taught there."
    by = factory.SubFactory(UserFactory)
    on = LONG_AGO


class RestrictionFactory(KnownFactory):
    """A re-supervision plan that is open."""

    class Meta:
        model = audits.Restriction

    procedure = factory.SubFactory(ProcedureFactory)
    kind = "plan"
    answer = "in_room"
    from_day = LONG_AGO
    due_on = LONG_AGO + datetime.timedelta(days=60)
    basis = canonical({"reason": "Three failures in a row.", "insertions": 3, "observations": 1})


class FoundingFactory(KnownFactory):
    class Meta:
        model = credentials.Founding

    procedure = factory.SubFactory(ProcedureFactory)
    awarded_on = LONG_AGO
    evidence_kind = "Certificate"
    evidence_place = "Education office"
    entered_by = factory.SubFactory(UserFactory)


class CertificateFactory(DjangoModelFactory):
    """One that was given out; `clinician` is the caller's. No act of giving out vouches for it."""

    class Meta:
        model = credentials.Certificate

    procedure = factory.SubFactory(ProcedureFactory)
    award = factory.Faker("uuid4", cast_to=None)
    token_digest = factory.Sequence(lambda number: f"{number:064x}")
    by = factory.SubFactory(UserFactory)
    made_on = LONG_AGO
    made_id = factory.LazyFunction(an_act)


class CohortFactory(DjangoModelFactory):
    class Meta:
        model = credentials.Cohort

    name = factory.Sequence(lambda number: f"Intake {number}")
    procedure = factory.SubFactory(ProcedureFactory)
    programme = factory.SubFactory(
        ProgrammeFactory, unit=factory.SelfAttribute("..unit"), procedure=factory.SelfAttribute("..procedure")
    )
    from_day = LONG_AGO
    until_day = LONG_AGO + datetime.timedelta(days=90)
    by = factory.SubFactory(UserFactory)
    opened_id = factory.LazyFunction(an_act)


class CohortMemberFactory(KnownFactory):
    class Meta:
        model = credentials.CohortMember


class LocalPolicyFactory(KnownFactory):
    class Meta:
        model = credentials.LocalPolicy

    title = factory.Sequence(lambda number: f"Policy {number}")
    kept_at = "Policy library"
    rests = "rules"
    review_on = datetime.date(2030, 1, 1)


class ReferralFactory(KnownFactory):
    class Meta:
        model = credentials.Referral

    reason = "What would you do?"


class FlagFactory(DjangoModelFactory):
    class Meta:
        model = credentials.Flag

    procedure = factory.SubFactory(ProcedureFactory)
    rule = "recency"
    raised_id = factory.LazyFunction(an_act)
    raised_on = LONG_AGO
    figures = canonical(
        {
            "figure": "190 days",
            "threshold": "183 days",
            "text": "No insertion for long.",
            "evidence": [],
            "set": "Example",
            "set_version": 1,
            "known": 1,
        }
    )


# --- stages ---


@dataclass(frozen=True)
class Wards:
    """A group with two hospitals; the first has a department with two wards and a ward of its own."""

    group: people.Unit
    hospital: people.Unit
    department: people.Unit
    ward: people.Unit
    next_ward: people.Unit
    day_ward: people.Unit
    other_hospital: people.Unit
    other_ward: people.Unit


def make_unit(level: str, name: str, parent: people.Unit | None = None, zone: str = ZONE) -> people.Unit:
    unit = UnitFactory(level=level)
    PlaceFactory(unit=unit, parent=parent, name=name, zone=zone)
    return unit


def make_wards() -> Wards:
    group = make_unit("group", "Wrenfield Coast Health")
    hospital = make_unit("hospital", "Saltmarsh Hospital", group)
    department = make_unit("department", "Medicine", hospital)
    ward = make_unit("ward", "Ward 4 Tern", department)
    next_ward = make_unit("ward", "Ward 5 Curlew", department)
    day_ward = make_unit("ward", "Day Ward", hospital)
    other_hospital = make_unit("hospital", "Heron Point Hospital", group)
    other_ward = make_unit("ward", "Ward 1 Plover", other_hospital)
    return Wards(group, hospital, department, ward, next_ward, day_ward, other_hospital, other_ward)


def make_clinician(unit: people.Unit, name: str = "", *, account: bool = True, **fields: Any) -> people.Clinician:
    """A clinician whose home is this unit; with an account of the same name unless `account` is false."""
    named = {"name": name} if name else {}
    user = UserFactory(**named) if account else None
    clinician = ClinicianFactory(user=user, **({"name": user.name} if user else named), **fields)
    PlacementFactory(clinician=clinician, unit=unit)
    return clinician


def make_appointed(role: str, unit: people.Unit, name: str = "", **fields: Any) -> people.User:
    """An account appointed to a role on this unit and all below; no clinician."""
    user = UserFactory(**({"name": name} if name else {}))
    AppointmentFactory(user=user, role=role, unit=unit, **fields)
    return user


@dataclass(frozen=True)
class Cast:
    """Who asks, in every test about who may: named by what they are to the owner, who works on `wards.ward`."""

    wards: Wards
    owner: people.Clinician
    colleague: people.Clinician
    outsider: people.Clinician
    supervisor: people.User
    assessor: people.User
    educator: people.User
    manager: people.User
    auditor: people.User
    administrator: people.User

    def users(self) -> dict[str, people.User]:
        """Name in the cast -> account."""
        named = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "wards"}
        return {name: who.user if isinstance(who, people.Clinician) else who for name, who in named.items()}


def make_cast(wards: Wards | None = None) -> Cast:
    """Owner and colleague on one ward, an outsider in the other hospital, each role over the owner's department."""
    wards = wards or make_wards()
    return Cast(
        wards=wards,
        owner=make_clinician(wards.ward, "Ana Owner"),
        colleague=make_clinician(wards.ward, "Col League"),
        outsider=make_clinician(wards.other_ward, "Out Sider"),
        supervisor=make_appointed("supervisor", wards.department, "Su Pervisor"),
        assessor=make_appointed("assessor", wards.department, "As Sessor"),
        educator=make_appointed("educator", wards.department, "Ed Ucator"),
        manager=make_appointed("manager", wards.department, "Ma Nager"),
        auditor=make_appointed("auditor", wards.hospital, "Au Ditor"),
        administrator=make_appointed("administrator", wards.group, "Ad Min"),
    )
