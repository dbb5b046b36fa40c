"""One JSON object a line: when, what, in which request. No secret, no free text, no path that may hold a token.

A line is made of words of ours and of keys; a path, a query, a form and the message of an exception stay out, since any
of them may hold what a person typed. Commands log to standard error, because `--json` owns their output; what serves
logs to standard output.
"""

import json
import logging
import re
import secrets
import sys
import time
import traceback
from collections.abc import Callable
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.http import HttpRequest, HttpResponse

log = logging.getLogger("sited")
_request_id: ContextVar[str] = ContextVar("request_id", default="")
_serving = False
ROOT = Path(__file__).resolve().parent.parent
QUIET = ("healthz", "readyz")


def request_id() -> str:
    """The id of the request in hand, '' outside of one: an error page shows it, the log holds it."""
    return _request_id.get()


def serve_to_stdout() -> None:
    """From now on log to standard output."""
    global _serving
    _serving = True


def configure(config: dict[str, str]) -> None:
    """Django's LOGGING_CONFIG: everything through one handler, from `config['level']` on."""
    logging.captureWarnings(True)
    root = logging.getLogger()
    root.handlers = [each for each in root.handlers if not isinstance(each, _Stream)] + [stream_of_lines()]
    root.setLevel(logging.WARNING)
    log.setLevel(config["level"])
    # A refused request stands in the line of its request.
    logging.getLogger("django.request").setLevel(logging.ERROR)


def stream_of_lines() -> logging.Handler:
    """A handler that writes JSON lines to whatever standard error or output is at that moment."""
    handler = _Stream()
    handler.setFormatter(JsonLines())
    return handler


class _Stream(logging.StreamHandler[TextIO]):
    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stdout if _serving else sys.stderr


class JsonLines(logging.Formatter):
    """A record as one line of JSON; `extra={"facts": {...}}` adds keys."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": _event(record),
        }
        if _request_id.get():
            line["request"] = _request_id.get()
        line |= getattr(record, "facts", {})
        if record.exc_info and record.exc_info[1]:
            line["errors"] = _errors(record.exc_info[1])
        return json.dumps(line, default=str)


def _event(record: logging.LogRecord) -> str:
    if hasattr(record, "request") and isinstance(record.args, tuple) and record.args:
        # Django's own lines about a request end with its path.
        return (str(record.msg) % (*record.args[:-1], "")).rstrip(": ")
    return record.getMessage()


def _errors(error: BaseException) -> list[dict[str, Any]]:
    """The exception and what it came from: its kind and places, not its words, which may repeat what was typed."""
    found: list[dict[str, Any]] = []
    cause: BaseException | None = error
    while cause is not None and len(found) < 5:
        frames = traceback.extract_tb(cause.__traceback__)
        places = [f"{_short(frame.filename)}:{frame.lineno} {frame.name}" for frame in frames[-20:]]
        found.append({"error": f"{type(cause).__module__}.{type(cause).__qualname__}", "places": places})
        cause = cause.__cause__ or cause.__context__
    return found


def _short(filename: str) -> str:
    _, mark, inside = filename.partition("site-packages/")
    return inside if mark else filename.removeprefix(f"{ROOT}/")


class RequestLog:
    """Gives each request an id, answers with it, and logs one line: method, route, status, milliseconds, account."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        # TrustedProxy has taken away an id that no trusted proxy gave.
        given = request.META.get("HTTP_X_REQUEST_ID", "")
        token = _request_id.set(given if re.fullmatch(r"[A-Za-z0-9-]{8,64}", given) else secrets.token_hex(8))
        started = time.perf_counter()
        try:
            response = self.get_response(request)
            response["X-Request-ID"] = _request_id.get()
            self._note(request, response.status_code, started)
        finally:
            _request_id.reset(token)
        return response

    def _note(self, request: HttpRequest, status: int, started: float) -> None:
        match = request.resolver_match
        if match and match.url_name in QUIET and status < 400:
            return
        # Only of a request that asked who it is: the log starts no query.
        user = getattr(request, "_cached_user", None)
        facts = {
            "method": request.method if request.method in ("GET", "HEAD", "POST", "PUT", "DELETE") else "other",
            "route": match.route if match else None,
            "status": status,
            "ms": round((time.perf_counter() - started) * 1000, 1),
            "user": user.pk if user else None,
        }
        log.log(logging.WARNING if status in (401, 403, 429) else logging.INFO, "request", extra={"facts": facts})


def note_sign_ins() -> None:
    """Log each sign-in, sign-out and refused sign-in, by password; never what was typed."""
    user_logged_in.connect(_signed_in, dispatch_uid="logs")
    user_logged_out.connect(_signed_out, dispatch_uid="logs")
    user_login_failed.connect(_refused, dispatch_uid="logs")


def _signed_in(sender: object, request: HttpRequest | None, user: Any, **_: object) -> None:
    log.info("signed in", extra={"facts": {"user": user.pk, "factor": "password", "from": _address(request)}})


def _signed_out(sender: object, request: HttpRequest | None, user: Any, **_: object) -> None:
    log.info("signed out", extra={"facts": {"user": user.pk if user else None}})


def _refused(sender: object, request: HttpRequest | None = None, **_: object) -> None:
    log.warning("sign-in refused", extra={"facts": {"factor": "password", "from": _address(request)}})


def _address(request: HttpRequest | None) -> str | None:
    return request.META.get("REMOTE_ADDR") if request else None
