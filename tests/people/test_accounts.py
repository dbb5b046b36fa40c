import hashlib
from datetime import date, timedelta

import pytest
from django.contrib.auth.hashers import make_password
from django.core.management import CommandError, call_command

from ledger import clock
from ledger.acts import head, history
from people import accounts
from people.access import NotPermitted, access_of
from people.accounts import InvitationVoid, accept, invite
from people.models import Invitation, User
from people.problems import Problems
from tests.factories import (
    SECRET,
    AppointmentFactory,
    ClinicianFactory,
    PlacementFactory,
    UserFactory,
    make_appointed,
    make_cast,
    make_clinician,
)

pytestmark = pytest.mark.django_db
NEW = "tern egg on warm shingle"


@pytest.fixture
def cast():
    return make_cast()


@pytest.fixture
def newcomer(cast):
    return accounts.open_account(actor=cast.administrator, email="Bea.Fenn@wrenfield.example", name="Bea Fenn")


def test_an_account_opens_without_a_secret_and_with_its_person(cast):
    clinician = make_clinician(cast.wards.ward, account=False)
    user = accounts.open_account(
        actor=cast.administrator, email=" bea@wrenfield.example", name="Bea", registration="R1", clinician=clinician
    )
    assert not user.has_usable_password()
    assert not user.own_secret
    clinician.refresh_from_db()
    assert clinician.user == user
    act = history(user.uuid).get()
    assert act.facts["clinician"] == str(clinician.uuid)
    assert "bea@" not in act.content


@pytest.mark.std("A-06")
@pytest.mark.parametrize("active", [True, False])
def test_an_email_is_never_given_to_a_second_person(cast, active):
    UserFactory(email="bea@wrenfield.example", is_active=active)
    acts = head()
    with pytest.raises(Problems) as refused:
        accounts.open_account(actor=cast.administrator, email="BEA@wrenfield.example", name="Another Bea")
    assert [each.field for each in refused.value.items] == ["email"]
    assert head() == acts


@pytest.mark.parametrize(
    ("given", "field"),
    [({"email": "bea"}, "email"), ({"email": "bea@wrenfield.example", "name": " "}, "name")],
)
def test_a_mistake_stands_beside_its_field(cast, given, field):
    with pytest.raises(Problems) as refused:
        accounts.open_account(actor=cast.administrator, **{"name": "Bea", **given})
    assert [each.field for each in refused.value.items] == [field]


def test_one_person_has_one_account(cast):
    with pytest.raises(Problems, match="has an account"):
        accounts.open_account(
            actor=cast.administrator, email="two@wrenfield.example", name="Ana Two", clinician=cast.owner
        )


def test_an_invitation_sets_the_owners_secret_once(cast, newcomer):
    token = invite(actor=cast.administrator, user=newcomer)
    user = accept(token=token, secret=NEW)
    assert user.check_password(NEW)
    assert user.own_secret
    assert [(act.kind, act.actor) for act in history(user.uuid)][1:] == [
        ("account.invited", cast.administrator),
        ("account.accepted", user),
    ]
    with pytest.raises(InvitationVoid):
        accept(token=token, secret=NEW)


def test_a_token_is_long_and_stored_nowhere(cast, newcomer):
    token = invite(actor=cast.administrator, user=newcomer)
    assert len(token) >= 43  # 32 random bytes
    assert Invitation.objects.get().token_digest == hashlib.sha256(token.encode()).hexdigest()
    for act in history(newcomer.uuid):
        assert token not in act.content
    assert invite(actor=cast.administrator, user=newcomer) != token


def test_a_later_invitation_voids_the_earlier(cast, newcomer):
    first, second = (invite(actor=cast.administrator, user=newcomer) for _ in range(2))
    with pytest.raises(InvitationVoid):
        accept(token=first, secret=NEW)
    accept(token=second, secret=NEW)


@pytest.mark.parametrize(("days", "is_open"), [(14 - 1 / 86400, True), (14, False)])
def test_an_invitation_holds_for_fourteen_days(cast, newcomer, days, is_open):
    now = clock.now()
    with clock.at(now):
        token = invite(actor=cast.administrator, user=newcomer)
    with clock.at(now + timedelta(days=days)):
        if is_open:
            assert accounts.invited(token) == newcomer
        else:
            with pytest.raises(InvitationVoid):
                accounts.invited(token)


@pytest.mark.std("B-08")
@pytest.mark.parametrize("secret", ["short", "password1234", "cannulacannula", "bea.fenn@wrenfield"])
def test_a_weak_secret_is_refused_and_the_invitation_stays(cast, newcomer, secret):
    token = invite(actor=cast.administrator, user=newcomer)
    with pytest.raises(Problems) as refused:
        accept(token=token, secret=secret)
    assert {each.field for each in refused.value.items} == {"secret"}
    accept(token=token, secret=NEW)


@pytest.mark.std("B-08")
def test_long_secrets_count_to_their_last_character(cast, newcomer):
    long = "sand " * 20
    user = accept(token=invite(actor=cast.administrator, user=newcomer), secret=long + "a")
    assert user.check_password(long + "a")
    assert not user.check_password(long + "b")


@pytest.mark.std("A-07")
def test_a_second_invitation_leaves_the_owners_secret_alone_until_it_is_accepted_and_is_never_printed(cast):
    owner = cast.owner.user
    assert accounts.must_be_mailed(owner)
    invite(actor=cast.administrator, user=owner)
    assert User.objects.get(pk=owner.pk).check_password(SECRET)
    with pytest.raises(CommandError, match="nobody but their mailbox"):
        call_command("invite", owner.email, "--print")


def test_the_command_prints_a_link_that_works(newcomer, capsys):
    call_command("invite", "BEA.FENN@wrenfield.example", "--print", "--at", "https://sited.example/")
    link = capsys.readouterr().out.strip()
    assert link.startswith("https://sited.example/invitation/")
    assert accounts.invited(link.split("/")[-2]) == newcomer
    assert history(newcomer.uuid).last().actor is None


def test_the_command_mails_where_it_does_not_print(newcomer, mailoutbox):
    call_command("invite", newcomer.email)
    assert mailoutbox[0].to == [newcomer.email]
    assert "/invitation/" in mailoutbox[0].body


def test_the_command_names_what_is_wrong():
    with pytest.raises(CommandError, match="No account has this e-mail") as refused:
        call_command("invite", "nobody@wrenfield.example")
    assert refused.value.returncode == 1


def test_an_ended_account_lets_nobody_in_and_comes_back_for_the_same_person(cast):
    owner = cast.owner.user
    accounts.end_account(actor=cast.administrator, user=owner)
    assert not User.objects.get(pk=owner.pk).is_active
    with pytest.raises(Problems, match="has ended already"):
        accounts.end_account(actor=cast.administrator, user=owner)
    accounts.restore_account(actor=cast.administrator, user=owner)
    assert [act.kind for act in history(owner.uuid)] == ["account.ended", "account.restored"]


def test_nobody_ends_their_own_account(cast):
    with pytest.raises(NotPermitted):
        accounts.end_account(actor=cast.administrator, user=cast.administrator)


def test_a_changed_secret_needs_the_old_one_and_must_differ(cast):
    owner = cast.owner.user
    for old, new, field in (("wrong", NEW, "old"), (SECRET, SECRET, "new"), (SECRET, "short", "new")):
        with pytest.raises(Problems) as refused:
            accounts.change_secret(user=owner, old=old, new=new)
        assert {each.field for each in refused.value.items} == {field}
    assert accounts.change_secret(user=owner, old=SECRET, new=NEW).check_password(NEW)


# --- whose accounts an administrator reaches ---


@pytest.fixture
def local(cast):
    return make_appointed("administrator", cast.wards.hospital)


def test_an_administrator_reaches_accounts_all_of_whose_units_are_theirs(cast, local):
    both = make_clinician(cast.wards.ward).user
    AppointmentFactory(user=both, role="supervisor", unit=cast.wards.other_ward)
    unplaced = UserFactory()
    reached = set(accounts.administered(access_of(local)))
    assert {cast.owner.user, cast.educator, local, unplaced} <= reached
    assert not {cast.outsider.user, cast.administrator, both} & reached
    assert both in accounts.administered(access_of(cast.administrator))


def test_who_left_belongs_to_the_units_where_they_are_now_else_where_they_were(cast, local):
    moved = ClinicianFactory(user=UserFactory())
    PlacementFactory(clinician=moved, unit=cast.wards.ward, until_day=date(2024, 1, 1))
    PlacementFactory(clinician=moved, unit=cast.wards.other_ward, from_day=date(2024, 1, 1))
    left = ClinicianFactory(user=UserFactory())
    PlacementFactory(clinician=left, unit=cast.wards.other_ward, until_day=date(2024, 1, 1))
    access = access_of(local)
    assert not accounts.may_administer(access, moved.user)
    assert not accounts.may_administer(access, left.user)
    with pytest.raises(NotPermitted):
        invite(actor=local, user=left.user)


@pytest.mark.parametrize("who", ["educator", "manager", "owner", "outsider"])
def test_others_open_invite_and_end_no_account(cast, newcomer, who):
    actor = cast.users()[who]
    with pytest.raises(NotPermitted):
        accounts.open_account(actor=actor, email="x@wrenfield.example", name="X")
    with pytest.raises(NotPermitted):
        invite(actor=actor, user=newcomer)
    with pytest.raises(NotPermitted):
        accounts.end_account(actor=actor, user=newcomer)
    with pytest.raises(NotPermitted):
        accounts.change_account(actor=actor, user=newcomer, name="X", profession="other", registration="")


@pytest.mark.std("A-07")
def test_a_secret_set_by_hand_in_the_database_is_not_the_owners_own(newcomer):
    User.objects.filter(pk=newcomer.pk).update(password=make_password(SECRET))
    assert not User.objects.get(pk=newcomer.pk).own_secret
