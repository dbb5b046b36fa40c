"""An observation in a browser: by touch on a tablet, interrupted and gone on with, offline, by the keyboard alone."""

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits import observing
from audits.checklist import Checklist as Steps
from audits.example_checklist import EXAMPLE
from audits.models import Observation, ObservationDraft, Procedure
from ledger import clock
from ledger.canonical import canonical
from people.models import Clinician, User
from tests.audits.observed import an_assessor, hand
from tests.browser.waiting import until
from tests.conftest import AXE_TAGS, LONGEST_WAIT
from tests.factories import SECRET, Cast, ChecklistFactory, ProcedureFactory, make_cast

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

PORTRAIT, LANDSCAPE, PHONE = (768, 1024), (1024, 768), (390, 844)
# In pixels; half of one is lost to rounding.
LARGE_ENOUGH = """() => [...document.querySelectorAll(
        ".watch .tile, .watch summary, .watch button:not(.unseen), .watch input[type=text], .watch textarea")]
    .filter((each) => each.checkVisibility() && each.getBoundingClientRect().height < 43.5)
    .map((each) => each.outerHTML.slice(0, 120))"""


@dataclass(frozen=True)
class Stage:
    cast: Cast
    procedure: Procedure
    steps: Steps
    assessor: User
    learner: Clinician


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    """A ward with the example checklist and an assessor who holds the procedure today."""
    cast, procedure = make_cast(), ProcedureFactory()
    ChecklistFactory(procedure=procedure, unit=cast.wards.hospital, content=canonical(EXAMPLE.to_content()))
    start = clock.now().date() - timedelta(days=30)
    assessor = an_assessor(
        cast, procedure, "Asa Essor", from_day=start, anchor=start, expires_on=start + timedelta(days=365)
    )
    return Stage(cast, procedure, EXAMPLE, assessor, cast.owner)


@dataclass
class Device:
    """A tablet or phone in somebody's hands: everything is tapped."""

    page: "Page"
    context: "BrowserContext"
    url: str
    complaints: list[str]
    axe_script: str

    def open(self, path: str) -> None:
        self.page.goto(self.url + path)

    def tap(self, selector: str) -> None:
        self.page.tap(selector)

    def mark(self, steps: Steps, key: str, mark: str) -> None:
        """Tap a mark, on the first row of tiles or behind the fold."""
        tile = self.page.locator(f"#step-{key} label.tile", has=self.page.locator(f"[value='{mark}']"))
        if not tile.is_visible():
            self.page.locator(f"#step-{key} summary").first.tap()
        tile.tap()
        expect(self.page.locator(f"#step-{key} [value='{mark}']")).to_be_checked()

    def expect_kept(self, key: str, mark: str) -> None:
        """The page knows from the server that this mark is kept."""
        expect(self.page.locator(f"#was-step-{key}")).to_have_value(json.dumps([mark, "", ""]))

    def expect_no_barrier(self) -> None:
        self.page.wait_for_load_state()
        self.page.evaluate(self.axe_script)
        options = {"runOnly": {"type": "tag", "values": list(AXE_TAGS)}}
        found = self.page.evaluate("options => axe.run(document, options)", options)["violations"]
        assert [(each["id"], each["nodes"][0]["html"]) for each in found] == []
        assert self.page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.fixture
def device(browser: "Browser", live_server: "LiveServer", axe_script: str) -> Callable[..., Any]:
    """Somebody takes a device of this size and signs in; it is put away at the end of the block."""

    @contextmanager
    def take(user: User, size: tuple[int, int], **more: Any) -> Iterator[Device]:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=True, reduced_motion="reduce", **more
        )
        context.set_default_timeout(LONGEST_WAIT)
        page = context.new_page()
        complaints: list[str] = []
        # That the connection is cut is what some of these tests are about.
        page.on("console", lambda said: _note(complaints, said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        made = Device(page, context, live_server.url, complaints, axe_script)
        made.open(reverse("sign_in"))
        page.fill("input[name=username]", user.email)
        page.fill("input[name=password]", SECRET)
        made.tap("main button")
        page.wait_for_url(lambda url: reverse("sign_in") not in url)
        yield made
        assert complaints == []
        context.close()

    return take


def _note(complaints: list[str], text: str) -> None:
    if not any(each in text for each in ("ERR_INTERNET_DISCONNECTED", "htmx:sendError", "htmx:afterRequest")):
        complaints.append(text)


def begin_by_touch(stage: Stage, tablet: Device, purpose: str = "decision") -> Observation:
    tablet.tap("nav >> text=Observations")
    tablet.tap("text=Observe somebody")
    tablet.page.fill("[name=name]", "ana")
    tablet.tap("text=Find")
    tablet.tap(f"text={stage.learner.name}")
    expect(tablet.page.locator("h1")).to_have_text(f"Observe {stage.learner.name}")
    tablet.expect_no_barrier()
    tablet.tap(".tile:has-text('With a patient')")
    tablet.tap(f".tile:has([value={purpose}])")
    tablet.tap("main .actions >> text=Begin")
    tablet.page.wait_for_url("**/watch/")
    return Observation.objects.get()


def marks_of(row: Observation) -> dict[str, str]:
    return {
        key: each.get("mark", "")
        for key, each in ObservationDraft.objects.get(observation=row).content["marks"].items()
    }


def as_practised(steps: Steps) -> dict[str, str]:
    """Everything met; what need not arise did not."""
    return {step.key: "did_not_arise" if step.if_arises else "met" for step in steps.steps}


@pytest.mark.std("C-01")
@pytest.mark.std("C-04")
@pytest.mark.std("C-07")
@pytest.mark.std("F-05")
@pytest.mark.std("F-06")
@pytest.mark.std("F-12")
@pytest.mark.parametrize(
    ("first", "then"), [(PORTRAIT, LANDSCAPE), (LANDSCAPE, PORTRAIT)], ids=["portrait", "landscape"]
)
def test_by_touch_interrupted_in_the_middle_gone_on_with_elsewhere_and_signed(
    stage: Stage, device: Any, first: tuple[int, int], then: tuple[int, int]
) -> None:
    steps, practised = stage.steps, as_practised(stage.steps)
    early, late = list(practised)[:9], list(practised)[9:]
    prompted = next(step.key for step in steps.steps if step.critical and step.key in late)
    with device(stage.assessor, first) as tablet:
        row = begin_by_touch(stage, tablet)
        assert tablet.page.evaluate(LARGE_ENOUGH) == []
        for key in early:
            tablet.mark(steps, key, practised[key])
        expect(tablet.page.locator("#marked-words")).to_have_text(f"{len(early)} of {len(steps.steps)} marked")
        tablet.expect_kept(early[-1], practised[early[-1]])
        expect(tablet.page.locator("#saved")).to_have_text(re.compile(r"Saved \d\d:\d\d"))
        tablet.expect_no_barrier()
        # Called away: the tablet goes into a drawer.
    with device(stage.assessor, then) as other:
        other.tap(f"text=Go on with {stage.learner.name}")
        other.page.wait_for_url("**/watch/")
        expect(other.page.locator("#marked-words")).to_have_text(f"{len(early)} of {len(steps.steps)} marked")
        for key in late[:4]:
            other.mark(steps, key, practised[key])
        other.expect_kept(late[3], practised[late[3]])
        # The lift swallows the connection: what is tapped stays, says so, and arrives by itself.
        other.context.set_offline(True)
        for key in late[4:7]:
            other.mark(steps, key, practised[key])
        expect(other.page.locator("#saved")).to_have_text(re.compile("No connection: .*kept on this device"))
        expect(other.page.locator("#marked-words")).to_have_text(f"{len(early) + 7} of {len(steps.steps)} marked")
        assert len(marks_of(row)) == len(early) + 4
        other.tap(".actions >> text=Check what you sign")
        expect(other.page.locator("#saved")).to_have_text(re.compile("this has to wait"))
        other.context.set_offline(False)
        for key in late[4:7]:
            other.expect_kept(key, practised[key])
        expect(other.page.locator("#saved")).to_have_text(re.compile(r"Saved \d\d:\d\d"))
        until(other.page, "Object.keys(localStorage).length === 0")
        for key in late[7:]:
            other.mark(steps, key, practised[key])
        other.mark(steps, prompted, "prompted")
        other.expect_kept(prompted, "prompted")
        expect(other.page.locator("#marked")).to_contain_text("Every step is marked")
        expect(other.page.locator("#limit")).to_contain_text("it can only be ‘not yet’")
        for name, value in (("rating", "2"), ("given", "in_room"), ("recommended", "in_room")):
            other.tap(f"#said-{name} label.tile:has([value='{value}'])")
        other.page.fill("#id_feedback", "Sure hands. Have the container nearer.")
        other.tap(".actions >> text=Check what you sign")
        other.page.wait_for_url(re.compile("/check/"))
        expect(other.page.locator("main")).to_contain_text("Say what you decide.")
        other.tap("text=Go on with what is missing")
        other.page.wait_for_url("**#said-met")
        other.tap("#said-met label.tile:has([value='no'])")
        other.tap(".afoot >> text=Back to the check")
        other.page.wait_for_url(re.compile("/check/"))
        expect(other.page.locator("main")).to_contain_text("was met only after a prompt, and it is a critical step")
        expect(other.page.locator("main")).to_contain_text("Not provided")
        other.expect_no_barrier()
        other.page.fill("[name=secret]", SECRET)
        other.tap(".signing button")
        expect(other.page.locator("main")).to_contain_text("Sure hands. Have the container nearer.")
        other.expect_no_barrier()
        other.page.go_back()
        expect(other.page.locator("main")).to_contain_text("This observation is signed.")
    row.refresh_from_db()
    assert (row.verdict, row.missed) == ("not_yet", prompted)
    assert {key: str(seen.mark) for key, seen in observing.check(row).marks.items()} == {
        **practised,
        prompted: "prompted",
    }
    assert Observation.objects.count() == 1


def test_what_was_ticked_offline_survives_a_closed_tab(stage: Stage, device: Any) -> None:
    keys = [step.key for step in stage.steps.steps][:3]
    with device(stage.assessor, PHONE) as phone:
        row = begin_by_touch(stage, phone, "learning")
        phone.context.set_offline(True)
        phone.mark(stage.steps, keys[0], "not_met")
        phone.mark(stage.steps, keys[1], "met")
        expect(phone.page.locator("#saved")).to_have_text(re.compile("No connection: 2 answers are kept"))
        phone.page.close()
        assert marks_of(row) == {}
        phone.context.set_offline(False)
        phone.page = phone.context.new_page()
        phone.open(reverse("observe", args=[row.uuid]))
        phone.expect_kept(keys[0], "not_met")
        phone.expect_kept(keys[1], "met")
        expect(phone.page.locator(f"#step-{keys[0]} [value=not_met]")).to_be_checked()
        expect(phone.page.locator("#marked-words")).to_have_text(f"2 of {len(stage.steps.steps)} marked")
        until(phone.page, "Object.keys(localStorage).length === 0")
    assert marks_of(row) == {keys[0]: "not_met", keys[1]: "met"}


def test_what_another_device_changed_meanwhile_is_not_undone_and_is_told(stage: Stage, device: Any) -> None:
    key = stage.steps.steps[0].key
    with device(stage.assessor, PORTRAIT) as tablet, device(stage.assessor, PHONE) as phone:
        row = begin_by_touch(stage, tablet)
        tablet.context.set_offline(True)
        tablet.mark(stage.steps, key, "met")
        expect(tablet.page.locator("#saved")).to_have_text(re.compile("No connection"))
        phone.open(reverse("observe", args=[row.uuid]))
        phone.mark(stage.steps, key, "not_met")
        phone.expect_kept(key, "not_met")
        tablet.context.set_offline(False)
        expect(tablet.page.locator(f"#step-{key}")).to_contain_text("Another device said ‘Not met’ meanwhile")
        expect(tablet.page.locator(f"#step-{key} [value=not_met]")).to_be_checked()
        assert marks_of(row) == {key: "not_met"}
        # Chosen again, it is a knowing choice.
        tablet.mark(stage.steps, key, "met")
        tablet.expect_kept(key, "met")
    assert marks_of(row) == {key: "met"}


def test_a_note_is_saved_while_it_is_typed_and_one_with_a_patient_in_it_is_not(stage: Stage, device: Any) -> None:
    key = stage.steps.steps[0].key
    with device(stage.assessor, LANDSCAPE) as tablet:
        row = begin_by_touch(stage, tablet)
        tablet.page.locator(f"#step-{key} summary").first.tap()
        tablet.page.type(f"#id_note-{key}", "Asked first.")
        expect(tablet.page.locator(f"#was-step-{key}")).to_have_value(json.dumps(["", "", "Asked first."]))
        tablet.page.fill(f"#id_note-{key}", "MRN 1234567")
        expect(tablet.page.locator(f"#fault-step-{key}")).not_to_be_empty()
        expect(tablet.page.locator("#saved")).to_contain_text("Not saved")
        tablet.expect_no_barrier()
    assert ObservationDraft.objects.get(observation=row).content["marks"][key]["note"] == "Asked first."


def test_practice_that_stopped_at_a_missed_vein_is_one_tap(stage: Stage, device: Any) -> None:
    steps = stage.steps
    stands = {phase.key for phase in steps.phases if phase.stands}
    with device(stage.assessor, PORTRAIT) as tablet:
        row = begin_by_touch(stage, tablet)
        for step in steps.steps:
            if step.phase in stands:
                tablet.mark(steps, step.key, "did_not_arise" if step.if_arises else "met")
        tablet.tap("text=It stopped: mark the rest as not reached")
        expect(tablet.page.locator("#marked-words")).to_have_text(f"{len(steps.steps)} of {len(steps.steps)} marked")
        expect(tablet.page.locator("#limit")).to_contain_text("met as far as it went")
        tablet.expect_no_barrier()
    assert {marks_of(row)[step.key] for step in steps.steps if step.phase not in stands} == {"not_reached"}


@pytest.mark.std("C-05")
def test_the_keyboard_alone_observes_to_the_signature(stage: Stage, device: Any) -> None:
    with device(stage.assessor, (1280, 900)) as desk:
        page = desk.page

        def to(selector: str, at_most: int = 120) -> None:
            for _ in range(at_most):
                page.keyboard.press("Tab")
                if page.evaluate("selector => document.activeElement.matches(selector)", selector):
                    return
            raise AssertionError(f"{selector} is not reached with the Tab key")

        desk.open(f"{reverse('observe_begin')}?clinician={stage.learner.uuid}")
        to("[name=setting]")
        page.keyboard.press("Space")
        to("[name=purpose]")
        page.keyboard.press("Space")  # for learning
        to(".actions button")
        page.keyboard.press("Enter")
        page.wait_for_url("**/watch/")
        keys = [step.key for step in stage.steps.steps]
        for key in keys:
            to(f"[name=mark-{key}]")
            page.keyboard.press("Space")
        desk.expect_kept(keys[-1], "met")
        for name in ("rating", "given", "recommended"):
            to(f"[name={name}]")
            page.keyboard.press("Space")
        to(".watch > .actions button[value=check]")
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile("/check/"))
        to("[name=secret]")
        page.keyboard.type(SECRET)
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile(r"/observations/[0-9a-f-]+/$"))
    row = Observation.objects.get()
    assert row.signed_id
    assert row.rating == 1
    assert {str(seen.mark) for seen in observing.check(row).marks.values()} == {"met"}


@pytest.mark.std("C-06")
def test_the_bar_that_stays_in_sight_hides_nothing_that_has_the_focus(stage: Stage, device: Any) -> None:
    covered = """() => { const box = document.activeElement.closest(".tile, summary, button, textarea, a")
        .getBoundingClientRect(), bar = document.querySelector(".afoot").getBoundingClientRect();
        return !document.activeElement.closest(".afoot") && box.top < bar.bottom - 1 && box.bottom > bar.top + 1; }"""
    with device(stage.assessor, PHONE) as phone:
        begin_by_touch(stage, phone)
        page = phone.page
        page.locator("#watch .afoot a").focus()
        hidden = []
        for way, presses in (("Tab", 60), ("Shift+Tab", 50)):
            for _ in range(presses):
                page.keyboard.press(way)
                if page.evaluate(covered):
                    hidden.append(page.evaluate("document.activeElement.outerHTML.slice(0, 120)"))
        assert hidden == []


@pytest.mark.std("C-21")
def test_without_script_a_button_saves_and_everything_is_reached(stage: Stage, device: Any) -> None:
    with device(stage.assessor, PORTRAIT, java_script_enabled=False) as tablet:
        row = begin_by_touch_without_script(stage, tablet)
        for step in stage.steps.steps:
            tablet.page.locator(f"label[for='id_mark-{step.key}_0']").tap()
        tablet.tap(".actions >> text=Save")
        expect(tablet.page.locator("#marked-words")).to_have_text(
            f"{len(stage.steps.steps)} of {len(stage.steps.steps)} marked"
        )
        for name in ("rating", "given", "recommended"):
            tablet.page.locator(f"label[for='id_{name}_1']").tap()
        tablet.page.locator("label[for='id_met_0']").tap()
        tablet.tap(".actions >> text=Check what you sign")
        tablet.page.fill("[name=secret]", SECRET)
        tablet.tap(".signing button")
        expect(tablet.page.locator("main")).to_contain_text("Met: every critical step was met without a prompt.")
    row.refresh_from_db()
    assert row.verdict == "met"


def begin_by_touch_without_script(stage: Stage, tablet: Device) -> Observation:
    tablet.open(f"{reverse('observe_begin')}?clinician={stage.learner.uuid}")
    tablet.tap(".tile:has-text('With a patient')")
    tablet.tap(".tile:has([value=decision])")
    tablet.tap("main .actions >> text=Begin")
    tablet.page.wait_for_url("**/watch/")
    return Observation.objects.get()


def test_the_learner_reads_and_answers_on_a_phone(stage: Stage, device: Any) -> None:
    row = observing.begin(
        actor=stage.assessor, uuid=uuid4(), clinician=stage.learner, procedure=stage.procedure,
        unit=stage.cast.wards.ward, purpose="learning", setting="patient",
    )  # fmt: skip
    changes = {"rating": 2, "given": "in_room", "recommended": "nearby", "feedback": "Slow down at the wrist."}
    marks = {key: {"mark": mark} for key, mark in as_practised(stage.steps).items()}
    observing.save(user=stage.assessor, observation=row, changes={**changes, "marks": marks})
    observing.sign(signer=hand(row), observation=row)
    assert stage.learner.user is not None
    with device(stage.learner.user, PHONE) as phone:
        phone.tap("#observed ~ ul a")
        expect(phone.page.locator("main h2").first).to_have_text("Feedback")
        phone.expect_no_barrier()
        phone.tap("text=I have read it")
        phone.page.fill("[name=text]", "Thank you.")
        phone.expect_no_barrier()
        phone.tap("main form .actions button")
        expect(phone.page.locator("main")).to_contain_text("Read and talked over")
    assert row.replies.get().text == "Thank you."
