"""What a new register still needs before its first answer: programmes, rules, start days, awards, learners, entries."""

from audits.models import Award, Insertion
from credentials import founding
from credentials.models import Enrolment, Programme, Rules
from people.access import Access, Right
from people.first_day import Step
from people.models import Clinician, Setting


def first_steps(access: Access) -> list[Step]:
    """The steps of those who keep rules; nobody else can take them. At most eight queries."""
    units = access.units_for(Right.KEEP_RULES)
    if not units:
        return []
    # What is set for the group serves its hospitals too.
    serving = units | {each for unit in units for each in access.tree.above(unit)}
    people = Clinician.objects.all().belonging(units, access.on).values("pk")
    approved = {model: model.objects.filter(unit__in=serving, approved__isnull=False) for model in (Programme, Rules)}
    has_start = Setting.objects.known().filter(name="start_day", unit__in=serving).exists()
    waiting = founding.waiting(access).count()
    held = Award.objects.known().filter(clinician__in=people).exists()
    learning = Enrolment.objects.known().filter(clinician__in=people).exists()
    logged = Insertion.objects.known().filter(unit__in=units).exists()
    logs = access.clinician is not None or access.may_somewhere(Right.LOG_ON_BEHALF)
    claims = "1 award waits" if waiting == 1 else f"{waiting} awards wait"
    return [
        Step(
            "A programme is approved",
            approved[Programme].exists(),
            "rules",
            "Read the examples or propose your own; a second person approves.",
        ),
        Step(
            "Rules are approved",
            approved[Rules].exists(),
            "rules",
            "Read the examples or propose your own; a second person approves.",
        ),
        Step(
            "A start day is set",
            has_start,
            "units",
            "Say from which day on every insertion is logged: before it, nothing logged is no evidence.",
        ),
        Step(
            "Awards from before the register are confirmed",
            held and not waiting,
            "foundings",
            f"{claims} for a second person." if waiting else "Enter who holds one already; another confirms it.",
        ),
        Step("Somebody is enrolled", learning, "who_can", "Look up whoever is learning, and enrol them on their page."),
        Step("The first insertion is logged", logged, "log" if logs else "", "Log one, or import your logbook."),
    ]
