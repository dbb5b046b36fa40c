"""Who and where: accounts, clinicians, the tree of units, and the dated facts that join them.

Every interval is half-open: it holds from `from_day` and no longer on `until_day` (null: until further notice).
Screens and sheets say 'through' the last day on which it holds.
"""

import uuid
from collections.abc import Collection
from datetime import date
from typing import Any, NoReturn, Self

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce, Lower

from ledger.guard import Guard
from ledger.models import Act, Known, KnownQuerySet


class Profession(models.TextChoices):
    NURSE = "nurse", "Registered nurse"
    ENROLLED_NURSE = "enrolled_nurse", "Enrolled nurse"
    MIDWIFE = "midwife", "Midwife"
    DOCTOR = "doctor", "Doctor"
    ANAESTHETIST = "anaesthetist", "Anaesthetist"
    NURSE_STUDENT = "nurse_student", "Nursing student"
    MEDICAL_STUDENT = "medical_student", "Medical student"
    PARAMEDIC = "paramedic", "Paramedic"
    RADIOGRAPHER = "radiographer", "Radiographer"
    TECHNICIAN = "technician", "Technician"
    OTHER = "other", "Other"


class KeptForGood(RuntimeError):  # noqa: N818
    """Accounts, clinicians and units end; they are never deleted, so that no identifier is ever used twice."""


class KeptQuerySet(models.QuerySet):
    def delete(self) -> NoReturn:
        raise KeptForGood(f"{self.model._meta.verbose_name_plural} are never deleted; end them instead.")


class Kept(models.Model):
    """A row that may change and stays for good: Python refuses to delete it, and so does the database."""

    guard = Guard(changes=True)

    class Meta:
        abstract = True

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise KeptForGood(f"{self} is never deleted; end it instead.")


class UserManager(BaseUserManager["User"].from_queryset(KeptQuerySet)):  # type: ignore[misc]
    def get_by_natural_key(self, username: str | None) -> "User":
        return self.get(email__iexact=(username or "").strip())


class User(Kept, AbstractBaseUser):
    """An account: one person, never reused. Signs in by e-mail; the printed name is what a signature shows."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    email = models.EmailField(max_length=254, unique=True)
    name = models.CharField(max_length=150)
    profession = models.CharField(max_length=20, choices=Profession.choices, default=Profession.OTHER)
    registration = models.CharField("registration number", max_length=40, blank=True)
    is_active = models.BooleanField(default=True)
    # A secret set by anybody else must be replaced before the account may sign.
    own_secret = models.BooleanField(default=False)
    failed_secrets = models.PositiveSmallIntegerField(default=0)
    locked_until = models.DateTimeField(null=True, blank=True)

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["name"]

    objects = UserManager()

    class Meta:
        constraints = [models.UniqueConstraint(Lower("email"), name="people_user_one_account_for_an_email")]

    def __str__(self) -> str:
        return self.name

    def get_full_name(self) -> str:
        return self.name


class ClinicianQuerySet(KeptQuerySet):
    def placed(self, units: Collection[int], on: date) -> Self:
        """Those with a placement on one of these units that day."""
        return self.filter(
            models.Exists(Placement.objects.known().on(on).filter(clinician=models.OuterRef("pk"), unit__in=units))
        )

    def belonging(self, units: Collection[int], on: date, *, besides: Collection[int] = ()) -> Self:
        """Those placed on one of these units that day, and those with an id in `besides`.

        Who is placed nowhere that day belongs to the last home, else the next.
        """
        mine = Placement.objects.known().filter(clinician=models.OuterRef("pk"))
        homes = mine.filter(home=True).values("unit")
        last = homes.filter(from_day__lte=on).order_by("-from_day", "-id")[:1]
        following = homes.filter(from_day__gt=on).order_by("from_day", "id")[:1]
        return self.annotate(_last=Coalesce(models.Subquery(last), models.Subquery(following))).filter(
            models.Exists(mine.on(on).filter(unit__in=units))
            | (~models.Exists(mine.on(on)) & Q(_last__in=units))
            | Q(pk__in=besides)
        )


class Clinician(Kept):
    """Anyone who inserts or learns to. May have no account; an account may have no clinician."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    staff_number = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=150)
    profession = models.CharField(max_length=20, choices=Profession.choices, default=Profession.OTHER)
    user = models.OneToOneField(User, models.PROTECT, null=True, blank=True, related_name="clinician")

    objects = ClinicianQuerySet.as_manager()

    class Meta:
        ordering = ["name", "staff_number"]

    def __str__(self) -> str:
        return self.name


class Unit(Kept):
    """The identity of a group, hospital, department or ward; name and parent are in its `Place`."""

    class Level(models.TextChoices):
        GROUP = "group", "Group"
        HOSPITAL = "hospital", "Hospital"
        DEPARTMENT = "department", "Department"
        WARD = "ward", "Ward"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    level = models.CharField(max_length=12, choices=Level.choices)

    objects = KeptQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.level} {self.uuid}"


class Place(Known):
    """Where a unit stands in the tree, its name and its time zone, as known from one act to another."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="places")
    parent = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    name = models.CharField(max_length=120)
    zone = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["unit"], condition=Q(known_until=None), name="people_place_one_now"),
            models.CheckConstraint(condition=~Q(parent=F("unit")), name="people_place_not_its_own_parent"),
        ]

    def __str__(self) -> str:
        return self.name


class SpannedQuerySet(KnownQuerySet):
    def on(self, day: date) -> Self:
        """The rows that hold on this local day."""
        return self.filter(Q(until_day=None) | Q(until_day__gt=day), from_day__lte=day)


class Spanned(Known):
    """A fact that holds from one local day until another (half-open)."""

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    from_day = models.DateField()
    until_day = models.DateField(null=True, blank=True)

    objects = SpannedQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        abstract = True

    def holds_on(self, day: date) -> bool:
        return self.from_day <= day and (self.until_day is None or day < self.until_day)


def span_in_order(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(condition=Q(until_day=None) | Q(until_day__gte=F("from_day")), name=name)


class Placement(Spanned):
    class Kind(models.TextChoices):
        EMPLOYED = "employed", "Employed"
        BANK = "bank", "Bank"
        AGENCY = "agency", "Agency"
        STUDENT = "student", "Student"
        LOCUM = "locum", "Locum"

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="placements")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.EMPLOYED)
    home = models.BooleanField(default=False)

    class Meta:
        constraints = [
            span_in_order("people_placement_span"),
            models.UniqueConstraint(
                fields=["clinician"],
                condition=Q(known_until=None, home=True, until_day=None),
                name="people_placement_one_open_home",
            ),
        ]
        indexes = [models.Index(fields=["clinician", "known_until"]), models.Index(fields=["unit", "known_until"])]


class Appointment(Spanned):
    class Role(models.TextChoices):
        SUPERVISOR = "supervisor", "Supervisor"
        ASSESSOR = "assessor", "Assessor"
        EDUCATOR = "educator", "Educator"
        MANAGER = "manager", "Manager"
        AUDITOR = "auditor", "Auditor"
        ADMINISTRATOR = "administrator", "Administrator"

    user = models.ForeignKey(User, models.PROTECT, related_name="appointments")
    role = models.CharField(max_length=14, choices=Role.choices)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")

    class Meta:
        constraints = [span_in_order("people_appointment_span")]
        indexes = [models.Index(fields=["user", "known_until"]), models.Index(fields=["unit", "known_until"])]


class Absence(Spanned):
    """Days away. Dates only: the register asks for no reason."""

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="absences")

    class Meta:
        constraints = [span_in_order("people_absence_span")]
        indexes = [models.Index(fields=["clinician", "known_until"])]


class Setting(Known):
    """A local value of a unit, in effect from a day, inherited by all below; `about` narrows it to a procedure."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    name = models.CharField(max_length=40)
    about = models.CharField(max_length=40, blank=True)
    value = models.TextField()  # canonical JSON
    from_day = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "name", "about", "from_day"],
                condition=Q(known_until=None),
                name="people_setting_one_now",
            )
        ]


class Stale(models.Model):
    """The outbox: somebody's standing may have changed. Never updated; deleted once the evidence was read after it."""

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="+")
    procedure = models.BigIntegerField(null=True, blank=True)  # null: every procedure
    cause = models.CharField(max_length=60)
    act = models.ForeignKey(Act, models.PROTECT, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["clinician", "procedure"])]


class View(models.Model):
    """A look-up of a person, kept: who looked, at whom, when, on which page. Insert-only."""

    guard = Guard()

    user = models.ForeignKey(User, models.PROTECT, related_name="+")
    clinician = models.ForeignKey(Clinician, models.PROTECT, null=True, blank=True, related_name="+")
    page = models.CharField(max_length=40)
    seen_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["clinician", "seen_at"])]


class Invitation(models.Model):
    """A one-time way to set one's own secret. The token itself is never stored."""

    user = models.ForeignKey(User, models.PROTECT, related_name="invitations")
    token_digest = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey(Act, models.PROTECT, related_name="+")
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)


class Shown(models.Model):
    """What a signer was shown, by digest; each is usable once, within two minutes of the secret."""

    guard = Guard(fill_once=("used",))

    user = models.ForeignKey(User, models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64)
    meaning = models.CharField(max_length=200)
    confirmed_at = models.DateTimeField()
    used = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["user", "digest"])]


class FailedSignIn(models.Model):
    """A sign-in that failed, by account and by address, so that the throttle holds across processes. Old rows go."""

    key = models.CharField(max_length=80)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["key", "at"])]
