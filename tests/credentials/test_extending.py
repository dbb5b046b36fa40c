"""An award that is extended holds at another unit too, with the same end; it is renewed everywhere at once."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from audits.holding import may_supervise
from audits.models import Award
from credentials import awarding, extending
from credentials.extending import Extension
from credentials.papers import evidence, verifier
from credentials.rules.terms import Terms
from credentials.standings import judge_many, read
from ledger import clock
from ledger.acts import head
from ledger.canonical import canonical
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.models import Clinician
from people.problems import Problems
from people.tree import tree
from tests.audits.conftest import give_award
from tests.credentials.conftest import NOW, TODAY, sign
from tests.factories import AppointmentFactory, PlacementFactory, make_appointed
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db
REASON = "Works at both hospitals from this month."
TERMS = canonical(Terms(renewal_insertions=0).to_content())


@pytest.fixture
def holder(stage) -> Clinician:
    """The learner holds the procedure in the first hospital and is placed in the other one as well."""
    give_award(stage.learner, stage.procedure, stage.cast.wards.hospital, terms=TERMS)
    PlacementFactory(clinician=stage.learner, unit=stage.cast.wards.other_ward, home=False)
    return stage.learner


@pytest.fixture
def chief(stage):
    return make_appointed("educator", stage.cast.wards.group, "Chi Ef")


def extension(stage, holder, unit=None, reason=REASON) -> Extension:
    (award,) = extending.in_force(holder, stage.procedure, TODAY)
    return Extension(award=award, scope_unit=unit or stage.cast.wards.other_hospital, reason=reason)


def extended(user, asked: Extension) -> Award:
    return extending.extend(signer=sign(user, asked.digest, meaning=extending.MEANING), extension=asked)


def at(stage, holder, unit, on=TODAY, known=None) -> tuple[str, str]:
    found = read(holder.pk, stage.procedure.pk, on=on, known=known).at(tree().above(unit.pk))
    return found.status.value, found.answer.value


def wrong() -> list[str]:
    return [each.reason for each in verify().problems if "award" in each.reason and "guard" not in each.reason]


def test_it_holds_there_from_today_with_the_same_end(stage, holder, chief):
    wards = stage.cast.wards
    assert at(stage, holder, wards.other_ward)[0] == "not_enrolled"
    known = head()
    made = extended(chief, extension(stage, holder))
    old = Award.objects.known().get(clinician=holder, scope_unit=wards.hospital)
    assert (made.anchor, made.expires_on, made.months) == (old.anchor, old.expires_on, old.months)
    assert at(stage, holder, wards.other_ward) == ("current", "alone")
    assert at(stage, holder, wards.ward) == ("current", "alone")
    assert at(stage, holder, wards.other_ward, TODAY - timedelta(days=1))[0] == "not_enrolled"
    assert at(stage, holder, wards.other_ward, known=known)[0] == "not_enrolled"
    act = Act.objects.get(seq=made.known_from_id)
    assert (act.kind, act.facts["signature"]["printed_name"]) == ("award.extended", chief.name)
    assert wrong() == []


def test_whoever_holds_it_there_may_supervise_there_if_appointed(stage, chief):
    senior = stage.supervisors[0]
    whose = Clinician.objects.get(user=senior)
    AppointmentFactory(user=senior, role="supervisor", unit=stage.cast.wards.other_hospital)
    asked = {"unit": stage.cast.wards.other_ward.pk, "procedure": stage.procedure.pk, "on": TODAY}
    assert not may_supervise(senior, **asked)
    (award,) = extending.in_force(whose, stage.procedure, TODAY)
    extended(chief, Extension(award=award, scope_unit=stage.cast.wards.other_hospital, reason=REASON))
    assert may_supervise(senior, **asked)


def test_a_provisional_award_stays_provisional_no_longer_than_at_home(stage, chief):
    since, until = date(2026, 1, 15), date(2026, 7, 15)
    give_award(
        stage.learner, stage.procedure, stage.cast.wards.hospital, terms=TERMS, first=True, from_day=since,
        anchor=since, expires_on=date(2028, 1, 15), provisional_until=until,
    )  # fmt: skip
    PlacementFactory(clinician=stage.learner, unit=stage.cast.wards.other_ward, home=False)
    extended(chief, extension(stage, stage.learner))
    for unit in (stage.ward, stage.cast.wards.other_ward):
        days = [at(stage, stage.learner, unit, until + timedelta(days=each))[0] for each in (-1, 0)]
        assert days == ["provisional", "current"]


def test_only_who_decides_about_the_person_and_at_the_unit_extends(stage, holder):
    asked = extension(stage, holder)
    far = make_appointed("educator", stage.cast.wards.other_hospital, "Fa Raway")
    elsewhere = extension(stage, holder, stage.cast.wards.day_ward)
    with pytest.raises(NotPermitted):
        extended(far, elsewhere)
    for user in (stage.educator, stage.cast.manager, holder.user):
        with pytest.raises(NotPermitted):
            extended(user, asked)


def test_what_makes_no_sense_is_refused(stage, holder, chief):
    with pytest.raises(Problems, match="It holds there already"):
        extended(chief, extension(stage, holder, stage.ward))
    with pytest.raises(Problems, match="Say why"):
        extended(chief, extension(stage, holder, reason=" "))
    with clock.at(NOW + timedelta(days=700)), pytest.raises(Problems, match="not in force"):
        extended(chief, extension(stage, holder))


def test_it_is_renewed_at_every_unit_at_once(stage, holder, chief):
    extended(chief, extension(stage, holder))
    with clock.at(datetime(2026, 12, 1, 3, 0, tzinfo=NOW.tzinfo)):
        check = awarding.check_renewal(holder, stage.procedure)
        awarding.renew(signer=sign(chief, check.digest), clinician=holder, procedure=stage.procedure)
    ends = Award.objects.known().filter(clinician=holder, until_day=None).values_list("scope_unit", "expires_on")
    assert dict(ends) == {
        stage.cast.wards.hospital.pk: date(2029, 1, 1),
        stage.cast.wards.other_hospital.pk: date(2029, 1, 1),
    }
    pair = (holder.pk, stage.procedure.pk)
    assert len(judge_many([pair], on=date(2027, 6, 1))[pair].standing.judgements) == 3
    assert wrong() == []


def test_the_file_of_an_award_extended_and_renewed_holds_and_an_altered_one_does_not(stage, holder, chief):
    extended(chief, extension(stage, holder))
    with clock.at(datetime(2026, 12, 1, 3, 0, tzinfo=NOW.tzinfo)):
        check = awarding.check_renewal(holder, stage.procedure)
        awarding.renew(signer=sign(chief, check.digest), clinician=holder, procedure=stage.procedure)
        file = evidence.evidence_of(access_of(chief), holder, made_at="2026-12-01T03:00:00.000000Z", by="Chi Ef")
    renewed = [each for each in file["awards"] if each["said"]["kind"] == "renewal"]
    assert len(renewed) == 2
    assert list(verifier.problems(evidence.sealed(file).encode())) == []
    for each in renewed:
        before, each["said"]["months"] = each["said"]["months"], 99
        said = [f"awards: {each['uuid']}: it does not match what was signed"]
        assert list(verifier.problems(evidence.sealed(file).encode())) == said
        each["said"]["months"] = before
    kept, file["awards"] = file["awards"], [each for each in file["awards"] if each is not renewed[0]]
    assert len(kept) == len(file["awards"]) + 1
    missing = list(verifier.problems(evidence.sealed(file).encode()))
    assert missing == [f"act {renewed[0]['act']}: the award that it decides is missing"]


def test_what_is_signed_is_where_and_why(stage, holder):
    asked = extension(stage, holder)
    assert replace(asked, reason="Another.").digest != asked.digest
    assert replace(asked, scope_unit=stage.cast.wards.other_ward).digest != asked.digest


def test_an_altered_extension_is_found(stage, holder, chief):
    made = extended(chief, extension(stage, holder))
    unguard()
    Award.objects.filter(pk=made.pk).update(months=99)
    assert any("does not match what was signed" in each for each in wrong())
