"""Acts, what hangs on them, and the base of every table with two times."""

import json
from typing import Any, Self

from django.conf import settings
from django.db import models
from django.db.models import Q

from ledger.guard import Guard


class Act(models.Model):
    """One entry of the ledger: who did what, when, to which subject.

    `content` is the canonical text that was hashed: the facts that the writer gave, and under the key "act" the columns
    below and the salted hash of the personal text. No actor means the register itself.
    """

    seq = models.BigIntegerField(primary_key=True)
    recorded_at = models.DateTimeField()
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    kind = models.CharField(max_length=60)
    subject = models.UUIDField(null=True, blank=True)
    content = models.TextField()
    previous = models.CharField(max_length=64, blank=True)
    hash = models.CharField(max_length=64, unique=True)
    algorithm = models.CharField(max_length=20)

    guard = Guard()

    class Meta:
        indexes = [
            models.Index(fields=["recorded_at", "seq"], name="act_by_time"),
            models.Index(fields=["subject", "seq"], name="act_by_subject"),
            models.Index(fields=["kind", "seq"], name="act_by_kind"),
        ]
        constraints = [models.CheckConstraint(condition=Q(seq__gte=1), name="act_seq_from_one")]

    def __str__(self) -> str:
        return f"{self.seq} {self.kind}"

    @property
    def facts(self) -> dict[str, Any]:
        """What the writer put into the act, without its header."""
        return {key: value for key, value in json.loads(self.content).items() if key != "act"}


class Payload(models.Model):
    """The personal text of an act, outside the chain: the chain holds its salted hash only."""

    act = models.OneToOneField(Act, models.PROTECT, primary_key=True, related_name="payload")
    salt = models.CharField(max_length=64)
    body = models.TextField()

    guard = Guard()

    def __str__(self) -> str:
        return f"personal text of act {self.act_id}"


class Head(models.Model):
    """The end of the chain, in one row whose lock puts writers in line."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    seq = models.BigIntegerField()
    hash = models.CharField(max_length=64, blank=True)
    recorded_at = models.DateTimeField(null=True)

    guard = Guard(grows="seq")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="head_is_one_row")]

    def __str__(self) -> str:
        return f"head at {self.seq}"


class Register(models.Model):
    """Which register this database holds. `demo` is decided at the latest by the first act, and stays."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    uuid = models.UUIDField()
    demo = models.BooleanField(null=True)
    made_at = models.DateTimeField()

    guard = Guard(fill_once=("demo",))

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="register_is_one_row")]

    def __str__(self) -> str:
        return str(self.uuid)


class KnownQuerySet(models.QuerySet):
    """Rows of a table with two times."""

    def known(self, at: int | None = None) -> Self:
        """The rows known now, or as they were known once act number `at` had been recorded."""
        if at is None:
            return self.filter(known_until__isnull=True)
        return self.filter(Q(known_until__isnull=True) | Q(known_until__gt=at), known_from__lte=at)


class Known(models.Model):
    """A row that one act brought in and at most one took out of what is known; it is never changed otherwise."""

    known_from = models.ForeignKey(Act, models.PROTECT, related_name="+")
    known_until = models.ForeignKey(Act, models.PROTECT, null=True, blank=True, related_name="+")

    objects = KnownQuerySet.as_manager()
    guard = Guard(fill_once=("known_until",))

    class Meta:
        abstract = True
