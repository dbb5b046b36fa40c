"""How far somebody is on terms: how much there is of what counts, how much is asked, what does not count and why."""

from collections import Counter
from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from audits.checklist import Purpose, Setting, Verdict
from audits.figures import Credit, CreditCount, Figures, Window
from credentials.rules import awards, logged
from credentials.rules.facts import Award, Enrolment, Facts, Observation, Restriction, months_after
from credentials.rules.terms import Terms
from credentials.rules.words import ONE_DAY, counted

RENEWAL = "renewal"
DISPUTED = "disputed"

# The names of the lines towards entry and award, in their order, and how that of what a holder logged begins.
KNOWLEDGE = "Knowledge tests"
THEORY = "Theory sessions"
POLICIES = "Policies read"
SIMULATION_BEFORE = "Simulation sessions before the first patient"
INSERTIONS = "Supervised insertions"
SUCCESSES = "Of these working first time"
SUPERVISORS = "Different supervisors"
DAYS = "Different days"
SIMULATION = "Simulation sessions"
OBSERVATIONS = "Observations for a decision"
ASSESSORS = "Different assessors of these"
NOT_MAIN = "Of these by somebody other than the main supervisor"
LOGGED = "Insertions logged"


class Line(NamedTuple):
    """One line of 'have 4, need 6'. `note` says what was left out of the count, and why."""

    label: str
    have: int
    need: int
    note: str = ""

    @property
    def is_met(self) -> bool:
        return self.have >= self.need


class Progress(NamedTuple):
    """Towards a first award: what is asked before the first patient, and what is asked before the award."""

    entry: tuple[Line, ...]
    award: tuple[Line, ...]


def is_met(lines: Iterable[Line]) -> bool:
    return all(line.is_met for line in lines)


def missing(lines: Iterable[Line]) -> str:
    """'Supervised insertions: have 4, need 10; ...' for what is not met yet; empty if all is."""
    return "; ".join(f"{line.label}: have {line.have}, need {line.need}" for line in lines if not line.is_met)


def learning_credit(since: date) -> str:
    """The name under which the credit of a time of learning is asked."""
    return f"learning since {since.isoformat()}"


def plan_credit(plan: Restriction) -> str:
    """The name under which the credit on a plan is asked."""
    return f"plan {plan.uuid}"


def towards_award(facts: Facts, figures: Figures, enrolment: Enrolment, on: date) -> Progress:
    """The lines of one enrolment; a line is left out where its term asks for nothing."""
    terms = enrolment.terms
    since = awards.learning_since(facts, enrolment, on)
    credit = figures.credit(learning_credit(since))
    knowledge = _completed(facts, "knowledge", on)
    simulation = _completed(facts, "simulation", on) + credit.attempted[Credit.SIMULATION]
    own, note = insertions_counted(credit, terms)
    brought, brought_note = recognised_counted(facts, credit, terms, on)
    have = own + sum(count for _, count in credit.lent) + brought
    observed, watched = observations_counted(facts, terms.observations, since, on)
    entry = (
        Line(KNOWLEDGE, knowledge, terms.entry_knowledge),
        Line(THEORY, _completed(facts, "theory", on), terms.entry_theory),
        Line(POLICIES, _completed(facts, "policy", on), terms.entry_policy),
        Line(SIMULATION_BEFORE, simulation, terms.entry_simulation),
    )
    award = (
        Line(INSERTIONS, have, terms.insertions, _joined(_lent(facts, credit, terms), brought_note, note)),
        Line(SUCCESSES, _successes(credit, terms), terms.successes),
        Line(SUPERVISORS, len(credit.supervisors), terms.supervisors),
        Line(DAYS, credit.days, terms.days),
        Line(SIMULATION, simulation, terms.simulation),
        Line(OBSERVATIONS, observed, terms.observations, watched),
        *_by_whom(facts, credit, terms, since, on),
    )
    return Progress(tuple(line for line in entry if line.need), tuple(line for line in award if line.need))


def towards_renewal(facts: Facts, figures: Figures, award: Award, on: date) -> tuple[Line, ...]:
    """What renewal asks of a holder: insertions logged, signed or not, and observations."""
    terms = award.terms
    last = f"in the last {counted(terms.renewal_months, 'month')}"
    since = months_after(on, -terms.renewal_months) + ONE_DAY
    observed, watched = observations_counted(facts, terms.renewal_observations, since, on)
    tallied = logged.tallied(facts, Window(since, on))
    lines = (
        Line(
            f"{LOGGED} {last}",
            figures.window(RENEWAL).volume + tallied,
            terms.renewal_insertions,
            f"{tallied} of these from shift tallies" if tallied else "",
        ),
        Line(f"{OBSERVATIONS} {last}", observed, terms.renewal_observations, watched),
    )
    return tuple(line for line in lines if line.need)


def observations_counted(facts: Facts, need: int, first: date, last: date) -> tuple[int, str]:
    """Observations for a decision with a patient that count, and what was left out, and why.

    One that stopped at a missed vein stands for preparation and asepsis: it counts beside another, never alone.
    Settings are never added to one another.
    """
    found = Counter(sort_of(each) for each in facts.observations if first <= each.day <= last)
    partly = found[Verdict.PARTLY]
    beside = min(partly, max(0, need - 1))
    left_out = (
        (found[Verdict.NOT_YET], "not yet met"),
        (partly - beside, "stopped at a missed vein, not counted alone"),
        (found[DISPUTED], "disputed, not counted until decided"),
        (found[Setting.SIMULATION], "in simulation, not counted"),
        (found[Setting.LABORATORY], "in the skills laboratory, not counted"),
        (found[Purpose.LEARNING], "for learning, not counted"),
    )
    return found[Verdict.MET] + beside, "; ".join(f"{count} {words}" for count, words in left_out if count)


def recognised_counted(facts: Facts, credit: CreditCount, terms: Terms, on: date) -> tuple[int, str]:
    """Insertions recognised from elsewhere that count: they share the cap on other evidence. And the note on them."""
    brought = sum(each.insertions for each in facts.recognised if each.day <= on)
    room = max(0, terms.other_evidence_cap - credit.attempted[Credit.OTHER_EVIDENCE])
    counting = min(brought, room)
    given = f"of these {counting} recognised from elsewhere" if counting else ""
    more = f"{brought} recognised from elsewhere, at most {room} counted" if brought > counting else ""
    return counting, _joined(given, more)


def _by_whom(facts: Facts, credit: CreditCount, terms: Terms, since: date, on: date) -> tuple[Line, ...]:
    """How many assessors made the observations that count, and whether one of them is not the main supervisor.

    The main supervisor is whoever was there at most of the insertions that count; of several with equally many each
    is one, since each knows the learner as well as the other: the other eyes are then somebody else's. Of those that
    count only beside another, the ones by a further assessor are taken first.
    """
    seen = [each for each in facts.observations if since <= each.day <= on]
    met = {each.assessor for each in seen if sort_of(each) == Verdict.MET}
    partly = [each.assessor for each in seen if sort_of(each) == Verdict.PARTLY]
    beside = min(len(partly), max(0, terms.observations - 1))
    further = set(partly) - met
    others = (met | (further if beside else set())) - credit.main
    asked = 1 if terms.observation_not_main else 0
    return (
        # One assessor is there wherever an observation is.
        Line(ASSESSORS, len(met) + min(len(further), beside), _more(terms.observation_assessors)),
        Line(NOT_MAIN, min(len(others), asked), asked),
    )


def _more(assessors: int) -> int:
    return assessors if assessors > 1 else 0


def sort_of(seen: Observation) -> str:
    """What an observation is counted as, or the first thing that keeps it from being counted."""
    if not seen.for_decision:
        return Purpose.LEARNING
    if not seen.with_patient:
        return seen.setting
    return DISPUTED if seen.disputed else seen.verdict


def on_plan(facts: Facts, figures: Figures, plan: Restriction, terms: Terms | None, on: date) -> tuple[Line, ...]:
    """What a plan asks, from its first day on; where nobody's terms say otherwise, the defaults say what counts."""
    have, note = insertions_counted(figures.credit(plan_credit(plan)), terms or Terms())
    observed, watched = observations_counted(facts, plan.observations, plan.span.starts, on)
    lines = (
        Line(INSERTIONS, have, plan.insertions, note),
        Line(OBSERVATIONS, observed, plan.observations, watched),
    )
    return tuple(line for line in lines if line.need)


def insertions_counted(credit: CreditCount, terms: Terms) -> tuple[int, str]:
    """Insertions attempted that count under these terms, and what was left out of the count, and why."""
    tried = credit.attempted
    have = tried[Credit.IN_ROOM]
    notes = []
    if terms.nearby_counts:
        have += tried[Credit.NEARBY]
    elif tried[Credit.NEARBY]:
        notes.append(f"{tried[Credit.NEARBY]} countersigned 'nearby' not counted")
    for kind, cap, words in (
        (Credit.OTHER_EVIDENCE, terms.other_evidence_cap, "accepted on other evidence"),
        (Credit.PAPER, terms.paper_cap, "from paper"),
    ):
        have += min(tried[kind], cap)
        if tried[kind] > cap:
            notes.append(f"{tried[kind]} {words}, at most {cap} counted")
    if credit.in_question:
        notes.append(f"{credit.in_question} in question, counted until an educator decides")
    return have, "; ".join(notes)


def _successes(credit: CreditCount, terms: Terms) -> int:
    worked = credit.successful
    return (
        worked[Credit.IN_ROOM]
        + (worked[Credit.NEARBY] if terms.nearby_counts else 0)
        + min(worked[Credit.OTHER_EVIDENCE], terms.other_evidence_cap)
        + min(worked[Credit.PAPER], terms.paper_cap)
        + credit.lent_successful
    )


def _lent(facts: Facts, credit: CreditCount, terms: Terms) -> str:
    """'of these 3 from Adult cannulation, landmark', and how many more would be without the cap."""
    names = dict(facts.counted_from.values())
    given = ", ".join(f"{count} from {names[procedure]}" for procedure, count in credit.lent)
    given = given and f"of these {given}"
    more = f"{credit.beyond} more of other procedures, at most {terms.counts_from_cap} counted" if credit.beyond else ""
    return _joined(given, more)


def _joined(*notes: str) -> str:
    return "; ".join(note for note in notes if note)


def _completed(facts: Facts, kind: str, on: date) -> int:
    return sum(1 for completion in facts.completions if completion.kind == kind and completion.counts(on))
