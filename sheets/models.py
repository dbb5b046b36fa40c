"""Uploads on their way in, and the headings that people matched before. None of it is evidence: all of it may go."""

import uuid
from typing import Any

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models


class Upload(models.Model):
    """One file that somebody sent, from its reading to its being confirmed or dropped."""

    class State(models.TextChoices):
        READING = "reading", "Being read"
        READY = "ready", "Read, to be confirmed"
        CONFIRMED = "confirmed", "Stored"
        DROPPED = "dropped", "Dropped"
        FAILED = "failed", "Could not be read"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=40)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    file_name = models.CharField(max_length=120)
    digest = models.CharField(max_length=64)
    state = models.CharField(max_length=10, choices=State.choices, default=State.READING)
    # Rows in all and rows staged so far: what a progress bar shows.
    total = models.PositiveIntegerField(default=0)
    done = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField()
    message = models.TextField(blank=True)
    mapping = models.JSONField(default=dict)
    summary = models.JSONField(default=dict, encoder=DjangoJSONEncoder)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(done__lte=models.F("total")), name="sheets_done_within_total"),
        ]
        indexes = [models.Index(fields=["user", "kind", "-created_at"], name="sheets_upload_by_user")]

    def __str__(self) -> str:
        return f"{self.file_name} ({self.get_state_display()})"


class UploadFile(models.Model):
    """The bytes of an upload, kept only until it is confirmed or dropped: they may hold more than was asked for."""

    upload = models.OneToOneField(Upload, on_delete=models.CASCADE, primary_key=True, related_name="file")
    data = models.BinaryField()

    def __str__(self) -> str:
        return f"file of upload {self.upload_id}"


class StagedRow(models.Model):
    """One row of an upload after checking: its values by field, and what is wrong with it if anything is."""

    upload = models.ForeignKey(Upload, on_delete=models.CASCADE, related_name="rows")
    ordinal = models.PositiveIntegerField()
    sheet = models.CharField(max_length=100)
    row = models.PositiveIntegerField()
    values: Any = models.JSONField(encoder=DjangoJSONEncoder)
    # Reasons for refusal, as remarks; an empty list is a row that may be stored.
    problems: Any = models.JSONField(default=list)
    is_refused = models.BooleanField(default=False)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["upload", "ordinal"], name="sheets_row_once")]
        indexes = [models.Index(fields=["upload", "is_refused", "ordinal"], name="sheets_row_refused")]

    def __str__(self) -> str:
        return f"{self.sheet} row {self.row}"


class Mapping(models.Model):
    """Which heading one user took for which field, remembered by the digest of the sheet's headings."""

    kind = models.CharField(max_length=40)
    signature = models.CharField(max_length=64)
    columns = models.JSONField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    used_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["kind", "signature", "user"], name="sheets_mapping_once")]

    def __str__(self) -> str:
        return f"{self.kind} {self.signature[:8]}"
