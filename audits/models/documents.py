"""Local documents by two people: what one proposes and another approves; checklists are among them."""

import uuid

from django.db import models
from django.db.models import F, Q

from audits.models.evidence import Procedure
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Unit, User


class Proposed(Known):
    """A versioned document of a unit and procedure: one person proposes, another approves, in effect from a day.

    Known as proposed from `known_from`; it binds from the act `approved` and the day `effective_on`.
    """

    guard = Guard(fill_once=("known_until", "approved", "approved_by"))

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    version = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=80)
    content = models.TextField()  # canonical JSON
    note = models.CharField(max_length=500, blank=True)
    # Nobody proposed an example that came with Sited.
    proposed_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    approved_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    approved = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    effective_on = models.DateField()

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.name}, version {self.version}"


def two_people(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(approved_by=None) | Q(proposed_by=None) | ~Q(approved_by=F("proposed_by")), name=name
    )


class Checklist(Proposed):
    """The steps that an observation watches for, as `audits.checklist` reads them. A version never changes."""

    class Meta:
        constraints = [
            two_people("audits_checklist_two_people"),
            models.UniqueConstraint(fields=["unit", "procedure", "version"], name="audits_checklist_version"),
        ]


class Retirement(Known):
    """A version taken out of use at once by one person; it lapses on `lapses_on` unless another confirms it before."""

    guard = Guard(fill_once=("known_until", "decided", "decided_by", "decided_on", "confirmed"))

    checklist = models.ForeignKey(Checklist, models.PROTECT, related_name="retirements")
    reason = models.CharField(max_length=500)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    from_day = models.DateField()
    lapses_on = models.DateField()  # the first day on which it no longer holds, unless it was confirmed
    decided = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    decided_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    decided_on = models.DateField(null=True, blank=True)
    confirmed = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(decided_by=None) | ~Q(decided_by=F("by")), name="audits_retirement_two_people"
            ),
        ]
        indexes = [models.Index(fields=["checklist", "known_until"])]


class ChecklistDraft(models.Model):
    """A checklist being written, not yet proposed: seen and changed by those who keep the rules of its unit."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, models.CASCADE, related_name="+")
    procedure = models.ForeignKey(Procedure, models.CASCADE, related_name="+")
    name = models.CharField(max_length=80, blank=True)
    content = models.JSONField()
    begun_by = models.ForeignKey(User, models.CASCADE, related_name="+")
    changed_by = models.ForeignKey(User, models.CASCADE, related_name="+")
    changed_at = models.DateTimeField()
    revision = models.PositiveIntegerField(default=1)
