"""The first day: an empty database becomes a register with a group, a first account and, if wanted, examples."""

from dataclasses import dataclass
from datetime import date
from uuid import uuid4

from django.db import transaction

from audits import example_checklist
from audits.models import Band, Checklist, Procedure, Technique
from credentials.models import Programme, Rules
from credentials.proposing import add_proposal
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import register
from ledger.acts import Recording, recording
from people import accounts, clock
from people.models import Appointment, Unit, User
from people.problems import problem
from people.staffing import add_appointment
from people.units import add_unit

EXAMPLE_NOTE = "Example, to be approved locally. Its values are common practice without a published source."
EXAMPLES = (
    ("ADULT", "Adult cannulation, landmark", Band.ADULT, Technique.LANDMARK),
    ("ADULT-US", "Adult cannulation, ultrasound-guided", Band.ADULT, Technique.ULTRASOUND),
    ("CHILD", "Child cannulation, landmark", Band.CHILD, Technique.LANDMARK),
    ("INFANT", "Infant cannulation, landmark", Band.INFANT, Technique.LANDMARK),
    ("NEONATE", "Neonatal cannulation, landmark", Band.NEONATE, Technique.LANDMARK),
)


@dataclass(frozen=True)
class Started:
    """What was made: the group, and the first account with the token that lets its owner in, once."""

    group: Unit
    user: User
    token: str


def start_register(
    *, group: str, email: str, name: str, zone: str, example: bool, example_from: date | None = None
) -> Started:
    """Open the group and the first account: administrator and educator, until it has appointed others.

    The examples are proposed in effect from today, or from `example_from`, so that they judge what sheets of the past
    bring: a first version may begin in the past. Raises Problems in a register that has units already, for a bad name,
    e-mail or zone, and for examples from a day to come.
    """
    if Unit.objects.exists():
        raise problem("", "This register has been started already; nothing was changed.")
    with transaction.atomic(), recording(actor=None, kind="register.started", subject=register.this().uuid) as rec:
        root = add_unit(rec, parent=None, level=Unit.Level.GROUP, name=group, zone=zone)
        user = accounts.add_account(rec, email=email, name=name)
        today = clock.today(zone)
        for role in (Appointment.Role.ADMINISTRATOR, Appointment.Role.EDUCATOR):
            add_appointment(rec, user=user, role=role, unit=root, from_day=today)
        if example:
            if example_from is not None and example_from > today:
                raise problem("example_from", "The examples cannot begin on a day to come: give today or earlier.")
            add_examples(rec, root, example_from or today)
        rec.content |= {"group": str(root.uuid), "example": example}
        rec.personal = {"group": group, "email": user.email, "name": user.name}
    return Started(root, user, accounts.invite(actor=None, user=user))


def add_examples(rec: Recording, root: Unit, from_day: date) -> None:
    """Procedures, each with an example programme and rules, one with a checklist; they bind once approved."""
    for code, name, band, technique in EXAMPLES:
        procedure = Procedure.objects.create(uuid=uuid4(), code=code, name=name, band=band, technique=technique)
        add_proposal(
            rec,
            Programme,
            proposed_by=None,
            unit=root,
            procedure=procedure,
            name=f"Example programme: {name}",
            content=Terms().to_content(),
            effective_on=from_day,
            note=EXAMPLE_NOTE,
        )
        if code == "ADULT":
            add_proposal(
                rec,
                Checklist,
                proposed_by=None,
                unit=root,
                procedure=procedure,
                name=example_checklist.NAME,
                content=example_checklist.EXAMPLE.to_content(),
                effective_on=from_day,
                note=example_checklist.NOTE,
            )
        add_proposal(
            rec,
            Rules,
            proposed_by=None,
            unit=root,
            procedure=procedure,
            name=f"Example rules: {name}",
            content=default_content(),
            effective_on=from_day,
            note=EXAMPLE_NOTE,
        )
