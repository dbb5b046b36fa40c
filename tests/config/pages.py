"""A few pages for the tests of what surrounds every page."""

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import get_token
from django.urls import path

from config import health

TYPED = "typed by a person"


def plain(request: HttpRequest) -> HttpResponse:
    return HttpResponse("plain")


def form(request: HttpRequest) -> HttpResponse:
    request.session["kept"] = get_token(request)
    return HttpResponse("form")


def kept(request: HttpRequest) -> HttpResponse:
    return HttpResponse("kept", headers={"Cache-Control": "private, max-age=60"})


def download(request: HttpRequest) -> HttpResponse:
    return HttpResponse("a,b\n", content_type="text/csv", headers={"Content-Disposition": "attachment"})


def out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return HttpResponse("out")


def broken(request: HttpRequest, token: str = "") -> HttpResponse:
    try:
        int(TYPED)
    except ValueError as error:
        raise LookupError(TYPED) from error
    return HttpResponse("unreachable")


urlpatterns = [
    path("plain", plain, name="plain"),
    path("form", form, name="form"),
    path("kept", kept, name="kept"),
    path("download", download, name="download"),
    path("out", out, name="out"),
    path("broken/<str:token>", broken, name="broken"),
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
]
