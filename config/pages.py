"""The frame around every page: its navigation, and the small URL that keeps a session."""

from dataclasses import dataclass
from datetime import UTC, datetime

from django.conf import settings
from django.http import HttpRequest, JsonResponse
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_GET

from config.permissions import may_open
from people import access

# Named by work. The first is also where one lands after signing in.
ENTRIES = (
    ("today", "Today"),
    ("log", "Log"),
    ("to_sign", "To sign"),
    ("observations", "Observations"),
    ("who_can", "Who can"),
    ("people", "People"),
    ("reviews", "Reviews"),
    ("rules", "Rules"),
    ("set_up", "Set up"),
)


@dataclass(frozen=True, slots=True)
class Link:
    label: str
    url: str
    is_current: bool


def navigation(request: HttpRequest, section: str | None = None) -> list[Link]:
    """The entries that this user may open. The current one is `section`, or else the one whose path leads here."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return []
    entries = [(name, label, url) for name, label in ENTRIES if (url := _url_of(name)) and may_open(request, name)]
    current = section or _leading_to(request.path, [(name, url) for name, _, url in entries])
    return [Link(label, url, name == current) for name, label, url in entries]


def in_what_role(request: HttpRequest) -> str:
    """The first appointment of whoever asks, such as 'Educator, Saltmarsh Hospital'; '' without one."""
    mine = access.of(request)
    first = next(iter(mine.appointments), None)
    return f"{first.get_role_display()}, {mine.tree.name(first.unit_id)}" if first else ""


@require_GET
def stay(request: HttpRequest) -> JsonResponse:
    """Asked by the page when somebody says that they are still there; the request itself keeps the session."""
    return JsonResponse({"seconds": seconds_left(request)})


def seconds_left(request: HttpRequest) -> int:
    """Seconds until this session is over without another request."""
    ends_at: datetime | None = getattr(request, "session_ends_at", None)
    return max(0, int((ends_at - datetime.now(UTC)).total_seconds())) if ends_at else settings.SITED_IDLE_SECONDS


def _url_of(name: str) -> str:
    try:
        return reverse(name)
    except NoReverseMatch:
        return ""


def _leading_to(path: str, entries: list[tuple[str, str]]) -> str | None:
    # The longest path that leads here; the front page leads to itself alone.
    root = _url_of("today")
    fitting = [(len(url), name) for name, url in entries if path == url or (url != root and path.startswith(url))]
    return max(fitting)[1] if fitting else None
