"""Cohorts: many enrolled at once under one version, and at the end of the rotation what becomes of each."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.directory import people
from credentials import cohort_ends, cohorts
from credentials.cohort_ends import Leaving, leaving_digest
from credentials.cohorts import NewCohort
from credentials.enrolling import enrol
from credentials.forms_cohorts import ListForm
from credentials.models import CohortMember, Enrolment, Programme
from credentials.rules.terms import Terms
from credentials.standings import read_many
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.models import Stale
from people.problems import Problems
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, Stage, put_in_force, sign
from tests.factories import make_appointed, make_clinician
from tests.ledger.conftest import unguard

pytestmark = pytest.mark.django_db
FIRST, AFTER = TODAY, date(2026, 8, 31)
Outcome = CohortMember.Outcome


def opened(stage: Stage, **changes):
    said = {
        "name": "Autumn intake",
        "unit": stage.cast.wards.department,
        "procedure": stage.procedure,
        "from_day": FIRST,
        "until_day": AFTER,
    }
    return cohorts.open_cohort(actor=stage.educator, new=NewCohort(**said | changes))


@pytest.fixture
def cohort(stage):
    return opened(stage)


def newcomers(stage: Stage, count: int):
    return [make_clinician(stage.ward, f"New Comer {place:02}", account=False) for place in range(count)]


def member(cohort, clinician) -> CohortMember:
    return cohorts.members(cohort).get(clinician=clinician)


def let_go(stage: Stage, cohort, *leaving: Leaving, by=None) -> None:
    digest = leaving_digest(cohort, leaving)
    cohort_ends.leave(signer=sign(by or stage.educator, digest), cohort=cohort, leaving=leaving, digest=digest)


def wrong() -> list[str]:
    """What does not match its act of cohorts and enrolments; the fixture's awards have no acts."""
    found = (each.reason for each in verify().problems)
    return [each for each in found if ("cohort" in each or "enrolment" in each) and "guard" not in each]


def unnamed(numbers):
    return [(each, "") for each in numbers]


def test_a_name_beside_a_number_has_to_fit(stage, cohort):
    fresh = newcomers(stage, 1)[0]
    listed = [(fresh.staff_number, "Comer, New"), (fresh.staff_number, "Else Somebody")]
    lines = cohorts.joining(access_of(stage.educator), cohort, listed, people())
    assert [line.refused.partition(":")[0] for line in lines] == ["", f"This staff number is that of {fresh.name}"]


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("004512\n004513", [("004512", ""), ("004513", "")]),
        ("004512, 004513;004514", [("004512", ""), ("004513", ""), ("004514", "")]),
        ("004512\tAda Okafor\n004513\tBen Osei", [("004512", "Ada Okafor"), ("004513", "Ben Osei")]),
        ("Okafor, Ada 004512", [("004512", "Okafor Ada")]),
        ("Ada Okafor\n\n", [("Ada Okafor", "")]),
    ],
)
def test_a_list_is_read_as_it_was_pasted(typed, read):
    form = ListForm({"numbers": typed})
    assert form.is_valid()
    assert form.cleaned_data["numbers"] == read


def test_a_list_of_too_many_is_refused():
    assert not ListForm({"numbers": "\n".join(map(str, range(10000, 10501)))}).is_valid()


def status(clinician, stage: Stage) -> str:
    pair = (clinician.pk, stage.procedure.pk)
    return read_many([pair])[pair].home.status.value


# --- opening ---


def test_a_cohort_is_under_the_version_in_effect_on_its_first_day(stage, cohort):
    newer = put_in_force(Programme, stage, Terms(insertions=20).to_content(), effective_on=date(2026, 6, 1))
    later = opened(stage, name="Winter intake", from_day=date(2026, 6, 1), until_day=date(2026, 12, 1))
    assert cohort.programme.version == 1
    assert later.programme == newer


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"name": "  "}, "name", "Give the cohort a name"),
        ({"until_day": FIRST}, "until_day", "Give a last day"),
        ({"until_day": FIRST + timedelta(days=2000)}, "until_day", "at most three years"),
        ({"from_day": date(2024, 1, 1)}, "from_day", "No programme"),
        ({"name": "autumn INTAKE"}, "name", "is open there"),
    ],
)
def test_what_is_wrong_with_a_cohort_is_said_beside_the_field(stage, cohort, changes, field, words):
    with pytest.raises(Problems) as told:
        opened(stage, **{"name": "Another", **changes})
    assert [(each.field, words in each.text) for each in told.value.items] == [(field, True)]


@pytest.mark.parametrize("who", ["manager", "supervisor", "assessor", "auditor", "administrator"])
def test_only_an_educator_of_the_unit_opens_one(stage, who):
    with pytest.raises(NotPermitted):
        cohorts.open_cohort(
            actor=getattr(stage.cast, who),
            new=NewCohort(name="Autumn", unit=stage.ward, procedure=stage.procedure, from_day=FIRST, until_day=AFTER),
        )


# --- joining ---


def test_sixty_people_are_enrolled_in_one_act_and_as_many_queries_as_one(stage, cohort):
    one, *sixty = newcomers(stage, 61)
    with CaptureQueriesContext(
        connection,
    ) as for_one:
        cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[one])
    with CaptureQueriesContext(connection) as for_sixty:
        new = cohorts.join(actor=stage.educator, cohort=cohort, clinicians=sixty)
    assert len(for_sixty) == len(for_one)
    assert len(new) == 60
    assert Act.objects.filter(kind="cohort.joined").count() == 2
    assert Enrolment.objects.known().filter(programme=cohort.programme, from_day=FIRST).count() == 61
    assert {status(each, stage) for each in sixty} == {"in_training"}
    assert set(Stale.objects.filter(cause="cohort.joined").values_list("clinician", flat=True)) == {
        each.pk for each in (one, *sixty)
    }
    assert wrong() == []


def test_each_line_of_a_list_says_what_becomes_of_it_in_a_fixed_number_of_queries(stage, cohort):
    enrolled, other, holder = newcomers(stage, 3)
    enrol(actor=stage.educator, clinician=enrolled, procedure=stage.procedure, from_day=date(2026, 2, 1))
    enrol(actor=stage.educator, clinician=other, procedure=stage.procedure, from_day=date(2026, 2, 1))
    give_award(holder, stage.procedure, stage.cast.wards.department)
    newer = put_in_force(Programme, stage, Terms(insertions=20).to_content(), effective_on=TODAY)
    later = opened(stage, name="Under the new version")
    assert later.programme == newer
    fresh = newcomers(stage, 1)[0]
    numbers = [fresh.staff_number, fresh.staff_number, "nobody", enrolled.staff_number, holder.staff_number]
    numbers += [stage.cast.outsider.staff_number]
    known = people()
    with CaptureQueriesContext(connection) as few:
        lines = cohorts.joining(access_of(stage.educator), later, unnamed(numbers), known)
    assert [(line.enrolled, line.refused.split(":")[0].split(",")[0]) for line in lines] == [
        (False, ""),
        (False, "Named twice in the list."),
        (False, "Nobody in the register has this staff number"),
        (False, "Enrolled already"),
        (False, "Holds an award for it."),
        (False, "You are no educator of this person's unit."),
    ]
    many = [each.staff_number for each in newcomers(stage, 20)]
    with CaptureQueriesContext(connection) as lots:
        cohorts.joining(access_of(stage.educator), later, unnamed(many), known)
    assert len(lots) <= len(few)
    with CaptureQueriesContext(connection):
        same = cohorts.joining(access_of(stage.educator), cohort, unnamed([enrolled.staff_number]), known)
    assert [(line.enrolled, line.refused) for line in same] == [(True, "")]


def test_who_is_enrolled_under_this_version_joins_with_the_enrolment_there_is(stage, cohort):
    enrol(actor=stage.educator, clinician=stage.learner, procedure=stage.procedure, from_day=date(2026, 2, 1))
    assert cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[stage.learner]) == []
    assert Enrolment.objects.known().get(clinician=stage.learner).from_day == date(2026, 2, 1)
    assert member(cohort, stage.learner).outcome == ""


def test_one_who_cannot_join_keeps_everybody_out_and_is_named(stage, cohort):
    fresh, holder = newcomers(stage, 2)
    give_award(holder, stage.procedure, stage.cast.wards.department)
    with pytest.raises(Problems, match=f"{holder.name}: Holds an award"):
        cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[fresh, holder])
    assert not cohorts.members(cohort).exists()
    assert not Enrolment.objects.filter(clinician=fresh).exists()


def test_a_day_outside_the_rotation_is_refused(stage, cohort):
    for day in (FIRST - timedelta(days=1), AFTER):
        with pytest.raises(Problems, match="a day of the rotation"):
            cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 1), from_day=day)


def test_nobody_is_taken_in_by_somebody_who_decides_nothing_about_them(stage, cohort):
    with pytest.raises(NotPermitted):
        cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[stage.cast.outsider])
    with pytest.raises(NotPermitted):
        cohorts.join(actor=stage.cast.manager, cohort=cohort, clinicians=newcomers(stage, 1))


def test_an_educator_never_takes_themselves_in(stage, cohort):
    own = make_clinician(stage.ward, "Ed Ucator", account=False)
    type(own).objects.filter(pk=own.pk).update(user=stage.educator)
    line = cohorts.joining(access_of(stage.educator), cohort, unnamed([own.staff_number]), people())[0]
    assert line.refused.startswith("Nobody does this about themselves")
    with pytest.raises(NotPermitted):
        cohorts.join(actor=stage.educator, cohort=cohort, clinicians=[own])


# --- the end ---


@pytest.fixture
def full(stage, cohort):
    cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 3))
    return list(cohorts.members(cohort))


def test_closing_ends_the_enrolment_and_says_why(stage, cohort, full):
    let_go(stage, cohort, Leaving(member=full[0], outcome=Outcome.CLOSED, note="Left the group."))
    assert status(full[0].clinician, stage) == "not_enrolled"
    assert member(cohort, full[0].clinician).note == "Left the group."
    assert {status(each.clinician, stage) for each in full[1:]} == {"in_training"}
    cohort.refresh_from_db()
    assert cohort.closed_id is None


def test_moving_keeps_the_enrolment_and_joins_the_other_cohort(stage, cohort, full):
    other = opened(stage, name="Winter intake", from_day=date(2026, 6, 1), until_day=date(2026, 12, 1))
    let_go(stage, cohort, Leaving(member=full[0], outcome=Outcome.MOVED, moved_to=other))
    assert status(full[0].clinician, stage) == "in_training"
    assert member(other, full[0].clinician).outcome == ""
    assert member(cohort, full[0].clinician).moved_to == other
    assert wrong() == []


def test_who_is_handed_over_waits_until_the_other_educator_takes_them_on(stage, cohort, full):
    let_go(
        stage,
        cohort,
        Leaving(member=full[0], outcome=Outcome.HANDED_OVER, handed_to=stage.second, note="Two unsigned."),
    )
    waiting = list(cohort_ends.handed_to(stage.second))
    assert [each.clinician for each in waiting] == [full[0].clinician]
    with pytest.raises(NotPermitted):
        cohort_ends.take_over(actor=stage.educator, member=waiting[0])
    taken = cohort_ends.take_over(actor=stage.second, member=waiting[0])
    assert (taken.taken_on, list(cohort_ends.handed_to(stage.second))) == (TODAY, [])
    assert wrong() == []


def test_the_last_one_who_leaves_closes_the_cohort(stage, cohort, full):
    let_go(stage, cohort, *(Leaving(member=each, outcome=Outcome.MOVED) for each in full))
    cohort.refresh_from_db()
    assert cohort.closed is not None
    assert wrong() == []
    with pytest.raises(Problems, match="is closed"):
        cohorts.join(actor=stage.educator, cohort=cohort, clinicians=newcomers(stage, 1))


def test_what_is_wrong_with_an_end_is_said_and_nothing_is_written(stage, cohort, full):
    one = full[0]
    for leaving, words in (
        (Leaving(member=one, outcome="gone"), "say what becomes"),
        (Leaving(member=one, outcome=Outcome.HANDED_OVER), "say to whom"),
        (Leaving(member=one, outcome=Outcome.HANDED_OVER, handed_to=stage.cast.manager), "no educator"),
        (Leaving(member=one, outcome=Outcome.HANDED_OVER, handed_to=stage.educator), "or is you"),
        (Leaving(member=one, outcome=Outcome.CLOSED), "say why"),
        (Leaving(member=one, outcome=Outcome.MOVED, moved_to=cohort), "choose an open cohort"),
        (Leaving(member=one, outcome=Outcome.AWARDED), "still learning"),
    ):
        with pytest.raises(Problems, match=words):
            let_go(stage, cohort, leaving)
    assert cohorts.members(cohort).filter(outcome="").count() == 3


def test_only_an_educator_of_the_unit_ends_and_nobody_decides_twice(stage, cohort, full):
    gone = Leaving(member=full[0], outcome=Outcome.MOVED)
    for who in (stage.cast.manager, stage.cast.auditor, make_appointed("educator", stage.cast.wards.other_hospital)):
        with pytest.raises(NotPermitted):
            let_go(stage, cohort, gone, by=who)
    let_go(stage, cohort, gone)
    with pytest.raises(Problems, match="meanwhile"):
        let_go(stage, cohort, gone)


def test_what_is_signed_is_each_person_with_what_becomes_of_them(stage, cohort, full):
    one = Leaving(member=full[0], outcome=Outcome.MOVED)
    shown = leaving_digest(cohort, [one])
    assert leaving_digest(cohort, [Leaving(member=full[0], outcome=Outcome.MOVED, note="x")]) != shown
    assert leaving_digest(cohort, [Leaving(member=full[1], outcome=Outcome.MOVED)]) != shown
    two = Leaving(member=full[1], outcome=Outcome.MOVED)
    assert leaving_digest(cohort, [one, two]) == leaving_digest(cohort, [two, one])


def test_managers_and_auditors_see_a_cohort_and_others_do_not(stage, cohort):
    seen = {name: cohorts.visible_cohorts(access_of(user)).exists() for name, user in stage.cast.users().items()}
    assert {name for name, sees in seen.items() if sees} == {"educator", "manager", "auditor"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"outcome": "closed"}, "its act does not say so"),
        ({"note": "Something else."}, "its act does not say so"),
        ({"left_on": date(2026, 1, 1)}, "its act does not say so"),
    ],
)
def test_an_altered_member_is_found(stage, cohort, full, change, words):
    let_go(stage, cohort, Leaving(member=full[0], outcome=Outcome.MOVED, note="To Ward 5."))
    unguard()
    CohortMember.objects.known().filter(clinician=full[0].clinician).update(**change)
    assert [words in each for each in wrong()] == [True]


def test_an_altered_cohort_is_found(stage, cohort, full):
    unguard()
    type(cohort).objects.filter(pk=cohort.pk).update(until_day=AFTER + timedelta(days=30))
    assert any("is not what was opened" in each for each in wrong())
