"""The logging basis stands beside every rate, and where it does not allow one there is none."""

import json
import re
from datetime import date
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.urls import reverse

from audits.tallies import NewTally, note_tally
from credentials.rules.terms import Terms
from credentials.standings import read, refresh
from ledger.acts import head
from ledger.canonical import canonical
from people.settings import set_setting
from tests.audits.conftest import give_award

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
RATE = re.compile(r"{%\s*(rate|interval)\s|{%\s*chart\s+record\.")
BASIS = re.compile(r"Logging basis: {{ ?\w+(\.\w+)* ?}}")
# Where a rate is worked out or put into words, and what stands beside it there.
WORDED = re.compile(r"\b(rate_words|wilson_interval|successes / )")
SAID_IN = {
    "audits/charts.py": "curves, whose page says the basis",
    "audits/rates.py": "the words and the picture themselves",
    "credentials/answering.py": "standing --json: logging_basis",
    "credentials/rules/drift.py": "the finding: only where every insertion is logged",
    "credentials/rules/first_attempt_rate.py": "the finding: only where every insertion is logged",
    "credentials/rules/words.py": "the words themselves",
}


def rates_without_basis(text: str) -> list[str]:
    """The places of a page's rates that no basis follows before the next section."""
    parts = [part for part in re.split(r"</section>", text) if RATE.search(part)]
    return [RATE.search(part).group() for part in parts if not BASIS.search(part[RATE.search(part).start() :])]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_template_that_shows_a_rate_says_the_basis_after_it(path):
    assert rates_without_basis(path.read_text(encoding="utf-8")) == []


def test_there_are_templates_that_show_a_rate_and_one_without_a_basis_is_found():
    shown = [path.name for path in TEMPLATES if RATE.search(path.read_text(encoding="utf-8"))]
    assert {"_record.html", "review.html"} <= set(shown)
    assert rates_without_basis("<section>{% rate 3 4 %}</section>Logging basis: {{ basis }}") == ["{% rate "]


def test_no_other_module_puts_a_rate_into_words():
    """A new one says here what stands beside it."""
    found = {
        str(path.relative_to(ROOT))
        for app in ("audits", "credentials", "people", "sheets")
        for path in sorted((ROOT / app).rglob("*.py"))
        if "statistics" not in path.parts and WORDED.search(path.read_text(encoding="utf-8"))
    }
    assert found == SAID_IN.keys()


# --- where a rate is refused ---


def keep_tallies(stage, since: date = date(2025, 1, 1)) -> None:
    set_setting(actor=stage.educator, unit=stage.ward, name="logging_basis", value="tally", from_day=since)
    refresh()


def hold(stage) -> None:
    give_award(stage.learner, stage.procedure, stage.ward, terms=canonical(Terms().to_content()))
    refresh()


def document(stage, clinician) -> dict:
    out = StringIO()
    call_command("standing", clinician.staff_number, stage.procedure.code, json=True, stdout=out)
    return json.loads(out.getvalue())


def test_the_document_says_the_basis_and_gives_no_rate_where_it_allows_none(stage, client):
    stage.ready_to_learn(date(2026, 1, 12))
    hold(stage)
    holder = stage.learner
    told = document(stage, holder)
    assert (told["logging_basis"], told["not_assessable"]) == ("every_insertion", None)
    keep_tallies(stage)
    new = NewTally(clinician=holder, procedure=stage.procedure, unit=stage.ward, on=date(2026, 3, 1), insertions=4)
    note_tally(actor=stage.educator, new=new)
    told = document(stage, holder)
    assert told["logging_basis"] == "tally"
    assert "Not every insertion" in told["not_assessable"]
    assert (told["figures"]["rate"], told["figures"]["interval"], told["figures"]["days_since_last"]) == (None, None, 1)
    client.force_login(stage.educator)
    page = client.get(reverse("person", args=[holder.uuid])).content.decode()
    assert "Logging basis: shift tally only" in page
    assert "Besides, 4 in shift tallies" in page
    assert "with 95% confidence" not in page


def test_who_learns_logs_every_insertion_whatever_holders_do_there(stage, client):
    stage.ready_to_learn(date(2026, 1, 12))
    keep_tallies(stage)
    told = document(stage, stage.learner)
    assert (told["logging_basis"], told["not_assessable"]) == ("every_insertion", None)
    client.force_login(stage.educator)
    page = client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
    assert "Logging basis: every insertion is logged" in page


def test_as_known_then_a_tally_of_later_is_not_there(stage):
    stage.ready_to_learn(date(2026, 1, 12))
    hold(stage)
    keep_tallies(stage)
    number = head()
    new = NewTally(
        clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, on=date(2026, 3, 1), insertions=4
    )
    note_tally(actor=stage.educator, new=new)
    then, now = (read(stage.learner.pk, stage.procedure.pk, known=known).standing for known in (number, None))
    assert (then.recent.last_on, now.recent.last_on) == (None, date(2026, 3, 1))
