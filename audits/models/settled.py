"""Disagreements and what was decided about them, tallies, and what was brought from elsewhere."""

import uuid

from django.db import models
from django.db.models import Q

from audits.models.evidence import Award, Dispute, Procedure, Statement
from audits.models.observed import ObservationDispute
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Clinician, Unit, User

ABOUT_ONE = (Q(dispute=None) & ~Q(observation_dispute=None)) | (~Q(dispute=None) & Q(observation_dispute=None))


class DisputeAnswer(models.Model):
    """What either side says to a dispute of an entry, a statement or an observation. Insert-only."""

    guard = Guard()

    dispute = models.ForeignKey(Dispute, models.PROTECT, null=True, blank=True, related_name="answers")
    observation_dispute = models.ForeignKey(
        ObservationDispute, models.PROTECT, null=True, blank=True, related_name="answers"
    )
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    text = models.CharField(max_length=1000)
    made = models.ForeignKey(Act, models.PROTECT, related_name="+")
    said_at = models.DateTimeField()

    class Meta:
        constraints = [models.CheckConstraint(condition=ABOUT_ONE, name="audits_answer_about_one")]


class Ruling(Known):
    """What an educator who is neither side decided about a dispute, signed."""

    class Outcome(models.TextChoices):
        STANDS = "stands", "It stands"
        MENDED = "mended", "It is mended"
        STRUCK = "struck", "It is struck out"

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    dispute = models.ForeignKey(Dispute, models.PROTECT, null=True, blank=True, related_name="rulings")
    observation_dispute = models.ForeignKey(
        ObservationDispute, models.PROTECT, null=True, blank=True, related_name="rulings"
    )
    outcome = models.CharField(max_length=8, choices=Outcome.choices)
    reason = models.CharField(max_length=500)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    on = models.DateField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=ABOUT_ONE, name="audits_ruling_about_one"),
            models.UniqueConstraint(fields=["dispute"], name="audits_ruling_once"),
            models.UniqueConstraint(fields=["observation_dispute"], name="audits_ruling_once_observed"),
        ]


class Reconsidered(Known):
    """What an educator decided about a countersignature whose signer was found not eligible: counts, or struck."""

    class Outcome(models.TextChoices):
        COUNTS = "counts", "Counts all the same"
        STRUCK = "struck", "Does not count"

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    statement = models.ForeignKey(Statement, models.PROTECT, related_name="reconsidered")
    outcome = models.CharField(max_length=8, choices=Outcome.choices)
    reason = models.CharField(max_length=500)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["statement"], condition=Q(known_until=None), name="audits_reconsidered_one_now"
            )
        ]


class Tally(Known):
    """How many insertions a holder made on one day, where a unit logs no more than that. Volume, and nothing else."""

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="tallies")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    on = models.DateField()
    insertions = models.PositiveSmallIntegerField()  # 0: said to have been none, or taken back

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["clinician", "procedure", "unit", "on"],
                condition=Q(known_until=None),
                name="audits_tally_one_now",
            )
        ]
        indexes = [models.Index(fields=["clinician", "procedure", "known_until"])]


class Recognition(Known):
    """What somebody brought from elsewhere, and how much of it was accepted: signed, with its evidence named."""

    class Outcome(models.TextChoices):
        WHOLE = "whole", "Accepted as a whole"
        PART = "part", "Accepted in part"
        REASSESS = "reassess", "To be assessed again"

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="recognitions")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    origin = models.CharField(max_length=120)  # where it was held
    evidence = models.CharField(max_length=300)  # its kind and where it is kept
    outcome = models.CharField(max_length=8, choices=Outcome.choices)
    insertions = models.PositiveSmallIntegerField(default=0)  # of a part: so many count as supervised insertions
    award = models.ForeignKey(Award, models.PROTECT, null=True, blank=True, related_name="+")  # of a whole
    reason = models.CharField(max_length=500)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    on = models.DateField()

    class Meta:
        indexes = [models.Index(fields=["clinician", "procedure", "known_until"])]
