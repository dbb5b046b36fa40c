import io

import pytest
from django.core.management import CommandError

from people.models import User
from people.signing import digest_of
from people.terminal import signer
from tests.factories import SECRET, UserFactory

pytestmark = pytest.mark.django_db
ONE = digest_of({"list": 1})


def ask(monkeypatch, typed, email="ANA@wrenfield.example"):
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    return signer(email=email, meaning="Imported", digests=[ONE])


@pytest.fixture
def ana():
    return UserFactory(email="ana@wrenfield.example")


@pytest.mark.parametrize("typed", [f"{SECRET}\n", f"{SECRET}\r\n", f"{SECRET}\nmore\n", SECRET])
def test_the_first_line_of_standard_input_signs(ana, monkeypatch, typed):
    confirmed = ask(monkeypatch, typed)
    assert (confirmed.user, confirmed.digests) == (ana, (ONE,))


@pytest.mark.std("A-24")
def test_a_wrong_secret_ends_the_command_and_is_counted(ana, monkeypatch):
    with pytest.raises(CommandError, match="not your password") as refused:
        ask(monkeypatch, "wrong\n")
    assert refused.value.returncode == 1
    assert User.objects.get(pk=ana.pk).failed_secrets == 1


def test_a_stranger_or_an_ended_account_is_told_so(ana, monkeypatch):
    UserFactory(email="gone@wrenfield.example", is_active=False)
    for email in ("nobody@wrenfield.example", "gone@wrenfield.example"):
        with pytest.raises(CommandError, match="No account in use"):
            ask(monkeypatch, f"{SECRET}\n", email)
