"""Who and where: accounts, clinicians, the tree of units, and the dated facts that join them.

Every interval is half-open: it holds from `from_day` and no longer on `until_day` (null: until further notice). Screens and
sheets say 'through' the last day on which it holds.
"""

import uuid

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from ledger.guard import Guard
from ledger.models import Act, Known


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


class UserManager(BaseUserManager["User"]):
    def get_by_natural_key(self, username: str | None) -> "User":
        return self.get(email__iexact=(username or "").strip())


class User(AbstractBaseUser):
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


class Clinician(models.Model):
    """Anyone who inserts or learns to. May have no account; an account may have no clinician."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    staff_number = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=150)
    profession = models.CharField(max_length=20, choices=Profession.choices, default=Profession.OTHER)
    user = models.OneToOneField(User, models.PROTECT, null=True, blank=True, related_name="clinician")

    class Meta:
        ordering = ["name", "staff_number"]

    def __str__(self) -> str:
        return self.name


class Unit(models.Model):
    """The identity of a group, hospital, department or ward; name and parent are in its `Place`."""

    class Level(models.TextChoices):
        GROUP = "group", "Group"
        HOSPITAL = "hospital", "Hospital"
        DEPARTMENT = "department", "Department"
        WARD = "ward", "Ward"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    level = models.CharField(max_length=12, choices=Level.choices)

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


class Spanned(Known):
    """A fact that holds from one local day until another (half-open)."""

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    from_day = models.DateField()
    until_day = models.DateField(null=True, blank=True)

    class Meta:
        abstract = True


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
    """A local value of a unit, in effect from a day, inherited by all below. `about` narrows it (a procedure's code)."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    name = models.CharField(max_length=40)
    about = models.CharField(max_length=40, blank=True)
    value = models.TextField()  # canonical JSON
    from_day = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "name", "about", "from_day"], condition=Q(known_until=None), name="people_setting_one_now"
            )
        ]


class Stale(models.Model):
    """The outbox: somebody's standing may have changed. Never updated; deleted by who has read the evidence after it."""

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

    user = models.ForeignKey(User, models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64)
    meaning = models.CharField(max_length=40)
    confirmed_at = models.DateTimeField()
    used = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["user", "digest"])]
