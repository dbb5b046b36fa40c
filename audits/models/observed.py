"""Practice watched against a checklist: who watched whom, what was seen, what was said about it."""

from django.db import models
from django.db.models import F, Q

from audits.access import ObservationQuerySet
from audits.checklist import PURPOSE_WORDS, SETTING_WORDS, VERDICT_WORDS
from audits.models.documents import Checklist
from audits.models.evidence import Award, Procedure, ScopeByRole
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Appointment, Clinician, Unit, User


class Observation(Known):
    """One assessor watching one clinician once. Begun, with its purpose, before the first tick; filled when signed.

    `content` is the canonical text that the digest covers; the columns repeat of it what queries ask. A second rating
    of the same practice names the first in `second_of`; it never counts for a standing.
    """

    guard = Guard(
        fill_once=(
            "known_until", "signed", "signed_at", "content", "digest", "verdict", "stopped", "missed", "rating",
            "given", "recommended", "printed_name", "role", "registration", "meaning", "award", "scope", "appointment",
        )
    )  # fmt: skip

    uuid = models.UUIDField(unique=True, editable=False)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="observations")
    clinician_user = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    checklist = models.ForeignKey(Checklist, models.PROTECT, related_name="observations")
    purpose = models.CharField(max_length=8, choices=tuple(PURPOSE_WORDS.items()))
    setting = models.CharField(max_length=10, choices=tuple(SETTING_WORDS.items()))
    observed_at = models.DateTimeField()
    zone = models.CharField(max_length=64)
    observed_on = models.DateField()
    assessor = models.ForeignKey(User, models.PROTECT, related_name="observations")
    second_of = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="seconds")
    second_wanted = models.BooleanField(default=False)  # drawn for a second rating

    signed = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    signed_at = models.DateTimeField(null=True, blank=True)
    content = models.TextField(blank=True)
    digest = models.CharField(max_length=64, blank=True)
    verdict = models.CharField(max_length=8, choices=tuple(VERDICT_WORDS.items()), blank=True)  # '': for learning
    stopped = models.BooleanField(null=True, blank=True)  # at a missed vein
    missed = models.TextField(blank=True)  # keys of critical steps missed, comma-separated, in the checklist's order
    rating = models.PositiveSmallIntegerField(null=True, blank=True)  # place in the checklist's scale, 1 the lowest
    given = models.CharField(max_length=10, blank=True)
    recommended = models.CharField(max_length=10, blank=True)
    printed_name = models.CharField(max_length=150, blank=True)
    role = models.CharField(max_length=200, blank=True)
    registration = models.CharField(max_length=40, blank=True)
    meaning = models.CharField(max_length=80, blank=True)
    award = models.ForeignKey(Award, models.PROTECT, null=True, blank=True, related_name="+")
    scope = models.ForeignKey(ScopeByRole, models.PROTECT, null=True, blank=True, related_name="+")
    appointment = models.ForeignKey(Appointment, models.PROTECT, null=True, blank=True, related_name="+")

    objects = ObservationQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(clinician_user=None) | ~Q(clinician_user=F("assessor")),
                name="audits_observation_never_oneself",
            ),
            models.CheckConstraint(
                condition=Q(signed=None, signed_at=None, content="", digest="", verdict="", rating=None)
                | Q(signed__isnull=False, signed_at__isnull=False, known_until=None) & ~Q(content="") & ~Q(digest=""),
                name="audits_observation_signed_wholly",
            ),
            models.UniqueConstraint(
                fields=["second_of", "assessor"], condition=Q(known_until=None), name="audits_observation_second_once"
            ),
        ]
        indexes = [
            models.Index(fields=["clinician", "procedure", "observed_on"]),
            models.Index(fields=["assessor", "signed"]),
            models.Index(fields=["unit", "observed_on"]),
        ]


class ObservationDraft(models.Model):
    """The ticks of an observation that is not signed yet: changes at will, seen by its assessor alone."""

    observation = models.OneToOneField(Observation, models.CASCADE, related_name="draft", primary_key=True)
    content = models.JSONField()
    revision = models.PositiveIntegerField(default=1)
    changed_at = models.DateTimeField()


class SecondAsked(Known):
    """Somebody is asked to score the same practice without seeing the first; over when they signed or declined."""

    guard = Guard(fill_once=("known_until", "declined"))

    observation = models.ForeignKey(Observation, models.PROTECT, related_name="asked")
    whom = models.ForeignKey(User, models.PROTECT, related_name="+")
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    declined = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["observation", "whom"], condition=Q(known_until=None), name="audits_second_asked_once"
            )
        ]


class ObservationReply(models.Model):
    """What the learner and others say to an observation: read, or a reply in words. Insert-only."""

    guard = Guard()

    class Kind(models.TextChoices):
        ACKNOWLEDGED = "acknowledged", "Read and talked over"
        REPLY = "reply", "Reply"

    observation = models.ForeignKey(Observation, models.PROTECT, related_name="replies")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    text = models.CharField(max_length=1000, blank=True)
    made = models.ForeignKey(Act, models.PROTECT, related_name="+")
    said_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["observation"], condition=Q(kind="acknowledged"), name="audits_observation_acknowledged_once"
            )
        ]


class ObservationDispute(Known):
    """Somebody says that an observation is wrong; while it is open it does not count towards terms."""

    guard = Guard(fill_once=("known_until", "decided", "outcome"))

    observation = models.ForeignKey(Observation, models.PROTECT, related_name="disputes")
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    opened_on = models.DateField()
    decided = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=12, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["observation"], condition=Q(decided=None), name="audits_observation_dispute_one_open"
            )
        ]
