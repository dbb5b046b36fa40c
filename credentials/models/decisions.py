"""Decisions: programmes, rules, enrolments, what waits for a second person, flags, and the standings worked out."""

import uuid

from django.db import models
from django.db.models import F, Q

from audits.models import Procedure, Proposed, two_people
from ledger.guard import Guard
from ledger.models import Act, Known
from people.models import Clinician, Spanned, Unit, User, span_in_order


class Rules(Proposed):
    class Meta:
        constraints = [
            two_people("credentials_rules_two_people"),
            models.UniqueConstraint(fields=["unit", "procedure", "version"], name="credentials_rules_version"),
        ]


class Programme(Proposed):
    class Meta:
        constraints = [
            two_people("credentials_programme_two_people"),
            models.UniqueConstraint(fields=["unit", "procedure", "version"], name="credentials_programme_version"),
        ]


class Enrolment(Spanned):
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="enrolments")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            span_in_order("credentials_enrolment_span"),
            models.UniqueConstraint(
                fields=["clinician", "procedure"],
                condition=Q(known_until=None, until_day=None),
                name="credentials_enrolment_one_open",
            ),
        ]
        indexes = [models.Index(fields=["clinician", "procedure", "known_until"])]


class Learning(Known):
    """Somebody who began to learn before any programme bound at home; the approval of one makes the enrolment."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    from_day = models.DateField()
    entered_by = models.ForeignKey(User, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["clinician", "procedure"], condition=Q(known_until=None), name="credentials_learning_one_waits"
            )
        ]


class Founding(Known):
    """An award claimed on the first day, entered by one person, waiting for another to confirm or refuse it."""

    guard = Guard(fill_once=("known_until", "decided", "decided_by", "confirmed"))

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="+")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    scope_unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    awarded_on = models.DateField()
    expires_on = models.DateField(null=True, blank=True)
    evidence_kind = models.CharField(max_length=60)
    evidence_place = models.CharField(max_length=120)
    entered_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    decided_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    decided = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    confirmed = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(decided_by=None) | ~Q(decided_by=F("entered_by")), name="credentials_founding_two_people"
            ),
            models.UniqueConstraint(
                fields=["clinician", "procedure", "scope_unit"],
                condition=Q(decided=None),
                name="credentials_founding_one_open",
            ),
        ]


class Flag(models.Model):
    """A question opened by a finding; the register raises it, a person closes it with a reason."""

    guard = Guard(fill_once=("closed", "closed_on", "closed_by", "outcome", "reason"))

    class Outcome(models.TextChoices):
        NO_ACTION = "no_action", "No action"
        WATCH = "watch", "Watch"
        TALKED = "talked", "Talked over"
        REFRESH = "refresh", "Refresher agreed"
        PLAN = "plan", "Re-supervision agreed"
        SUSPENDED = "suspended", "Suspended"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="flags")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    rule = models.CharField(max_length=24)
    evidence = models.CharField(max_length=36, blank=True)
    raised = models.ForeignKey(Act, models.PROTECT, related_name="+")
    raised_on = models.DateField()
    reply_by = models.DateField(null=True, blank=True)
    figures = models.TextField()  # the finding as it stood, canonical JSON
    rules = models.ForeignKey(Rules, models.PROTECT, null=True, blank=True, related_name="+")
    closed = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")
    closed_on = models.DateField(null=True, blank=True)
    closed_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=12, choices=Outcome.choices, blank=True)
    reason = models.CharField(max_length=500, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["clinician", "procedure", "rule", "evidence"],
                condition=Q(closed=None),
                name="credentials_flag_one_open",
            )
        ]
        indexes = [models.Index(fields=["clinician", "procedure"])]


class FlagReply(models.Model):
    """What the person says to a flag, or an educator notes on it. Insert-only."""

    guard = Guard()

    flag = models.ForeignKey(Flag, models.PROTECT, related_name="replies")
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    text = models.CharField(max_length=1000)
    made = models.ForeignKey(Act, models.PROTECT, related_name="+")
    said_at = models.DateTimeField()


class Referral(Known):
    """A case handed on: to an educator further up, or to a manager, who may then see the figures behind it."""

    uuid = models.UUIDField(default=uuid.uuid4, editable=False, db_index=True)
    flag = models.ForeignKey(Flag, models.PROTECT, related_name="referrals")
    to = models.ForeignKey(User, models.PROTECT, related_name="+")
    by = models.ForeignKey(User, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=500)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["flag", "to"], condition=Q(known_until=None), name="credentials_referral_once"
            )
        ]


class Standing(models.Model):
    """The computed answer, stored; thrown away and rebuilt to the same text at will."""

    clinician = models.ForeignKey(Clinician, models.PROTECT, related_name="standings")
    procedure = models.ForeignKey(Procedure, models.PROTECT, related_name="+")
    known = models.BigIntegerField()
    judged_on = models.DateField()
    status = models.CharField(max_length=16)
    may_insert = models.CharField(max_length=8)
    expires_on = models.DateField(null=True, blank=True)
    next_change_on = models.DateField(null=True, blank=True)
    body = models.TextField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["clinician", "procedure"], name="credentials_standing_one")]
        indexes = [models.Index(fields=["next_change_on"]), models.Index(fields=["status", "expires_on"])]
