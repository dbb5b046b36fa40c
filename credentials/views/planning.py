"""The year ahead, for who plans: on screen, on paper, and as a workbook with a sheet for each unit."""

import hashlib

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from credentials import year_ahead as ahead
from credentials.planning import planning, workbook
from credentials.seeing import followed
from credentials.standings import refresh
from people import access, clock, exports
from people.access import Access
from people.pages import page
from sheets.listing import Export, export, page_of

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@require_http_methods(["GET", "POST"])
def year_ahead(request: HttpRequest) -> HttpResponseBase:
    """What ends and when, cover, what each unit needs next, what is overdue, and policies to be looked at again."""
    mine = _brought_up_to_date(request)
    shown = planning(mine)
    rows = ahead.listing(shown.ahead)
    if request.method == "POST":
        return export(request, rows, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"shown": shown, "listing": page_of(request, rows), "months": shown.ahead.months}
    return page(request, "credentials/year_ahead.html", context, fragment="tables/listing.html")


@require_POST
def year_ahead_book(request: HttpRequest) -> HttpResponse:
    """The workbook; taking it away is an act."""
    mine = _brought_up_to_date(request)
    book, rows = workbook(mine, made_at=clock.now())
    made = Export(
        name="year-ahead-book", title="The year ahead", format="xlsx", rows=rows, columns=(), filters=(), order="",
        digest=hashlib.sha256(book).hexdigest(),
    )  # fmt: skip
    exports.record(actor=mine.user, made=made)
    return HttpResponse(
        book,
        content_type=XLSX,
        headers={"Content-Disposition": f'attachment; filename="year-ahead-{mine.on:%Y-%m-%d}.xlsx"'},
    )


def _brought_up_to_date(request: HttpRequest) -> Access:
    """Who asks; what an act or the calendar has changed since is worked out first."""
    mine = access.of(request)
    refresh(followed(mine).values_list("pk", flat=True))
    return mine
