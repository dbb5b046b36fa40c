"""Help: what the answers and statuses mean, who sees what, and whom to ask."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from credentials.rules.answers import Answer, Status
from credentials.seeing import whom_to_ask
from credentials.wording import STATUS_EXPLAINED
from people import access
from people.pages import page


@require_http_methods(["GET"])
def help_page(request: HttpRequest) -> HttpResponse:
    context = {
        "answers": sorted(Answer, key=lambda answer: -answer.rank),
        "statuses": [(each.words, STATUS_EXPLAINED[each.value]) for each in Status],
        "to_ask": whom_to_ask(access.of(request)),
    }
    return page(request, "credentials/help.html", context)
