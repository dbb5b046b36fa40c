"""Rules in the words of the screens: what each is called, and what it asks."""

from audits.vocabulary import EVENTS

RULE_WORDS = {
    "first_attempt_rate": "First-attempt rate",
    "drift": "Drift",
    "repeated_failure": "Repeated failure",
    "recency": "Recency",
    "volume": "Volume",
    "attempts_limit": "Attempts limit",
    "serious_event": "Serious event",
    "critical_step": "Critical step",
    "observation_overdue": "Observation overdue",
    "expiry": "Expiry",
}

RULE_EXPLAINED = {
    "first_attempt_rate": "Looked at on the first of each month, for holders: with enough insertions in the window, is "
    "even the upper end of the interval below the target?",
    "drift": "After each insertion of a holder: has the run of failures and successes moved further than an acceptable "
    "failure rate explains? The limit follows from how rarely a false alarm is wanted.",
    "repeated_failure": "For holders: the latest insertions in the rate all failed.",
    "recency": "For holders: no insertion for a long time; days of absence are left out.",
    "volume": "For holders: few insertions over a year without absence.",
    "attempts_limit": "For everybody, entry by entry: more punctures than the limit.",
    "serious_event": "For everybody, entry by entry: one of the events chosen here.",
    "critical_step": "For everybody, observation by observation: a critical step was not met, or only after a prompt, "
    "with a patient and for a decision.",
    "observation_overdue": "For who learns or holds: nobody has watched them with a patient for a long time; days of "
    "absence are left out.",
    "expiry": "Notice, grace and lapse of an award are noted on the page. Never a review.",
}

OPTION_WORDS = {
    "note": "A note on the page",
    "review": "A review: the person is asked",
    "upper_bound": "The upper end of the interval",
    "rate": "The bare rate",
    "alone": "alone",
    "nearby": "with a supervisor nearby",
    "in_room": "with a supervisor in the room",
    "no": "not on patients",
}

# What a colleague may not read from a status, nor a supervisor: these are decisions about a person.
DECIDED = ("stood_down", "suspended", "withdrawn")

STATUS_EXPLAINED = {
    "no_placement": "Neither placed nor appointed anywhere on that day, so nothing can be answered for.",
    "stood_down": "Stopped at once by somebody in charge. Ends by itself after a few days, or as an educator decides.",
    "suspended": "Stopped by a signed decision until another one.",
    "withdrawn": "The award was taken away by a signed decision. It takes a new enrolment or award.",
    "provisional": "Award in force, in the first months after a first award.",
    "due": "Award in force, and renewal is open.",
    "current": "Award in force.",
    "in_grace": "The award expired a short time ago. What is allowed until it lapses is a local decision.",
    "by_role": "Inserts by appointment, for example as an anaesthetic specialist, without being enrolled.",
    "lapsed": "Held an award once; it ran out and was not renewed in time.",
    "ready_for_award": "All terms are met. The award waits for an educator.",
    "in_training": "Enrolled, with terms still to meet.",
    "not_enrolled": "Neither learning this procedure nor holding it.",
}

BASIS_WORDS = {
    "every_insertion": "every insertion is logged",
    "fortnight": "a logging fortnight each quarter",
    "tally": "shift tally only",
}


def option_words(word: str) -> str:
    """A coded value of a rule or programme in words; a serious event as the log says it."""
    if word in EVENTS:
        return EVENTS[word].words
    return OPTION_WORDS.get(word, word.replace("_", " "))


# Acts about a person, as the history of a page says them.
ACT_WORDS = {
    "absence.set": "Absence noted",
    "account.opened": "Account opened",
    "award.extended": "Award extended to another unit",
    "award.made": "Awarded",
    "award.renewed": "Award renewed",
    "certificate.made": "Certificate given out",
    "certificate.revoked": "Certificate revoked",
    "clinician.changed": "Name, number or profession changed",
    "clinician.opened": "Taken into the register",
    "completion.recorded": "Completion noted",
    "completion.withdrawn": "Completion withdrawn",
    "enrolment.closed": "Enrolment ended",
    "enrolment.moved": "Moved to another version of the programme",
    "enrolment.opened": "Enrolled",
    "founding.decided": "Founding award decided",
    "founding.entered": "Founding award entered",
    "paper.made": "Paper taken away",
    "placement.set": "Placement changed",
    "policy.changed": "Policy changed",
    "policy.ended": "Policy ended",
    "policy.opened": "Policy noted",
    "plan.ended": "Re-supervision plan ended",
    "plan.extended": "Re-supervision plan extended",
    "plan.made": "Re-supervision plan opened",
    "referral.ended": "Referral taken back",
    "referral.made": "Case referred",
    "return_plan.ended": "Return plan ended",
    "return_plan.extended": "Return plan extended",
    "return_plan.made": "Return plan opened",
    "return_step.signed": "Return step signed as done",
    "recognition.decided": "Decided what was brought from elsewhere",
    "recognition.withdrawn": "Recognition withdrawn",
    "scope.decided": "Scope by role decided",
    "scope.ended": "Scope by role ended",
    "stand_down.ended": "Stand-down ended",
    "stand_down.made": "Stood down",
    "suspension.ended": "Reinstated",
    "suspension.made": "Suspended",
    "tally.noted": "Shift tally noted",
    "withdrawal.made": "Award withdrawn",
}


def act_words(kind: str) -> str:
    """What happened, in plain words; a kind without words of its own is spelt out."""
    return ACT_WORDS.get(kind, kind.replace(".", " ").replace("_", " ").capitalize())
