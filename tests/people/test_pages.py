"""What a view answers with: the page, the part that was asked for, the way on."""

import pytest
from django import forms
from django.contrib.messages import get_messages
from django.contrib.messages.middleware import MessageMiddleware
from django.contrib.sessions.middleware import SessionMiddleware
from django.http import HttpRequest, HttpResponse
from django.test import RequestFactory
from django_htmx.middleware import HtmxMiddleware

from people.fields import Form
from people.pages import go, page, show_problems
from people.problems import Problem, Problems

WHOLE, PART = "400.html", "components/empty.html"


class Name(Form):
    name = forms.CharField(label="Name")


Names = forms.formset_factory(Name, extra=1, min_num=1, validate_min=True)


def asked(**headers: str) -> HttpRequest:
    request = RequestFactory().get("/somewhere/", headers=headers)
    for middleware in (SessionMiddleware, MessageMiddleware, HtmxMiddleware):
        middleware(lambda _: HttpResponse())(request)
    return request


def test_the_whole_page_is_given_without_script_and_the_part_to_script() -> None:
    whole = page(asked(), WHOLE, {"text": "No entry."}, fragment=PART)
    part = page(asked(**{"HX-Request": "true"}), WHOLE, {"text": "No entry."}, fragment=PART)
    assert b"<html" in whole.content
    assert b"<html" not in part.content
    assert b"No entry." in part.content
    assert "HX-Request" in whole["Vary"]
    assert "HX-Request" in part["Vary"]


def test_script_that_goes_back_in_its_history_is_given_the_whole_page() -> None:
    headers = {"HX-Request": "true", "HX-History-Restore-Request": "true"}
    assert b"<html" in page(asked(**headers), WHOLE, fragment=PART).content


def test_a_page_without_a_part_is_given_whole_to_everybody() -> None:
    answer = page(asked(**{"HX-Request": "true"}), WHOLE, status=400)
    assert b"<html" in answer.content
    assert answer.status_code == 400
    assert not answer.has_header("Vary")


@pytest.mark.std("C-03")
def test_every_form_that_was_sent_with_mistakes_is_in_the_summary_under_whatever_name() -> None:
    count = {"form-TOTAL_FORMS": "2", "form-INITIAL_FORMS": "0", "form-0-name": "Pell", "form-1-name": ""}
    context = {
        "one": Name({}),
        "good": Name({"name": "Pell"}),
        "unsent": Name(),
        "many": Names(count | {"form-1-name": ""}),
    }
    text = page(asked(), "components/problems.html", context).content.decode()
    assert text.count("<li>") == 1
    assert 'href="#id_name"' in text
    names = Names({**count, "form-0-name": ""})
    assert 'href="#id_form-0-name"' in page(asked(), "components/problems.html", {"rows": names}).content.decode()


def test_a_formset_that_is_wrong_as_a_whole_is_in_the_summary() -> None:
    rows = Names({"form-TOTAL_FORMS": "0", "form-INITIAL_FORMS": "0"})
    text = page(asked(), "components/problems.html", {"rows": rows}).content.decode()
    assert text.count("<li>") == 1


def test_after_something_was_done_the_way_leads_on_with_a_message() -> None:
    request = asked()
    answer = go(request, "/people/", message="Saved.", done="log")
    assert (answer.status_code, answer["Location"]) == (302, "/people/")
    (message,) = get_messages(request)
    assert (str(message), message.extra_tags) == ("Saved.", "log")


def test_script_is_told_to_go_on_by_itself() -> None:
    answer = go(asked(**{"HX-Request": "true"}), "sign_in")
    assert answer["HX-Redirect"] == "/sign-in/"
    assert list(get_messages(asked())) == []


def test_the_refusals_of_a_write_stand_beside_their_fields_or_at_the_top() -> None:
    form = Name({"name": "Pell"})
    show_problems(
        form, Problems([Problem("name", "Enter another name."), Problem("unit", "Choose a unit that is open.")])
    )
    assert form.errors == {"name": ["Enter another name."], "__all__": ["Choose a unit that is open."]}
