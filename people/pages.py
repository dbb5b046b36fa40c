"""What a view answers with: a page, the part of it that was asked for, or the way on after something was done."""

from collections.abc import Iterable, Mapping
from typing import Any

from django.contrib import messages
from django.forms import BaseForm, BaseFormSet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.utils.cache import patch_vary_headers
from django_htmx.http import HttpResponseClientRedirect

from people.problems import Problems


def page(
    request: HttpRequest,
    template: str,
    context: Mapping[str, Any] | None = None,
    *,
    fragment: str | None = None,
    status: int | None = None,
) -> HttpResponse:
    """Render the page; for a request of htmx that asks for a part, render `fragment` with the same context.

    Every form and formset in the context that was sent with mistakes, under whatever name, is listed as `faulty`: the
    frame makes the summary at the top of the page and the title from it.
    """
    context = dict(context or {})
    context["faulty"] = list(_faulty(context.values()))
    asked: Any = getattr(request, "htmx", None)
    is_part = fragment is not None and bool(asked) and not asked.history_restore_request
    answer = render(
        request,
        (is_part and fragment) or template,
        context,
        status=status,
    )
    if fragment is not None:
        patch_vary_headers(answer, ["HX-Request"])
    return answer


def go(request: HttpRequest, to: Any, *args: Any, message: str = "", done: str = "", **kwargs: Any) -> HttpResponse:
    """The way on after something was done: a redirect, and a message that is shown once.

    `done` names a form with data-draft whose kept draft the browser may now drop.
    """
    if message:
        messages.success(request, message, extra_tags=done)
    if getattr(request, "htmx", False):
        return HttpResponseClientRedirect(resolve_url(to, *args, **kwargs))
    return redirect(to, *args, **kwargs)


def show_problems(form: BaseForm, problems: Problems) -> None:
    """Put a write's refusals beside the fields that they name; what no field of the form has goes to the top."""
    for item in problems.items:
        form.add_error(item.field if item.field in form.fields else None, item.text)


def _faulty(values: Iterable[Any]) -> Iterable["BaseForm | BaseFormSet[Any]"]:
    for value in values:
        if isinstance(value, BaseForm) and value.is_bound and value.errors:
            yield value
        elif isinstance(value, BaseFormSet) and value.is_bound and not value.is_valid():
            if value.non_form_errors():
                yield value
            yield from (form for form in value.forms if form.errors)
