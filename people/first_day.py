"""What a new register still needs before anybody can be answered for: units, people, roles."""

from collections.abc import Callable
from dataclasses import dataclass

from people.access import Access, Right
from people.accounts import administered
from people.models import Appointment, Clinician


@dataclass(frozen=True)
class Step:
    """Something that has to be there, and whether it is; `url_name` is where it is done, '' if by somebody else."""

    text: str
    is_done: bool
    url_name: str
    advice: str


ROLES = (
    ("educator", "An educator is appointed", "Somebody has to enrol, award and work through reviews."),
    ("supervisor", "A supervisor is appointed", "Somebody has to countersign."),
    ("manager", "A manager is appointed", "Somebody has to see what falls due, and confirm what an educator entered."),
)


Further = Callable[[Access], list[Step]]
_further: list[Further] = []


def register(further: Further) -> None:
    """Add the steps of an app above this one; it registers them when it starts."""
    if further not in _further:
        _further.append(further)


def steps(access: Access) -> list[Step]:
    """Everything, in the order in which a first day goes: units, staff, roles, accounts, then what other apps need."""
    return [*_own_steps(access), *(step for further in _further for step in further(access))]


def _own_steps(access: Access) -> list[Step]:
    """Units, staff, roles and accounts. At most three queries."""
    units, is_administrator = access.units_for(Right.PLACE), access.may_somewhere(Right.ADMINISTER)
    # An appointment to the group serves its hospitals too; a department has its hospital above it.
    serving = units | {each for unit in units for each in access.tree.above(unit)}
    levels = {access.tree.level(each) for each in serving}
    roles = set(
        Appointment.objects.known().on(access.on).filter(unit__in=serving).values_list("role", flat=True).distinct()
    )
    to_units, to_accounts = ("units", "accounts") if is_administrator else ("", "")
    is_staffed = Clinician.objects.all().placed(units, access.on).exists()
    found = [
        Step("At least one hospital", "hospital" in levels, to_units, "Open the hospitals, then their wards."),
        Step("Wards to place people on", "ward" in levels, to_units, "Open the wards below their hospital."),
        Step("Staff with placements", is_staffed, "staff", "Import a staff list, or take people in one by one."),
        *(Step(text, role in roles, to_accounts, advice) for role, text, advice in ROLES),
    ]
    if is_administrator:
        waiting = administered(access).filter(is_active=True, own_secret=False).count()
        told = "1 account waits for its owner." if waiting == 1 else f"{waiting} accounts wait for their owners."
        found.append(Step("Everybody has entered their account", waiting == 0, to_accounts, told))
    return found
