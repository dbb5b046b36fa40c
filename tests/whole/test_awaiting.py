# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""What is not signed says so, in its list and on its page, with who wrote and who attests it; both times are kept."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from audits import countersigning, disputes, logbook, observing, ruling
from audits.completions import NewCompletion, record_completion
from audits.models import Checklist, Completion
from credentials import founding, proposing
from credentials.models import Founding, Rules
from credentials.rules.ruleset import default_content
from ledger import clock
from people.models import User
from people.problems import Problems
from tests.audits.conftest import entry_of
from tests.audits.observed import Watched, an_assessor, begun, hand, ticked
from tests.credentials.conftest import NOW, TODAY, Stage, sign
from tests.credentials.conftest import now as now  # the fixtures
from tests.credentials.conftest import stage as stage
from tests.factories import ChecklistFactory

pytestmark = pytest.mark.django_db


@dataclass(frozen=True, kw_only=True)
class Unsigned:
    """Something that waits for a signature: who looks, where, what both pages say, and how it is signed."""

    looks: User
    list: str
    page: str
    about: Iterable[Any]
    listed: str
    shown: str
    author: str
    attester: str
    sign: Callable[[], Any]
    attester_in_list: bool = True
    page_after: str = ""


def an_entry(stage: Stage) -> Unsigned:
    row = stage.log(datetime(2026, 3, 2, 2, 0), signed=False)
    supervisor = stage.supervisors[0]
    return Unsigned(
        looks=stage.educator, list="entries", page="entry", about=[row.uuid], listed="Awaiting countersignature",
        shown=f"Awaiting countersignature by {supervisor.name}", author=stage.learner.name, attester=supervisor.name,
        sign=lambda: countersigning.countersign(
            signer=sign(supervisor, row.digest, meaning="countersigned"), insertion=row, nearness="in_room"
        ),
    )  # fmt: skip


def an_entry_on_behalf(stage: Stage) -> Unsigned:
    supervisor = stage.supervisors[0]
    entry = entry_of(stage.learner, stage.ward, supervisor, performed=datetime(2026, 3, 2, 2, 0))
    row = logbook.record_insertion(actor=stage.second, entry=entry)
    return Unsigned(
        looks=stage.educator, list="entries", page="entry", about=[row.uuid], listed="Awaiting countersignature",
        shown=f"on behalf, by {stage.second.name}", author=stage.learner.name, attester=supervisor.name,
        sign=lambda: countersigning.countersign(
            signer=sign(supervisor, row.digest, meaning="countersigned"), insertion=row, nearness="in_room"
        ),
    )  # fmt: skip


def _watched(stage: Stage) -> Watched:
    list_ = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital)
    assert isinstance(list_, Checklist)
    one, other = (an_assessor(stage.cast, stage.procedure, name) for name in ("Asa Essor", "Otto Ther"))
    return Watched(stage.cast, stage.procedure, list_, stage.ward, stage.learner, one, other)


def an_observation(stage: Stage) -> Unsigned:
    row = ticked(begun(_watched(stage)))
    return Unsigned(
        looks=row.assessor, list="observations", page="observe_check", about=[row.uuid], listed="Not signed yet",
        shown="Check what you sign", author=stage.learner.name, attester=row.assessor.name,
        sign=lambda: observing.sign(signer=hand(row), observation=row), page_after="observation",
    )  # fmt: skip


def an_award_from_before(stage: Stage) -> Unsigned:
    claim = founding.enter_founding(
        actor=stage.educator,
        new=founding.NewFounding(
            clinician=stage.cast.colleague, procedure=stage.procedure, scope_unit=stage.cast.wards.department,
            awarded_on=date(2025, 6, 1), evidence_kind="Certificate", evidence_place="Personnel file",
        ),
    )  # fmt: skip
    return Unsigned(
        looks=stage.second, list="foundings", page="founding_decide", about=[claim.uuid],
        listed="waits for another to confirm it", shown="Awaiting confirmation by a second person",
        author=stage.educator.name, attester=stage.second.name, attester_in_list=False,
        sign=lambda: founding.decide_founding(
            signer=sign(stage.second, founding.founding_digest(claim)), claim=claim, confirmed=True
        ),
    )  # fmt: skip


def rules(stage: Stage) -> Unsigned:
    row = proposing.propose(
        Rules, actor=stage.educator, unit=stage.cast.wards.department, procedure=stage.procedure, name="Next",
        content=default_content(), effective_on=TODAY,
    )  # fmt: skip
    return Unsigned(
        looks=stage.second, list="rules", page="document", about=["rules", row.uuid],
        listed="Waits for a second person", shown="Waits for a second person", author=stage.educator.name,
        attester=stage.second.name, attester_in_list=False,
        sign=lambda: proposing.approve(signer=sign(stage.second, proposing.document_digest(row)), document=row),
    )  # fmt: skip


def a_disagreement(stage: Stage) -> Unsigned:
    row = stage.log(datetime(2026, 3, 2, 2, 0))
    user = stage.learner.user
    assert user is not None
    dispute = disputes.open_dispute(actor=user, insertion=row, about="result", reason="It was otherwise.")
    return Unsigned(
        looks=stage.educator, list="disagreements", page="disagreement", about=[row.uuid], listed=">you<",
        shown="Open: ", author=stage.learner.name, attester=stage.second.name, attester_in_list=False,
        sign=lambda: ruling.rule(
            signer=sign(stage.second, ruling.ruling_digest(dispute, "stands", "Both were asked.")), dispute=dispute,
            outcome="stands", reason="Both were asked.",
        ),
    )  # fmt: skip


WAITING: dict[str, Callable[[Stage], Unsigned]] = {
    each.__name__.replace("_", " "): each
    for each in (an_entry, an_entry_on_behalf, an_observation, an_award_from_before, rules, a_disagreement)
}


def _text(client: Client, name: str, about: Iterable[Any] = ()) -> str:
    answer = client.get(reverse(name, args=list(about)))
    assert answer.status_code == 200
    page: str = answer.content.decode()
    return page.partition('<main id="main"')[2]


@pytest.mark.std("A-10")
@pytest.mark.parametrize("what", WAITING)
def test_what_is_not_signed_says_so_in_its_list_and_on_its_page_and_then_names_author_and_attester(
    stage: Stage, what: str
) -> None:
    found = WAITING[what](stage)
    client = Client()
    client.force_login(found.looks)
    listed, shown = _text(client, found.list), _text(client, found.page, found.about)
    assert found.listed in listed
    assert found.shown in shown
    assert found.author in listed
    assert found.author in shown
    if found.attester_in_list:
        assert found.attester in listed
    found.sign()
    after = _text(client, found.page_after or found.page, found.about)
    assert found.shown not in after or what == "an entry on behalf"
    assert "Awaiting countersignature" not in after
    assert found.author in after
    assert found.attester in after


# --- both times ---


@pytest.mark.std("A-15")
@pytest.mark.parametrize(("days", "label"), [(7, ""), (8, "signed 8 days later")])
def test_an_observation_signed_late_says_so(stage: Stage, days: int, label: str) -> None:
    row = ticked(begun(_watched(stage)))
    with clock.at(NOW + timedelta(days=days)):
        row = observing.sign(signer=hand(row), observation=row)
        client = Client()
        client.force_login(row.assessor)
        shown = _text(client, "observation", [row.uuid])
    assert (row.observed_at, row.signed_at) == (NOW, NOW + timedelta(days=days))
    assert ("days later" in shown, label in shown) == (bool(label), True)


@pytest.mark.std("A-15")
@pytest.mark.parametrize("ahead", [0, 1])
def test_a_completion_keeps_its_day_and_when_it_was_noted_and_is_not_of_a_day_to_come(stage: Stage, ahead: int) -> None:
    on = TODAY - timedelta(days=20) if not ahead else TODAY + timedelta(days=1)
    new = NewCompletion(
        clinician=stage.learner, procedure=stage.procedure, kind="knowledge", on=on, verified_by="Ed Ucator"
    )
    if ahead:
        with pytest.raises(Problems):
            record_completion(actor=stage.educator, new=new)
        assert not Completion.objects.exists()
    else:
        made = record_completion(actor=stage.educator, new=new)
        assert (made.on, made.known_from.recorded_at) == (on, NOW)


@pytest.mark.std("A-15")
def test_an_award_from_before_keeps_its_day_and_when_it_was_entered_and_is_not_of_a_day_to_come(stage: Stage) -> None:
    def enter(day: date) -> Founding:
        return founding.enter_founding(
            actor=stage.educator,
            new=founding.NewFounding(
                clinician=stage.cast.colleague, procedure=stage.procedure, scope_unit=stage.cast.wards.department,
                awarded_on=day, evidence_kind="Certificate", evidence_place="Personnel file",
            ),
        )  # fmt: skip

    with pytest.raises(Problems):
        enter(TODAY + timedelta(days=1))
    assert not Founding.objects.exists()
    made = enter(TODAY - timedelta(days=300))
    assert (made.awarded_on, made.known_from.recorded_at) == (TODAY - timedelta(days=300), NOW)
