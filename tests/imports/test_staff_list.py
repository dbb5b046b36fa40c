"""A staff list: whom and what it brings, what it passes over the second time, what it refuses and where, who may."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest

from audits.models import Award, Completion, Procedure
from audits.sheet_report import Report
from credentials import founding, learning
from credentials.models import Enrolment, Founding, Learning, Programme
from credentials.proposing import add_proposal, approve, document_digest, propose
from credentials.rules.terms import Terms
from credentials.staff_fields import LABELS
from credentials.staff_sheets import MEANING, Plan, carry_out, read_tables, rehearse
from ledger import clock
from ledger.acts import recording
from ledger.models import Act, Payload
from people.access import NotPermitted
from people.models import Appointment, Clinician, Placement, Unit, User
from people.signing import NotConfirmed, confirm
from people.tree import tree
from sheets.reading import read_workbook
from tests.factories import SECRET, AppointmentFactory, Cast, ProcedureFactory, make_cast, make_clinician
from tests.imports.stage import NOW, told, warned
from tests.sheets import books

pytestmark = pytest.mark.django_db
USUAL = {
    "staff_number": "004600",
    "name": "Ada Okafor",
    "unit": "Saltmarsh Hospital / Ward 4 Tern",
    "from_day": "1/2/2024",
}

HOLDS = {
    "held": "ADULT",
    "awarded_on": "3/3/2025",
    "valid_through": "2/3/2027",
    "evidence_kind": "Signed form",
    "evidence_place": "Cabinet 2",
}
SINCE = {"learning": "ADULT", "learning_from": "1/3/2025"}


@pytest.fixture
def cast() -> Iterator[Cast]:
    """The administrator of the group educates it too, as whoever starts a register does."""
    with clock.at(NOW):
        cast = make_cast()
        ProcedureFactory(code="ADULT", name="Adult, landmark")
        AppointmentFactory(user=cast.administrator, role="educator", unit=cast.wards.group)
        yield cast


def rehearsed(by: User, *rows: dict[str, Any], usual: dict[str, Any] = USUAL) -> Plan:
    full = [usual | row for row in rows]
    names = list(dict.fromkeys(name for row in full for name in row))
    lines = [[row.get(name, "") for name in names] for row in full]
    data = books.sheets({"Staff": [[LABELS[name] for name in names], *lines]})
    return rehearse(actor=by, tables=read_tables(read_workbook(data, name="staff.xlsx")), file="0" * 64)


def imported(cast: Cast, *rows: dict[str, Any], by: User | None = None, usual: dict[str, Any] = USUAL) -> Report:
    found = rehearsed(by or cast.administrator, *rows, usual=usual)
    if not found.has_work:
        return found.report
    signer = confirm(user=found.actor, secret=SECRET, meaning=MEANING, digests=[found.digest])
    return carry_out(signer=signer, plan=found)


def became(report: Report) -> list[str]:
    return [str(each) for each in report.becomes]


# --- people and places ---


def test_a_row_opens_person_account_placement_and_appointments(cast: Cast) -> None:
    row = {
        "email": "ada.okafor@wrenfield.example",
        "registration": "REG1",
        "profession": "RN Level 2",
        "roles": "Supervisor, Assessor",
        "role_unit": "Saltmarsh Hospital",
        "role_through": "31 Dec 2026",
    }
    assert became(imported(cast, row)) == ["new"]
    ada = Clinician.objects.get(staff_number="004600")
    assert (ada.name, ada.profession) == ("Ada Okafor", "nurse")
    assert ada.user is not None
    assert (ada.user.email, ada.user.registration, ada.user.own_secret) == (row["email"], "REG1", False)
    placed = Placement.objects.known().get(clinician=ada)
    assert (placed.unit, placed.kind, placed.home, placed.from_day, placed.until_day) == (
        cast.wards.ward, "employed", True, date(2024, 2, 1), None,
    )  # fmt: skip
    appointed = Appointment.objects.known().filter(user=ada.user).order_by("role")
    assert [(each.role, each.unit, each.from_day, each.until_day) for each in appointed] == [
        ("assessor", cast.wards.hospital, date(2024, 2, 1), date(2027, 1, 1)),
        ("supervisor", cast.wards.hospital, date(2024, 2, 1), date(2027, 1, 1)),
    ]


def test_the_same_list_again_changes_nothing_and_needs_no_signature(cast: Cast) -> None:
    row = {"email": "ada.okafor@wrenfield.example", "roles": "Supervisor", "learning": "ADULT", "held_at": "",
           "learning_from": "2/3/2025", "knowledge_on": "9/3/2025"}  # fmt: skip
    imported(cast, row)
    acts = Act.objects.count()
    report = imported(cast, row)
    assert became(report) == ["already"]
    assert Act.objects.count() == acts


def test_units_that_are_missing_are_opened_in_their_commonest_spelling(cast: Cast) -> None:
    report = imported(
        cast,
        {"unit": "saltmarsh hospital / WARD 9 egret"},
        {"unit": "Saltmarsh Hospital / Ward 9 Egret", "staff_number": "2"},
        {"unit": "Saltmarsh Hospital / Ward 9 Egret", "staff_number": "3"},
        {"unit": "Lagoon Hospital / Surgery / Ward 1", "staff_number": "4"},
        {"unit": "Saltmarsh Hospital / Ward 9 Egrett", "staff_number": "5"},
    )
    assert became(report) == ["new"] * 5
    now = tree()
    assert now.path(now.find("Saltmarsh Hospital / Ward 9 Egret") or 0) == "Saltmarsh Hospital / Ward 9 Egret"
    surgery = now.find("Lagoon Hospital / Surgery")
    assert surgery is not None
    assert now.level(surgery) == Unit.Level.DEPARTMENT
    assert any(
        each.endswith("It looks much like Ward 9 Egret: check that it is not the same.") for each in warned(report)
    )


def test_a_ward_below_a_department_is_found_without_it(cast: Cast) -> None:
    imported(cast, {"unit": "Ward 5 Curlew", "hospital": "Saltmarsh Hospital"})
    assert Placement.objects.known().get(clinician__staff_number="004600").unit == cast.wards.next_ward


def test_numbers_that_lost_their_zeros_are_filled_up_where_the_list_shows_how_many(cast: Cast) -> None:
    report = imported(cast, {"staff_number": "004601"}, {"staff_number": 4602.0, "name": "Bo Two"})
    assert sorted(Clinician.objects.filter(staff_number__startswith="0046").values_list("staff_number", flat=True)) == [
        "004601",
        "004602",
    ]
    assert "Staff numbers that are numbers were filled up with zeros to 6 digits." in warned(report)
    # Known by a number without its zeros, next month too.
    again = imported(cast, {"staff_number": 4602.0, "name": "Bo Two"})
    assert became(again) == ["already"]


@pytest.mark.parametrize(
    ("written", "printed"),
    [
        ("OKAFOR, Ada (RN)", "Ada Okafor"),
        ("Dr Ada Okafor", "Ada Okafor"),
        ("  Ada   D'SOUZA ", "Ada D'Souza"),
        ("Ada van Dam", "Ada van Dam"),
        ("SMITH-JONES, A", "A Smith-Jones"),
    ],
)
def test_a_name_is_printed_as_people_write_it(cast: Cast, written: str, printed: str) -> None:
    imported(cast, {"name": written})
    assert Clinician.objects.get(staff_number="004600").name == printed


def test_names_in_two_columns_are_put_together(cast: Cast) -> None:
    usual = {name: value for name, value in USUAL.items() if name != "name"}
    imported(cast, {"surname": "Okafor", "first_name": "Ada"}, usual=usual)
    assert Clinician.objects.get(staff_number="004600").name == "Ada Okafor"


def test_further_rows_of_a_person_are_further_placements_the_home_first(cast: Cast) -> None:
    report = imported(
        cast,
        {"unit": "Saltmarsh Hospital / Ward 5 Curlew", "home": "N"},
        {"home": "Y", "kind": "Casual"},
        {"unit": "Heron Point Hospital / Ward 1 Plover", "home": ""},
    )
    assert became(report) == ["new"] * 3
    homes = Placement.objects.known().filter(clinician__staff_number="004600").order_by("unit")
    assert {each.unit_id: each.home for each in homes} == {
        cast.wards.ward.pk: True, cast.wards.next_ward.pk: False, cast.wards.other_ward.pk: False,
    }  # fmt: skip


def test_somebody_without_a_number_is_known_again_by_the_mail(cast: Cast) -> None:
    row = {"staff_number": "", "email": "locum@wrenfield.example", "name": "Lo Cum", "kind": "Locum"}
    imported(cast, row)
    made = Clinician.objects.get(user__email="locum@wrenfield.example")
    assert made.staff_number.startswith("SITED-")
    assert became(imported(cast, row)) == ["already"]


def test_an_account_alone_is_somebody_who_only_looks(cast: Cast) -> None:
    usual = {"name": "Au Ditor", "email": "au@wrenfield.example"}
    imported(cast, {"staff_number": "", "roles": "Auditor", "role_unit": "Saltmarsh Hospital"}, usual=usual)
    user = User.objects.get(email="au@wrenfield.example")
    assert not Clinician.objects.filter(user=user).exists()
    assert Appointment.objects.known().get(user=user).role == "auditor"


def test_an_account_that_is_there_is_joined_to_its_new_clinician(cast: Cast) -> None:
    imported(cast, {"email": cast.manager.email, "name": "Ma Nager"})
    assert Clinician.objects.get(staff_number="004600").user == cast.manager


# --- what stands, and is refused ---


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ({"staff_number": "", "email": ""}, "Staff number", "Give a staff number or an e-mail"),
        ({"name": ""}, "Name", "Give the name: nobody in the register has this staff number"),
        ({"email": "no mail"}, "E-mail", "This is no e-mail address"),
        ({"roles": "Supervisor"}, "Appointed as", "An appointment needs an account: give the e-mail."),
        ({"roles": "Wizard"}, "Appointed as", "Write one or more of: Supervisor"),
        ({"unit": "Ward 77"}, "Unit", "No unit has this name. Write Hospital / Ward, and it is opened."),
        ({"unit": "A / B / C / D"}, "Unit", "A path has a hospital, perhaps a department, and a ward"),
        ({"through": "31/1/2024"}, "Through", "The last day lies before the first, 1 February 2024."),
        ({"learning": "ADULT"}, "Learning since", "Give the day from which it is learned."),
        ({**SINCE, "learning": "X-RAY"}, "Learning", "No procedure has this code or name; there are: ADULT."),
        ({"knowledge_on": "1/3/2025"}, "Learning", "Say for which procedure, under Learning."),
        ({**SINCE, "knowledge_on": "1/3/2027"}, "Knowledge test", "This day lies in the future."),
        ({"held": "ADULT"}, "Awarded on", "Give the day of the award."),
        ({"held": "ADULT", "awarded_on": "1/3/2025"}, "Evidence", "Say what shows it"),
        (
            {**HOLDS, "awarded_on": "1/3/2025", "valid_through": "1/3/2027"},
            "Valid through",
            "An award holds for whole months from 1 March 2025: this last day fits none. "
            "One that holds through 28 February 2027 would.",
        ),
    ],
)
def test_a_row_that_cannot_be_taken_is_refused_beside_its_cell(
    cast: Cast, row: dict[str, Any], column: str, reason: str
) -> None:
    people = Clinician.objects.count()
    report = imported(cast, row | {"email": row.get("email", "")})
    assert next(where for _, where, _ in told(report)) == column
    assert told(report)[0][2].startswith(reason)
    # Nothing of a refused row stays, whatever of it was good.
    assert Clinician.objects.count() == people


@pytest.mark.parametrize(
    ("change", "column", "reason"),
    [
        ({"name": "Somebody Else"}, "Name", "This is the staff number of Ada Okafor."),
        ({"email": "other@wrenfield.example"}, "E-mail", "Ada Okafor has an account with another e-mail"),
        ({"through": "31/12/2026"}, "Through", "This placement holds until further notice: set its last day on"),
        ({"from_day": "1/3/2024"}, "From", "This placement stands already, from 1 February 2024"),
        ({"home": "N"}, "Home unit", "Which unit is home is changed on the person's page"),
        (
            {"unit": "Saltmarsh Hospital / Ward 5 Curlew", "home": "Y"},
            "Home unit",
            "On 1 February 2024 there would be two home placements",
        ),
    ],
)
def test_what_would_change_what_stands_is_refused_with_advice(
    cast: Cast, change: dict[str, Any], column: str, reason: str
) -> None:
    row = {"email": "ada.okafor@wrenfield.example"}
    imported(cast, row)
    report = imported(cast, row | change)
    assert [(where, text[: len(reason)]) for _, where, text in told(report)] == [(column, reason)]


def test_what_is_only_said_otherwise_is_warned_about_and_stays(cast: Cast) -> None:
    imported(cast, {"email": "ada.okafor@wrenfield.example", "profession": "RN", "registration": "REG1"})
    report = imported(
        cast,
        {
            "email": "ada.okafor@wrenfield.example",
            "name": "Ada Okafor-Hale",
            "profession": "Midwife",
            "registration": "REG2",
        },
    )
    assert became(report) == ["already"]
    assert warned(report) == [
        "The register says Ada Okafor, and still does.",
        "The register says registered nurse, and still does.",
        "The register says otherwise: change it on the account's page.",
    ]


def test_a_good_row_goes_in_beside_a_bad_one_and_a_bad_one_leaves_no_unit_behind(cast: Cast) -> None:
    report = imported(
        cast,
        {"unit": "Lagoon Hospital / Ward 1", "roles": "Supervisor"},
        {"staff_number": "004601", "name": "Bo Two"},
    )
    assert became(report) == ["refused", "new"]
    assert tree().find("Lagoon Hospital") is None


def test_a_row_that_needs_a_later_one_is_tried_again(cast: Cast) -> None:
    report = imported(
        cast,
        {"email": "ada@wrenfield.example", "roles": "Manager", "role_unit": "Lagoon Hospital"},
        {"staff_number": "004601", "name": "Bo Two", "unit": "Lagoon Hospital / Ward 1"},
    )
    assert became(report) == ["new", "new"]


# --- learning and awards ---


def a_programme(cast: Cast, *, effective_on: date) -> Programme:
    unit, procedure = cast.wards.group, Procedure.objects.get(code="ADULT")
    with recording(actor=None, kind="programme.proposed") as rec:
        return add_proposal(
            rec, Programme, proposed_by=None, unit=unit, procedure=procedure, name="Adult",
            content=Terms().to_content(), effective_on=effective_on,
        )  # fmt: skip


def approved(cast: Cast, document: Programme) -> None:
    signer = confirm(user=cast.administrator, secret=SECRET, meaning="approved", digests=[document_digest(document)])
    approve(signer=signer, document=document)


LEARNS = {"learning": "ADULT", "learning_from": "2/2/2026", "knowledge_on": "9/2/2026", "simulation_on": "10/2/2026"}


def test_learning_waits_where_no_programme_binds_and_is_enrolled_by_its_approval(cast: Cast) -> None:
    document = a_programme(cast, effective_on=date(2026, 3, 2))
    report = imported(cast, LEARNS)
    assert "No programme for Adult, landmark is approved yet: the enrolment is made when one is." in warned(report)
    waiting = Learning.objects.known().get()
    assert (waiting.from_day, waiting.entered_by) == (date(2026, 2, 2), cast.administrator)
    assert not Enrolment.objects.exists()
    assert sorted(Completion.objects.values_list("kind", "on")) == [
        ("knowledge", date(2026, 2, 9)),
        ("simulation", date(2026, 2, 10)),
    ]
    assert became(imported(cast, LEARNS)) == ["already"]

    approved(cast, document)

    made = Enrolment.objects.known().get()
    assert (made.from_day, made.programme) == (date(2026, 2, 2), document)
    assert not Learning.objects.known().exists()
    assert became(imported(cast, LEARNS)) == ["already"]


def test_learning_older_than_the_first_programme_binds_to_it_and_newer_to_that_of_its_day(cast: Cast) -> None:
    first = a_programme(cast, effective_on=date(2026, 1, 1))
    approved(cast, first)
    imported(cast, {**LEARNS, "learning_from": "1/6/2025"}, {"staff_number": "004601", "name": "Bo Two", **LEARNS})
    enrolments = Enrolment.objects.known().order_by("from_day")
    assert [(each.from_day, each.programme) for each in enrolments] == [
        (date(2025, 6, 1), first),
        (date(2026, 2, 2), first),
    ]


def test_who_was_enrolled_meanwhile_waits_no_more(cast: Cast) -> None:
    imported(cast, LEARNS)
    person = Clinician.objects.get(staff_number="004600")
    document = a_programme(cast, effective_on=date(2026, 3, 2))
    with recording(actor=cast.administrator, kind="enrolment.opened") as rec:
        learning.add_enrolment(
            rec, clinician=person, procedure=document.procedure, from_day=date(2026, 3, 1), programme=document
        )
    approved(cast, document)
    assert Enrolment.objects.known().get().from_day == date(2026, 3, 1)
    assert not Learning.objects.known().exists()


def test_learning_waits_only_for_a_programme_that_covers_its_home(cast: Cast) -> None:
    imported(cast, LEARNS)
    elsewhere = propose(
        Programme, actor=cast.administrator, unit=cast.wards.other_hospital,
        procedure=Procedure.objects.get(code="ADULT"), name="Heron", content=Terms().to_content(),
        effective_on=date(2026, 3, 2),
    )  # fmt: skip
    AppointmentFactory(user=cast.manager, role="manager", unit=cast.wards.group)
    signer = confirm(user=cast.manager, secret=SECRET, meaning="approved", digests=[document_digest(elsewhere)])
    approve(signer=signer, document=elsewhere)
    assert Learning.objects.known().exists()
    assert not Enrolment.objects.exists()


def test_an_award_from_before_waits_for_another_person_and_is_then_a_founding_award(cast: Cast) -> None:
    approved(cast, a_programme(cast, effective_on=date(2026, 1, 1)))
    imported(cast, {**HOLDS, "held_at": "Saltmarsh Hospital"})
    claim = Founding.objects.get()
    assert (claim.scope_unit, claim.expires_on, claim.entered_by) == (
        cast.wards.hospital, date(2027, 3, 3), cast.administrator,
    )  # fmt: skip
    assert not Award.objects.exists()
    with pytest.raises(NotPermitted):
        decide(cast.administrator, claim)
    decide(cast.manager, claim, unit=cast.wards.hospital)
    award = Award.objects.get()
    assert (award.kind, award.months, award.from_day) == ("founding", 24, date(2025, 3, 3))
    assert became(imported(cast, {**HOLDS, "held_at": "Saltmarsh Hospital"})) == ["already"]


def decide(user: User, claim: Founding, *, unit: Unit | None = None) -> None:
    if unit is not None:
        AppointmentFactory(user=user, role="manager", unit=unit)
    signer = confirm(user=user, secret=SECRET, meaning=founding.MEANING, digests=[founding.founding_digest(claim)])
    founding.decide_founding(signer=signer, claim=claim, confirmed=True)


# --- who may ---


def test_a_manager_places_and_founds_but_opens_no_units_and_no_accounts(cast: Cast) -> None:
    AppointmentFactory(user=cast.manager, role="manager", unit=cast.wards.hospital)
    report = imported(
        cast,
        HOLDS,
        {"staff_number": "2", "unit": "Saltmarsh Hospital / Ward 9 Egret"},
        {"staff_number": "3", "email": "c@wrenfield.example"},
        {"staff_number": "4", **LEARNS},
        {"staff_number": "5", "unit": "Heron Point Hospital / Ward 1 Plover"},
        by=cast.manager,
    )
    assert became(report) == ["new"] + ["refused"] * 4
    assert [reason for _, _, reason in told(report)] == [
        "Only an administrator opens units, and there is none of this name yet.",
        "Only an administrator opens accounts.",
        "Only an educator of the person's unit says this.",
        "Your appointments do not reach this unit.",
    ]


def test_nobody_opens_an_account_for_somebody_of_another_hospital(cast: Cast) -> None:
    """Who chooses somebody's e-mail could sign as them."""
    there = AppointmentFactory(role="administrator", unit=cast.wards.other_hospital).user
    make_clinician(cast.wards.ward, "Ada Okafor", account=False, staff_number="004600")
    row = {"unit": "", "from_day": "", "email": "mine@wrenfield.example"}
    assert told(imported(cast, row, by=there))[0][2] == "An administrator of the person's hospital opens their account."
    assert became(imported(cast, row)) == ["new"]


def test_nobody_places_appoints_enrols_or_awards_themselves(cast: Cast) -> None:
    own = {"email": cast.administrator.email, "name": "Ad Min"}
    for row in (own, {**own, "roles": "Manager", "role_unit": "Saltmarsh Hospital", "unit": "", "from_day": ""}):
        assert (
            told(imported(cast, row))[0][2]
            == "Nobody does this about themselves: let somebody else import or enter it."
        )
    make_clinician(cast.wards.ward, "Ad Min", account=False, staff_number="009999")
    Clinician.objects.filter(staff_number="009999").update(user=cast.administrator)
    for row in (LEARNS, HOLDS):
        mine = {**own, "staff_number": "009999", "from_day": "", "unit": "", **row}
        assert (
            told(imported(cast, mine))[0][2]
            == "Nobody does this about themselves: let somebody else import or enter it."
        )


@pytest.mark.parametrize("who", ["owner", "supervisor", "assessor", "auditor"])
def test_others_import_no_staff(cast: Cast, who: str) -> None:
    with pytest.raises(NotPermitted):
        rehearsed(cast.users()[who], {})


# --- the act ---


def test_one_act_signed_with_a_salted_digest_of_each_row_that_went_in(cast: Cast) -> None:
    imported(cast, {}, {"staff_number": "004601", "name": "Bo Two"}, {"staff_number": "", "name": "Nobody"})
    act = Act.objects.get(kind="staff.imported")
    assert len(act.facts["rows"]) == 2
    assert act.facts["signature"]["meaning"] == MEANING
    # Nobody can be found in the chain by trying names: the salt stands with the personal text and goes with it.
    assert Payload.objects.get(act=act).body.startswith('{"salt":"')
    assert "Okafor" not in act.content


def test_a_rehearsal_leaves_nothing_behind(cast: Cast) -> None:
    acts = Act.objects.count()
    rehearsed(cast.administrator, {"unit": "Lagoon Hospital / Ward 1", "email": "a@wrenfield.example"}, HOLDS, LEARNS)
    assert Act.objects.count() == acts
    assert not Clinician.objects.filter(staff_number="004600").exists()
    assert not User.objects.filter(email="a@wrenfield.example").exists()
    assert tree().find("Lagoon Hospital") is None


def test_what_would_become_something_else_by_now_is_not_signed(cast: Cast) -> None:
    found = rehearsed(cast.administrator, {"email": "a@wrenfield.example"})
    User.objects.create(email="a@wrenfield.example", name="Other Person")
    signer = confirm(user=cast.administrator, secret=SECRET, meaning=MEANING, digests=[found.digest])
    with pytest.raises(NotConfirmed):
        carry_out(signer=signer, plan=found)
    assert not Clinician.objects.filter(staff_number="004600").exists()
