"""A decision on screen: first what it says, then the check page with the signature; 'Change' leads back.

return in_two_steps(request, asked, Steps(...), typed=..., done=...)
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse

from people.forms import SignForm
from people.pages import page, show_problems
from people.problems import Problems
from people.signing import Confirmed, NotConfirmed


@dataclass(frozen=True, kw_only=True)
class Steps:
    """The two pages and what they show beside the form; `meaning` is the signature's."""

    ask: str
    check: str
    meaning: str
    context: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ToSign:
    """What was typed, ready to be signed: its digest, what the check page shows of it, and how it is carried out."""

    digest: str
    carry_out: Callable[[Confirmed], Any]
    context: Mapping[str, Any] = field(default_factory=dict)


def in_two_steps(
    request: HttpRequest,
    asked: Form,
    steps: Steps,
    *,
    typed: Callable[[], ToSign],
    done: Callable[[], HttpResponse],
) -> HttpResponse:
    """Show the form, then the check page; carry it out once it is signed.

    `typed` is asked when the form is valid; it and what it carries out may raise Problems, which come back beside the
    fields. `done` gives the way on.
    """
    context: dict[str, Any] = {**steps.context, "asked": asked}
    if request.method != "POST" or "change" in request.POST or not asked.is_valid():
        return page(request, steps.ask, context)
    try:
        to_sign = typed()
        form = SignForm(request, request.POST if "secret" in request.POST else None, digests=[to_sign.digest])
        if form.is_bound and form.is_valid():
            signer = form.signed(meaning=steps.meaning, digests=[to_sign.digest])
            if signer is not None:
                to_sign.carry_out(signer)
                return done()
    except Problems as problems:
        show_problems(asked, problems)
        return page(request, steps.ask, context)
    except NotConfirmed as refusal:
        form.add_error(None, str(refusal))
    return page(request, steps.check, {**context, **to_sign.context, "form": form})
