"""The form of moving an enrolment to another version."""

from django import forms

from credentials.forms_restrictions import reason_field
from people.fields import Form


class MoveForm(Form):
    reason: forms.Field = reason_field()
