"""Founding awards: entered by one, confirmed by another, never by or about oneself."""

from datetime import date

import pytest

from audits.models import Award
from credentials import founding, standings
from credentials.founding import NewFounding
from credentials.models import Founding
from credentials.proposing import AlreadyDecided
from credentials.rules.answers import Status
from people.access import NotPermitted
from people.problems import Problems
from tests.credentials.conftest import sign


def enter(stage, **changes):
    said = {
        "clinician": stage.learner,
        "procedure": stage.procedure,
        "scope_unit": stage.cast.wards.department,
        "awarded_on": date(2025, 2, 28),
        "evidence_kind": "Certificate",
        "evidence_place": "Education office, folder 12",
    }
    return founding.enter_founding(actor=changes.pop("actor", stage.educator), new=NewFounding(**{**said, **changes}))


def decide(stage, claim, *, user=None, confirmed=True):
    signer = sign(user or stage.second, founding.founding_digest(claim), meaning=founding.MEANING)
    return founding.decide_founding(signer=signer, claim=claim, confirmed=confirmed)


def test_a_claim_gives_nothing_until_another_person_confirms_it(stage):
    claim = enter(stage)
    assert standings.read(*stage.pair).home.status is Status.NOT_ENROLLED
    made = decide(stage, claim)
    assert (made.kind, made.from_day, made.expires_on) == (Award.Kind.FOUNDING, date(2025, 2, 28), date(2027, 2, 28))
    assert standings.read(*stage.pair).home.status is Status.CURRENT


def test_who_entered_a_claim_does_not_confirm_it(stage):
    with pytest.raises(NotPermitted):
        decide(stage, enter(stage), user=stage.educator)


def test_a_claim_about_oneself_waits_for_somebody_else(stage):
    from tests.factories import make_appointed

    manager = make_appointed("manager", stage.cast.wards.department)
    type(stage.learner).objects.filter(pk=stage.learner.pk).update(user=manager)
    stage.learner.refresh_from_db()
    claim = enter(stage)
    with pytest.raises(NotPermitted):
        decide(stage, claim, user=manager)
    assert decide(stage, claim) is not None


def test_a_refused_claim_makes_no_award_and_stays_readable(stage):
    claim = enter(stage)
    assert decide(stage, claim, confirmed=False) is None
    assert not Award.objects.filter(clinician=stage.learner).exists()
    assert Founding.objects.get(pk=claim.pk).confirmed is False
    with pytest.raises(AlreadyDecided):
        decide(stage, claim)


def test_a_last_day_that_is_no_whole_number_of_months_is_refused_with_advice(stage):
    with pytest.raises(Problems, match="whole months from 28 February 2025"):
        enter(stage, expires_on=date(2026, 3, 10))


@pytest.mark.parametrize("user", ["supervisor", "auditor", "administrator"])
def test_only_educators_and_managers_enter_claims(stage, user):
    with pytest.raises(NotPermitted):
        enter(stage, actor=getattr(stage.cast, user))
