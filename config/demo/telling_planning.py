"""What managers plan with: how many people units need, and the policies that rules rest on, one of them due."""

from dataclasses import replace
from datetime import date, timedelta

from config.demo.doors import Doors
from config.demo.groundplan import HARBOUR, SALTMARSH
from config.demo.plan import Plan
from credentials import policies
from credentials.models import LocalPolicy
from people.settings import set_setting

INSERTION, SHARPS, OLD = "Peripheral cannulation", "Sharps and exposure", "Cannulation in renal patients"
# Unit, people who may insert alone, supervisors: some have enough, some will not, some lack one now.
NEEDED = (("tern", 8, 2), ("heron", 10, 2), ("curlew", 4, 5), ("emergency", 6, 2), ("egret", 4, 2), ("imaging", 2, 1))


def tell(plan: Plan) -> None:
    plan.turn(plan.ago(330), lambda doors: _need(doors, plan.ago(330)))
    plan.turn(plan.ago(320), lambda doors: _note(doors, plan.today))
    plan.turn(plan.ago(60), _mend)


def _need(doors: Doors, first: date) -> None:
    for unit, people, supervisors in NEEDED:
        _set(doors, unit, "cover_needed", people, first)
        _set(doors, unit, "supervisors_needed", supervisors, first)


def _set(doors: Doors, unit: str, name: str, value: int, first: date) -> None:
    set_setting(
        actor=doors.first, unit=doors.units[unit], name=name, value=str(value), about="ADULT", from_day=first
    )  # fmt: skip


def _note(doors: Doors, today: date) -> None:
    """Three at one hospital and one at the other, which is overdue by now."""
    every = ("rules", "programme", "checklist")
    _open(doors, SALTMARSH, INSERTION, "WCH-0412, version 3, policy library", every, today + timedelta(days=21))
    _open(doors, SALTMARSH, SHARPS, "WCH-0096, version 7, policy library", ("rules",), today + timedelta(days=200))
    _open(doors, SALTMARSH, OLD, "WCH-0233, version 1, paper folder", ("programme",), today + timedelta(days=30))
    _open(doors, HARBOUR, INSERTION, "HP-018, version 2, education office", every, today - timedelta(days=9))


def _open(doors: Doors, hospital: str, title: str, kept_at: str, rests: tuple[str, ...], review_on: date) -> None:
    said = policies.Policy(
        unit=doors.units[hospital], procedure=None, title=title, kept_at=kept_at, rests=rests, review_on=review_on
    )
    signer = doors.confirm(doors.educator(hospital), policies.OPENED, [said.digest])
    policies.open_policy(signer=signer, policy=said)


def _mend(doors: Doors) -> None:
    """One has a new version of its paper, another gave way to it."""
    educator = doors.educator(SALTMARSH)
    changed = LocalPolicy.objects.known().get(title=SHARPS)
    said = replace(policies.policy_of(changed), kept_at="WCH-0096, version 8, policy library")
    signer = doors.confirm(educator, policies.CHANGED, [policies.change_digest(changed, said)])
    policies.change_policy(signer=signer, row=changed, policy=said)
    ended = LocalPolicy.objects.known().get(title=OLD)
    reason = "Its content is part of WCH-0412 now."
    signer = doors.confirm(educator, policies.ENDED, [policies.end_digest(ended, reason)])
    policies.end_policy(signer=signer, row=ended, reason=reason)
