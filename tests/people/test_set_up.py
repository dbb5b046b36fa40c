"""The screens of set-up: a good path, a bad one, and as many queries for many rows as for one."""

import csv
import io
from datetime import date

import pytest
from django.urls import reverse

from ledger.acts import head, history
from ledger.models import Act
from people import accounts, settings
from people.access import access_of
from people.models import Absence, Appointment, Clinician, Placement, Setting, User
from people.tree import tree
from tests.factories import AbsenceFactory, AppointmentFactory, PlacementFactory, make_cast, make_clinician, make_wards

pytestmark = pytest.mark.django_db


@pytest.fixture
def cast():
    return make_cast()


@pytest.fixture
def asks(client, cast):
    """asks(who): the client, signed in as that member of the cast."""

    def as_(who):
        client.force_login(cast.users()[who])
        return client

    return as_


def errors_of(answer):
    return {field: list(texts) for field, texts in answer.context["form"].errors.items()}


# --- units ---


def test_an_administrator_opens_renames_and_moves_a_unit(asks, cast):
    client = asks("administrator")
    given = {"parent": cast.wards.hospital.pk, "level": "ward", "name": "Ward 6 Snipe", "zone": ""}
    assert client.post(reverse("unit_open"), given).headers["Location"] == reverse("units")
    unit = tree().find("Saltmarsh Hospital / Ward 6 Snipe")
    page = client.get(reverse("units")).content.decode()
    assert "Ward 6 Snipe is open." in page
    assert reverse("unit_change", args=[unit]) in page
    given = {"parent": cast.wards.other_hospital.pk, "name": "Ward 6 Dunlin", "zone": "Australia/Darwin"}
    client.post(reverse("unit_change", args=[unit]), given)
    assert tree().path(unit) == "Heron Point Hospital / Ward 6 Dunlin"
    assert tree().zone(unit) == "Australia/Darwin"


def test_a_unit_that_may_not_stand_there_is_refused_beside_its_field_and_keeps_what_was_typed(asks, cast):
    given = {"parent": cast.wards.hospital.pk, "level": "ward", "name": "DAY ward", "zone": ""}
    answer = asks("administrator").post(reverse("unit_open"), given)
    assert errors_of(answer)["name"] == ["There is a unit of this name already: Saltmarsh Hospital / Day Ward."]
    assert 'value="DAY ward"' in answer.content.decode()


def test_the_first_day_says_what_is_missing(client):
    wards = make_wards()
    boss = make_clinician(wards.ward).user
    AppointmentFactory(user=boss, role="administrator", unit=wards.group)
    client.force_login(boss)
    steps = {step.text: step.is_done for step in client.get(reverse("set_up")).context["steps"]}
    assert steps == {
        "At least one hospital": True,
        "Wards to place people on": True,
        "Staff with placements": True,
        "An educator is appointed": False,
        "A supervisor is appointed": False,
        "A manager is appointed": False,
        "Everybody has entered their account": True,
    }


# --- settings ---


def test_an_educator_sets_a_units_setting_from_a_day_and_sees_it_in_the_history(asks, cast):
    client = asks("educator")
    url = reverse("unit_setting", args=[cast.wards.ward.pk, "logging_basis"])
    answer = client.post(url, {"value": "fortnight", "from_day": "1 January 2026"})
    assert answer.headers["Location"] == reverse("unit_settings", args=[cast.wards.ward.pk])
    page = client.get(reverse("unit_settings", args=[cast.wards.ward.pk]))
    line = next(row for row in page.context["rows"] if row.name == "logging_basis")
    assert (line.words, line.from_unit, line.from_day) == (
        "A logging fortnight each quarter", "", date(2026, 1, 1),
    )  # fmt: skip
    assert page.context["history"][0]["words"] == "A logging fortnight each quarter"
    assert "Set by Ed Ucator" in page.content.decode()


def test_a_setting_says_from_which_unit_it_comes(asks, cast):
    settings.set_setting(
        actor=cast.educator, unit=cast.wards.department, name="small_cell", value="7", from_day=date(2026, 1, 1)
    )
    page = asks("educator").get(reverse("unit_settings", args=[cast.wards.ward.pk])).content.decode()
    assert "7 people" in page
    assert "Saltmarsh Hospital / Medicine, from" in page


@pytest.mark.parametrize(
    ("name", "given", "field"),
    [
        ("small_cell", {"value": "none", "from_day": "today"}, "value"),
        ("small_cell", {"value": "7", "from_day": "soon"}, "from_day"),
        ("start_day", {"value": "1/2/2026", "from_day": "today"}, "about"),
        ("ceiling_bank", {"value": "alone", "from_day": "today"}, "value"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_beside_its_field(asks, cast, name, given, field):
    answer = asks("educator").post(reverse("unit_setting", args=[cast.wards.ward.pk, name]), given)
    assert list(errors_of(answer)) == [field]
    assert not Setting.objects.exists()


def test_a_start_day_is_set_for_the_procedures_that_an_app_above_offers(asks, cast, monkeypatch):
    monkeypatch.setattr(settings, "_about_choices", [lambda: [("adult", "Adult, landmark")]])
    url = reverse("unit_setting", args=[cast.wards.ward.pk, "start_day"])
    client = asks("educator")
    assert "Adult, landmark" in client.get(url).content.decode()
    client.post(url, {"about": "adult", "value": "1/2/2026", "from_day": "1/2/2026"})
    assert Setting.objects.get().value == '"2026-02-01"'


def test_a_setting_that_is_none_is_not_found(asks, cast):
    assert asks("educator").get(reverse("unit_setting", args=[cast.wards.ward.pk, "colour"])).status_code == 404


# --- accounts ---


def test_an_account_is_opened_for_a_clinician_invited_appointed_and_ended(asks, cast, mailoutbox):
    client = asks("administrator")
    bea = make_clinician(cast.wards.ward, "Bea Fenn", account=False)
    url = f"{reverse('account_open')}?for={bea.uuid}"
    assert 'value="Bea Fenn"' in client.get(url).content.decode()
    client.post(url, {"name": "Bea Fenn", "email": "bea@wrenfield.example", "profession": "nurse", "registration": ""})
    user = User.objects.get(email="bea@wrenfield.example")
    assert Clinician.objects.get(pk=bea.pk).user == user

    invited = client.post(reverse("account_invite", args=[user.uuid]))
    link = invited.context["url"]
    assert link in invited.content.decode()
    assert link in mailoutbox[0].body
    assert accounts.invited(link.split("/")[-2]) == user

    given = {"role": "supervisor", "unit": cast.wards.ward.pk, "from_day": "1/1/2026", "until_day": "31/3/2026"}
    client.post(reverse("appoint", args=[user.uuid]), given)
    made = Appointment.objects.known().get(user=user)
    assert (made.from_day, made.until_day) == (date(2026, 1, 1), date(2026, 4, 1))
    assert "31 March 2026" in client.get(reverse("account_page", args=[user.uuid])).content.decode()

    url = reverse("appointment_end", args=[made.uuid])
    assert 'value="31 March 2026"' in client.get(url).content.decode()
    client.post(url, {"until_day": "28 February 2026"})
    assert Appointment.objects.known().get(user=user).until_day == date(2026, 3, 1)

    client.post(reverse("account_end", args=[user.uuid]))
    assert not User.objects.get(pk=user.pk).is_active


@pytest.mark.std("A-07")
def test_a_link_to_an_account_that_has_an_owner_is_shown_to_nobody(asks, cast, mailoutbox):
    answer = asks("administrator").post(reverse("account_invite", args=[cast.owner.user.uuid]))
    assert answer.context["url"] == ""
    assert "/invitation/" not in answer.content.decode()
    assert mailoutbox[0].to == [cast.owner.user.email]


def test_an_invitation_that_no_mail_can_carry_says_so(asks, cast, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
    settings.EMAIL_HOST = ""
    page = asks("administrator").post(reverse("account_invite", args=[cast.owner.user.uuid])).content.decode()
    assert "No mail could be sent" in page


def test_an_email_in_use_is_refused_beside_its_field(asks, cast):
    given = {"name": "Twin", "email": cast.owner.user.email.upper(), "profession": "nurse"}
    answer = asks("administrator").post(reverse("account_open"), given)
    assert "never given to another" in errors_of(answer)["email"][0]


def test_a_refused_action_tells_why_on_the_next_page(asks, cast):
    client = asks("administrator")
    url = reverse("account_end", args=[cast.owner.user.uuid])
    client.post(url)
    assert "has ended already" in client.post(url, follow=True).content.decode()


def test_accounts_are_narrowed_by_state(asks, cast):
    accounts.open_account(actor=cast.administrator, email="bea@wrenfield.example", name="Bea Fenn")
    cy = accounts.open_account(actor=cast.administrator, email="cy@wrenfield.example", name="Cy Dunn")
    accounts.invite(actor=cast.administrator, user=cy)
    accounts.end_account(actor=cast.administrator, user=cast.owner.user)
    client = asks("administrator")
    shown = {}
    for state in ("new", "invited", "ended"):
        rows = client.get(reverse("accounts"), {"state": state}).context["listing"].records
        shown[state] = [row.name for row in rows]
    assert shown == {"new": ["Bea Fenn"], "invited": ["Cy Dunn"], "ended": ["Ana Owner"]}


# --- staff ---


def test_a_newcomer_is_taken_in_placed_moved_and_leaves(asks, cast):
    client = asks("manager")
    given = {"name": "Bea Fenn", "staff_number": "004711", "profession": "nurse", "unit": cast.wards.ward.pk,
             "kind": "employed", "from_day": "1/1/2026", "until_day": ""}  # fmt: skip
    answer = client.post(reverse("clinician_open"), given)
    bea = Clinician.objects.get(staff_number="004711")
    assert answer.headers["Location"] == reverse("staff_page", args=[bea.uuid])

    on_next = {"unit": cast.wards.next_ward.pk, "kind": "bank", "from_day": "1/2/2026", "until_day": ""}
    client.post(reverse("place", args=[bea.uuid]), on_next)
    client.post(reverse("move", args=[bea.uuid]), {**on_next, "kind": "employed", "from_day": "1/3/2026"})
    rows = Placement.objects.known().filter(clinician=bea).order_by("from_day", "home")
    assert [(row.kind, row.home, row.until_day) for row in rows] == [
        ("employed", True, date(2026, 3, 1)), ("bank", False, None), ("employed", True, None),
    ]  # fmt: skip

    home = rows.last()
    url = reverse("placement_end", args=[home.uuid])
    assert list(errors_of(client.post(url, {"until_day": "31/3/2026"}))) == ["__all__"]
    client.post(url, {"until_day": "31/3/2026", "new_home": rows[1].pk})
    assert Placement.objects.known().on(date(2026, 4, 1)).get(clinician=bea).home
    page = client.get(reverse("staff_page", args=[bea.uuid])).content.decode()
    assert "31 March 2026" in page


def test_a_placement_where_nobody_is_home_becomes_the_home(asks, cast):
    row = cast.owner.placements.get()
    client = asks("manager")
    client.post(reverse("placement_end", args=[row.uuid]), {"until_day": "31/12/2025"})
    given = {"unit": cast.wards.next_ward.pk, "kind": "agency", "from_day": "1/2/2026", "until_day": "28/2/2026"}
    client.post(reverse("place", args=[cast.owner.uuid]), given)
    back = Placement.objects.known().on(date(2026, 2, 1)).get(clinician=cast.owner)
    assert (back.home, back.until_day) == (True, date(2026, 3, 1))


def test_an_absence_is_noted_and_its_last_day_set(asks, cast):
    client = asks("educator")
    client.post(reverse("absence", args=[cast.owner.uuid]), {"from_day": "1/1/2026", "until_day": ""})
    row = Absence.objects.known().get()
    client.post(reverse("absence_end", args=[row.uuid]), {"until_day": "31/1/2026"})
    assert Absence.objects.known().get().until_day == date(2026, 2, 1)
    answer = client.post(reverse("absence_end", args=[row.uuid]), {"until_day": "1/12/2025"})
    assert list(errors_of(answer)) == ["until_day"]


def test_a_name_is_corrected(asks, cast):
    asks("manager").post(reverse("clinician_change", args=[cast.owner.uuid]), {"name": "Ana W", "profession": "nurse"})
    assert Clinician.objects.get(pk=cast.owner.pk).name == "Ana W"


@pytest.mark.std("B-05")
@pytest.mark.parametrize("who", ["educator", "manager"])
def test_the_lists_hold_nobody_of_the_other_hospital_on_the_page_or_taken_away(asks, cast, who):
    client = asks(who)
    page = client.get(reverse("staff")).content.decode()
    assert "Ana Owner" in page
    assert "Out Sider" not in page
    file = b"".join(client.post(reverse("staff"), {"export": "csv"}).streaming_content).decode("utf-8-sig")
    names = [row["Name"] for row in csv.DictReader(io.StringIO(file))]
    assert sorted(names) == ["Ana Owner", "Col League"]


@pytest.mark.std("A-11")
def test_a_list_that_is_taken_away_is_an_act(asks, cast):
    before = head()
    client = asks("administrator")
    b"".join(client.post(f"{reverse('accounts')}?name=ana", {"export": "xlsx"}).streaming_content)
    act = Act.objects.get(seq__gt=before)
    assert (act.kind, act.actor, act.facts["rows"], act.facts["list"]) == (
        "export.made", cast.administrator, 1, "accounts",
    )  # fmt: skip
    assert "ana" not in act.content
    assert "ana" in act.payload.body


@pytest.mark.parametrize("name", ["accounts", "staff", "units"])
def test_a_list_takes_as_many_queries_for_twenty_rows_as_for_one(asks, cast, name, django_assert_max_num_queries):
    client = asks("administrator")
    url = reverse(name)
    client.get(url)
    with django_assert_max_num_queries(50) as few:
        client.get(url)
    for _ in range(20):
        one = make_clinician(cast.wards.ward)
        PlacementFactory(clinician=one, unit=cast.wards.next_ward, home=False, kind="bank")
        AppointmentFactory(user=one.user, unit=cast.wards.ward)
    with django_assert_max_num_queries(50) as many:
        client.get(url)
    assert len(many) == len(few)


def test_a_persons_pages_take_as_many_queries_for_many_rows_as_for_one(asks, cast, django_assert_max_num_queries):
    client = asks("administrator")
    urls = [reverse("staff_page", args=[cast.owner.uuid]), reverse("account_page", args=[cast.owner.user.uuid])]
    client.get(urls[0])  # the first request notes when the session began
    counts = []
    for _ in range(2):
        for url in urls:
            with django_assert_max_num_queries(50) as taken:
                client.get(url)
            counts.append(len(taken))
        for number in range(20):
            AbsenceFactory(
                clinician=cast.owner, from_day=date(2021, 1, 1 + number), until_day=date(2021, 1, 2 + number)
            )
            AppointmentFactory(user=cast.owner.user, unit=cast.wards.ward)
    assert counts[:2] == counts[2:]


def test_what_a_screen_writes_has_one_act_by_whom_it_was_asked(asks, cast):
    before = head()
    asks("manager").post(
        reverse("place", args=[cast.owner.uuid]),
        {"unit": cast.wards.next_ward.pk, "kind": "bank", "from_day": "today", "until_day": ""},
    )
    act = history(cast.owner.uuid).get()
    assert (act.seq, act.actor, act.kind) == (before + 1, cast.manager, "placement.set")
    assert access_of(cast.owner.user).placements[1].known_from_id == act.seq
