"""Every URL, asked by everybody, by every method, for everybody's objects, against tests/config/matrix.py."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import transaction
from django.http import HttpResponseBase
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from config import permissions
from config.permissions import TABLE, Row
from people.access import Access
from tests.config.matrix import EVERYBODY, MATRIX
from tests.factories import Cast, make_cast

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


def url_names(resolver: URLResolver | None = None) -> list[str]:
    """The name of every URL; one without a name is '' and fails the walk."""
    found = []
    for each in (resolver or get_resolver()).url_patterns:
        if isinstance(each, URLPattern):
            found.append(each.name or "")
        else:
            found += url_names(each)
    return found


@contextmanager
def undone() -> Iterator[None]:
    """What a request writes goes again, and counts as a test's own transaction."""
    block = transaction.atomic()
    block._from_testcase = True  # type: ignore[attr-defined]
    with block:
        yield
        transaction.set_rollback(True)


class Walker:
    """Asks one URL in every way, and reports each answer that is not the expected one."""

    def __init__(self, name: str, cast: Cast) -> None:
        self.name, self.cast, self.entry = name, cast, MATRIX[name]
        self.arguments = self.entry.arguments(cast)
        self.clients = {"anonymous": Client()}
        for who, user in cast.users().items():
            self.clients[who] = Client()
            self.clients[who].force_login(user)

    def report(self) -> list[str]:
        row = TABLE[self.name]
        allowed = {*row.methods, *(["HEAD"] if "GET" in row.methods else [])}
        found = []
        for method in METHODS:
            expected = self.entry.expected(method)
            if method in allowed and method != "HEAD":
                wanted = dict(expected)
                if ("anonymous", next(iter(self.arguments))) not in wanted:
                    wanted |= {("anonymous", whose): "sign_in" for whose in self.arguments}
            elif method in allowed:
                continue
            else:
                wanted = {(who, whose): "405" for who in EVERYBODY for whose in list(self.arguments)[:1]}
            for (who, whose), cell in wanted.items():
                answer = self.ask(who, whose, method)
                if answer != cell:
                    found.append(f"{method} {self.name} of {whose} as {who}: {answer}, expected {cell}")
        return found

    def ask(self, who: str, whose: str, method: str) -> str:
        url = reverse(self.name, kwargs=dict(self.arguments[whose]))
        body = dict(self.entry.body(self.cast)) if method == "POST" else {}
        with undone():
            if method in ("GET", "POST"):
                return kind_of(getattr(self.clients[who], method.lower())(url, body))
            return kind_of(self.clients[who].generic(method, url))


def kind_of(answer: HttpResponseBase) -> str:
    if answer.status_code == 302 and answer["Location"].startswith(f"{reverse('sign_in')}?next="):
        return "sign_in"
    if answer.status_code in (200, 204, 302, 400, 409, 422):
        return "yes"
    return str(answer.status_code)


@pytest.mark.std("B-02")
def test_every_url_has_a_name_a_row_and_expected_answers() -> None:
    names = url_names()
    assert "" not in names
    assert len(names) == len(set(names))
    assert sorted(names) == sorted(TABLE)
    assert sorted(names) == sorted(MATRIX)


@pytest.mark.std("B-03")
@pytest.mark.django_db
@pytest.mark.parametrize("name", sorted(MATRIX))
def test_a_url_answers_everybody_as_the_matrix_says(name: str) -> None:
    assert Walker(name, make_cast()).report() == []


@pytest.mark.django_db
@pytest.mark.parametrize(
    "predicate",
    sorted(
        {row.predicate for row in TABLE.values()} - {permissions.anyone, permissions.signed_in},
        key=lambda each: each.__name__,
    ),
    ids=lambda each: each.__name__,
)
def test_the_walker_reports_a_predicate_that_says_yes_to_all(
    predicate: permissions.Predicate, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = [name for name, row in TABLE.items() if row.predicate is predicate]
    for name in names:
        monkeypatch.setitem(TABLE, name, Row(permissions.signed_in, TABLE[name].methods))
    cast = make_cast()
    assert any(Walker(name, cast).report() for name in names)


@pytest.mark.django_db
def test_the_walker_reports_a_right_about_everybody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Access, "get_clinician", lambda self, uuid, right: self.tree and _anybody(uuid))
    assert Walker("staff_page", make_cast()).report() == [
        "GET staff_page of outsider as educator: yes, expected 404",
        "GET staff_page of outsider as manager: yes, expected 404",
    ]


def _anybody(uuid: object) -> object:
    from people.models import Clinician

    return Clinician.objects.get(uuid=uuid)


@pytest.mark.std("B-02")
@pytest.mark.django_db
def test_a_url_without_a_row_is_refused_to_everybody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(TABLE, "account")
    cast = make_cast()
    client = Client()
    assert client.get(reverse("account")).status_code == 403
    client.force_login(cast.administrator)
    assert client.get(reverse("account")).status_code == 403


@pytest.mark.django_db
def test_a_script_that_is_signed_out_is_told_401() -> None:
    answer = Client().get(reverse("account"), headers={"HX-Request": "true"})
    assert (answer.status_code, answer["HX-Redirect"]) == (401, reverse("sign_in"))
    answer = Client().get(reverse("account"), headers={"Accept": "application/json"})
    assert answer.json() == {"error": "signed_out", "sign_in": reverse("sign_in")}


@pytest.mark.std("B-26")
@pytest.mark.django_db
def test_a_predicate_that_breaks_lets_nobody_in(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: Access) -> bool:
        raise RuntimeError("broken")

    monkeypatch.setitem(TABLE, "account", Row(broken))
    client = Client(raise_request_exception=False)
    client.force_login(make_cast().owner.user)
    assert client.get(reverse("account")).status_code == 500


@pytest.mark.std("B-16")
@pytest.mark.django_db
def test_a_form_without_its_token_is_refused_at_every_url_that_takes_one() -> None:
    cast = make_cast()
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.administrator)
    for name, row in TABLE.items():
        if "POST" in row.methods:
            arguments = next(iter(MATRIX[name].arguments(cast).values()))
            assert client.post(reverse(name, kwargs=dict(arguments))).status_code == 403, name
