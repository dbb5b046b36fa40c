"""The evidence: what was inserted, who stated what about it, who held what. Written once, versioned, never deleted."""

import uuid
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from audits.access import InsertionQuerySet
from ledger.guard import Guard
from ledger.models import Known
from people.models import Appointment, Clinician, Profession, Spanned, Unit, User, span_in_order


class Band(models.TextChoices):
    ADULT = "adult", "Adult"
    CHILD = "child", "Child"
    INFANT = "infant", "Infant"
    NEONATE = "neonate", "Neonate"


class Technique(models.TextChoices):
    LANDMARK = "landmark", "Landmark"
    ULTRASOUND = "ultrasound", "Ultrasound-guided"


class Procedure(models.Model):
    """What is credentialed: a patient band and a technique."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    band = models.CharField(max_length=8, choices=Band.choices)
    technique = models.CharField(max_length=10, choices=Technique.choices)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["band", "technique"], name="audits_procedure_band_technique")]

    def __str__(self) -> str:
        return self.name


class Sheet(Known):
    """An imported logbook sheet and what was signed: the days for which it is complete, or that it is partial."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    digest = models.CharField(max_length=64)
    units = models.ManyToManyField(Unit, related_name="+")
    complete_from = models.DateField(null=True, blank=True)  # both null: partial
    complete_through = models.DateField(null=True, blank=True)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(complete_from=None, complete_through=None) | Q(complete_from__lte=F("complete_through")),
                name="audits_sheet_days",
            )
        ]


class Result(models.TextChoices):
    """How the clinician's part in the occasion went, in the words of the form."""

    FIRST_TIME = "first_time", "Working first time"
    NOT_FIRST = "not_first", "Not first time"
    NO_ATTEMPT = "no_attempt", "No attempt made"


class Nearness(models.TextChoices):
    IN_ROOM = "in_room", "In the room"
    NEARBY = "nearby", "Nearby"


class Scored(models.TextChoices):
    """When difficult access was scored: only what was said before the attempt may ever explain its result."""

    BEFORE = "before", "Scored before the attempt"
    AFTER = "after", "Scored afterwards"


class Insertion(Known):
    """One clinician's part in one occasion, one version. `content` is the canonical text that its digest covers."""

    class Setting(models.TextChoices):
        PATIENT = "patient", "Patient"
        SIMULATION = "simulation", "Simulation"

    class Source(models.TextChoices):
        FORM = "form", "Logged on the form"
        ON_BEHALF = "on_behalf", "Logged on behalf"
        SHEET = "sheet", "From a sheet"
        PAPER = "paper", "From a sheet, before the start day"

    uuid = models.UUIDField(editable=False)
    version = models.PositiveSmallIntegerField(default=1)
    # No index for a key alone where one of those below begins with it, or where it tells hardly any rows apart.
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="insertions", db_index=False)
    clinician_user = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+", db_index=False)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+", db_index=False)
    occasion = models.CharField(max_length=8)
    performed_at = models.DateTimeField()
    zone = models.CharField(max_length=64)
    performed_on = models.DateField()
    time_known = models.BooleanField(default=True)
    entered_at = models.DateTimeField()
    setting = models.CharField(max_length=10, choices=Setting.choices, default=Setting.PATIENT)
    supervisor = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+", db_index=False)
    nearness = models.CharField(max_length=8, choices=Nearness.choices, blank=True)  # as the clinician says
    emergency = models.BooleanField(default=False)  # nobody to supervise
    result = models.CharField(max_length=10, choices=Result.choices)
    punctures = models.PositiveSmallIntegerField()
    others_before = models.PositiveSmallIntegerField(default=0)  # punctures by others in this occasion
    taken_over = models.BooleanField(default=False)
    difficult = models.CharField(max_length=6, choices=Scored.choices, blank=True)  # '': not difficult, or not scored
    events = models.CharField(max_length=200, blank=True)  # codes of serious events, comma-separated, sorted
    withdrawn = models.BooleanField(default=False)
    source = models.CharField(max_length=10, choices=Source.choices, default=Source.FORM)
    sheet = models.ForeignKey(Sheet, models.PROTECT, null=True, blank=True, related_name="+")
    partial = models.BooleanField(default=False)  # from a sheet that does not claim completeness for its day
    content = models.TextField()
    digest = models.CharField(max_length=64)

    objects = InsertionQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["uuid", "version"], name="audits_insertion_version"),
            models.UniqueConstraint(fields=["uuid"], condition=Q(known_until=None), name="audits_insertion_one_now"),
            models.CheckConstraint(
                condition=Q(supervisor=None) | Q(clinician_user=None) | ~Q(supervisor=F("clinician_user")),
                name="audits_insertion_never_own_supervisor",
            ),
        ]
        indexes = [
            models.Index(fields=["clinician", "known_until", "performed_on"]),
            models.Index(fields=["supervisor", "known_until"]),
            models.Index(fields=["occasion"]),
            models.Index(fields=["unit", "performed_on"]),
        ]

    @property
    def days_to_entry(self) -> int:
        """Local days from the insertion to its entry."""
        return (self.entered_at.astimezone(ZoneInfo(self.zone)).date() - self.performed_on).days


class Attempt(models.Model):
    """One skin puncture of one version of an insertion."""

    guard = Guard()

    insertion = models.ForeignKey(Insertion, models.PROTECT, related_name="attempts", db_index=False)
    ordinal = models.PositiveSmallIntegerField()
    site = models.CharField(max_length=12)
    side = models.CharField(max_length=5, blank=True)
    gauge = models.PositiveSmallIntegerField()
    technique = models.CharField(max_length=16)
    result = models.CharField(max_length=12)
    reason = models.CharField(max_length=24, blank=True)

    class Meta:
        ordering = ["ordinal"]
        constraints = [models.UniqueConstraint(fields=["insertion", "ordinal"], name="audits_attempt_ordinal")]


class Award(Spanned):
    """The dated fact that somebody holds a procedure. `until_day` is set where it ended before its calendar end."""

    class Kind(models.TextChoices):
        AWARD = "award", "Award"
        RENEWAL = "renewal", "Renewal"
        FOUNDING = "founding", "Founding award"
        RECOGNISED = "recognised", "Recognised from elsewhere"

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="awards")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    scope_unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    programme = models.UUIDField()  # of the programme version whose terms apply
    terms = models.TextField()  # those terms, as they were
    kind = models.CharField(max_length=10, choices=Kind.choices)
    anchor = models.DateField()
    months = models.PositiveSmallIntegerField()
    expires_on = models.DateField()
    first = models.BooleanField(default=False)  # a first award may be provisional
    # Copied from the terms, so that who held what is a question to this row alone.
    provisional_until = models.DateField(null=True, blank=True)  # first day on which it is no longer provisional
    supervises_from = models.DateField(null=True, blank=True)  # first day on which its holder may supervise
    long_absence_days = models.PositiveSmallIntegerField(
        null=True, blank=True
    )  # an absence that asks for a return step
    basis = models.TextField()  # canonical JSON: evidence, who decided, figures at the time

    class Meta:
        constraints = [
            span_in_order("audits_award_span"),
            models.CheckConstraint(condition=Q(months__gt=0), name="audits_award_months"),
            models.UniqueConstraint(
                fields=["clinician", "procedure", "scope_unit"],
                condition=Q(known_until=None, until_day=None),
                name="audits_award_one_open",
            ),
        ]
        indexes = [models.Index(fields=["clinician", "procedure", "known_until"])]


class Restriction(Spanned):
    """A signed decision that limits somebody: suspension, stand-down, withdrawal, re-supervision or return plan."""

    class Kind(models.TextChoices):
        SUSPENSION = "suspension", "Suspension"
        STAND_DOWN = "stand_down", "Stand-down"
        WITHDRAWAL = "withdrawal", "Withdrawal"
        PLAN = "plan", "Re-supervision plan"
        RETURN_PLAN = "return_plan", "Return plan"

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="restrictions")
    procedure = models.ForeignKey(Procedure, models.PROTECT, null=True, blank=True, related_name="+")  # null: every one
    kind = models.CharField(max_length=12, choices=Kind.choices)
    answer = models.CharField(max_length=8)
    due_on = models.DateField(null=True, blank=True)
    basis = models.TextField()

    class Meta:
        constraints = [span_in_order("audits_restriction_span")]
        indexes = [models.Index(fields=["clinician", "known_until"])]


class ScopeByRole(Spanned):
    """A signed decision that a person, or a profession on a unit, may insert by appointment without enrolling."""

    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    clinician = models.ForeignKey(Clinician, models.PROTECT, null=True, blank=True, related_name="scopes")
    profession = models.CharField(max_length=20, choices=Profession.choices, blank=True)
    basis = models.TextField()

    class Meta:
        constraints = [
            span_in_order("audits_scope_span"),
            models.CheckConstraint(
                condition=(Q(clinician=None) & ~Q(profession="")) | (~Q(clinician=None) & Q(profession="")),
                name="audits_scope_person_or_profession",
            ),
        ]


class Statement(Known):
    """What somebody signed about one version of an insertion, with the printed name and role of that moment."""

    class Kind(models.TextChoices):
        IN_ROOM = "in_room", "Countersigned, in the room"
        NEARBY = "nearby", "Countersigned, nearby"
        SENT_BACK = "sent_back", "Sent back"
        NOT_ME = "not_me", "Not me"
        OTHER_EVIDENCE = "other_evidence", "Accepted on other evidence"

    insertion = models.ForeignKey(Insertion, models.PROTECT, related_name="statements")
    kind = models.CharField(max_length=14, choices=Kind.choices)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    printed_name = models.CharField(max_length=150)
    role = models.CharField(max_length=40)
    registration = models.CharField(max_length=40, blank=True)
    signed_at = models.DateTimeField()
    meaning = models.CharField(max_length=80)
    note = models.CharField(max_length=500, blank=True)  # what to mend, who it was, the evidence named
    award = models.ForeignKey(Award, models.PROTECT, null=True, blank=True, related_name="+")
    scope = models.ForeignKey(ScopeByRole, models.PROTECT, null=True, blank=True, related_name="+")
    appointment = models.ForeignKey(Appointment, models.PROTECT, null=True, blank=True, related_name="+")
    insertion_digest = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["insertion"], condition=Q(known_until=None), name="audits_statement_one_now"
            ),
            models.CheckConstraint(condition=~Q(meaning="") & ~Q(printed_name=""), name="audits_statement_complete"),
        ]


class Proposal(Known):
    """A correction or withdrawal that needs somebody's agreement; until then the old version stands."""

    guard = Guard(fill_once=("known_until", "decided", "agreed"))

    class Kind(models.TextChoices):
        CORRECTION = "correction", "Correction"
        WITHDRAWAL = "withdrawal", "Withdrawal"

    insertion = models.ForeignKey(Insertion, models.PROTECT, related_name="proposals")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    content = models.TextField()  # of the version proposed
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    decided = models.ForeignKey("ledger.Act", models.PROTECT, null=True, blank=True, related_name="+")
    agreed = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["insertion"], condition=Q(decided=None), name="audits_proposal_one_open")
        ]


class Dispute(Known):
    """Somebody says that an entry or a statement is wrong; while it is open, 1-product says what still counts."""

    guard = Guard(fill_once=("known_until", "decided", "outcome"))

    class About(models.TextChoices):
        RESULT = "result", "The result"
        STATEMENT = "statement", "The statement"
        WHO = "who", "Who inserted"

    insertion = models.ForeignKey(Insertion, models.PROTECT, related_name="disputes")
    about = models.CharField(max_length=10, choices=About.choices)
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    opened_on = models.DateField()
    limit_on = models.DateField()  # undecided, the entry is back in safety from this day on
    decided = models.ForeignKey("ledger.Act", models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=12, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["insertion"], condition=Q(decided=None), name="audits_dispute_one_open")
        ]


class Completion(Known):
    """Something done towards terms: a knowledge test, theory, a simulation session, a policy read."""

    class Kind(models.TextChoices):
        KNOWLEDGE = "knowledge", "Knowledge test"
        THEORY = "theory", "Theory session"
        SIMULATION = "simulation", "Simulation session"
        POLICY = "policy", "Policy read"
        RETURN = "return", "Return step completed"

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="completions")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    on = models.DateField()
    valid_until = models.DateField(null=True, blank=True)  # the first day on which it no longer holds
    verified_by = models.CharField(max_length=150)
    result = models.CharField(max_length=60, blank=True)  # as the paper says it: a mark, a score
    passed = models.BooleanField(default=True)  # what was not passed is kept and counts for nothing
    about = models.CharField(max_length=120, blank=True)  # which test, session or policy, with its version

    class Meta:
        indexes = [models.Index(fields=["clinician", "procedure", "known_until"])]


class Draft(models.Model):
    """An entry begun and not yet submitted: counts for nothing, seen by its writer alone, may change and go."""

    uuid = models.UUIDField(unique=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    content = models.JSONField()
    changed_at = models.DateTimeField(auto_now=True)


class Outcome(models.Model):
    """The narrow table: one row for each insertion version known now, integers only, derived and rebuilt at will.

    Columns as `audits.figures.Row`; one covering index in path order, because SQLite knows no `include`.
    """

    insertion = models.BigIntegerField(primary_key=True)
    clinician = models.BigIntegerField()
    procedure = models.BigIntegerField()
    time = models.BigIntegerField()
    tie = models.BigIntegerField()
    day = models.IntegerField()
    in_rate = models.SmallIntegerField()
    success = models.SmallIntegerField()
    punctures = models.SmallIntegerField()
    total = models.SmallIntegerField()
    events = models.SmallIntegerField()
    safety = models.SmallIntegerField()
    credit = models.SmallIntegerField()
    in_question = models.SmallIntegerField()
    volume = models.SmallIntegerField()
    partial = models.SmallIntegerField()
    supervisor = models.BigIntegerField()
    unit = models.BigIntegerField()
    stratum = models.SmallIntegerField()

    class Meta:
        indexes = [
            models.Index(
                fields=[
                    "clinician", "procedure", "time", "tie", "insertion", "day", "in_rate", "success", "punctures",
                    "total", "events", "safety", "credit", "in_question", "volume", "partial", "supervisor", "unit",
                    "stratum",
                ],
                name="audits_outcome_path",
            )
        ]  # fmt: skip
