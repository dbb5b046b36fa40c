"""The forms of sheets that come in: the file, which heading is which field, the days for which a log is complete."""

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from credentials.sheet_kinds import Days, Kind
from credentials.uploads import SheetToMatch
from people.fields import DayField, Form
from sheets.zipcheck import MAX_FILE

PARTIAL, COMPLETE = "partial", "complete"


class UploadForm(Form):
    file = forms.FileField(
        label="File",
        help_text="An Excel workbook (.xlsx) or a CSV file, at most 25 MB. Nothing is stored before you have seen it.",
        widget=forms.FileInput(attrs={"accept": ".xlsx,.csv,.tsv,.txt"}),
    )

    def clean_file(self) -> UploadedFile:
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > MAX_FILE:
            raise ValidationError("The file has more than 25 MB. Split it, by month for instance.")
        return file


class ColumnsForm(Form):
    """One sheet: whether it is read, and for each field the column that holds it."""

    def __init__(self, *args: Any, sheet: SheetToMatch, kind: Kind, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.kind = kind
        self.fields["is_read"] = forms.BooleanField(label="Read this sheet", required=False, initial=sheet.is_enough)
        choices = [("", "Not in this sheet"), *((column.value, column.words) for column in sheet.columns)]
        for field in kind.fields:
            self.fields[field.name] = forms.ChoiceField(
                label=field.label,
                choices=choices,
                required=False,
                initial=sheet.guessed.get(field.name, ""),
                help_text="" if field.name in sheet.guessed else field.about,
            )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        taken: dict[str, str] = {}
        for field in self.kind.fields:
            column = cleaned.get(field.name)
            if column and column in taken:
                self.add_error(field.name, f"This column is {taken[column]} already.")
            elif column:
                taken[column] = field.label
        return cleaned

    @property
    def is_read(self) -> bool:
        return bool(self.cleaned_data["is_read"])

    @property
    def columns(self) -> dict[str, str | None]:
        """Field -> heading, None for what is not in the sheet."""
        return {field.name: self.cleaned_data[field.name] or None for field in self.kind.fields}

    def found(self) -> list[forms.BoundField]:
        """The fields that have a column, and those without which nothing can be read."""
        return [self[field.name] for field in self.kind.fields if field.required or self._has(field.name)]

    def others(self) -> list[forms.BoundField]:
        return [self[field.name] for field in self.kind.fields if not field.required and not self._has(field.name)]

    def _has(self, name: str) -> bool:
        return bool(self[name].value() or self.errors.get(name)) if self.is_bound else name in self.sheet.guessed


class DaysForm(Form):
    """What is stated of a log: complete from a day through a day, or partial."""

    what = forms.ChoiceField(
        label="What this log is",
        choices=[
            (COMPLETE, "Complete for the days below: every insertion by its people on its units is in it"),
            (PARTIAL, "Partial: insertions may be missing"),
        ],
        widget=forms.RadioSelect,
        help_text="Rates are worked out only from days for which a log is complete. You sign this.",
        error_messages={"required": "Say whether it is complete or partial."},
    )
    first = DayField(label="First complete day", required=False)
    last = DayField(label="Last complete day", required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("what") == COMPLETE:
            for name in ("first", "last"):
                if not cleaned.get(name) and name not in self.errors:
                    self.add_error(name, "Enter the day, or say that the log is partial.")
        return cleaned

    @property
    def days(self) -> Days:
        first, last = self.cleaned_data.get("first"), self.cleaned_data.get("last")
        if self.cleaned_data["what"] == PARTIAL or not isinstance(first, date) or not isinstance(last, date):
            return None
        return first, last
