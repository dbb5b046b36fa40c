"""Agreement and missed steps by screen: who reads what, how it is asked, what is taken away."""

import csv
import io
from datetime import date
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from ledger.models import Act
from tests.audits.observed import make_watched
from tests.audits.test_agreeing import rated
from tests.audits.test_missing import watched
from tests.factories import ChecklistFactory, make_appointed, make_clinician


@pytest.fixture
def stage(db, now):
    return make_watched()


def client_of(user):
    client = Client()
    client.force_login(user)
    return client


def read(user, name, **query):
    answer = client_of(user).get(f"{reverse(name)}?{urlencode(query)}")
    return answer.status_code, " ".join(answer.content.decode().split())


def cells(html, label):
    """The cells of a list under this heading, the small second line left out."""
    parts = html.split(f'data-label="{label}">')[1:]
    return [part.split("<")[0].strip() for part in parts]


# --- agreement ---


@pytest.mark.parametrize("pairs", [1, 9])
def test_under_ten_pairs_the_page_shows_counts_only_and_says_so(stage, pairs):
    for _ in range(pairs):
        rated(stage, {}, {"hands": "not_met"})
    _, html = read(stage.cast.educator, "agreement")
    assert f"{pairs} rated more than once. Under 10 there are counts only" in html
    assert [cells(html, label) for label in ("Kappa", "AC1", "Agreement")] == [[], [], []]
    assert cells(html, "Practices")[0] == cells(html, "Alike")[-1] == str(pairs)
    assert f"Met / not met {pairs}" in cells(html, "First rater / other rater")


def test_with_ten_pairs_there_are_agreement_ac1_and_kappa_with_counts_and_a_table_of_marks(stage):
    for place in range(10):
        rated(stage, {}, {"hands": "not_met"} if place < 2 else {})
    _, html = read(stage.cast.educator, "agreement")
    # Least alike first: three lines say the same of one step and the whole, then what is all alike.
    assert cells(html, "Practices")[0] == "10"
    assert cells(html, "Agreement")[:4] == ["80%", "80%", "80%", "80%"]
    assert "not defined: all alike" in cells(html, "Kappa")
    assert cells(html, "Kappa")[0] == "0.00"
    assert '<th scope="row">Met</th><td class="n">8</td><td class="n">2</td>' in html


def test_a_version_and_setting_is_chosen_and_another_is_not_mixed_in(stage):
    newer = ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.hospital)
    rated(stage, {}, {})
    rated(stage, {}, {})
    rated(stage, {"hands": "not_met"}, {"hands": "prompted"}, checklist=newer, setting="simulation")
    _, html = read(stage.cast.educator, "agreement")
    assert set(cells(html, "Practices")) == {"2"}
    _, html = read(stage.cast.educator, "agreement", of=f"{newer.uuid}.simulation")
    assert set(cells(html, "Practices")) == {"1"}
    assert "Not met / met after a prompt 1" in html


def test_a_group_out_of_sight_is_not_found(stage):
    rated(stage, {}, {}, unit=stage.cast.wards.other_ward)
    key = f"{stage.checklist.uuid}.patient"
    far = make_appointed("educator", stage.cast.wards.other_hospital)
    assert read(far, "agreement", of=key)[0] == 200
    assert read(stage.cast.educator, "agreement", of=key)[0] == 404
    assert read(stage.cast.educator, "agreement", of="anything")[0] == 404


def test_nobody_is_shown_by_name_to_an_auditor_and_the_learner_and_managers_see_nothing(stage):
    for _ in range(6):
        rated(stage, {}, {"hands": "not_met"})
    status, html = read(stage.cast.auditor, "agreement")
    assert status == 200
    assert all(each not in html for each in ("Asa Essor", "Otto Ther", "Ana Owner", "Questions about how"))
    for user in (stage.learner.user, stage.cast.manager, stage.cast.administrator, stage.cast.outsider.user):
        assert read(user, "agreement")[0] == 403


def test_an_educator_reads_questions_and_a_rater_only_their_own_marking(stage):
    rated(stage, {}, {"hands": "not_met"})
    _, html = read(stage.cast.educator, "agreement")
    assert "‘Cleans hands’: met by Asa Essor, not met by Otto Ther" in html
    assert "Your own marking" not in html
    assert "Ana Owner" not in html
    _, html = read(stage.other, "agreement")
    assert "Your own marking" in html
    assert "3 of 4 steps met without a prompt: under 5 practices, too few to compare." in html
    assert "Questions about how people mark" not in html


def test_without_a_pair_the_page_says_what_comes_next(stage):
    _, html = read(stage.cast.educator, "agreement")
    assert "No practice has been rated by two people yet, as far as you may see." in html
    assert "There is nothing to ask about the last twelve months." in html


def test_a_list_that_is_asked_for_by_itself_comes_by_itself(stage):
    rated(stage, {}, {})
    answer = client_of(stage.cast.educator).get(reverse("agreement"), {"sort": "-what"}, headers={"HX-Request": "true"})
    html = answer.content.decode()
    assert "<h1>" not in html
    assert html.index("Flushes with") < html.index("The decision")


# --- missed steps ---


def test_topics_stand_with_counts_interval_and_what_they_are_of(stage):
    watched(stage, people=12, hands="not_met", flush="prompted")
    watched(stage, people=8)
    _, html = read(stage.cast.manager, "missed_steps")
    steps = html.split("<tbody")[1]
    assert steps.index("Cleans hands") < steps.index("Flushes with 5 mL or more") < steps.index("Clips hair")
    assert cells(html, "Watched") == ["20"] * 4
    assert cells(html, "Not met") == ["12", "0", "0", "0"]
    assert cells(html, "Met after a prompt") == ["0", "12", "0", "0"]
    assert cells(html, "Not met without a prompt")[0] == "12 of 20: 60%"
    assert "95% confidence 39 to 78%" in html
    assert "with a patient; Saltmarsh Hospital / Medicine with all below" in html
    assert "everybody: 20 practices watched, as far as it may be shown." in html
    assert "Nothing is shown that rests on fewer than 5 people" in html


def test_four_people_are_not_shown_on_any_face_of_the_page(stage):
    watched(stage, people=4, hands="not_met")
    for by in ("topic", "quarter", "unit"):
        _, html = read(stage.cast.manager, "missed_steps", by=by)
        assert not cells(html, "Watched") or set(cells(html, "Watched")) == {""}
        assert set(cells(html, "Not met without a prompt")) == {"too few people to show"}
        assert "Some of what was watched is left out here" in html
        assert "0 practices watched, as far as it may be shown" in html
        assert "<svg" not in html


def test_each_quarter_and_each_unit_have_lines_of_their_own(stage):
    watched(stage, people=5, on=date(2025, 11, 2), hands="not_met")
    watched(stage, people=6, unit=stage.cast.wards.next_ward)
    _, html = read(stage.cast.manager, "missed_steps", by="quarter")
    assert cells(html, "Quarter")[:2] == ["October to December 2025", "January to March 2026"]
    assert cells(html, "Watched")[:2] == ["5", "6"]
    _, html = read(stage.cast.manager, "missed_steps", by="unit")
    assert cells(html, "Unit")[:2] == ["Ward 4 Tern", "Ward 5 Curlew"]
    assert cells(html, "Not met without a prompt")[:2] == ["5 of 5: 100%", "0 of 6: 0%"]


def test_a_step_is_followed_over_time_in_a_drawing_a_sentence_and_a_table(stage):
    watched(stage, people=5, on=date(2025, 11, 2), flush="not_met")
    watched(stage, people=6, hands="not_met")
    _, html = read(stage.cast.manager, "missed_steps")
    assert "Over time: Cleans hands" in html
    _, html = read(stage.cast.manager, "missed_steps", step="flush")
    assert "Over time: Flushes with 5 mL or more" in html
    assert "October to December 2025, 5 of 5, 100%; January to March 2026, 0 of 6, 0%." in html
    assert "5 of 11: 45% in all" in html


def test_a_cohort_is_chosen_by_when_people_began(stage):
    old = watched(stage, people=5, on=date(2025, 11, 2))
    watched(stage, learners=old, hands="not_met")
    watched(stage, people=6)
    _, html = read(stage.cast.manager, "missed_steps", cohort="2025", first="2026-1")
    assert "people first observed in 2025: 5 practices" in html
    assert cells(html, "Not met without a prompt")[0] == "5 of 5: 100%"


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"first": "2026-1", "last": "2025-4"}, "Choose a quarter that is not before the first."),
        ({"first": "soon"}, "Choose one of the answers that are offered."),
        ({"unit": "0"}, "Choose one of the answers that are offered."),
        ({"of": "none"}, "Choose one of the answers that are offered."),
        ({"cohort": "2026-9"}, "Choose one of the answers that are offered."),
        ({"by": "person"}, "Choose one of the answers that are offered."),
    ],
)
def test_what_cannot_be_asked_is_told_beside_the_field(stage, query, words):
    watched(stage, people=5, on=date(2025, 11, 2))
    status, html = read(stage.cast.manager, "missed_steps", **query)
    assert status == 200
    assert words in html
    assert "<table" not in html


def test_a_unit_out_of_ones_charge_can_not_be_asked_about(stage):
    watched(stage, people=6)
    for unit in (stage.cast.wards.hospital, stage.cast.wards.other_ward):
        _, html = read(stage.cast.manager, "missed_steps", unit=unit.pk)
        assert "Choose one of the answers that are offered." in html
        assert "Cleans hands" not in html


def test_only_who_sees_figures_of_units_opens_the_page(stage):
    cast = stage.cast
    for user in (cast.educator, cast.manager, cast.auditor):
        assert read(user, "missed_steps")[0] == 200
    for user in (cast.owner.user, cast.supervisor, cast.assessor, cast.administrator, stage.assessor):
        assert read(user, "missed_steps")[0] == 403


def test_without_an_observation_the_page_says_what_comes_next(stage):
    _, html = read(stage.cast.manager, "missed_steps")
    assert "Nobody has been observed in your units yet." in html
    watched(stage, people=6, unit=stage.cast.wards.other_ward)
    assert "Nobody has been observed in your units yet." in read(stage.cast.manager, "missed_steps")[1]


@pytest.mark.parametrize("by", ["topic", "quarter", "unit"])
def test_what_is_taken_away_is_what_is_shown_and_an_act(stage, by):
    watched(stage, people=6, hands="not_met")
    watched(stage, people=3, unit=stage.cast.wards.next_ward, on=date(2025, 11, 2))
    address = f"{reverse('missed_steps')}?by={by}"
    client = client_of(stage.cast.manager)
    answer = client.post(address, {"export": "csv"})
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    shown_ = " ".join(client.get(address).content.decode().split())
    assert [row["Not met without a prompt"] for row in rows] == cells(shown_, "Not met without a prompt")
    assert [row["Watched"] for row in rows] == cells(shown_, "Watched")
    act = Act.objects.latest("seq")
    assert (act.kind, act.facts["list"], act.facts["rows"]) == ("export.made", "missed-steps", len(rows))


def test_a_list_of_steps_that_is_asked_for_by_itself_comes_by_itself(stage):
    watched(stage, people=6, flush="not_met")
    answer = client_of(stage.cast.manager).get(
        reverse("missed_steps"), {"sort": "step"}, headers={"HX-Request": "true"}
    )
    html = answer.content.decode()
    assert "<h1>" not in html
    assert html.index("Cleans hands") < html.index("Flushes with")


# --- both ---


def test_the_list_of_observations_leads_to_whoever_may_open_them(stage):
    cast = stage.cast
    for user, leads in (
        (cast.educator, (True, True)), (cast.manager, (False, True)), (cast.supervisor, (True, False)),
        (cast.auditor, (True, True)), (cast.owner.user, (False, False)), (stage.assessor, (True, False)),
    ):  # fmt: skip
        _, html = read(user, "observations")
        assert tuple(f'href="{reverse(name)}"' in html for name in ("agreement", "missed_steps")) == leads, user


@pytest.mark.parametrize("name", ["agreement", "missed_steps"])
def test_pages_ask_no_more_for_many_than_for_few(stage, name):
    def add(count):
        for _ in range(count):
            rated(stage, {"hands": "not_met"}, {}, learner=make_clinician(stage.ward))

    def asked():
        with CaptureQueriesContext(connection) as queries:
            assert client.get(reverse(name)).status_code == 200
        return len(queries)

    client = client_of(stage.cast.educator)
    add(1)
    asked()
    few = asked()
    add(20)
    assert asked() == few
