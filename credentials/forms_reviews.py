"""The forms about a case: to whom it is shown."""

from typing import Any

from django import forms
from django.db.models import QuerySet

from credentials.referring import LONGEST_REASON
from people.fields import Form
from people.models import User


class ReferForm(Form):
    """Somebody in charge where the person works, and what is asked of them."""

    def __init__(self, *args: Any, people: QuerySet[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add(
            "to",
            forms.ModelChoiceField(
                people,
                label="Show it to",
                empty_label="Choose somebody",
                error_messages={"required": "Choose somebody."},
            ),
        )
        self.add(
            "reason",
            forms.CharField(
                label="What you ask of them",
                max_length=LONGEST_REASON,
                widget=forms.Textarea(attrs={"rows": 3}),
                help_text="Everybody who sees the case reads it. Never write a patient's name or number.",
            ),
        )
