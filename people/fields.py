"""Form fields that people type into: days and times, read as kindly as a sheet's cells."""

from collections.abc import Callable
from datetime import date, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from people.clock import in_words
from sheets.cells import Refused
from sheets.days import day, time_of_day


class DayField(forms.Field):
    """A day, typed: 13/10/2026, 13 Oct 2026, 2026-10-13, and, where `today` is given, 'today' and 'yesterday'."""

    default_error_messages = {"required": "Enter a day, such as 13 October 2026."}

    def __init__(self, *, today: Callable[[], date] | None = None, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"class": "day", "autocomplete": "off"}))
        kwargs.setdefault("help_text", "For example, 13 October 2026 or 13/10/2026.")
        super().__init__(**kwargs)
        self.today = today

    def to_python(self, value: Any) -> date | None:
        if value is None or isinstance(value, date):
            return value
        word = str(value).strip().casefold()
        if self.today and word in ("today", "yesterday"):
            return self.today() - timedelta(days=word == "yesterday")
        try:
            return day(str(value))
        except Refused as refused:
            raise ValidationError(f"Enter the day again. {refused.reason}", code="day") from None

    def prepare_value(self, value: Any) -> Any:
        return in_words(value) if isinstance(value, date) else value

    def has_changed(self, initial: Any, data: Any) -> bool:
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True


class ClockField(forms.Field):
    """A time of day to the minute, typed: 14:30, 1430, 2.30 pm."""

    default_error_messages = {"required": "Enter a time, such as 14:30."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"class": "short", "autocomplete": "off"}))
        kwargs.setdefault("help_text", "By the 24-hour clock, for example 14:30.")
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> time | None:
        if value is None or isinstance(value, time):
            return value
        try:
            return time_of_day(str(value))
        except Refused as refused:
            raise ValidationError(f"Enter the time again. {refused.reason}", code="time") from None

    def prepare_value(self, value: Any) -> Any:
        return f"{value:%H:%M}" if isinstance(value, time) else value

    def has_changed(self, initial: Any, data: Any) -> bool:
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True
