"""What people type into: forms that say what to do, and days and times read as kindly as a sheet's cells."""

from collections.abc import Callable
from datetime import date, time, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from people.clock import in_words
from sheets.cells import Refused
from sheets.days import day, time_of_day

_VERBS = {
    forms.ChoiceField: "Choose",
    forms.ModelChoiceField: "Choose",
    forms.FileField: "Choose",
    forms.BooleanField: "Tick",
}
_PLAIN_WORDS = {
    "invalid_choice": "Choose one of the answers that are offered.",
    "min_value": "Enter %(limit_value)s or more.",
    "max_value": "Enter %(limit_value)s or less.",
    "min_length": "Enter at least %(limit_value)s characters; there are %(show_value)s.",
    "max_length": "Enter at most %(limit_value)s characters; there are %(show_value)s.",
    "empty": "Choose another file: this one is empty.",
    "missing": "Choose a file.",
}


class Form(forms.Form):
    """A form whose mistakes say what to do, in the words of its labels. Every form of a screen is one.

    A message that a field was given keeps its words; Django's own are replaced.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            _speak_plainly(name, field)

    def add(self, name: str, field: forms.Field) -> None:
        """One field more, for forms that ask according to what they are about."""
        _speak_plainly(name, field)
        self.fields[name] = field


def _speak_plainly(name: str, field: forms.Field) -> None:
    label = str(field.label or name.replace("_", " ").capitalize()).rstrip("?:")
    verb = next((verb for kind, verb in _VERBS.items() if isinstance(field, kind)), "Enter")
    for code, text in {"required": f"{verb} “{label}”.", **_PLAIN_WORDS}.items():
        if field.error_messages.get(code) == _words_of_django(field).get(code):
            field.error_messages[code] = text


def _words_of_django(field: forms.Field) -> dict[str, Any]:
    words: dict[str, Any] = {}
    for kind in reversed(type(field).__mro__):
        if kind.__module__.startswith("django."):
            words |= vars(kind).get("default_error_messages", {})
    return words


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


class WhichField(forms.TypedChoiceField):
    """Which of two is meant where the clocks went back over a time: 0 the first, 1 the second, None if nobody said."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            label="The clocks went back that night. Which of the two?",
            choices=[("0", "The first"), ("1", "The second")],
            coerce=int,
            empty_value=None,
            widget=forms.RadioSelect,
            required=False,
            **kwargs,
        )
