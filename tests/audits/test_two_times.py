"""Every table that measures and rules read knows two times."""

from importlib import import_module

import pytest
from django.apps import apps
from django.db import models

from ledger.models import Known

# Modules through which figures and standings read the database.
READERS = (
    "audits.holding",
    "audits.measures",
    "audits.outcomes",
    "credentials.documents",
    "credentials.gathering",
    "people.settings",
    "people.tree",
)

# Read, and without two times of their own, each for a reason.
EXEMPT = {
    "audits.Attempt": "hangs on one version of an insertion, which has them",
    "audits.Outcome": "derived from what is known now, and made again at will",
    "audits.Procedure": "an identity",
    "credentials.Flag": "its two times are the acts that raised and closed it",
    "ledger.Head": "the ledger's own",
    "people.Clinician": "an identity; what changes about a person is dated elsewhere",
    "people.Unit": "an identity: its place in the tree is dated",
    "people.User": "an identity",
}


def read_by(module):
    named = vars(import_module(module)).values()
    return {each for each in named if isinstance(each, type) and issubclass(each, models.Model)}


@pytest.mark.parametrize("module", READERS)
def test_every_table_that_is_read_knows_since_and_until_when(module):
    read = read_by(module)
    assert read, f"{module} reads no table: is it still where figures are read?"
    for model in read:
        assert issubclass(model, Known) or model._meta.label in EXEMPT, (
            f"{model._meta.label}, read by {module}, has no known_from and known_until"
        )


def test_every_exemption_is_of_a_table_without_them():
    for label in EXEMPT:
        assert not issubclass(apps.get_model(label), Known)
