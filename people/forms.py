"""The forms of accounts, signing and set-up. They read what was typed; what may be done with it the writes decide."""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest

from people import clock, settings
from people.fields import DayField, Form
from people.models import Appointment, Clinician, Placement, Profession, Unit
from people.signing import (
    Confirmed,
    Locked,
    NotConfirmed,
    SecretNotOwn,
    WrongSecret,
    confirm,
    needs_email,
    opened,
    seal,
)
from people.tree import Tree
from people.units import zones


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": "This e-mail and this password do not belong together, or there were too many tries. "
        "After five in a quarter of an hour, wait 15 minutes.",
        "inactive": "This e-mail and this password do not belong together.",
    }

    username = forms.EmailField(
        label="E-mail",
        error_messages={"required": "Enter your e-mail."},
        widget=forms.EmailInput(attrs={"autocomplete": "username", "autofocus": True}),
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        error_messages={"required": "Enter your password."},
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )


class Seals(forms.Field):
    """The marks of the records that the page shows."""

    widget = forms.MultipleHiddenInput

    def bound_data(self, data: Any, initial: Any) -> Any:
        """A page shown again bears the marks of what it shows now, not those that came with the refused form."""
        return initial

    def to_python(self, value: Any) -> list[str]:
        return list(value or [])


class SignForm(Form):
    """What every form that signs carries: the marks of what is shown, and the secret (at first the e-mail as well).

    Subclass it to ask more. `signed(meaning=...)` gives the Confirmed, or None with the refusal beside the field.
    """

    email = forms.EmailField(
        label="Your e-mail",
        error_messages={"required": "Enter your e-mail."},
        widget=forms.EmailInput(attrs={"autocomplete": "username"}),
    )
    secret = forms.CharField(
        label="Your password",
        strip=False,
        error_messages={"required": "Enter your password."},
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
    shown = Seals(required=False)

    def __init__(self, request: HttpRequest, *args: Any, digests: Iterable[str] = (), **kwargs: Any) -> None:
        """`digests` are those of the records that this page shows to the user who asks."""
        super().__init__(*args, **kwargs)
        self.request = request
        self.initial["shown"] = [seal(request.user, each) for each in digests]  # type: ignore[arg-type]
        if not needs_email(request):
            del self.fields["email"]
        # The button stands below the secret, whatever a subclass adds.
        self.order_fields([name for name in self.fields if name not in ("email", "secret")] + ["email", "secret"])

    def signed(self, *, meaning: str, digests: Sequence[str] | None = None) -> Confirmed | None:
        """Confirm with what was sent; `digests` chooses among what was shown. Call it when the form is valid."""
        try:
            shown = opened(self.request.user, self.cleaned_data["shown"])  # type: ignore[arg-type]
            wanted = shown if digests is None else list(digests)
            if not wanted or not set(wanted) <= set(shown):
                raise NotConfirmed("Something here was not shown to you, or has changed since. Read it again.")
            return confirm(
                user=self.request.user,  # type: ignore[arg-type]
                secret=self.cleaned_data["secret"],
                meaning=meaning,
                digests=wanted,
                request=self.request,
                email=self.cleaned_data.get("email"),
            )
        except NotConfirmed as refusal:
            self.add_error(None, str(refusal))
        except (WrongSecret, Locked, SecretNotOwn) as refusal:
            self.add_error("secret", str(refusal))
        return None


class NewSecretForm(Form):
    secret = forms.CharField(
        label="New password",
        strip=False,
        help_text="At least 12 characters; a short sentence is easier to remember than signs. No need to change it "
        "from time to time.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class ChangeSecretForm(Form):
    old = forms.CharField(
        label="Present password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )
    new = forms.CharField(
        label="New password",
        strip=False,
        help_text="At least 12 characters; a short sentence is easier to remember than signs.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class ThroughField(DayField):
    """The last day on which something holds, as people say it; as code has it, the day after."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        kwargs.setdefault("label", "Through")
        kwargs.setdefault("help_text", "The last day. Leave it empty if no end is set.")
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> date | None:
        if value in self.empty_values:
            return None
        typed = super().to_python(value)
        return typed if typed is None or isinstance(value, date) else typed + timedelta(days=1)

    def prepare_value(self, value: Any) -> Any:
        return clock.in_words(value - timedelta(days=1)) if isinstance(value, date) else value


class UnitField(forms.TypedChoiceField):
    """One of these units, shown as a tree."""

    def __init__(self, tree: Tree, allowed: Iterable[int], **kwargs: Any) -> None:
        wanted = set(allowed)
        inset = "\u2003"
        choices = [(each, inset * depth + tree.name(each)) for each, depth in tree.walk() if each in wanted]
        super().__init__(choices=[("", "Choose a unit"), *choices], coerce=_unit, **kwargs)


def _unit(value: str) -> Unit:
    return Unit.objects.get(pk=int(value))


class UnitForm(Form):
    name = forms.CharField(label="Name", max_length=120, help_text="As the staff say it, such as Ward 4 Tern.")
    zone = forms.ChoiceField(
        label="Time zone", required=False, help_text="Days of this unit are those of this zone's clocks."
    )

    def __init__(self, *args: Any, tree: Tree, parents: Iterable[int], is_new: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].choices = [("", "That of the unit above"), *((each, each) for each in sorted(zones()))]  # type: ignore[attr-defined]
        self.fields["parent"] = UnitField(tree, parents, label="Lies below", required=is_new)
        if is_new:
            levels = [level for level in Unit.Level.choices if level[0] != Unit.Level.GROUP]
            self.fields["level"] = forms.ChoiceField(label="Kind", choices=levels, widget=forms.RadioSelect)
        self.order_fields(["parent", "level", "name", "zone"])


class SettingForm(Form):
    """One setting of a unit, from a day on."""

    def __init__(self, *args: Any, name: str, about: Sequence[tuple[str, str]], today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = settings.NAMES[name]
        if kind.about_procedure or about:
            label = "For" if kind.about_procedure else "Only for"
            self.fields["about"] = (
                forms.ChoiceField(
                    label=label,
                    required=kind.about_procedure,
                    choices=[*(() if kind.about_procedure else [("", "Every procedure")]), *about],
                )
                if about
                else forms.CharField(label="For the procedure with the code", max_length=40)
            )
        label = f"{kind.title} ({kind.unit_of})" if kind.unit_of else kind.title
        if kind.choices:
            required = all(code for code, _ in kind.choices)
            self.fields["value"] = forms.ChoiceField(
                label=label, choices=kind.choices, required=required, widget=forms.RadioSelect
            )
        elif kind.parse is settings.day:
            self.fields["value"] = DayField(label=label)
        else:
            self.fields["value"] = forms.CharField(
                label=label, max_length=20, widget=forms.TextInput(attrs={"class": "short", "inputmode": "numeric"})
            )
        self.fields["from_day"] = DayField(label="In effect from", initial=today, today=lambda: today)

    def text(self) -> str:
        """The value as the write takes it."""
        value = self.cleaned_data["value"]
        return value.isoformat() if isinstance(value, date) else str(value)


class AccountForm(Form):
    name = forms.CharField(label="Name", max_length=150, help_text="As it is printed beside a signature.")
    email = forms.EmailField(label="E-mail", max_length=254)
    profession = forms.ChoiceField(label="Profession", choices=Profession.choices)
    registration = forms.CharField(label="Registration number", max_length=40, required=False)

    def __init__(self, *args: Any, is_new: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not is_new:
            del self.fields["email"]


class AppointForm(Form):
    role = forms.ChoiceField(label="As", choices=Appointment.Role.choices)

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = UnitField(tree, units, label="On", help_text="The unit and everything below it.")
        self.fields["from_day"] = DayField(label="From", initial=today, today=lambda: today)
        self.fields["until_day"] = ThroughField()


class ThroughForm(Form):
    """The last day of something."""

    until_day = ThroughField()


class ClinicianForm(Form):
    name = forms.CharField(label="Name", max_length=150)
    profession = forms.ChoiceField(label="Profession", choices=Profession.choices)


class PlacementForm(Form):
    kind = forms.ChoiceField(label="As", choices=Placement.Kind.choices)

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = UnitField(tree, units, label="On")
        self.fields["from_day"] = DayField(label="From", initial=today, today=lambda: today)
        self.fields["until_day"] = ThroughField()
        self.order_fields(["unit", "kind", "from_day", "until_day"])


class NewcomerForm(ClinicianForm, PlacementForm):
    staff_number = forms.CharField(
        label="Staff number",
        max_length=30,
        required=False,
        help_text="As the hospital gave it, zeros included. Left empty, Sited gives one.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["name", "staff_number", "profession", "unit", "kind", "from_day", "until_day"])


class MoveForm(PlacementForm):
    stay = forms.BooleanField(label="The present home goes on as a second placement", required=False)


class EndPlacementForm(ThroughForm):
    def __init__(self, *args: Any, others: Iterable[tuple[int, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = list(others)
        if choices:
            self.fields["new_home"] = forms.ChoiceField(
                label="Home from the day after", choices=[("", "None is needed"), *choices], required=False
            )


class AbsenceForm(Form):
    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["from_day"] = DayField(label="Away from", today=lambda: today)
        self.fields["until_day"] = ThroughField()


class FreeClinicianField(forms.ModelChoiceField):
    """Somebody on the staff without an account."""

    def label_from_instance(self, obj: Clinician) -> str:
        return f"{obj.name} ({obj.staff_number})"
