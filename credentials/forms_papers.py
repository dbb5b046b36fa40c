"""The forms of papers: which, of which days, in which form; why a certificate is revoked."""

from typing import Any

from django import forms

from credentials.papers.certificates import LONGEST_REASON
from credentials.papers.making import EVIDENCE, FORMS, LOGBOOK
from people.fields import DayField, Form

PAPERS = ((LOGBOOK, "Logbook: the entries of some days, with who signed"), (EVIDENCE, "Evidence file: everything"))
AS = (("pdf", "PDF, to print"), ("xlsx", "Workbook"), ("json", "Data of an evidence file, to be checked by the script"))


class PaperForm(Form):
    """One paper to take away."""

    kind = forms.ChoiceField(label="Paper", choices=PAPERS, widget=forms.RadioSelect)
    form = forms.ChoiceField(label="Form", choices=AS, widget=forms.RadioSelect)
    first = DayField(label="From", required=False, help_text="For a logbook. Empty: from the first entry.")
    last = DayField(label="Through", required=False, help_text="For a logbook. Empty: to the last one.")

    def clean(self) -> dict[str, Any]:
        found = super().clean() or self.cleaned_data
        kind, form = found.get("kind"), found.get("form")
        if kind and form and form not in FORMS[kind]:
            self.add_error("form", "Choose PDF or workbook: as data there is the evidence file, which has every entry.")
        return found


class RevokeForm(Form):
    reason = forms.CharField(
        label="Why",
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Kept in the register. The page behind the code says only that it was revoked.",
    )
