"""Whose standing the acts about decisions may change."""

from people import stale
from people.touched import placed_below


def register_all() -> None:
    for kind in (
        "award.extended",
        "award.made",
        "award.renewed",
        "cohort.joined",
        "cohort.left",
        "enrolment.closed",
        "enrolment.moved",
        "enrolment.opened",
        "flag.closed",
        "founding.decided",
        "plan.ended",
        "plan.extended",
        "plan.made",
        "return_plan.ended",
        "return_plan.extended",
        "return_plan.made",
        "return_step.signed",
        "stand_down.ended",
        "stand_down.made",
        "suspension.ended",
        "suspension.made",
        "withdrawal.made",
        "recognition.decided",
        "recognition.withdrawn",
        "scope.decided",
        "scope.ended",
    ):
        stale.register(kind, stale.SELF)
    # A flag is no part of a standing; what is proposed or claimed binds nobody, a programme only who enrols later.
    for kind in (
        "certificate.made",
        "certificate.revoked",
        "checklist.approved",
        "checklist.proposed",
        "checklist.retired",
        "checklist.retirement_decided",
        "checklist.taken_back",
        "cohort.opened",
        "cohort.taken_over",
        "flag.raised",
        "flag.replied",
        "founding.entered",
        "paper.made",
        "policy.changed",
        "policy.ended",
        "policy.opened",
        "programme.approved",
        "programme.proposed",
        "programme.taken_back",
        "referral.ended",
        "referral.made",
        "register.started",
        "rules.proposed",
        "rules.taken_back",
    ):
        stale.register(kind, stale.NOBODY)
    stale.register("rules.approved", placed_below)
