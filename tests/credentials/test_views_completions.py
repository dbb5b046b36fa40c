"""Screens of completions: noted with everything that the paper says, listed, withdrawn with a reason."""

from datetime import date
from typing import Any

import pytest
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse

from audits import completions
from audits.models import Completion
from credentials.standings import read
from ledger.models import Act
from tests.credentials.conftest import Stage

pytestmark = pytest.mark.django_db
ON = "1 March 2026"


@pytest.fixture
def educator(client: Client, stage: Stage) -> Client:
    client.force_login(stage.educator)
    return client


def said(stage: Stage, **changes: Any) -> dict[str, Any]:
    return {
        "procedure": stage.procedure.pk, "kind": "policy", "about": "Cannulation policy, version 4", "on": ON,
        "result": "", "passed": "yes", "valid_until": "", "verified_by": "Ed Ucator", **changes,
    }  # fmt: skip


def errors(answer: Any) -> dict[str, Any]:
    assert answer.status_code == 200
    found: dict[str, Any] = answer.context["form"].errors
    return found


def withdrawing(made: Completion) -> str:
    return reverse("completion_withdraw", args=[made.clinician.uuid, made.uuid])


def listed(stage: Stage, **shown: Any) -> str:
    found = completions.of(stage.learner, stage.procedure)
    context = {"completions": found, "clinician": stage.learner, "figures": True, "decides": True, "zone": "UTC"}
    return " ".join(render_to_string("credentials/_completions.html", context | shown).split())


def test_everything_that_the_paper_says_is_noted(educator: Client, stage: Stage) -> None:
    page = reverse("completion", args=[stage.learner.uuid])
    shown = educator.get(page).content.decode()
    for label in ("Theory session", "Policy read", "Title", "Result", "Passed", "Valid through", "Who saw the proof"):
        assert label in shown
    body = said(stage, kind="knowledge", result="18 of 20", valid_until="28/2/2028")
    answer = educator.post(page, body)
    assert answer.headers["Location"] == reverse("person", args=[stage.learner.uuid])
    made = Completion.objects.get()
    assert (made.kind, made.result, made.passed, made.about) == (
        "knowledge", "18 of 20", True, "Cannulation policy, version 4",
    )  # fmt: skip
    # Valid through the 28th: on the 29th, that leap year's last of February, no longer.
    assert (made.on, made.valid_until) == (date(2026, 3, 1), date(2028, 2, 29))


def test_each_refusal_stands_beside_its_field_and_what_was_typed_stays(educator: Client, stage: Stage) -> None:
    page = reverse("completion", args=[stage.learner.uuid])
    nothing = errors(educator.post(page, {"kind": ""}))
    assert set(nothing) == {"procedure", "kind", "on", "passed", "verified_by"}
    assert "valid_until" in errors(educator.post(page, said(stage, valid_until="28 February 2026")))
    assert "valid_until" in errors(educator.post(page, said(stage, passed="no", valid_until="28/2/2028")))
    assert "version" in errors(educator.post(page, said(stage, about="")))["about"][0]
    assert "record number" in errors(educator.post(page, said(stage, result="MRN 4455667")))["result"][0]
    late = educator.post(page, said(stage, on="1 March 2027", result="19/20"))
    assert "future" in errors(late)["on"][0]
    assert 'value="19/20"' in late.content.decode()
    assert not Completion.objects.exists()


@pytest.mark.std("F-06")
def test_a_form_that_is_sent_twice_notes_it_once_and_says_so(educator: Client, stage: Stage) -> None:
    page = reverse("completion", args=[stage.learner.uuid])
    assert educator.post(page, said(stage)).status_code == 302
    assert errors(educator.post(page, said(stage)))["on"][0].startswith("This is noted already for 1 March 2026.")
    assert Completion.objects.count() == 1


def test_what_was_not_passed_is_kept_and_counts_for_nothing(educator: Client, stage: Stage) -> None:
    page = reverse("completion", args=[stage.learner.uuid])
    educator.post(reverse("enrol", args=[stage.learner.uuid]), {"procedure": stage.procedure.pk, "from_day": ON})
    educator.post(page, said(stage, kind="simulation", about=""))
    educator.post(page, said(stage, kind="knowledge", passed="no", result="9/20"))
    assert Completion.objects.filter(passed=False).count() == 1
    assert read(*stage.pair).home.answer.value == "no"
    educator.post(page, said(stage, kind="knowledge", result="18/20"))
    assert read(*stage.pair).home.answer.value == "in_room"
    # And no more, once the test that was passed turns out to be somebody else's.
    passed = Completion.objects.get(kind="knowledge", passed=True)
    educator.post(withdrawing(passed), {"reason": "Another person's paper."})
    assert read(*stage.pair).home.answer.value == "no"


def test_what_was_noted_wrongly_is_withdrawn_once_with_its_reason(educator: Client, stage: Stage) -> None:
    educator.post(reverse("completion", args=[stage.learner.uuid]), said(stage, result="Read aloud"))
    made = Completion.objects.get()
    page = withdrawing(made)
    shown = educator.get(page).content.decode()
    assert "Read aloud" in shown
    assert "Cannulation policy, version 4" in shown
    assert "reason" in errors(educator.post(page, {"reason": ""}))
    assert "reason" in errors(educator.post(page, {"reason": "It was MRN 4455667."}))
    assert educator.post(page, {"reason": "The old version."}).status_code == 302
    # Sent again, by the back button or a second finger: nothing more happens, and that is said.
    again = educator.post(page, {"reason": "The old version."}, follow=True).content.decode()
    assert "It is withdrawn already." in again
    assert Act.objects.filter(kind="completion.withdrawn").count() == 1


def test_a_completion_is_withdrawn_only_on_the_page_of_its_person(educator: Client, stage: Stage) -> None:
    educator.post(reverse("completion", args=[stage.learner.uuid]), said(stage))
    made = Completion.objects.get()
    other = reverse("completion_withdraw", args=[stage.cast.colleague.uuid, made.uuid])
    assert educator.get(other).status_code == 404
    assert educator.post(other, {"reason": "Wrong."}).status_code == 404
    assert Completion.objects.known().count() == 1


def test_the_list_says_what_who_and_until_when_and_keeps_scores_from_whoever_may_not_read_figures(
    educator: Client, stage: Stage
) -> None:
    page = reverse("completion", args=[stage.learner.uuid])
    assert "Nothing is noted yet" in listed(stage)
    educator.post(page, said(stage, kind="knowledge", about="Quiz", result="18/20", valid_until="28/2/2028"))
    educator.post(page, said(stage, kind="knowledge", about="Quiz", result="9/20", passed="no", on="1/2/2026"))
    educator.post(page, said(stage, verified_by="Imogen Vale"))
    made = Completion.objects.get(kind="policy")
    educator.post(withdrawing(made), {"reason": "Read by her sister."})
    full = listed(stage)
    for words in ("<b>Knowledge test</b>, Quiz,", "18/20", "9/20", "Not passed", "Withdrawn", "Read by her sister.",
                  "Proof seen by Ed Ucator"):  # fmt: skip
        assert words in full
    assert 'Holds through <time datetime="2028-02-28">' in full
    # What is withdrawn offers no withdrawing.
    assert full.count("/withdraw/") == 2
    scant = listed(stage, figures=False, decides=False)
    for words in ("18/20", "9/20", "Not passed", "Withdrawn", "/withdraw/"):
        assert words not in scant
    assert "<b>Knowledge test</b>, Quiz," in scant
