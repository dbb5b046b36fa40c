"""Passwords: long enough, not common, not the words of this workplace; nothing else is asked."""

import pytest
from django.conf import settings as live_settings
from django.contrib.auth.password_validation import get_password_validators, validate_password
from django.core.exceptions import ValidationError
from django.test import override_settings

from people.models import User
from tests.config.conftest import Given


@pytest.mark.std("B-08")
@pytest.mark.parametrize(
    ("password", "code"),
    [
        ("elevenchars", "password_too_short"),
        ("qwertyuiop123", "password_too_common"),
        ("Cannula-Ward7!", "password_context_words"),
        ("WrenfieldNurse2026", "password_context_words"),
        ("o.marsden@example.org", "password_too_similar"),
    ],
)
def test_an_easy_password_is_refused(password: str, code: str) -> None:
    local = {"NAME": "config.passwords.ContextWords", "OPTIONS": {"words": ["Wrenfield"]}}
    validators = get_password_validators([*live_settings.AUTH_PASSWORD_VALIDATORS[:-1], local])
    with pytest.raises(ValidationError) as refused:
        validate_password(password, User(email="o.marsden@example.org", name="O. Marsden"), validators)
    assert code in [error.code for error in refused.value.error_list]


@pytest.mark.std("B-08")
@pytest.mark.parametrize(
    "password", ["482915730164", "lower case words only", "a cannula goes in quietly", "7" * 3 + "long" * 30]
)
def test_no_composition_is_asked_for_and_long_ones_are_taken(password: str) -> None:
    validate_password(password, User(email="o.marsden@example.org", name="O. Marsden"))


@pytest.mark.std("B-08")
def test_passwords_are_kept_by_argon2_and_count_to_their_last_character(
    given: Given, production: dict[str, str]
) -> None:
    loaded = given(**production)
    assert loaded["PASSWORD_HASHERS"][0] == "django.contrib.auth.hashers.Argon2PasswordHasher"
    assert "MD5" not in str(loaded["PASSWORD_HASHERS"])
    user = User()
    with override_settings(PASSWORD_HASHERS=loaded["PASSWORD_HASHERS"]):
        user.set_password("x" * 100 + "a")
        assert user.password.startswith("argon2$argon2id$")
        assert user.check_password("x" * 100 + "a")
        assert not user.check_password("x" * 100 + "b")
