"""Today, the first page of everybody."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from credentials.today import MOST
from credentials.today import today as today_of
from people import access
from people.pages import page


@require_http_methods(["GET"])
def today(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    return page(request, "credentials/today.html", {"today": today_of(mine), "access": mine, "most": MOST})
