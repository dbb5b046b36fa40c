"""The forms of decisions that limit somebody, and of their ends."""

from datetime import date
from typing import Any

from django import forms

from audits.models import Procedure, Restriction
from credentials.forms import ProcedureField, Signing
from credentials.restricting import LONGEST_REASON, PLAN_ANSWERS, PLANS, Decision
from credentials.returning import LONGEST_REASON as LONGEST_RETURN_REASON
from credentials.rules.answers import Answer
from credentials.wording import option_words
from people.fields import DayField, Form
from people.forms import ThroughField
from people.models import Clinician

Kind = Restriction.Kind
REASON_HELP = "A sentence for somebody who was not there. Never write a patient's name or number."


def reason_field(label: str = "Why") -> forms.CharField:
    return forms.CharField(
        label=label, max_length=LONGEST_REASON, widget=forms.Textarea(attrs={"rows": 3}), help_text=REASON_HELP
    )


class StandDownForm(Signing):
    """One page: the reason, the password. Stops somebody for every procedure."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("reason", reason_field())
        self.order_fields(["reason", "email", "secret", "shown"])


class LimitForm(Form):
    """What a suspension, a withdrawal or a plan is to say; only what the kind asks is asked."""

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind = kind
        if kind == Kind.SUSPENSION:
            self.add(
                "procedure",
                forms.ModelChoiceField(
                    Procedure.objects.all(), label="For", empty_label="Every procedure", required=False
                ),
            )
            self.add("from_day", DayField(label="From"))
            self.add(
                "until_day",
                ThroughField(
                    label="Last day", required=False, help_text="Leave it empty to hold until somebody reinstates."
                ),
            )
        else:
            self.add("procedure", ProcedureField(label="For"))
        if kind in PLANS:
            self.add(
                "answer",
                forms.ChoiceField(
                    label="Until it is done, may insert",
                    choices=[(each.value, option_words(each.value)) for each in PLAN_ANSWERS],
                    widget=forms.RadioSelect,
                ),
            )
            self.add(
                "insertions", forms.IntegerField(label="Supervised insertions", min_value=0, max_value=100, initial=5)
            )
            self.add(
                "observations",
                forms.IntegerField(label="Observations for a decision", min_value=0, max_value=20, initial=1),
            )
            self.add(
                "due_on",
                DayField(
                    label="Done by",
                    help_text="Past this day the plan is overdue and stays in force until somebody ends it.",
                ),
            )
        self.add("reason", reason_field())

    def decision(self, clinician: Clinician, **also: Any) -> Decision:
        """The decision as typed, about this person."""
        said = dict(self.cleaned_data)
        if "answer" in said:
            said["answer"] = Answer(said["answer"])
        if said.get("from_day") is not None and said["from_day"] == self.initial.get("from_day"):
            said["from_day"] = None  # today, whenever it is signed
        return Decision(clinician=clinician, kind=self.kind, **said, **also)


class EndLimitForm(Form):
    """From when it ends (a suspension: a day to come too), and why."""

    def __init__(self, *args: Any, kind: str, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        if kind == Kind.SUSPENSION:
            self.add(
                "from_day", DayField(label="May insert again from", initial=today, help_text="Today or a later day.")
            )
        self.add("reason", reason_field())

    @property
    def from_day(self) -> date | None:
        found: date | None = self.cleaned_data.get("from_day")
        return None if found == self.today else found


class ExtendForm(Form):
    due_on = DayField(label="Done by", help_text="A day after the present one.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("reason", reason_field())


class ReturnForm(Form):
    """Why a return step ends early; a remark where it is done."""

    def __init__(self, *args: Any, is_early: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add(
            "reason",
            forms.CharField(
                label="Why it ends early" if is_early else "Remark",
                required=is_early,
                max_length=LONGEST_RETURN_REASON,
                widget=forms.Textarea(attrs={"rows": 2}),
                help_text="Read by everybody who follows how far this person is. Never a patient's name or number.",
            ),
        )
