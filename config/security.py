"""What every request passes and every answer carries: who is believed, how long a session lasts, which headers hold."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from ipaddress import ip_address

from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest, HttpResponse

GetResponse = Callable[[HttpRequest], HttpResponse]
STARTED, SEEN = "started_at", "seen_at"
# A session's last request is noted to the minute, so that most pages write nothing.
SEEN_STEP = 60


class TrustedProxy:
    """Takes address, scheme and id of a request from a proxy named in the settings, and from nobody else."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        meta = request.META
        forwarded = meta.pop("HTTP_X_FORWARDED_FOR", "")
        scheme = meta.pop("HTTP_X_FORWARDED_PROTO", "")
        peer = meta.get("REMOTE_ADDR", "")
        if is_trusted(peer):
            meta["REMOTE_ADDR"] = client_behind(peer, forwarded)
            if scheme == "https":
                meta["wsgi.url_scheme"] = "https"
        else:
            meta.pop("HTTP_X_REQUEST_ID", None)
        return self.get_response(request)


def is_trusted(address: str) -> bool:
    """Whether this address is one of the settings' trusted proxies."""
    try:
        parsed = ip_address(address)
    except ValueError:
        return False
    return any(parsed in network for network in settings.SITED_TRUSTED_PROXIES)


def client_behind(peer: str, forwarded: str) -> str:
    """The nearest address that no trusted proxy has; `forwarded` is X-Forwarded-For, which anybody may begin."""
    client = peer
    for hop in reversed([part.strip() for part in forwarded.split(",") if part.strip()]):
        try:
            client = str(ip_address(hop))
        except ValueError:
            break
        if not is_trusted(client):
            break
    return client


class Headers:
    """Headers for which Django has no setting. No browser or proxy keeps a page unless its view says so."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Cache-Control", "no-store")
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        response.headers.setdefault("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
        return response


class SessionLimits:
    """Ends a session after its idle and its absolute limit; an answer that signs out clears what the browser kept.

    A request that is signed in has `request.session_ends_at`, the moment at which it will be over without another one.
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        now = int(time.time())
        was_signed_in = SESSION_KEY in request.session
        if was_signed_in and now >= ends_at(request.session, now):
            request.session.flush()
            was_signed_in = False
        if was_signed_in:
            _note(request.session, now)
            request.session_ends_at = datetime.fromtimestamp(ends_at(request.session, now), UTC)  # type: ignore[attr-defined]
        response = self.get_response(request)
        if SESSION_KEY in request.session:
            _note(request.session, now)
        elif was_signed_in:
            response["Clear-Site-Data"] = '"cache", "cookies", "storage"'
        return response


def ends_at(session: SessionBase, now: int) -> int:
    """The second at which a session is over if nothing comes; one that has just begun counts from now."""
    idle = session.get(SEEN, now) + settings.SITED_IDLE_SECONDS
    absolute = session.get(STARTED, now) + settings.SITED_SESSION_SECONDS
    return int(min(idle, absolute))


def _note(session: SessionBase, now: int) -> None:
    if STARTED not in session:
        session[STARTED] = session[SEEN] = now
    elif now - session[SEEN] >= SEEN_STEP:
        session[SEEN] = now
