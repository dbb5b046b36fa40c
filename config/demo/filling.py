"""Carrying the plan out: each act at its own time, in order, through the doors that users use."""

import heapq
import io
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from hashlib import sha256
from itertools import count

from django.contrib.auth.hashers import Argon2PasswordHasher

from audits import logbook_sheets
from audits.calendar import add_months
from audits.localtime import local, moment
from audits.logbook_fields import LABELS
from audits.models import Checklist, Procedure
from audits.vocabulary import BANDS as BAND_WORDS
from audits.vocabulary import REASONS, SITES, TECHNIQUES
from config.demo import leads, local_rules
from config.demo.doors import BANDS, Doors
from config.demo.groundplan import AREAS, DOMAIN, GROUP, HOSPITALS, ZONE, hospital, path
from config.demo.names import email
from config.demo.plan import FIRST_REVIEW, SHEETS_COME_ON, Insertion, Plan
from credentials import proposing
from credentials.models import Programme, Rules
from credentials.review import review_today
from credentials.starting import start_register
from ledger import clock, register
from ledger.acts import head, recording
from people import accounts, settings, units
from sheets.reading import read_workbook
from sheets.writing import write_csv

Say = Callable[[str], None]
FILLED = "register.filled"
_SHEET = ("staff_number", "name", "unit", "day", "time", "band", "technique", "result", "attempts", "site", "side",
          "gauge", "reason", "others_before", "events", "difficult", "comment")  # fmt: skip
_KNOWN_ABOUT_LEAVING = timedelta(days=120)


def fill(plan: Plan, *, say: Say, review: bool) -> None:
    """Fill the empty register that is marked as a demo. `review`: with the reviews of two days, and flags worked on."""
    with quick_secrets():
        Filling(plan, say).run(review=review)


@contextmanager
def quick_secrets() -> Iterator[None]:
    """Secrets that cost less to check, in this process: they are printed anyway, and hundreds of acts are signed.

    A hash carries its own cost; with the first sign-in it is made anew at the usual one.
    """
    usual = {name: getattr(Argon2PasswordHasher, name) for name in ("time_cost", "memory_cost", "parallelism")}
    Argon2PasswordHasher.time_cost, Argon2PasswordHasher.memory_cost, Argon2PasswordHasher.parallelism = 1, 64, 1
    try:
        yield
    finally:
        for name, value in usual.items():
            setattr(Argon2PasswordHasher, name, value)


class Filling:
    def __init__(self, plan: Plan, say: Say) -> None:
        self.plan = plan
        self.say = say
        self.doors = Doors(self._later)
        self._agenda: list[tuple[datetime, int, Callable[[], None]]] = []
        self._order = count()
        self._end = moment(datetime.combine(plan.today, time()), ZONE, fold=0)

    def run(self, *, review: bool) -> None:
        self._put_everything(review)
        while self._agenda:
            at, _, act = heapq.heappop(self._agenda)
            with clock.at(at):
                act()
        with clock.at(self._end):
            if review:
                done = review_today()
                self.say(f"Reviewed: {len(done.findings)} findings, {done.flags_raised} flags raised.")
            facts = {"today": self.plan.today.isoformat(), "seed": self.plan.seed, "reviewed": review}
            with recording(actor=None, kind=FILLED, subject=register.this().uuid) as rec:
                rec.content |= facts

    def _put(self, at: datetime, act: Callable[[], None]) -> None:
        """At a local time; nothing happens today or later."""
        self._push(moment(at, ZONE, fold=0), act)

    def _push(self, at: datetime, act: Callable[[], None]) -> None:
        if at < self._end:
            heapq.heappush(self._agenda, (at, next(self._order), act))

    def _later(self, delay: timedelta, act: Callable[[], None]) -> None:
        self._push(clock.now() + delay, act)

    # --- the agenda ---

    def _put_everything(self, review: bool) -> None:
        plan, doors = self.plan, self.doors
        self._put(datetime.combine(plan.start, time(6, 30)), self._open)
        for day in sorted(self._days()):
            self._put(datetime.combine(day, time(7, 0)), lambda day=day: self._begin(day))  # type: ignore[misc]
        for member in plan.members.values():
            if member.left is not None and member.left - member.opened > _KNOWN_ABOUT_LEAVING:
                leaving = datetime.combine(member.left - timedelta(days=10), time(11, 15))
                self._put(leaving, lambda member=member: doors.leave(member.number, member.left))  # type: ignore[misc]
        for each in plan.insertions:
            if not each.from_sheet:
                self._put(each.logged, lambda each=each: doors.log(each))  # type: ignore[misc]
        for at, act in plan.turns + (plan.after_review if review else []):
            self._put(at, lambda act=act: act(doors))  # type: ignore[misc]
        if review:
            self._put(datetime.combine(plan.ago(FIRST_REVIEW), time(5, 0)), self._review)
        self._put_sheets()
        for months in range(3, 24, 3):
            self._put(datetime.combine(add_months(plan.start, months), time(5, 30)), self._tell)

    def _days(self) -> set[date]:
        plan = self.plan
        return {
            *(each.opened for each in plan.members.values()),
            *(each.day for each in plan.posts),
            *(each.entered_on for each in plan.certificates),
        }

    def _put_sheets(self) -> None:
        """Each month each hospital's educator brings in the sheet of the month before."""
        months: dict[tuple[date, str], list[Insertion]] = defaultdict(list)
        for each in self.plan.insertions:
            if each.from_sheet:
                months[each.at.date().replace(day=1), hospital(each.unit)].append(each)
        for (first, where), rows in sorted(months.items()):
            at = datetime.combine(add_months(first, 1).replace(day=SHEETS_COME_ON), time(7, 45))
            self._put(at, lambda rows=rows, where=where, first=first: self._import(where, first, rows))  # type: ignore[misc]

    def _tell(self) -> None:
        until = local(clock.now(), ZONE)
        self.say(f"  through {until:%B %Y}: {self.doors.logged:,} insertions, {head():,} acts")

    def _review(self) -> None:
        done = review_today()
        self.say(f"  a first review: {done.flags_raised} flags raised")

    # --- the first day ---

    def _open(self) -> None:
        doors, plan = self.doors, self.plan
        started = start_register(group=GROUP, email=leads.FIRST.email, name=leads.FIRST.name, zone=ZONE, example=True)
        doors.users[leads.FIRST.email] = accounts.accept(token=started.token, secret=leads.SECRET)
        doors.units[leads.GROUP_KEY] = started.group
        doors.procedures = {each.code: each for each in Procedure.objects.all()}
        for key, name in HOSPITALS.items():
            doors.units[key] = units.open_unit(actor=doors.first, parent=started.group, level="hospital", name=name)
        for area in AREAS.values():
            doors.units[area.key] = units.open_unit(
                actor=doors.first, parent=doors.units[area.hospital], level=area.level, name=area.name
            )
        for lead in leads.LEADS:
            doors.open_account(lead.email, lead.name, key=lead.email, registration=lead.registration)
        self._approve(doors.first.email)
        for code in doors.procedures:
            self._set(leads.GROUP_KEY, "start_day", plan.start.isoformat(), code)
        self._set("emergency", "ceiling_agency", "nearby")
        self._set("imaging", "logging_basis", "fortnight")

    def _set(self, unit: str, name: str, value: str, about: str = "") -> None:
        doors = self.doors
        settings.set_setting(
            actor=doors.first, unit=doors.units[unit], name=name, value=value, about=about, from_day=self.plan.start
        )

    def _approve(self, email: str) -> None:
        """The examples, which nobody here proposed, are read and approved."""
        examples = (Programme, Checklist, Rules)
        waiting = [each for model in examples for each in model._default_manager.filter(approved=None)]
        digests = [proposing.document_digest(each) for each in waiting]
        signer = self.doors.confirm(self.doors.users[email], proposing.MEANING, digests)
        for each in waiting:
            proposing.approve(signer=signer, document=each)

    def _begin(self, day: date) -> None:
        """Whoever comes on this day, with account and appointment, and what they bring."""
        plan, doors = self.plan, self.doors
        signing_in = self._signing_in
        posts = [each for each in plan.posts if each.day == day]
        # Who leads comes first: they take the others in.
        for post in posts:
            if post.who not in plan.members:
                doors.appoint(post.who, post.role, post.unit, day)
        for member in plan.members.values():
            if member.opened != day:
                continue
            is_short = member.left is not None and member.left - member.opened <= _KNOWN_ABOUT_LEAVING
            doors.open_member(member, until=member.left if is_short else None)
            if member.number in signing_in:
                doors.open_account(
                    email(member.name, DOMAIN), member.name, key=member.number, profession=member.profession,
                    registration=f"RN {member.number[:3]} {member.number[3:]}",
                    clinician=doors.clinicians[member.number],
                )  # fmt: skip
        for post in posts:
            if post.who in plan.members:
                doors.appoint(post.who, post.role, post.unit, day)
        if day == plan.start:
            local_rules.take_effect(doors, day)
        if claims := [each for each in plan.certificates if each.entered_on == day]:
            doors.found(claims)

    @property
    def _signing_in(self) -> set[str]:
        """Those who log on the form or are appointed, and the people of stories; others' unit keeps a sheet."""
        plan = self.plan
        logging = {each.who for each in plan.insertions if not each.from_sheet}
        return logging | {each.who for each in plan.posts} | {n for n in plan.members if n.startswith("003")}

    # --- sheets ---

    def _import(self, where: str, first: date, rows: list[Insertion]) -> None:
        stream = io.BytesIO()
        rows.sort(key=lambda each: (each.unit, each.at))
        write_csv(stream, [LABELS[name] for name in _SHEET], map(self._row, rows))
        educator = self.doors.educator(where)
        last = add_months(first, 1) - timedelta(days=1)
        tables = logbook_sheets.read_tables(read_workbook(stream.getvalue(), name="logbook.csv"))
        plan = logbook_sheets.plan_import(
            actor=educator,
            tables=tables,
            file=sha256(stream.getvalue()).hexdigest(),
            days=(max(first, self.plan.start), last),
        )
        signer = self.doors.confirm(educator, logbook_sheets.MEANING, [plan.digest])
        report = logbook_sheets.carry_out(signer=signer, plan=plan)
        self.doors.logged += len(rows)
        if report.has_refusals:
            refused = next(iter(report.problems.values()))
            raise RuntimeError(f"refused of the sheet of {path(where)}, {first:%B %Y}: {refused}")

    def _row(self, each: Insertion) -> tuple[object, ...]:
        last = each.attempts[-1]
        result = "Working first time" if each.works else "Not working"
        if not each.works and last.result == "working":
            result = "Working, not first time"
        reason = next((one.reason for one in reversed(each.attempts) if one.reason), "")
        return (
            each.who, self.plan.members[each.who].name, path(each.unit), each.at.date(), each.at.time(),
            BAND_WORDS[BANDS[each.procedure]].words, TECHNIQUES[last.technique].words, result, len(each.attempts),
            SITES[last.site].words, last.side, last.gauge, REASONS[reason].words if reason else "",
            each.others_before or "", ", ".join(each.events), "yes" if each.difficult else "", each.comment,
        )  # fmt: skip
