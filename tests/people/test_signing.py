"""Signatures. The demands are those of 21 CFR 11.50 to 11.300 (Electronic records; electronic signatures)."""

import logging
import re
from datetime import timedelta

import pytest
from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.contrib.sessions.backends.db import SessionStore
from django.core import mail
from django.db import transaction
from django.test import RequestFactory

from ledger import clock
from ledger.acts import head, history, instant, recording
from people import accounts, signing
from people.models import Shown, User
from people.signing import (
    IDENTIFIED,
    Locked,
    NotConfirmed,
    SecretNotOwn,
    WrongSecret,
    confirm,
    digest_of,
    needs_email,
    opened,
    seal,
)
from tests.factories import SECRET, UserFactory, make_cast, make_wards

pytestmark = pytest.mark.django_db
ONE, TWO = digest_of({"entry": 1}), digest_of({"entry": 2})


@pytest.fixture
def signer():
    return UserFactory(name="Su Pervisor", registration="NMW0001")


def a_request(user, **session):
    request = RequestFactory().post("/")
    request.user, request.session = user, SessionStore()
    request.session.update(session)
    return request


def confirmed(signer, *digests, **more):
    return confirm(user=signer, secret=SECRET, meaning="Countersigned", digests=digests or [ONE], **more)


def sign(confirmed, digest=ONE, actor=None, role="Supervisor, Ward 4 Tern"):
    with recording(actor=actor or confirmed.user, kind="test.signed", subject=confirmed.user.uuid) as rec:
        confirmed.use(digest, rec, role=role)


def signatures(user):
    return [act.facts["signature"] for act in history(user.uuid)]


@pytest.mark.std("A-01")
def test_a_signature_keeps_printed_name_role_registration_meaning_moment_and_digest(signer):
    sign(confirmed(signer))
    act = history(signer.uuid).get()
    assert act.facts["signature"] == {
        "printed_name": "Su Pervisor",
        "role": "Supervisor, Ward 4 Tern",
        "registration": "NMW0001",
        "meaning": "Countersigned",
        "signed_at": instant(act.recorded_at),
        "digest": ONE,
        "organisation": "",  # no unit was opened yet
        "application": f"Sited {settings.SITED_VERSION}",
    }
    assert act.facts["signature"]["signed_at"].endswith("Z")


@pytest.mark.std("A-14")
def test_a_signature_names_organisation_account_application_kind_moment_and_record(signer):
    """EHR-S FM RI.1.1.4.1#01-#09, without a patient: the subject is the clinician."""
    make_wards()
    sign(confirmed(signer))
    act = history(signer.uuid).get()
    signature = act.facts["signature"]
    assert signature["organisation"] == "Wrenfield Coast Health"
    assert re.fullmatch(r"Sited \d+\.\d+\.\d+", signature["application"])
    assert (act.actor, act.kind, act.subject) == (signer, "test.signed", signer.uuid)
    assert signature["signed_at"] == instant(act.recorded_at)
    assert signature["digest"] == ONE


@pytest.mark.std("A-01")
@pytest.mark.parametrize("meaning", ["", "  "])
def test_a_signature_without_a_meaning_is_refused(signer, meaning):
    with pytest.raises(ValueError, match="meaning"):
        confirm(user=signer, secret=SECRET, meaning=meaning, digests=[ONE])
    assert not Shown.objects.exists()


@pytest.mark.std("A-02")
def test_a_later_change_of_name_role_or_registration_does_not_reach_what_was_signed(signer):
    cast = make_cast()
    sign(confirmed(signer))
    accounts.change_account(
        actor=cast.administrator, user=signer, name="Su Newname", profession="doctor", registration="NEW1"
    )
    sign(confirmed(signer, TWO), TWO, role="Educator, Ward 4 Tern")
    old, new = [each for each in history(signer.uuid) if each.kind == "test.signed"]
    assert (old.facts["signature"]["printed_name"], old.facts["signature"]["registration"]) == (
        "Su Pervisor", "NMW0001",
    )  # fmt: skip
    assert (new.facts["signature"]["printed_name"], new.facts["signature"]["registration"]) == ("Su Newname", "NEW1")


@pytest.mark.std("A-04")
@pytest.mark.parametrize("secret", ["", "wrong", SECRET.upper()])
def test_a_wrong_or_missing_secret_signs_nothing(signer, secret):
    acts = head()
    with pytest.raises(WrongSecret):
        confirm(user=signer, secret=secret, meaning="Countersigned", digests=[ONE], request=a_request(signer))
    assert (head(), Shown.objects.count()) == (acts, 0)


@pytest.mark.std("A-04")
def test_the_first_signature_of_a_session_that_began_otherwise_needs_the_email_too(signer):
    request = a_request(signer)
    assert needs_email(request)
    for email in (None, "somebody@else.example"):
        with pytest.raises(WrongSecret):
            confirmed(signer, request=request, email=email)
    confirmed(signer, request=request, email=signer.email.upper())
    assert not needs_email(request)
    confirmed(signer, TWO, request=request)


@pytest.mark.std("A-04")
def test_a_session_that_began_with_email_and_secret_needs_the_secret_each_time(signer, client):
    client.post("/sign-in/?next=/account/", {"username": signer.email, "password": SECRET})
    assert client.session[IDENTIFIED] is True
    client.post("/sign-out/")
    assert IDENTIFIED not in client.session


@pytest.mark.std("A-04a")
def test_no_recent_signature_stands_in_for_the_secret(signer):
    request = a_request(signer, **{IDENTIFIED: True})
    now = clock.now()
    confirmed(signer, request=request)
    with clock.at(now + timedelta(seconds=10)), pytest.raises(WrongSecret):
        confirm(user=signer, secret="", meaning="Countersigned", digests=[TWO], request=request)


@pytest.mark.std("A-05")
def test_several_entries_under_one_secret_are_as_many_signatures(signer):
    one_secret = confirmed(signer, ONE, TWO)
    sign(one_secret, ONE)
    sign(one_secret, TWO)
    assert [each["digest"] for each in signatures(signer)] == [ONE, TWO]


@pytest.mark.std("A-05")
def test_what_was_not_shown_cannot_be_signed(signer):
    acts = head()
    with pytest.raises(NotConfirmed, match="not shown"):
        sign(confirmed(signer, ONE), TWO)
    assert head() == acts


@pytest.mark.std("A-05")
def test_only_what_was_opened_by_this_user_comes_back_from_its_seal(signer):
    assert opened(signer, [seal(signer, TWO), seal(signer, ONE), seal(signer, TWO)]) == [TWO, ONE]
    other = UserFactory()
    for seals in ([ONE], ["x:y:z"], [seal(other, ONE)], [seal(signer, ONE)[:-1] + "!"]):
        with pytest.raises(NotConfirmed):
            opened(signer, seals)


def test_a_seal_lasts_no_longer_than_a_working_day(signer, monkeypatch):
    old = seal(signer, ONE)
    monkeypatch.setattr("people.signing.OPENED_FOR", timedelta(seconds=-1))
    with pytest.raises(NotConfirmed):
        opened(signer, [old])


def test_a_digest_is_signed_once(signer):
    once = confirmed(signer)
    sign(once)
    with pytest.raises(NotConfirmed, match="already"):
        sign(once)
    assert len(signatures(signer)) == 1


def test_a_confirmation_is_usable_for_two_minutes(signer):
    now = clock.now()
    with clock.at(now):
        ready = confirmed(signer, ONE, TWO)
    with clock.at(now + timedelta(minutes=2)):
        sign(ready, ONE)
    with clock.at(now + timedelta(minutes=2, seconds=1)), pytest.raises(NotConfirmed, match="too long ago"):
        sign(ready, TWO)


@pytest.mark.std("A-07")
def test_nobody_signs_an_act_of_another(signer):
    with pytest.raises(ValueError, match="signature by account"):
        sign(confirmed(signer), actor=UserFactory())
    with pytest.raises(ValueError, match="would sign"):
        confirmed(signer, request=a_request(UserFactory(), **{IDENTIFIED: True}))


@pytest.mark.std("A-07")
def test_a_secret_that_somebody_else_set_signs_nothing_until_it_is_replaced(signer):
    User.objects.filter(pk=signer.pk).update(own_secret=False)
    with pytest.raises(SecretNotOwn):
        confirmed(signer)
    assert not Shown.objects.exists()
    changed = accounts.change_secret(user=signer, old=SECRET, new="another long one of mine")
    assert confirm(user=changed, secret="another long one of mine", meaning="Countersigned", digests=[ONE])


@pytest.mark.std("A-24")
def test_the_fifth_wrong_secret_closes_signing_and_tells_owner_and_administrators(signer, caplog):
    cast = make_cast()
    caplog.set_level(logging.INFO, "sited")
    for left in (4, 3, 2, 1):
        with pytest.raises(WrongSecret) as wrong:
            confirm(user=signer, secret="wrong", meaning="Countersigned", digests=[ONE])
        assert wrong.value.tries_left == left
    with pytest.raises(Locked):
        confirm(user=signer, secret="wrong", meaning="Countersigned", digests=[ONE])
    with pytest.raises(Locked):
        confirmed(signer)  # the right secret, too late
    assert sorted(each.to[0] for each in mail.outbox) == sorted([signer.email, cast.administrator.email])
    assert "Nothing was signed" in mail.outbox[0].body
    assert [each.getMessage() for each in caplog.records].count("signature refused, wrong secret") == 5
    assert "signing locked" in caplog.text
    assert not Shown.objects.exists()


@pytest.mark.std("A-24")
def test_signing_opens_again_after_fifteen_minutes_and_a_right_secret_starts_the_count_anew(signer):
    now = clock.now()
    with clock.at(now):
        for _ in range(5):
            with pytest.raises((WrongSecret, Locked)):
                confirm(user=signer, secret="wrong", meaning="Countersigned", digests=[ONE])
    with clock.at(now + timedelta(minutes=14, seconds=59)), pytest.raises(Locked):
        confirmed(signer)
    with clock.at(now + timedelta(minutes=15)):
        assert confirmed(signer)
        with pytest.raises(WrongSecret) as wrong:
            confirm(user=signer, secret="wrong", meaning="Countersigned", digests=[ONE])
    assert wrong.value.tries_left == 4


def test_an_ended_account_signs_nothing(signer):
    User.objects.filter(pk=signer.pk).update(is_active=False)
    with pytest.raises(WrongSecret):
        confirmed(signer)


def test_a_secret_is_never_checked_inside_a_transaction_where_its_failure_would_be_lost(signer):
    with pytest.raises(RuntimeError, match="before the transaction"), transaction.atomic():
        confirmed(signer)


@pytest.mark.parametrize("digests", [[], [ONE, ONE]])
def test_nothing_or_the_same_twice_is_the_callers_mistake(signer, digests):
    with pytest.raises(ValueError, match="digest"):
        confirm(user=signer, secret=SECRET, meaning="Countersigned", digests=digests)


def test_the_digest_of_a_payload_does_not_depend_on_the_order_of_its_keys():
    assert digest_of({"a": 1, "b": "x"}) == digest_of({"b": "x", "a": 1})
    assert digest_of({"a": 1}) != digest_of({"a": "1"})


def test_a_stranger_has_no_seal(signer):
    assert AnonymousUser().pk is None
    with pytest.raises(NotConfirmed):
        opened(signer, [signing.seal(AnonymousUser(), ONE)])


@pytest.mark.django_db(transaction=True)
def test_of_two_writes_with_one_confirmation_one_wins():
    signer = UserFactory()
    ready = confirmed(signer)
    copy = signing.Confirmed(**{name: getattr(ready, name) for name in ready.__dataclass_fields__})
    sign(ready)
    acts = head()
    with pytest.raises(NotConfirmed):
        sign(copy)
    assert head() == acts
