"""What somebody brings from elsewhere: accepted whole, in part, or to be assessed again; withdrawn; as known then."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.urls import reverse

from audits.models import Award, Recognition
from credentials import recognising
from credentials.models import Enrolment
from credentials.recognising import Brought
from credentials.standings import judge_many, read
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.problems import Problems
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, sign
from tests.factories import SECRET
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db
REASON = "Asked the educator there; same terms as ours."


def brought(stage, outcome: str, **said) -> Brought:
    whole = {"scope_unit": stage.cast.wards.department, "awarded_on": date(2025, 6, 30)} if outcome == "whole" else {}
    part = {"insertions": 2} if outcome == "part" else {}
    made = Brought(
        clinician=stage.learner, procedure=stage.procedure, outcome=outcome, origin="Marrick Valley Health",
        evidence="Certificate seen, copy in the file.", reason=REASON, **whole, **part,
    )  # fmt: skip
    return replace(made, **said)


def recognised(stage, what: Brought, by=None) -> Recognition:
    signer = sign(by or stage.educator, what.digest, meaning=recognising.MEANING)
    return recognising.recognise(signer=signer, brought=what)


def withdrawn(stage, row: Recognition, reason="The certificate was somebody else's.") -> None:
    signer = sign(stage.educator, recognising.withdrawal_digest(row, reason), meaning=recognising.WITHDRAWN)
    recognising.withdraw(signer=signer, recognition=row, reason=reason)


def status(stage, on=None, known=None) -> tuple[str, str]:
    found = read(*stage.pair, on=on, known=known).home
    return found.status.value, found.answer.value


def insertions(stage) -> tuple[int, int, str]:
    lines = judge_many([stage.pair])[stage.pair].standing.award
    return next((line.have, line.need, line.note) for line in lines if line.label == "Supervised insertions")


def wrong() -> list[str]:
    found = (each.reason for each in verify().problems)
    return [each for each in found if ("recognition" in each or "award" in each) and "guard" not in each]


# --- whole ---


def test_a_whole_is_an_award_of_its_own_kind_from_today_anchored_there_and_not_provisional(stage):
    stage.ready_to_learn(date(2026, 2, 1))
    known = head()
    made = recognised(stage, brought(stage, "whole"))
    award = Award.objects.known().get(clinician=stage.learner)
    assert (award.kind, award.from_day, award.anchor) == ("recognised", TODAY, date(2025, 6, 30))
    assert award.expires_on == date(2027, 6, 30)  # 24 months by the terms here
    assert made.award == award
    assert status(stage) == ("current", "alone")
    assert status(stage, on=TODAY, known=known)[0] == "in_training"
    assert not Enrolment.objects.known().filter(clinician=stage.learner, until_day=None).exists()
    act = Act.objects.get(seq=made.known_from_id)
    assert act.facts["signature"]["printed_name"] == stage.educator.name
    assert wrong() == []


@pytest.mark.parametrize(
    ("said", "expires_on"),
    [
        ({"expires_on": date(2026, 6, 30)}, date(2026, 6, 30)),  # a year there: no longer here
        ({"expires_on": date(2030, 6, 30)}, date(2027, 6, 30)),  # five years there: two here
    ],
)
def test_it_never_holds_longer_than_there_nor_than_the_terms_here(stage, said, expires_on):
    recognised(stage, brought(stage, "whole", **said))
    assert Award.objects.known().get(clinician=stage.learner).expires_on == expires_on


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"origin": " "}, "origin"),
        ({"evidence": ""}, "evidence"),
        ({"reason": ""}, "reason"),
        ({"scope_unit": None}, "scope_unit"),
        ({"awarded_on": None}, "awarded_on"),
        ({"awarded_on": TODAY + timedelta(days=1)}, "awarded_on"),
        ({"awarded_on": date(2023, 1, 1)}, "awarded_on"),
        ({"expires_on": date(2027, 6, 12)}, "expires_on"),
    ],
)
def test_what_is_missing_or_makes_no_sense_is_said_beside_its_field(stage, said, field):
    with pytest.raises(Problems) as told:
        recognised(stage, brought(stage, "whole", **said))
    assert [each.field for each in told.value.items] == [field]
    assert not Recognition.objects.exists()


# --- part, and to be assessed again ---


@pytest.mark.parametrize(
    ("count", "have", "note"),
    [
        (1, 1, "of these 1 recognised from elsewhere"),
        (2, 2, "of these 2 recognised from elsewhere"),
        (5, 2, "of these 2 recognised from elsewhere; 5 recognised from elsewhere, at most 2 counted"),
    ],
)
def test_a_part_counts_as_supervised_insertions_under_the_cap_on_other_evidence(stage, count, have, note):
    stage.ready_to_learn(date(2026, 2, 1))
    known = head()
    recognised(stage, brought(stage, "part", insertions=count))
    assert insertions(stage) == (have, 10, note)
    assert judge_many([stage.pair], on=TODAY, known=known)[stage.pair].standing.award[0].have == 0
    assert wrong() == []


def test_a_part_without_a_number_is_refused(stage):
    with pytest.raises(Problems, match="how many insertions"):
        recognised(stage, brought(stage, "part", insertions=0))


def test_what_is_to_be_assessed_again_counts_nothing_and_is_seen(stage, client):
    stage.ready_to_learn(date(2026, 2, 1))
    recognised(stage, brought(stage, "reassess"))
    assert insertions(stage)[0] == 0
    client.force_login(stage.learner.user)
    page = client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
    assert "To be assessed again" in page
    assert "Marrick Valley Health" in page


# --- who, withdrawing, the ledger ---


@pytest.mark.parametrize("who", ["supervisor", "manager", "assessor", "auditor", "administrator"])
def test_only_an_educator_decides(stage, who):
    with pytest.raises(NotPermitted):
        recognised(stage, brought(stage, "part"), by=getattr(stage.cast, who))


def test_withdrawn_it_counts_no_more_and_its_award_ends(stage):
    row = recognised(stage, brought(stage, "whole"))
    known = head()
    withdrawn(stage, row)
    assert status(stage)[0] != "current"
    assert status(stage, on=TODAY, known=known) == ("current", "alone")
    assert recognising.of_person(stage.learner, stage.procedure) == []
    with pytest.raises(Problems, match="meanwhile"):
        withdrawn(stage, row)
    assert wrong() == []


def test_nobody_holds_it_twice(stage):
    give_award(stage.learner, stage.procedure, stage.cast.wards.department)
    with pytest.raises(Problems, match="in force from"):
        recognised(stage, brought(stage, "whole"))


@pytest.mark.parametrize("change", [{"insertions": 9}, {"evidence": "None."}, {"outcome": "whole"}])
def test_an_altered_recognition_is_found(stage, change):
    row = recognised(stage, brought(stage, "part"))
    unguard()
    Recognition.objects.filter(pk=row.pk).update(**change)
    assert any("does not match what was signed" in each for each in wrong())


# --- screens ---


def test_it_is_said_checked_signed_and_withdrawn_on_screen(client, stage):
    client.force_login(stage.educator)
    url = reverse("recognise", args=[stage.learner.uuid])
    assert url in client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
    body = {
        "procedure": stage.procedure.pk, "origin": "Marrick Valley Health", "evidence": "Certificate seen.",
        "outcome": "whole", "awarded_on": "30 June 2025", "expires_on": "", "insertions": "",
        "scope_unit": stage.cast.wards.department.pk, "reason": REASON,
    }  # fmt: skip
    check = client.post(url, body)
    assert "Check before you sign" in check.content.decode()
    seal = {"email": stage.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    assert client.post(url, {**body, **seal}).status_code == 302
    assert status(stage) == ("current", "alone")

    row = Recognition.objects.known().get()
    url = reverse("recognition_withdraw", args=[row.uuid])
    said = {"reason": "The certificate was somebody else's."}
    check = client.post(url, said)
    seal = {"email": stage.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    assert client.post(url, {**said, **seal}).status_code == 302
    assert not Recognition.objects.known().exists()


def test_an_award_is_extended_on_screen(client, stage):
    give_award(stage.learner, stage.procedure, stage.ward)
    client.force_login(stage.educator)
    url = reverse("award_extend", args=[stage.learner.uuid, stage.procedure.pk])
    assert url in client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
    body = {"scope_unit": stage.cast.wards.next_ward.pk, "reason": "Covers the next ward as well."}
    check = client.post(url, body)
    seal = {"email": stage.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    assert client.post(url, {**body, **seal}).status_code == 302
    assert Award.objects.known().filter(clinician=stage.learner).count() == 2
    assert "It holds there already" in client.post(url, body).content.decode()
