"""Certificates given out, and the local policies that rules and programmes rest on."""

import uuid

from django.db import models

from audits.models import Procedure
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Clinician, Unit, User


class Certificate(models.Model):
    """A certificate that was given out. The token in its square code opens the public page; only its digest is kept."""

    guard = Guard(fill_once=("revoked",))

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    award = models.UUIDField(db_index=True)  # of the award, whatever its version
    token_digest = models.CharField(max_length=64, unique=True)
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    made_on = models.DateField()
    made = models.ForeignKey(Act, models.PROTECT, related_name="+")
    revoked = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["clinician"])]


class LocalPolicy(Known):
    """A local policy that rules, programmes or checklists rest on: where it is kept, when it is looked at again."""

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, null=True, blank=True, related_name="+")  # null: every one
    title = models.CharField(max_length=120)
    kept_at = models.CharField(max_length=200)  # number, version and place of the paper
    rests = models.CharField(max_length=60)  # comma-separated: rules, programme, checklist
    review_on = models.DateField()
    ended = models.BooleanField(default=False)  # no longer in force
