"""The demo register, filled with its reviews, shows every status, every kind of act and every outcome of a decision.

Which there are is asked of the product itself, so that whoever adds one is asked to show it.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.db.models import TextChoices

from audits.models import (
    Award,
    Completion,
    Dispute,
    Proposal,
    Recognition,
    Reconsidered,
    Restriction,
    Ruling,
    Statement,
)
from config.demo.stories import STORIES
from credentials.models import CohortMember, Flag
from credentials.rules.answers import Status
from credentials.wording import ACT_WORDS
from people import stale
from tests.config.demo_register import TODAY, Register, on_postgresql, on_sqlite

NOT_SHOWN = {
    "export.made": "a list taken away as a file: a page is asked for it, and nothing is decided",
    "staff.imported": "the demo takes its people in one by one, since the plan of two years knows each by name",
}
"""Kind of act -> why the demo does without it."""

OUTCOMES: dict[str, type[TextChoices]] = {
    "awards": Award.Kind,
    "restrictions": Restriction.Kind,
    "recognitions": Recognition.Outcome,
    "rulings of entries": Ruling.Outcome,
    "countersignatures reconsidered": Reconsidered.Outcome,
    "what is disputed": Dispute.About,
    "proposed changes": Proposal.Kind,
    "statements": Statement.Kind,
    "flags": Flag.Outcome,
    "cohort members": CohortMember.Outcome,
    "completions": Completion.Kind,
}
# Noted on the same page and in the same words as the knowledge test and the simulation, which are there.
OUTCOMES_NOT_SHOWN = {("completions", Completion.Kind.THEORY)}

ASK = """
from audits.models import (
    Award, Completion, Dispute, Proposal, Recognition, Reconsidered, Restriction, Retirement, Ruling, ScopeByRole,
    Statement,
)
from audits import ruling
from audits.models import Checklist, ObservationDispute, Outcome
from credentials.models import CohortMember, Flag, Founding, Programme, Rules
from ledger.models import Act

def has(rows, field):
    return sorted(set(rows.exclude(**{field: None}).values_list(field, flat=True)), key=str)

def documents(model):
    rows = model._default_manager
    return [
        rows.filter(proposed_by__isnull=False, approved__isnull=False).count(),
        rows.filter(approved=None, known_until__isnull=False).count(),
    ]

def statements(model):
    decided = model._default_manager.filter(rulings__isnull=False)
    return max(len({each.by_id, *ruling.answers(each).values_list("by", flat=True)}) for each in decided)

found = {
    "kinds": sorted(set(Act.objects.values_list("kind", flat=True))),
    "awards": has(Award.objects, "kind"),
    "restrictions": has(Restriction.objects, "kind"),
    "recognitions": has(Recognition.objects, "outcome"),
    "rulings of entries": has(Ruling.objects.filter(dispute__isnull=False), "outcome"),
    "rulings of observations": has(Ruling.objects.filter(observation_dispute__isnull=False), "outcome"),
    "countersignatures reconsidered": has(Reconsidered.objects, "outcome"),
    "what is disputed": has(Dispute.objects, "about"),
    "proposed changes": has(Proposal.objects, "kind"),
    "proposals decided": has(Proposal.objects, "agreed"),
    "statements": has(Statement.objects, "kind"),
    "flags": has(Flag.objects, "outcome"),
    "cohort members": has(CohortMember.objects, "outcome"),
    "completions": has(Completion.objects, "kind"),
    "founding claims": has(Founding.objects, "confirmed"),
    "retirements": has(Retirement.objects, "confirmed"),
    "scopes": [
        ScopeByRole.objects.filter(clinician__isnull=False).exists(),
        ScopeByRole.objects.exclude(profession="").exists(),
    ],
    "documents": {model.__name__: documents(model) for model in (Programme, Rules, Checklist)},
    "sides": [statements(Dispute), statements(ObservationDispute)],
    "open": [
        Dispute.objects.known().count(), ObservationDispute.objects.known().count(),
        Outcome.objects.filter(in_question=1).count(), Founding.objects.filter(decided=None).count(),
        Flag.objects.filter(closed=None).count(),
    ],
}
"""


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Register]:
    """Filled as the command fills it, once for a whole run of the tests, on the engine that they run on."""
    if connection.vendor == "postgresql":
        with on_postgresql(os.environ["DATABASE_URL"], f"demo_told_{os.getpid()}") as made:
            yield _filled(made)
    else:
        yield _filled(on_sqlite(Path(tmp_path_factory.mktemp("demo")) / "demo.sqlite3"))


def _filled(made: Register) -> Register:
    made.run("demo", "--no-serve", "--today", TODAY.isoformat())
    return made


@pytest.fixture(scope="session")
def shown(told: Register) -> dict[str, Any]:
    found: dict[str, Any] = told.ask(ASK)
    return found


def test_every_kind_of_act_is_there_but_a_few_that_are_named(shown: dict[str, Any]) -> None:
    kinds = stale.registered() | set(ACT_WORDS)
    assert kinds - set(shown["kinds"]) == set(NOT_SHOWN)
    assert len(NOT_SHOWN) < 5


def test_what_the_history_of_a_page_has_words_for_can_happen() -> None:
    assert set(ACT_WORDS) <= stale.registered()


@pytest.mark.parametrize("what", OUTCOMES)
def test_every_outcome_is_there(what: str, shown: dict[str, Any]) -> None:
    expected = {each.value for each in OUTCOMES[what] if (what, each) not in OUTCOMES_NOT_SHOWN}
    assert expected - set(shown[what]) == set()


def test_what_is_decided_by_yes_or_no_was_decided_both_ways(shown: dict[str, Any]) -> None:
    """An observation stands or is struck out: what an assessor saw is not changed by a third."""
    for what in ("founding claims", "retirements", "proposals decided"):
        assert shown[what] == [False, True], what
    assert shown["rulings of observations"] == ["stands", "struck"]
    assert shown["scopes"] == [True, True]
    assert all(approved and taken_back for approved, taken_back in shown["documents"].values())


def test_disagreements_have_the_statements_of_both_sides(shown: dict[str, Any]) -> None:
    assert shown["sides"] == [2, 2]


def test_of_each_kind_that_waits_for_a_decision_one_still_waits(shown: dict[str, Any]) -> None:
    """A dispute of an entry and of an observation, credit in question, a founding claim, a question of a review."""
    assert all(shown["open"])


def test_every_status_is_there_and_the_next_review_finds_it(told: Register) -> None:
    on_the_day = f"""
from datetime import datetime
from django.core.management import call_command
from ledger import clock
with clock.at(datetime.fromisoformat("{TODAY.isoformat()}T00:30:00+00:00")):
    call_command("review", "--json")
"""
    document = json.loads(told.script(on_the_day).stdout)
    assert {each.value for each in Status} - set(document["standings"]) == set()


def test_its_ledger_holds_against_what_is_stored(told: Register) -> None:
    assert json.loads(told.run("verify_ledger", "--json").stdout)["holds"] is True


def test_whom_to_look_at_is_printed_with_what_was_decided_about_them(told: Register) -> None:
    said = told.run("demo", "--no-serve").stdout
    for key in ("recognised", "extended", "moved_version", "disagreed", "reconsidered", "asked_at_once"):
        assert STORIES[key].name in said
        assert STORIES[key].about in said
