"""Checklists on the screen: written as drafts, checked, proposed, approved, read, printed, taken out of use."""

from datetime import timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits.checklist import errors_in
from audits.example_checklist import EXAMPLE
from audits.models import Checklist, ChecklistDraft, Retirement
from credentials import proposing
from credentials.checklist_drafts import in_force
from ledger import clock
from ledger.models import Act
from tests.credentials.checklists import a_draft
from tests.credentials.conftest import NOW, TODAY, sign
from tests.factories import SECRET, STEPS, ChecklistFactory


@pytest.fixture
def educator(client, stage):
    client.force_login(stage.educator)
    return client


@pytest.fixture
def draft(stage):
    return a_draft(stage.cast.wards.department, stage.educator, stage.procedure)


@pytest.fixture
def in_use(stage):
    row = proposing.propose(
        Checklist,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Steps of the hospital",
        content=STEPS,
        effective_on=TODAY,
    )
    return proposing.approve(signer=sign(stage.second, proposing.document_digest(row)), document=row)


def at(name, row, *more):
    return reverse(name, args=[row.uuid, *more])


def text_of(answer):
    assert answer.status_code == 200, answer
    return " ".join(answer.content.decode().split())


def signed(client, url, user, **said):
    shown = client.get(url).context["form"].initial["shown"]
    return client.post(url, {"secret": SECRET, "email": user.email, "shown": shown, **said}, follow=True)


def keys(draft, part="steps"):
    draft.refresh_from_db()
    return [each["key"] for each in draft.content[part]]


def row(draft, key, part="steps"):
    draft.refresh_from_db()
    return next(each for each in draft.content[part] if each["key"] == key)


def typed(draft, key=None, **changes):
    """A step's form as it was shown, with changes."""
    said = row(draft, key) if key else {}
    sent = {name: value for name, value in said.items() if value is not False and name != "key"}
    return {"revision": draft.revision, **sent, **changes}


# --- begun ---


@pytest.mark.parametrize(("start", "steps"), [("in_force", 4), ("example", 28), ("empty", 0)])
def test_a_draft_begins_from_what_is_in_force_from_the_example_or_empty(educator, stage, in_use, start, steps):
    body = {"unit": stage.ward.pk, "procedure": stage.procedure.pk, "start": start, "uuid": uuid4()}
    answer = educator.post(reverse("checklist_begin"), body, follow=True)
    made = ChecklistDraft.objects.get()
    assert (made.unit, len(made.content["steps"]), made.begun_by) == (stage.ward, steps, stage.educator)
    assert answer.redirect_chain[-1][0] == at("checklist_draft", made)
    assert not Act.objects.filter(subject=made.uuid).exists()


@pytest.mark.std("F-06")
def test_beginning_twice_with_the_same_page_is_one_draft(educator, stage):
    body = {"unit": stage.ward.pk, "procedure": stage.procedure.pk, "start": "example", "uuid": uuid4()}
    for _ in range(2):
        educator.post(reverse("checklist_begin"), body)
    assert ChecklistDraft.objects.count() == 1


def test_where_nothing_is_in_force_that_is_said_beside_the_choice(educator, stage):
    body = {"unit": stage.ward.pk, "procedure": stage.procedure.pk, "start": "in_force", "uuid": uuid4()}
    answer = educator.post(reverse("checklist_begin"), body)
    assert "No checklist is in force there" in str(answer.context["form"].errors["start"])
    assert not ChecklistDraft.objects.exists()


def test_the_way_from_a_version_in_force_leads_to_a_draft_for_its_unit(educator, stage, in_use):
    text = text_of(educator.get(reverse("document", args=["checklist", in_use.uuid])))
    url = f"{reverse('checklist_begin')}?unit={in_use.unit_id}&amp;procedure={in_use.procedure_id}"
    assert url in text
    form = educator.get(url.replace("&amp;", "&")).context["form"]
    assert str(form["unit"].value()) == str(in_use.unit_id)
    assert educator.get(reverse("document_begin", args=["checklist"])).url == reverse("checklist_begin")


# --- changed ---


def test_a_step_is_added_at_the_end_of_its_phase_with_a_key_of_its_own(educator, draft):
    page = educator.get(at("checklist_step_add", draft) + "?phase=prepare")
    assert page.context["form"]["phase"].value() == "prepare"
    said = typed(draft, phase="prepare", text="Cleans hands", critical="on", source="Common practice, no source")
    answer = educator.post(at("checklist_step_add", draft), said)
    assert answer.url == at("checklist_draft", draft) + "#phase-prepare"
    assert keys(draft) == ["hands", "hair", "cleans_hands", "sharps", "flush"]
    educator.post(at("checklist_step_add", draft), typed(draft, phase="prepare", text="Cleans hands!"))
    assert keys(draft)[3] == "cleans_hands_2"
    assert row(draft, "cleans_hands")["critical"] is True


def test_a_step_is_changed_and_moves_with_its_phase(educator, draft):
    said = typed(draft, "hair", phase="insert", text="Clips hair, never shaves", guidance="")
    answer = educator.post(at("checklist_step", draft, "hair"), said)
    assert answer.url.endswith("#step-hair")
    assert keys(draft) == ["hands", "sharps", "flush", "hair"]
    assert row(draft, "hair") == {
        "key": "hair", "phase": "insert", "text": "Clips hair, never shaves", "critical": False, "if_arises": True,
        "guidance": "", "source": "",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"text": ""}, "text", "Enter “What is seen”."),
        ({"text": "Flushes with {much}"}, "text", "There is no local value {much}"),
        ({"guidance": "Ask for MRN 4482913"}, "guidance", "record number"),
        ({"phase": "elsewhere"}, "phase", "Choose one of these phases"),
        ({"text": "x" * 301}, "text", "at most 300"),
    ],
)
def test_what_a_step_may_not_say_is_said_beside_the_field_and_nothing_is_lost(educator, draft, changes, field, words):
    said = typed(draft, "flush", **{"source": "Mine.", **changes})
    form = educator.post(at("checklist_step", draft, "flush"), said).context["form"]
    assert words in str(form.errors[field])
    assert form["source"].value() == "Mine."
    assert row(draft, "flush") == STEPS["steps"][3]


@pytest.mark.std("C-15")
@pytest.mark.parametrize(
    ("move", "steps", "phases"),
    [
        ("down:step:hands", ["hair", "hands", "sharps", "flush"], ["prepare", "insert"]),
        ("up:step:flush", ["hands", "hair", "flush", "sharps"], ["prepare", "insert"]),
        ("down:step:hair", ["hands", "hair", "sharps", "flush"], ["prepare", "insert"]),
        ("up:step:hands", ["hands", "hair", "sharps", "flush"], ["prepare", "insert"]),
        ("down:phase:prepare", ["sharps", "flush", "hands", "hair"], ["insert", "prepare"]),
    ],
)
def test_buttons_move_steps_and_phases(educator, draft, move, steps, phases):
    answer = educator.post(at("checklist_draft", draft), {"move": move, "revision": draft.revision})
    assert answer.url.endswith("#" + move.partition(":")[2].replace(":", "-"))
    assert (keys(draft), keys(draft, "phases")) == (steps, phases)


@pytest.mark.std("C-15")
def test_a_step_at_the_edge_goes_on_into_the_phase_beside_it(educator, draft):
    educator.post(at("checklist_draft", draft), {"move": "down:step:hair", "revision": draft.revision})
    assert row(draft, "hair")["phase"] == "insert"


@pytest.mark.std("C-15")
def test_every_move_has_a_button_that_says_what_it_moves_and_nothing_needs_dragging(educator, draft):
    text = text_of(educator.get(at("checklist_draft", draft)))
    for way, key in (("down", "hands"), ("up", "hair"), ("down", "sharps"), ("up", "flush")):
        assert f'value="{way}:step:{key}"' in text
    assert 'Up<span class="unseen">: Clips hair</span>' in text
    assert 'value="up:step:hands"' not in text
    script = Path(settings.BASE_DIR, "config/static/sited.js").read_text(encoding="utf-8")
    assert not any(word in script + text for word in ("draggable", "dragstart", "pointermove", "touchmove"))


def test_phases_and_local_values_are_added_changed_and_taken_out(educator, draft):
    educator.post(at("checklist_phase_add", draft), {"revision": 1, "name": "After"})
    assert keys(draft, "phases") == ["prepare", "insert", "after"]
    educator.post(at("checklist_value_add", draft), {"revision": 2, "label": "Drying", "text": "until it is dry"})
    educator.post(at("checklist_value", draft, "drying"), {"revision": 3, "label": "Drying", "text": "until dry"})
    assert row(draft, "drying", "values") == {"key": "drying", "label": "Drying", "text": "until dry", "source": ""}
    educator.post(at("checklist_value", draft, "drying"), {"revision": 4, "remove": "1"})
    educator.post(at("checklist_phase", draft, "after"), {"revision": 5, "remove": "1"})
    educator.post(at("checklist_step", draft, "hair"), {"revision": 6, "remove": "1"})
    assert (keys(draft), keys(draft, "phases"), keys(draft, "values")) == (
        ["hands", "sharps", "flush"], ["prepare", "insert"], ["flush_ml"],
    )  # fmt: skip


def test_what_is_still_used_is_not_taken_out(educator, draft):
    answer = educator.post(at("checklist_phase", draft, "insert"), {"revision": 1, "remove": "1"})
    assert "still has steps" in text_of(answer)
    answer = educator.post(at("checklist_value", draft, "flush_ml"), {"revision": 1, "remove": "1"})
    assert "A step still names {flush_ml}" in text_of(answer)
    assert keys(draft, "phases") == ["prepare", "insert"]


def test_name_and_impressions_are_lines_lowest_first(educator, draft):
    said = {"revision": 1, "name": " Ours ", "ratings": "Not yet\n\n Steady \nVery steady"}
    educator.post(at("checklist_words", draft), said)
    draft.refresh_from_db()
    assert (draft.name, draft.content["ratings"]) == ("Ours", ["Not yet", "Steady", "Very steady"])
    form = educator.post(at("checklist_words", draft), said | {"revision": 2, "ratings": "Fine"}).context["form"]
    assert "two to seven" in str(form.errors["ratings"])


# --- two people at once ---


def test_two_people_never_write_over_each_other_unseen(client, educator, stage, draft):
    said = typed(draft, "hands", text="Washes hands")
    client.force_login(stage.second)
    client.post(at("checklist_step", draft, "hands"), typed(draft, "hands", text="Rubs hands dry"))
    client.force_login(stage.educator)
    answer = client.post(at("checklist_step", draft, "hands"), said)
    text = text_of(answer)
    assert f"{stage.second.name} saved this draft after you opened it." in text
    assert answer.context["now"][:3] == [("Phase", "Prepare"), ("What is seen", "Rubs hands dry"), ("Critical", "yes")]
    assert "Washes hands" in text
    assert row(draft, "hands")["text"] == "Rubs hands dry"
    form = answer.context["form"]
    assert form["revision"].value() == 2
    client.post(at("checklist_step", draft, "hands"), said | {"revision": form["revision"].value()})
    assert row(draft, "hands")["text"] == "Washes hands"


def test_nothing_moves_on_a_page_that_is_no_longer_true(educator, stage, draft):
    url = at("checklist_draft", draft)
    educator.post(url, {"move": "down:step:hands", "revision": 1})
    answer = educator.post(url, {"move": "down:step:hands", "revision": 1}, follow=True)
    assert "Nothing was moved: look again." in text_of(answer)
    assert keys(draft) == ["hair", "hands", "sharps", "flush"]


def test_a_step_that_somebody_took_out_is_said(educator, draft):
    said = typed(draft, "hair", text="Clips")
    educator.post(at("checklist_step", draft, "hair"), {"revision": 1, "remove": "1"})
    assert "not in this draft any more" in text_of(
        educator.post(at("checklist_step", draft, "hair"), said, follow=True)
    )


@pytest.mark.parametrize("move", ["", "up", "sideways:step:hands", "up:thing:hands"])
def test_a_move_that_is_none_is_not_found(educator, draft, move):
    assert educator.post(at("checklist_draft", draft), {"move": move, "revision": 1}).status_code == 404


# --- what changes, and proposed ---


def test_the_draft_shows_what_differs_from_the_version_in_force(educator, stage, in_use, draft):
    educator.post(at("checklist_step", draft, "hands"), typed(draft, "hands", text="Washes hands", critical=""))
    educator.post(at("checklist_step", draft, "hair"), {"revision": 2, "remove": "1"})
    text = text_of(educator.get(at("checklist_draft", draft)))
    assert "Was: Cleans hands" in text
    assert "<s>Clips hair</s>" in text
    assert ">reworded</span>" in text
    assert '<a href="#step-hands">1. Washes hands</a>' in text


@pytest.mark.std("F-05")
def test_what_is_proposed_is_checked_first_with_ways_to_change_it(educator, draft):
    draft.name, draft.content = "", {**STEPS, "ratings": []}
    draft.save()
    text = text_of(educator.get(at("checklist_propose", draft)))
    assert text.count("Not provided") == 2
    assert 'Change<span class="unseen"> the name</span>' in text
    assert "Overall impression: Give two to seven words" in text
    said = {"revision": 1, "name": "Ours", "ratings": "Not yet\nSteady"}
    answer = educator.post(at("checklist_words", draft) + "?check=1", said)
    assert answer.url == at("checklist_propose", draft)


@pytest.mark.std("C-04")
@pytest.mark.std("F-06")
def test_a_draft_becomes_a_version_once_however_often_it_is_sent(educator, stage, draft):
    url = at("checklist_propose", draft)
    said = {"revision": 1, "effective_on": "9 March 2026", "note": "First of our own."}
    answer = educator.post(url, said, follow=True)
    made = Checklist.objects.get()
    assert (made.uuid, made.proposed_by, made.note) == (draft.uuid, stage.educator, "First of our own.")
    assert answer.redirect_chain[-1][0] == reverse("document", args=["checklist", made.uuid])
    for again in (educator.post(url, said, follow=True), educator.get(at("checklist_draft", draft), follow=True)):
        assert "This draft was proposed already." in text_of(again)
    assert Checklist.objects.count() == 1
    assert not ChecklistDraft.objects.exists()
    assert in_force(stage.procedure.pk, stage.ward.pk) is None


def test_what_cannot_be_used_yet_is_not_proposed(educator, stage):
    empty = a_draft(
        stage.ward, stage.educator, stage.procedure, content={"values": [], "phases": [], "steps": [], "ratings": []}
    )
    assert "Check and propose it" not in text_of(educator.get(at("checklist_draft", empty)))
    answer = educator.post(at("checklist_propose", empty), {"revision": 1, "effective_on": "9 March 2026"})
    assert answer.status_code == 200
    assert not Checklist.objects.exists()
    assert ChecklistDraft.objects.filter(pk=empty.pk).exists()


def test_what_somebody_changed_meanwhile_is_looked_through_before_it_is_proposed(educator, stage, draft):
    said = {"revision": 1, "effective_on": "9 March 2026"}
    educator.post(at("checklist_step", draft, "hands"), typed(draft, "hands", text="Rubs hands"))
    answer = educator.post(at("checklist_propose", draft), said)
    assert "look through it again" in text_of(answer)
    assert "Rubs hands" in text_of(answer)
    assert not Checklist.objects.exists()
    educator.post(at("checklist_propose", draft), said | {"revision": answer.context["form"]["revision"].value()})
    assert Checklist.objects.get().content.count("Rubs hands") == 1


def test_a_checklist_begins_today_or_later_once_one_is_in_force(educator, in_use, draft):
    answer = educator.post(at("checklist_propose", draft), {"revision": 1, "effective_on": "1 March 2026"})
    assert "only a first version may begin in the past" in str(answer.context["form"].errors["effective_on"])


def test_a_draft_is_thrown_away(educator, draft):
    assert "thrown away" in text_of(educator.post(at("checklist_draft_drop", draft), follow=True))
    assert educator.get(at("checklist_draft", draft)).status_code == 404


def test_the_example_goes_all_the_way_through_the_screens(client, stage):
    client.force_login(stage.educator)
    uuid = uuid4()
    body = {"unit": stage.cast.wards.department.pk, "procedure": stage.procedure.pk, "start": "example", "uuid": uuid}
    client.post(reverse("checklist_begin"), body)
    client.post(reverse("checklist_propose", args=[uuid]), {"revision": 1, "effective_on": "2 March 2026"})
    url = reverse("document", args=["checklist", uuid])
    assert "somebody else approves it" in text_of(client.get(url))
    client.force_login(stage.second)
    assert "is approved." in text_of(signed(client, url, stage.second))
    row = in_force(stage.procedure.pk, stage.ward.pk)
    assert (row.uuid, row.approved_by) == (uuid, stage.second)
    assert Act.objects.get(kind="checklist.approved").facts["signature"]["meaning"] == proposing.MEANING


# --- read ---


def test_everybody_of_the_hospital_reads_phases_marks_guidance_and_sources(client, stage, in_use):
    client.force_login(stage.learner.user)
    text = text_of(client.get(reverse("document", args=["checklist", in_use.uuid])))
    assert 'Cleans hands <span class="critical">Critical</span>' in text
    assert '<span class="tag">only if it arises</span>' in text
    assert "Never shaves." in text
    assert "Flushes with 5 mL or more" in text
    assert "Defer to local policy" in text
    assert "take it out of use" not in text
    assert "Write the next version" not in text
    blank = text_of(client.get(at("checklist_blank", in_use)))
    assert blank.count('<th scope="row">') == 4
    assert "No patient's name, birth date or number." in blank


def test_a_unit_s_first_checklist_is_read_beside_that_of_the_hospital(educator, stage):
    above = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital, name="The hospital's")
    own = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.department, approved_id=None)
    assert educator.get(reverse("document", args=["checklist", own.uuid])).context["earlier"] == above


def test_the_list_names_checklists_and_what_is_being_written(educator, stage, in_use, draft):
    text = text_of(educator.get(reverse("rules")))
    assert "Steps of the hospital, version 1" in text
    assert at("checklist_draft", draft) in text
    shown = educator.get(reverse("rules") + "?kind=checklist").context["listing"].records
    assert [(each.kind, each.state) for each in shown] == [("checklist", "In force")]


# --- taken out of use ---


@pytest.mark.std("C-04")
def test_a_wrong_version_is_taken_out_of_use_and_another_person_confirms_it(client, stage, in_use):
    client.force_login(stage.educator)
    url = at("checklist_retire", in_use)
    assert "nobody can begin an observation there" in text_of(client.get(url))
    assert "What is wrong with it" in str(signed(client, url, stage.educator, reason="").context["form"].errors)
    told = text_of(signed(client, url, stage.educator, reason="It releases the tourniquet too late."))
    assert "is out of use. Another educator or manager decides within 7 days." in told
    assert "if nobody confirms it by then, this version is in force again from 9 March 2026" in told.replace(
        '<time datetime="2026-03-09">9 March 2026</time>', "9 March 2026"
    )
    assert client.get(at("checklist_retirement", in_use)).status_code == 403
    assert "is out of use already" in text_of(signed_again(client, url, stage.educator))
    client.force_login(stage.second)
    assert "Taken out of use, to be confirmed" in text_of(client.get(reverse("rules")))
    told = text_of(signed(client, at("checklist_retirement", in_use), stage.second, confirm="yes"))
    assert "stays out of use." in told
    assert "Out of use for good" in told
    again = client.get(at("checklist_retirement", in_use), follow=True)
    assert "Nothing waits to be decided" in text_of(again)
    assert Retirement.objects.get().confirmed is True


def signed_again(client, url, user):
    return signed(client, url, user, reason="It is still wrong.")


def test_it_can_be_put_back_in_force(client, stage, in_use):
    client.force_login(stage.educator)
    signed(client, at("checklist_retire", in_use), stage.educator, reason="Wrong.")
    client.force_login(stage.second)
    told = text_of(signed(client, at("checklist_retirement", in_use), stage.second, confirm="no"))
    assert "is in force again." in told
    assert in_force(stage.procedure.pk, stage.ward.pk) == in_use


def test_after_seven_days_without_a_second_person_the_page_says_that_it_holds_again(client, stage, in_use):
    client.force_login(stage.educator)
    signed(client, at("checklist_retire", in_use), stage.educator, reason="Wrong.")
    with clock.at(NOW + timedelta(days=7)):
        client.force_login(stage.second)
        text = text_of(client.get(reverse("document", args=["checklist", in_use.uuid])))
        assert "Nobody confirmed it by" in text
        assert "<dd>In force</dd>" in text
        assert "Nothing waits" in text_of(client.get(at("checklist_retirement", in_use), follow=True))


# --- queries ---


def test_pages_cost_the_same_for_a_short_and_a_long_checklist(educator, stage, in_use, draft):
    def cost(url):
        educator.get(url)
        with CaptureQueriesContext(connection) as caught:
            assert educator.get(url).status_code == 200
        return len(caught)

    urls = [
        reverse("document", args=["checklist", in_use.uuid]),
        at("checklist_draft", draft),
        at("checklist_propose", draft),
        reverse("rules"),
    ]
    few = [cost(url) for url in urls]
    long = EXAMPLE.to_content()
    assert errors_in(long) == []
    draft.content = long
    draft.save()
    for version in range(2, 12):
        ChecklistFactory(unit=stage.cast.wards.department, procedure=stage.procedure, version=version, approved_id=None)
        a_draft(stage.ward, stage.educator, stage.procedure)
    assert [cost(url) for url in urls] == few
