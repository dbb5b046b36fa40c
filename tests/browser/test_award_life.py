"""One life in one register, by real pages: from enrolment to award, renewal, lapse, return, suspension and back,
re-supervision to its end, and a dispute to its decision. Each step by whoever may, and refused to everybody else.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from audits import countersigning, logbook
from audits.models import Insertion, Procedure, Restriction, Statement
from credentials import proposing
from credentials.models import Flag, Programme, Rules
from credentials.rules.answers import Answer
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import clock
from people.clock import in_words
from people.models import Clinician, User
from tests.audits.conftest import entry_of, give_award
from tests.audits.observed import Watched, problems, signed
from tests.browser.acting import Person, company, on_the_morning_of
from tests.credentials.conftest import sign
from tests.factories import ZONE, Cast, ChecklistFactory, ProcedureFactory, make_appointed, make_cast, make_clinician

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from pytest_django.live_server_helper import LiveServer

# A small programme: a year, with short notice and grace; who lapsed may not insert until a return plan says so.
TERMS = Terms(
    insertions=3, supervisors=2, days=2, observations=1, months=12, provisional_months=3, notice_days=60,
    grace_days=14, lapsed_gives=Answer.NO, renewal_insertions=1,
)  # fmt: skip
BEFORE = date(2026, 3, 1)

# 1-product, 'Who sees and does what', asked about somebody who learns on Ward 4 Tern: what a GET of the page that
# does it answers. Out of scope is 404, in scope and not allowed 403, and nobody does any of it about themselves.
#   decide   enrol, award, renew, suspend, plan: an educator of the unit
#   answer   countersign, send back, 'not me': the supervisor whom the entry names; who may not see it is told 404
#   rule     decide a dispute: an educator of the unit who is neither side; `educator` signed the entry and is one
WHO_MAY = """
                          decide  answer  rule
    learner               403     403     403
    colleague             403     403     403
    supervisor            403     200     403
    senior                403     404     403
    assessor              403     404     403
    manager               403     403     403
    auditor               403     403     403
    administrator         403     403     403
    educator              200     403     403
    second                200     403     200
    educator_next_door    403     404     404
    educator_elsewhere    404     404     404
"""

ONLOOKERS = ("colleague", "senior", "manager", "auditor", "administrator", "educator_next_door", "educator_elsewhere")
SAID = {Answer.NO: "not on patients", Answer.IN_ROOM: "with a supervisor in the room", Answer.ALONE: "alone"}


def column(title: str) -> dict[str, int]:
    """Who -> what the page answers."""
    head, *lines = (line.split() for line in WHO_MAY.strip().splitlines())
    return {line[0]: int(line[1 + head.index(title)]) for line in lines}


@dataclass(frozen=True)
class Life:
    """The register, whose life it is, and everybody at their browsers."""

    cast: Cast
    procedure: Procedure
    stage: Watched
    people: Mapping[str, Person]

    @property
    def who(self) -> Clinician:
        return self.cast.owner

    @property
    def page(self) -> str:
        return reverse("person", args=[self.who.uuid])

    def at(self, name: str) -> Person:
        return self.people[name]

    def decision(self, name: str, *more: object) -> str:
        """The page of a decision about this person."""
        return reverse(name, args=[self.who.uuid, *more])

    # --- what must hold at every step ---

    def only(self, title: str, page: str, ways: Mapping[str, str]) -> None:
        """Who may open what does it, and to whom a page offers the link to it: those, and nobody else.

        `ways` are the words of the links that this page has now, with where they lead.
        """
        for name, status in column(title).items():
            person = self.at(name)
            assert (name, person.open(page)) in [(name, 200), *((name, each) for each in (403, 404) if status != 200)]
            for words, path in ways.items():
                link = person.link(words)
                expect(link, f"{name} is offered {words!r}").to_have_count(1 if status == 200 else 0)
                assert (name, words, person.status(path)) == (name, words, status)

    def stands(self, answer: Answer, status: str, *, why: str = "", through: date | None = None) -> None:
        """The answer at home, as the person's page tells its educator and Who can a colleague; its last day."""
        educator, colleague = self.at("educator"), self.at("colleague")
        educator.open(self.page)
        words = SAID[answer]
        told = "may not insert on patients" if answer is Answer.NO else f"may insert {words}"
        block = educator.main.locator(".answer").first
        expect(block.locator(".say")).to_have_text(f"Today {self.who.name} {told}.")
        expect(educator.main).to_contain_text(f"Status: {status}")
        if why:
            expect(block).to_contain_text(why)
        colleague.open(f"{reverse('who_can')}?name={self.who.staff_number}")
        found = colleague.main.locator("[aria-labelledby=found] .sheet")
        here = colleague.main.locator("[aria-labelledby=here] tbody tr")
        for line in (found, here.filter(has_text=self.who.name)):
            expect(line.locator(".can")).to_have_text(words)
            # Ward colleagues are told the answer and its last day, no reasons.
            expect(line).not_to_contain_text(status)
        if through:
            expect(found).to_contain_text(f"through {in_words(through)}")

    # --- what is not told by pages ---

    def log(self, by: User | None, *, signed: bool = True, **said: Any) -> Insertion:
        """The learner logs an insertion of an hour ago; who supervised was in the room and signs."""
        then = clock.now().astimezone(ZoneInfo(ZONE)).replace(tzinfo=None, second=0, microsecond=0, fold=0)
        entry = entry_of(self.who, self.cast.wards.ward, by, performed=then - timedelta(hours=1), **said)
        assert self.who.user is not None
        made = logbook.record_insertion(actor=self.who.user, entry=entry)
        if by and signed:
            signer = sign(by, made.digest, meaning="countersigned")
            countersigning.countersign(signer=signer, insertion=made, nearness="in_room")
        return made


@pytest.fixture
def life(
    transactional_db: None, browser: "Browser", live_server: "LiveServer", monkeypatch: pytest.MonkeyPatch
) -> Iterator[Life]:
    """A department with a programme, rules and a checklist in force, and a learner who is not enrolled yet."""
    monkeypatch.setattr(clock, "_offset", timedelta())  # put back at the end
    clock.run_from(datetime(2026, 3, 1, 10, tzinfo=ZoneInfo(ZONE)))
    cast, procedure = make_cast(), ProcedureFactory()
    wards = cast.wards
    users = {
        "learner": cast.owner.user,
        "colleague": cast.colleague.user,
        "supervisor": cast.supervisor,
        "senior": make_appointed("supervisor", wards.department, "Sen Ior"),
        "assessor": cast.assessor,
        "manager": cast.manager,
        "auditor": cast.auditor,
        "administrator": cast.administrator,
        "educator": cast.educator,
        "second": make_appointed("educator", wards.department, "Seco Nd"),
        "educator_next_door": make_appointed("educator", wards.day_ward, "Nex Tdoor"),
        "educator_elsewhere": make_appointed("educator", wards.other_hospital, "Els Ewhere"),
    }
    for name in ("supervisor", "senior", "assessor", "educator"):
        holder = make_clinician(wards.ward, users[name].name, account=False)
        Clinician.objects.filter(pk=holder.pk).update(user=users[name])
        give_award(holder, procedure, wards.department, expires_on=date(2100, 1, 1), months=900)
    for model, content in ((Programme, TERMS.to_content()), (Rules, _one_rule())):
        row = proposing.propose(
            model, actor=cast.educator, unit=wards.department, procedure=procedure, name="Local", content=content,
            effective_on=BEFORE,
        )  # fmt: skip
        proposing.approve(signer=sign(users["second"], proposing.document_digest(row)), document=row)
    checklist = ChecklistFactory(procedure=procedure, unit=wards.hospital)
    stage = Watched(cast, procedure, checklist, wards.ward, cast.owner, cast.assessor, cast.assessor)
    with company(browser, live_server.url, users, onlookers=ONLOOKERS) as people:
        yield Life(cast, procedure, stage, people)


def _one_rule() -> dict[str, Any]:
    """Only serious events are asked about: what else a quiet year would raise is told elsewhere."""
    content: dict[str, Any] = default_content()
    return {**content, "rules": {"serious_event": content["rules"]["serious_event"]}}


def test_an_award_lives_from_enrolment_to_the_end_of_a_dispute_by_those_who_may_and_nobody_else(life: Life) -> None:
    on_the_morning_of(date(2026, 3, 2))
    enrolled(life)
    on_the_morning_of(date(2026, 3, 3))
    practised(life)
    on_the_morning_of(date(2026, 3, 6))
    awarded(life)
    renewed(life)
    lapsed(life)
    returned(life)
    suspended(life)
    supervised_again(life)
    remembered(life)


def enrolled(life: Life) -> None:
    """Enrolled, then the terms of entry noted: only then the first patient."""
    educator = life.at("educator")
    life.stands(Answer.NO, "not enrolled")
    note = "Note a test, a session or a policy read"
    life.only("decide", life.page, {"Enrol": life.decision("enrol"), note: life.decision("completion")})
    educator.open(life.page)
    educator.follow("Enrol")
    educator.press("Save")
    expect(educator.main).to_contain_text("is enrolled")
    life.stands(Answer.NO, "in training", why="before the first patient")

    for kind in ("knowledge", "simulation"):
        educator.open(life.page)
        educator.follow(note)
        educator.choose(kind=kind, passed="yes")
        educator.press("Save")
        expect(educator.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.IN_ROOM, "in training", why="Supervised insertions: have 0, need 3")


def practised(life: Life) -> None:
    """Logged at the bedside, countersigned by whoever was there, observed for a decision by an assessor."""
    learner, supervisor, assessor = life.at("learner"), life.at("supervisor"), life.at("assessor")
    learner.log(supervisor.user)
    entry = Insertion.objects.get()
    page = reverse("entry", args=[entry.uuid])
    life.only("answer", page, {"Answer as the supervisor": reverse("send_back", args=[entry.uuid])})
    life.stands(Answer.IN_ROOM, "in training", why="Supervised insertions: have 0, need 3")
    supervisor.countersign("in_room")
    life.stands(Answer.IN_ROOM, "in training", why="Supervised insertions: have 1, need 3")
    for day in (4, 5):
        on_the_morning_of(date(2026, 3, day))
        life.log(life.at("senior").user)

    # A supervisor may watch for learning; for a decision it takes an assessor who holds the procedure.
    begin = f"{reverse('observe_begin')}?clinician={life.who.uuid}"
    for name, purposes in (("supervisor", ["learning"]), ("educator", ["learning"]), ("assessor", None)):
        life.at(name).open(begin)
        offered = life.at(name).main.locator("[name=purpose]")
        expect(offered.first).to_be_attached()
        found = offered.evaluate_all("boxes => boxes.map((box) => box.value)")
        assert (name, sorted(found)) == (name, purposes or ["decision", "learning"])
    for name in ("learner", "colleague", "manager", "auditor", "administrator"):
        assert (name, life.at(name).status(begin)) == (name, 403)
    assessor.choose(setting="patient", purpose="decision")
    assessor.press("Begin")
    assessor.page.wait_for_url("**/watch/")
    for step in ("hands", "hair", "sharps", "flush"):
        assessor.page.locator(f"#step-{step} label.tile:has([value=met])").click()
        expect(assessor.page.locator(f"#was-step-{step}")).to_have_value('["met", "", ""]')
    for name, value in (("rating", "2"), ("given", "in_room"), ("recommended", "nearby"), ("met", "yes")):
        assessor.page.locator(f"#said-{name} label.tile:has([value='{value}'])").click()
    assessor.page.locator(".actions >> text=Check what you sign").click()
    assessor.page.wait_for_url("**/check/")
    assessor.sign("Sign the observation")
    expect(assessor.main).to_contain_text("Met: every critical step was met without a prompt.")
    life.stands(Answer.IN_ROOM, "ready for award", why="the award waits for an educator's decision")


def awarded(life: Life) -> None:
    """The check page says what is there; the signature makes it so, for a year less a day."""
    educator = life.at("educator")
    life.only("decide", life.page, {"Go to the award": life.decision("award", life.procedure.pk)})
    educator.open(reverse("today"))
    educator.follow(life.who.name, under="Ready for award")
    educator.follow("Go to the award")
    expect(educator.main).to_contain_text("have 3, need 3")
    expect(educator.main).to_contain_text("Nothing hangs: all is signed")
    educator.sign("Award")
    expect(educator.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.ALONE, "provisional", through=date(2027, 3, 5))


def renewed(life: Life) -> None:
    """No longer provisional after three months, due in notice, renewed on what was logged."""
    educator = life.at("educator")
    on_the_morning_of(date(2026, 6, 5))
    life.stands(Answer.ALONE, "provisional", through=date(2027, 3, 5))
    on_the_morning_of(date(2026, 6, 6))
    life.stands(Answer.ALONE, "current", through=date(2027, 3, 5))
    expect(educator.link("Go to the renewal")).to_have_count(0)
    assert educator.status(life.decision("renew", life.procedure.pk)) == 404
    on_the_morning_of(date(2027, 1, 4))
    life.log(None)
    life.stands(Answer.ALONE, "current", through=date(2027, 3, 5))
    on_the_morning_of(date(2027, 1, 5))
    life.stands(Answer.ALONE, "due", through=date(2027, 3, 5))
    life.only("decide", life.page, {"Go to the renewal": life.decision("renew", life.procedure.pk)})
    educator.open(life.page)
    educator.follow("Go to the renewal")
    educator.sign("Renew")
    expect(educator.main).to_contain_text("is renewed")
    life.stands(Answer.ALONE, "current", through=date(2028, 3, 5))


def lapsed(life: Life) -> None:
    """On the first day after the award in grace, on the first after that lapsed; no button renews it any more."""
    on_the_morning_of(date(2028, 3, 5))
    life.stands(Answer.ALONE, "due", through=date(2028, 3, 5))
    on_the_morning_of(date(2028, 3, 6))
    life.stands(Answer.IN_ROOM, "in grace", why="The award expired on 6 March 2028", through=date(2028, 3, 19))
    on_the_morning_of(date(2028, 3, 19))
    life.stands(Answer.IN_ROOM, "in grace", through=date(2028, 3, 19))
    on_the_morning_of(date(2028, 3, 20))
    life.stands(Answer.NO, "lapsed", why="The award lapsed: it expired on 6 March 2028.")
    expect(life.at("educator").link("Go to the renewal")).to_have_count(0)


def returned(life: Life) -> None:
    """A signed return plan opens supervised practice; enrolled anew, the terms met, awarded again: the plan is over."""
    educator, second = life.at("educator"), life.at("second")
    life.only("decide", life.page, {"Open a return plan": life.decision("limit", "return_plan")})
    educator.open(life.page)
    educator.follow("Open a return plan")
    educator.fill(insertions="3", observations="1", due_on="20 June 2028", reason="A year on a ward without lines.")
    educator.check_and_sign("Open the plan")
    expect(educator.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.IN_ROOM, "lapsed", why="A return plan opened on 20 March 2028")
    educator.follow("Enrol")
    educator.press("Save")
    expect(educator.main).to_contain_text("is enrolled")
    expect(educator.link("Go to the award")).to_have_count(0)
    for day, name in ((21, "supervisor"), (22, "senior"), (23, "senior")):
        on_the_morning_of(date(2028, 3, day))
        life.log(life.at(name).user)
        life.stands(Answer.IN_ROOM, "lapsed")
    signed(life.stage)
    life.only("decide", life.page, {"Go to the award": life.decision("award", life.procedure.pk)})
    second.open(reverse("today"))
    expect(second.link(life.who.name, under="Ready for award")).to_be_visible()
    second.main.get_by_role("link", name="everything on the return plan is there").click()
    expect(second.main).to_contain_text("It ends by itself with the new award")
    second.follow("the person's page")
    second.follow("Go to the award")
    second.sign("Award")
    expect(second.page.locator("h1")).to_have_text(life.who.name)
    expect(second.main).not_to_contain_text("Decisions that limit")
    life.stands(Answer.ALONE, "current", through=date(2029, 3, 22))


def suspended(life: Life) -> None:
    """With its last day, whatever is held; reinstated before it."""
    educator = life.at("educator")
    on_the_morning_of(date(2028, 5, 1))
    life.only("decide", life.page, {"Suspend": life.decision("limit", "suspension")})
    educator.open(life.page)
    educator.follow("Suspend")
    educator.fill(until_day="14 May 2028", reason="Until it is talked over.")
    educator.check_and_sign("Suspend")
    expect(educator.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.NO, "suspended", why="Suspended since 1 May 2028, through 14 May 2028.")
    on_the_morning_of(date(2028, 5, 4))
    life.stands(Answer.NO, "suspended")
    suspension = Restriction.objects.known().get(kind="suspension")
    life.only("decide", life.page, {"Reinstate": reverse("limit_end", args=[suspension.uuid])})
    educator.open(life.page)
    educator.follow("Reinstate")
    educator.fill(reason="Talked over, and watched twice.")
    educator.check_and_sign()
    expect(educator.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.ALONE, "current", through=date(2029, 3, 22))
    on_the_morning_of(date(2028, 5, 15))
    life.stands(Answer.ALONE, "current", through=date(2029, 3, 22))


def supervised_again(life: Life) -> None:
    """A question, the person's reply, a plan decided on it; what it asks is disputed, ruled on, done and signed."""
    learner, educator, second = life.at("learner"), life.at("educator"), life.at("second")
    life.log(None, events=("needlestick",))
    on_the_morning_of(date(2028, 5, 16))
    question = reverse("review", args=[Flag.objects.get().uuid])
    life.stands(Answer.ALONE, "current")  # a question never changes it
    learner.open(question)
    learner.fill(text="The container stood behind me.")
    learner.press("Send your reply")
    expect(learner.main.locator(".timeline")).to_contain_text("The container stood behind me.")
    life.only("decide", question, {"Open a re-supervision plan": life.decision("limit", "plan")})
    educator.open(question)
    educator.follow("Open a re-supervision plan")
    educator.fill(insertions="2", observations="0", due_on="16 June 2028", reason="Somebody beside for the next two.")
    educator.check_and_sign("Open the plan")
    expect(educator.main).to_contain_text("The question is closed by it.")
    life.stands(Answer.IN_ROOM, "current", why="A re-supervision plan opened on 16 May 2028")

    on_the_morning_of(date(2028, 5, 17))
    life.log(life.at("supervisor").user)
    learner.log(educator.user)
    educator.countersign("nearby")
    plan = reverse("plan", args=[Restriction.objects.known().get(kind="plan").uuid])
    educator.open(plan)
    expect(educator.main).to_contain_text("have 1, need 2")
    disputed(life)
    educator.open(plan)
    expect(educator.main).to_contain_text("have 2, need 2")
    life.stands(Answer.IN_ROOM, "current", why="A re-supervision plan opened on 16 May 2028")  # until it is signed

    end = reverse("limit_end", args=[Restriction.objects.known().get(kind="plan").uuid])
    life.only("decide", plan, {"Complete the plan": end})
    second.open(plan)
    second.follow("Complete the plan")
    second.fill(reason="Two calm ones, the container at hand.")
    second.check_and_sign()
    expect(second.page.locator("h1")).to_have_text(life.who.name)
    life.stands(Answer.ALONE, "current", through=date(2029, 3, 22))
    second.open(question)
    for words in ("The container stood behind me.", "Somebody beside for the next two.", "Two calm ones"):
        expect(second.main.locator(".timeline")).to_contain_text(words)


def disputed(life: Life) -> None:
    """The learner disputes what was signed; the signer says how it was; an educator who is neither decides."""
    learner, educator, second = life.at("learner"), life.at("educator"), life.at("second")
    entry = Insertion.objects.known().get(supervisor=educator.user)
    page, both = reverse("entry", args=[entry.uuid]), reverse("disagreement", args=[entry.uuid])
    learner.open(page)
    learner.follow("Dispute it")
    learner.choose(about="statement")
    learner.fill(reason="Ed stood beside me from the first wipe on.")
    learner.press("Dispute it")
    expect(learner.main).to_contain_text("An educator decides")
    educator.open(both)
    educator.fill(text="I was, for the whole of it. I took the wrong tile.")
    educator.press("Add your statement")
    expect(educator.main).to_contain_text("Your statement is kept.")
    life.only("rule", both, {"Decide it": reverse("disagreement_rule", args=[entry.uuid])})
    life.stands(Answer.IN_ROOM, "current")
    second.open(both)
    second.follow("Decide it")
    second.choose(outcome="struck")
    second.fill(reason="Both say that Ed was in the room.")
    second.check_and_sign("Decide it")
    expect(second.main).to_contain_text("Decided. Both sides read it today.")
    for words in ("from the first wipe on", "I took the wrong tile", "It is struck out, decided by Seco Nd"):
        expect(second.main.locator(".timeline")).to_contain_text(words)
    learner.open(page)
    expect(learner.link("It was disputed before")).to_be_visible()
    for words in (
        "Awaiting countersignature",
        "stands no longer",
        "The dispute was decided: it is struck out, by Seco Nd",
    ):
        expect(learner.main).to_contain_text(words)
    educator.countersign("in_room")
    assert Statement.objects.known().get(insertion=entry).kind == "in_room"


def remembered(life: Life) -> None:
    """What held on a past day is still told of that day, and the ledger vouches for all of it."""
    auditor = life.at("auditor")
    for day, words in (
        ("2 March 2026", "could insert with a supervisor in the room"),
        ("6 March 2026", "could insert alone"),
        ("6 March 2028", "could insert with a supervisor in the room"),
        ("20 March 2028", "could insert with a supervisor in the room"),
        ("4 May 2028", "could insert alone"),
        ("3 May 2028", "could not insert on patients"),
        ("16 May 2028", "could insert with a supervisor in the room"),
    ):
        auditor.open(f"{life.page}?on={day.replace(' ', '+')}")
        expect(auditor.main.locator(".answer .say").first).to_have_text(f"On {day} {life.who.name} {words}.")
    assert problems() == []
