"""One's own way in and out, and one's own account."""

from typing import Any

from django.contrib.auth import login, logout
from django.contrib.auth.views import LoginView, LogoutView
from django.forms import BaseForm
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from people import access, accounts
from people.forms import ChangeSecretForm, NewSecretForm, SignInForm
from people.models import User
from people.pages import go, page, show_problems
from people.problems import Problems
from people.signing import IDENTIFIED

BACKEND = "people.throttle.ThrottledBackend"


class SignIn(LoginView):
    authentication_form = SignInForm
    template_name = "people/sign_in.html"

    def form_valid(self, form: BaseForm) -> HttpResponse:
        answer = super().form_valid(form)  # type: ignore[arg-type]
        _begin(self.request)
        return answer

    def form_invalid(self, form: BaseForm) -> HttpResponse:
        return page(self.request, self.template_name, self.get_context_data(form=form))

    def get_success_url(self) -> str:
        user = self.request.user
        return super().get_success_url() if isinstance(user, User) and user.own_secret else reverse("secret")


class SignOut(LogoutView):
    http_method_names = ["post"]


@require_http_methods(["GET", "POST"])
def invitation(request: HttpRequest, token: str) -> HttpResponse:
    """Set one's own password by a one-time invitation."""
    try:
        invited = accounts.invited(token)
    except accounts.InvitationVoid:
        return render(request, "people/invitation_void.html", status=404)
    form = NewSecretForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            user = accounts.accept(token=token, secret=form.cleaned_data["secret"])
        except Problems as problems:
            show_problems(form, problems)
        except accounts.InvitationVoid:
            return render(request, "people/invitation_void.html", status=404)
        else:
            logout(request)
            login(request, user, backend=BACKEND)
            _begin(request)
            return go(request, "account", message="Welcome. Your password is set, and nobody else knows it.")
    return page(request, "people/invitation.html", {"form": form, "invited": invited})


@require_http_methods(["GET"])
def account(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    context: dict[str, Any] = {
        "access": mine,
        "appointments": [(each, mine.tree.path(each.unit_id)) for each in mine.appointments],
        "placements": [(each, mine.tree.path(each.unit_id)) for each in mine.placements],
    }
    return page(request, "people/account.html", context)


@require_http_methods(["GET", "POST"])
def secret(request: HttpRequest) -> HttpResponse:
    """Replace one's password."""
    if not isinstance(request.user, User):
        raise Http404
    form = ChangeSecretForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            user = accounts.change_secret(user=request.user, old=form.cleaned_data["old"], new=form.cleaned_data["new"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            login(request, user, backend=BACKEND)
            _begin(request)
            return go(request, "account", message="Your password is changed. You were signed out everywhere else.")
    return page(request, "people/secret.html", {"form": form})


@require_POST
def sign_out_everywhere(request: HttpRequest) -> HttpResponse:
    assert isinstance(request.user, User)
    accounts.end_sessions(request.user)
    logout(request)
    return redirect("sign_in")


def _begin(request: HttpRequest) -> None:
    """This session began with e-mail and secret, or with the invitation that set the secret just now."""
    request.session[IDENTIFIED] = True
