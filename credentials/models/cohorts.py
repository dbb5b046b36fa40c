"""Cohorts: people enrolled together under one version of a programme, for a rotation with an end."""

import uuid

from django.db import models
from django.db.models import Q

from audits.models import Procedure
from credentials.models.decisions import Programme
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Clinician, Unit, User


class Cohort(models.Model):
    """One rotation. Its people are `CohortMember`s; closed once everybody was moved on, closed or handed over."""

    guard = Guard(fill_once=("closed",))

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="+")
    from_day = models.DateField()
    until_day = models.DateField()  # the first day after the rotation
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    opened = models.ForeignKey(Act, models.PROTECT, related_name="+")
    closed = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(until_day__gt=models.F("from_day")), name="credentials_cohort_days_in_order"
            )
        ]


class CohortMember(Known):
    """Somebody in a cohort, and at its end what became of their learning."""

    class Outcome(models.TextChoices):
        MOVED = "moved", "Moved to another unit or cohort"
        CLOSED = "closed", "Enrolment ended"
        HANDED_OVER = "handed_over", "Handed over"
        AWARDED = "awarded", "Awarded"

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    cohort = models.ForeignKey(Cohort, models.PROTECT, related_name="members")
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="+")
    outcome = models.CharField(max_length=12, choices=Outcome.choices, blank=True)  # '': still in it
    left_on = models.DateField(null=True, blank=True)
    moved_to = models.ForeignKey(Cohort, models.PROTECT, null=True, blank=True, related_name="+")
    handed_to = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    taken_on = models.DateField(null=True, blank=True)  # when whoever it was handed to took it on
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["cohort", "clinician"], condition=Q(known_until=None), name="credentials_cohort_member_once"
            )
        ]
