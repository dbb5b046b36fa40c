"""What walks found, or what they would find too rarely: each once, by itself."""

from datetime import date, timedelta

import pytest

from audits import corrections, logbook
from audits.awards import NewScope
from audits.models import Award
from credentials import awarding, standings
from credentials.rules.terms import Terms
from ledger import acts, clock
from ledger.canonical import canonical
from ledger.models import Act
from people import staffing, units
from people.models import Clinician
from people.settings import set_setting
from people.tree import tree
from tests.audits.conftest import entry_of, give_award
from tests.factories import make_clinician
from tests.whole.world import BEGUN, World, make_world, sign

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 2)


@pytest.fixture
def world(db):
    with clock.at(BEGUN):
        yield make_world()


def award_at(world: World, who: Clinician, unit, **changes) -> Award:
    return give_award(who, world.procedures[0], unit, terms=canonical(Terms().to_content()), **changes)


def as_it_should_be(world: World, who: Clinician) -> None:
    """What is read, without a refresh, is what the evidence gives; so is what is stored, once refreshed."""
    pair = who.pk, world.procedures[0].pk
    read, judged = standings.read(*pair), standings.judge_many([pair])[pair]
    assert read.standing == judged.standing
    standings.refresh()
    assert standings.differences() == []


def test_the_group_itself_can_be_renamed(world):
    units.change_unit(actor=world.administrator, unit=world.cast.wards.group, name="Wrenfield and Coast")
    assert tree().path(world.cast.wards.group.pk) == "Wrenfield and Coast"


def test_the_past_is_judged_by_the_profession_of_then(world):
    who = Clinician.objects.get(name="Ana Esthetist")
    new = NewScope(
        procedure=world.procedures[0],
        unit=world.cast.wards.hospital,
        from_day=TODAY,
        until_day=TODAY + timedelta(days=90),
        basis="By appointment",
        profession="anaesthetist",
    )
    awarding.decide_scope(signer=sign(world.chief, awarding.scope_digest(new)), new=new)
    pair, known = (who.pk, world.procedures[0].pk), acts.head()
    before = standings.judge_many([pair])[pair].body
    assert '"status":"by_role"' in before
    for profession in ("nurse", "midwife"):
        who.refresh_from_db()
        staffing.change_clinician(actor=world.chief, clinician=who, name=who.name, profession=profession)
    assert '"status":"by_role"' not in standings.judge_many([pair])[pair].body
    assert standings.judge_many([pair], on=TODAY, known=known)[pair].body == before


def test_who_decides_a_proposal_signs_with_a_role(world):
    owner, supervisor = world.cast.owner, world.supervisors[0]
    for decider, role in ((supervisor, "Named supervisor"), (world.deputy, "Educator")):
        entry = entry_of(owner, world.cast.wards.ward, supervisor)
        made = logbook.record_insertion(actor=owner.user, entry=entry)
        proposal = corrections.propose_withdrawal(actor=owner.user, insertion=made, reason="Entered twice.")
        signer = sign(decider, corrections.digest_of_proposal(proposal))
        corrections.decide(signer=signer, proposal=proposal, agree=False)
        assert Act.objects.latest("seq").facts["signature"]["role"] == role


def test_moving_a_unit_touches_who_holds_an_award_there_and_works_elsewhere(world):
    wards, who = world.cast.wards, world.cast.owner
    award_at(world, who, wards.other_hospital)
    award_at(world, who, wards.day_ward, from_day=date(2025, 1, 1), expires_on=date(2026, 2, 20))
    standings.rebuild()
    units.change_unit(actor=world.administrator, unit=wards.day_ward, parent=wards.other_hospital)
    as_it_should_be(world, who)


def test_a_setting_to_come_where_somebody_holds_and_does_not_work_leaves_what_is_stored_true(world):
    wards, who = world.cast.wards, world.cast.owner
    award_at(world, who, wards.other_ward)
    standings.rebuild()
    set_setting(
        actor=world.chief, unit=wards.other_ward, name="ceiling_agency", value="no", from_day=TODAY + timedelta(days=3)
    )
    as_it_should_be(world, who)


@pytest.mark.parametrize("how", ["placed above the scope", "appointed below it"])
def test_moving_a_unit_touches_those_whose_professions_scope_it_carries_away(world, how):
    wards = world.cast.wards
    above = how == "placed above the scope"
    who = make_clinician(wards.hospital if above else wards.other_ward, "Doc Tor", profession="anaesthetist")
    if not above:
        staffing.appoint(
            actor=world.administrator, user=who.user, role="supervisor", unit=wards.day_ward, from_day=TODAY
        )
    new = NewScope(
        procedure=world.procedures[0],
        unit=wards.day_ward if above else wards.hospital,
        from_day=TODAY,
        until_day=TODAY + timedelta(days=90),
        basis="By appointment",
        profession="anaesthetist",
    )
    awarding.decide_scope(signer=sign(world.chief, awarding.scope_digest(new)), new=new)
    standings.rebuild()
    units.change_unit(actor=world.administrator, unit=wards.day_ward, parent=wards.other_hospital)
    as_it_should_be(world, who)
