"""Signing in: the same answer to every failure, and a limit on failures that holds across processes.

A try is counted before it is judged, so that tries side by side cannot pass the limit together; a good one takes its
own count back and clears the account's. What was typed as an e-mail is kept as a digest: it may be a password.
"""

import hashlib
import logging
from datetime import timedelta
from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.hashers import make_password
from django.http import HttpRequest

from people import clock
from people.models import FailedSignIn, User

log = logging.getLogger("sited")

WITHIN = timedelta(minutes=15)
FOR_ACCOUNT = 5
FOR_ADDRESS = 50  # a hospital is often behind one address


class ThrottledBackend(ModelBackend):
    """E-mail and secret, for active accounts, within the limits."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **kwargs: Any
    ) -> User | None:
        if not username or password is None:
            return None
        account, address = _account_key(username), _address_key(request)
        counted = [FailedSignIn.objects.create(key=key, at=clock.now()) for key in (account, address) if key]
        if _is_over(account, FOR_ACCOUNT) or (address and _is_over(address, FOR_ADDRESS)):
            log.warning("sign-in closed", extra={"facts": {"from": address}})
            make_password(password)  # so that it takes as long as any other failure
            return None
        user = super().authenticate(request, username=username, password=password, **kwargs)
        if not isinstance(user, User):
            forget_old()
            return None
        FailedSignIn.objects.filter(pk__in=[row.pk for row in counted]).delete()
        FailedSignIn.objects.filter(key=account).delete()
        return user


def is_too_often(request: HttpRequest, about: str, *, most: int) -> bool:
    """Count one try of this kind from this address, and say whether it is one too many within the limit's time."""
    address = _address_key(request)
    key = f"{about}:{hashlib.sha256(address.encode()).hexdigest()}"
    FailedSignIn.objects.create(key=key, at=clock.now())
    forget_old()
    return _is_over(key, most)


def forget_old() -> None:
    """Take away the counts that no limit asks for any more."""
    FailedSignIn.objects.filter(at__lte=clock.now() - WITHIN).delete()


def _is_over(key: str, limit: int) -> bool:
    return FailedSignIn.objects.filter(key=key, at__gt=clock.now() - WITHIN).count() > limit


def _account_key(typed: str) -> str:
    return "account:" + hashlib.sha256(typed.strip().casefold().encode()).hexdigest()


def _address_key(request: HttpRequest | None) -> str:
    return f"from:{request.META.get('REMOTE_ADDR', '')}" if request is not None else ""
