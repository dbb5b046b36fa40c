"""Every page of the table of permissions, on a phone by day and on a desk by night, as all who see their own.

The walk is done once; each test then reads one kind of what it found. A new URL is walked by itself, with the objects
that tests/config/matrix.py makes for it; where a page has several faces, `with_content` names them.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from audits.awards import end_award
from audits.example_checklist import EXAMPLE
from audits.models import Award, Checklist, Procedure, ScopeByRole
from config.permissions import TABLE
from credentials import cohorts, policies, proposing
from credentials.models import Flag, Founding, Programme, Rules
from credentials.restrictions_shown import KINDS
from ledger import clock
from ledger.acts import recording
from ledger.canonical import canonical
from people.models import Clinician
from people.settings import set_setting
from people.signing import confirm
from tests.audits.conftest import give_award
from tests.browser.stage import TERMS, Ward, fill
from tests.browser.walk import Found, Looker, Planner, opened_by_get
from tests.credentials.checklists import a_draft, a_retirement_of
from tests.credentials.conftest import sign
from tests.factories import SECRET, AbsenceFactory, ChecklistFactory, make_appointed, make_clinician

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from pytest_django import DjangoDbBlocker
    from pytest_django.live_server_helper import LiveServer

# No page of their own is to be seen with a GET.
NOT_SEEN = {
    "healthz": "plain text for monitors",
    "readyz": "JSON for monitors",
    "stay": "JSON for the page's own script",
    "import_template": "a workbook to download",
    "import_refused": "a workbook to download",
    "verify_script": "a script to download",
    "to_sign_check": "leads back to To sign unless entries were chosen; the walk at the bedside goes through it",
}

TABBED = ("sign_in", "today", "log", "to_sign", "who_can", "person", "entries", "review", "unit_setting", "observe")


def with_content(ward: Ward) -> dict[str, list[tuple[Mapping[str, Any], str]]]:
    """URL name -> arguments and query of each face of the page that is worth a look."""
    cast, procedure = ward.cast, ward.procedure.pk
    flags, claim = Flag.objects.order_by("pk"), Founding.objects.first()
    done = cast.owner.completions.get(kind="policy")
    lapsed = Award.objects.known().get(clinician__name="Lap Sed").clinician
    entry = {state: {"uuid": made.uuid} for state, made in ward.entries.items()}
    watched = {state: {"uuid": made.uuid} for state, made in ward.observations.items()}
    departments = {"unit_id": cast.wards.department.pk, "procedure_id": procedure}
    written = checklists(ward)

    def person(who: Any, **more: Any) -> dict[str, Any]:
        return {"uuid": who.uuid, **more}

    def plain(*arguments: Mapping[str, Any]) -> list[tuple[Mapping[str, Any], str]]:
        return [(each, "") for each in arguments]

    return {
        "who_can": [({}, ""), ({}, "?name=Ow"), ({}, "?name=Nobody+Known")],
        "entries": [({}, ""), ({}, "?q=Nobody+Known")],
        "people": [({}, ""), ({}, "?q=Nobody+Known")],
        "person": [
            *plain(*(person(who) for who in (cast.owner, ward.due, ward.ready, ward.doctor, lapsed, cast.outsider))),
            (person(cast.owner), "?on=1+January+2020"),
        ],
        "entry": plain(entry.pop("to_correct"), *entry.values()),
        "tally_for": plain(person(ward.tallier), person(cast.owner)),
        "log_saved": plain(entry["awaiting"], entry["emergency"]),
        "entry_correct": plain(entry["serious"], entry["no_attempt"]),
        "entry_withdraw": plain(entry["signed"]),
        "entry_dispute": plain(entry["signed"], entry["disputed"]),
        "send_back": plain(entry["awaiting"]),
        "not_me": plain(entry["awaiting"]),
        "entry_accept": plain(entry["emergency"], entry["sent_back"], entry["awaiting"]),
        "entry_decide": plain({"uuid": ward.entries["to_correct"].uuid}, entry["to_withdraw"]),
        "to_sign": [({}, ""), ({}, f"?entry={entry['serious']['uuid']}")],
        "observations": [({}, ""), ({}, "?q=Nobody+Known")],
        "observe_begin": [
            *(({}, query) for query in ("", "?name=Ow", "?name=Nobody+Known")),
            *(({}, f"?clinician={who.uuid}") for who in (cast.owner, cast.colleague)),
            ({}, f"?clinician={cast.colleague.uuid}&procedure={ward.procedure.pk + 1}"),
        ],
        "observe": [(watched["open"], ""), (watched["ready"], "?back=1")],
        "observe_check": plain(watched["open"], watched["ready"]),
        "observe_drop": plain(watched["open"]),
        "observation": plain(
            *(watched[name] for name in ("unread", "learning", "stopped", "disputed", "twice", "second", "asked"))
        ),
        "observation_answer": plain(watched["unread"], watched["learning"]),
        "observation_dispute": plain(watched["unread"]),
        "second_ask": plain(watched["unread"], watched["twice"]),
        "award": plain(person(ward.ready, procedure_id=procedure), person(cast.owner, procedure_id=procedure)),
        "what_counts": plain(*(person(who, procedure_id=procedure) for who in (cast.owner, ward.ready, ward.due))),
        "renew": plain(person(ward.due, procedure_id=procedure)),
        "enrol": plain(person(cast.colleague)),
        "completion_withdraw": plain(person(cast.owner, completion=done.uuid)),
        "enrolment_end": plain(person(cast.owner, procedure_id=procedure)),
        "scope_end": plain({"uuid": ScopeByRole.objects.known().earliest("pk").uuid}),
        "founding_decide": plain({"uuid": claim.uuid if claim else None}),
        "review": plain(*({"uuid": flag.uuid} for flag in flags)),
        "review_refer": plain({"uuid": flags[0].uuid}),
        "document": plain(
            *(
                {"kind": kind, "uuid": row.uuid}
                for kind, model in (("rules", Rules), ("programme", Programme), ("checklist", Checklist))
                for row in model.objects.order_by("-pk")
            )
        ),
        "document_begin": plain({"kind": "rules"}, {"kind": "programme"}),
        "document_propose": plain({"kind": "rules", **departments}, {"kind": "programme", **departments}),
        **{name: plain(*faces) for name, faces in {**written, **together(ward)}.items()},
        "disagreement": plain(entry["disputed"], entry["signed"]),
        "disagreement_rule": plain(entry["disputed"]),
        "disagreement_observed": plain(watched["disputed"]),
        "disagreement_observed_rule": plain(watched["disputed"]),
        "papers": plain(person(cast.owner), person(ward.due)),
        "award_extend": plain(person(ward.due, procedure_id=procedure)),
        **planned(ward),
        **renewed_terms(ward),
        **doubted(ward),
        "unit_day": [({}, ""), ({}, f"?unit={cast.wards.ward.pk}&procedure={procedure}&on={ward.today}")],
        "incident": [
            (person(cast.owner), ""),
            *((person(who), f"?procedure={procedure}&on={ward.today}") for who in (cast.owner, ward.due, lapsed)),
            (person(cast.owner), "?on=1+January+1990"),
        ],
        "stand_down": plain(person(cast.owner)),
        "return_step": plain(person(back_from_leave(ward), procedure_id=procedure)),
        "limit": plain(*(person(cast.owner, kind=kind) for kind in KINDS)),
        "unit_setting": plain(
            *(
                {"unit_id": departments["unit_id"], "name": name}
                for name in ("logging_basis", "start_day", "reply_days")
            )
        ),
    }


def planned(ward: Ward) -> dict[str, list[tuple[Mapping[str, Any], str]]]:
    """A policy to be looked at soon, and what the ward needs."""
    policy = policies.Policy(
        unit=ward.cast.wards.department, procedure=None, title="Peripheral cannulation", kept_at="Library, no. 12",
        rests=("rules", "programme"), review_on=ward.today + timedelta(days=9),
    )  # fmt: skip
    signer = confirm(user=ward.second, secret=SECRET, meaning=policies.OPENED, digests=[policy.digest])
    made = {"uuid": policies.open_policy(signer=signer, policy=policy).uuid}
    for name in ("cover_needed", "supervisors_needed"):
        set_setting(
            actor=ward.second, unit=ward.cast.wards.ward, name=name, value="4", about=ward.procedure.code,
            from_day=ward.today,
        )  # fmt: skip
    return {name: [(made, "")] for name in ("policy", "policy_change", "policy_end")}


def renewed_terms(ward: Ward) -> dict[str, list[tuple[Mapping[str, Any], str]]]:
    """A version of the programme that came into effect after the learners enrolled."""
    row = proposing.propose(
        Programme, actor=ward.cast.educator, unit=ward.cast.wards.department, procedure=ward.procedure, name="Newer",
        content=replace(TERMS, insertions=10).to_content(), effective_on=ward.today,
        note="Two more under supervision.",
    )  # fmt: skip
    proposing.approve(signer=sign(ward.second, proposing.document_digest(row)), document=row)
    learners = (ward.cast.owner, ward.ready)
    return {"enrolment_move": [({"uuid": who.uuid, "procedure_id": ward.procedure.pk}, "") for who in learners]}


def doubted(ward: Ward) -> dict[str, list[tuple[Mapping[str, Any], str]]]:
    """Somebody countersigned after the end of an award, which came out later."""
    signer = make_appointed("supervisor", ward.cast.wards.department, "Pas Tholder")
    holder = make_clinician(ward.cast.wards.ward, signer.name, account=False)
    Clinician.objects.filter(pk=holder.pk).update(user=signer)
    award = give_award(holder, ward.procedure, ward.cast.wards.department)
    ward.log(ward.ready, 12, by=signer)
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, award, ward.today - timedelta(days=60))
    return {"in_question": [({}, "")]}


def back_from_leave(ward: Ward) -> Clinician:
    """Whoever was away for long, with a return step that nobody has signed."""
    who = make_clinician(ward.cast.wards.ward, "Back Again")
    dates = {"from_day": ward.today - timedelta(600), "anchor": ward.today - timedelta(600)}
    give_award(
        who, ward.procedure, ward.cast.wards.department, expires_on=ward.today + timedelta(400), months=33, **dates
    )
    AbsenceFactory(clinician=who, from_day=ward.today - timedelta(230), until_day=ward.today - timedelta(12))
    return who


def together(ward: Ward) -> dict[str, list[Mapping[str, Any]]]:
    """A cohort that ends soon, with people in it, and one that is over."""
    educator, cast = ward.second, ward.cast
    made = [
        cohorts.open_cohort(
            actor=educator,
            new=cohorts.NewCohort(
                name=name, unit=cast.wards.department, procedure=ward.procedure, from_day=ward.today - timedelta(back),
                until_day=ward.today + timedelta(ahead),
            ),
        )
        for name, back, ahead in (("Autumn intake", 20, 9), ("Summer intake", 60, -2))
    ]  # fmt: skip
    for cohort, who in zip(made, (cast.owner, make_clinician(cast.wards.ward, "Late Comer")), strict=True):
        cohorts.join(actor=educator, cohort=cohort, clinicians=[who])
    return {name: [{"uuid": each.uuid} for each in made] for name in ("cohort", "cohort_join", "cohort_leave")}


def checklists(ward: Ward) -> dict[str, list[Mapping[str, Any]]]:
    """Two drafts, one of them empty, and a version that one person took out of use."""
    unit, procedure = ward.cast.wards.department, Procedure.objects.get(code="adult-guided")
    content = EXAMPLE.to_content()
    retired = ChecklistFactory(unit=unit, procedure=procedure, content=canonical(content), version=1)
    ahead = ChecklistFactory(unit=unit, procedure=procedure, version=2, effective_on=ward.today + timedelta(days=9))
    ChecklistFactory(unit=unit, procedure=procedure, version=3, approved_id=None, proposed_by=ward.second)
    a_retirement_of(retired, ward.second)
    drafts = [
        {"uuid": a_draft(unit, ward.second, procedure, content=said, name=name).uuid}
        for said, name in ((content, "Ours"), ({each: [] for each in content}, ""))
    ]
    return {
        "checklist_draft": [*drafts],
        "checklist_step": [{**drafts[0], "key": "flush"}],
        "checklist_phase": [{**drafts[0], "key": "before"}],
        "checklist_value": [{**drafts[0], "key": "flush"}],
        "checklist_words": [*drafts],
        "checklist_propose": [*drafts],
        "checklist_blank": [{"uuid": retired.uuid}],
        "checklist_retire": [{"uuid": ahead.uuid}],
        "checklist_retirement": [{"uuid": retired.uuid}],
    }


@pytest.fixture(scope="module")
def found(
    browser: "Browser",
    live_server: "LiveServer",
    axe_script: str,
    django_db_setup: None,
    django_db_blocker: "DjangoDbBlocker",
) -> Found:
    with django_db_blocker.unblock(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock, "_may_move", lambda: True)
        ward = fill()
        planner, found = Planner(ward, with_content(ward)), Found()
        for name in opened_by_get():
            found.stops += planner.stops(name)
        found.faults["status"] += planner.broken
        looker = Looker(browser, live_server.url, planner, axe_script, found)
        looker.look(found.stops)
        sample = [next(stop for stop in found.stops if stop.name == name and not stop.html) for name in TABBED]
        looker.tab_through(sample)
        found.note("links", "followed", list(planner.dead_links()))
    return found


def report(found: Found, *kinds: str) -> str:
    return "\n".join(line for kind in kinds for line in sorted(set(found.faults[kind])))


def test_every_page_that_opens_is_seen_by_somebody(found: Found) -> None:
    assert sorted({stop.name for stop in found.stops} | NOT_SEEN.keys()) == sorted(opened_by_get())
    assert not report(found, "status")


@pytest.mark.std("C-01")
@pytest.mark.std("C-10")
def test_no_page_bars_anybody(found: Found) -> None:
    assert not report(found, "axe")


@pytest.mark.std("B-15")
def test_no_page_complains_or_breaks_its_policy(found: Found) -> None:
    assert not report(found, "console", "policy")


@pytest.mark.std("B-28")
def test_no_page_asks_another_host(found: Found) -> None:
    assert not report(found, "hosts")


@pytest.mark.std("C-08")
def test_no_page_scrolls_sideways(found: Found) -> None:
    assert not report(found, "sideways")


@pytest.mark.std("C-19")
def test_every_page_has_its_frame_one_heading_and_a_title_of_its_own(found: Found) -> None:
    assert not report(found, "frame")
    # One screen may serve several URLs of a kind; two screens never share a title.
    shared = {title: names for title, names in found.titles.items() if len(names) > 1}
    assert not shared


@pytest.mark.std("C-03")
def test_a_form_sent_empty_says_what_to_mend(found: Found) -> None:
    assert len({stop.name for stop in found.stops if stop.html}) >= 20
    assert not [line for line in report(found, "frame").splitlines() if "with mistakes" in line]


@pytest.mark.std("C-07")
def test_every_target_is_large_enough(found: Found) -> None:
    assert not report(found, "targets")


@pytest.mark.std("C-09")
def test_wider_text_spacing_cuts_nothing_off(found: Found) -> None:
    assert not report(found, "spacing")


@pytest.mark.std("C-06")
def test_the_focus_is_seen_wherever_the_tab_key_goes(found: Found) -> None:
    assert not report(found, "rings")
    assert found.rings > 10 * len(TABBED)


@pytest.mark.std("C-18")
def test_help_stands_in_the_same_place_on_every_page(found: Found) -> None:
    assert len(found.helps) == 1, {place: where[:3] for place, where in found.helps.items()}
    assert next(iter(found.helps)) == (0 if "help" in TABLE else -1)


@pytest.mark.std("C-14")
def test_every_page_warns_before_the_session_ends(found: Found) -> None:
    assert not report(found, "ending")


def test_no_link_leads_nowhere(found: Found) -> None:
    assert not report(found, "links")
