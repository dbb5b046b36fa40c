"""What a new register still needs before anybody can be answered for: units, people, roles."""

from dataclasses import dataclass

from people.access import Access, Right
from people.models import Appointment, Clinician, Unit, User


@dataclass(frozen=True)
class Step:
    """Something that has to be there, whether it is, and the name of the URL where it is done."""

    text: str
    is_done: bool
    url_name: str
    advice: str


def steps(access: Access) -> list[Step]:
    """Units, staff, roles and accounts, in the order in which a first day goes. Four queries."""
    tree, units = access.tree, access.units_for(Right.PLACE)
    levels = {tree.level(each) for each in units}
    appointed = Appointment.objects.known().on(access.on).values_list("role", "unit", "user__own_secret")
    # An appointment to the group serves its hospitals too.
    serving = [row for row in appointed if row[1] in units or row[1] in _above(access, units)]
    roles = {role for role, _, _ in serving}
    waiting = User.objects.filter(is_active=True, own_secret=False).count()
    return [
        Step("At least one hospital", Unit.Level.HOSPITAL in levels, "units", "Open the hospitals, then their wards."),
        Step("Wards to place people on", Unit.Level.WARD in levels, "units", "Open the wards below their hospital."),
        Step(
            "Staff with placements",
            Clinician.objects.placed(units, access.on).exists(),
            "staff",
            "Import a staff list, or take people in one by one.",
        ),
        *(
            Step(f"An {role} is appointed" if role[0] in "ae" else f"A {role} is appointed", role in roles, "accounts",
                 advice)
            for role, advice in (
                ("educator", "Somebody has to enrol, award and work through reviews."),
                ("supervisor", "Somebody has to countersign."),
                ("manager", "Somebody has to see what falls due, and confirm what an educator entered."),
            )
        ),
        Step(
            "Everybody has entered their account",
            waiting == 0,
            "accounts",
            "1 account waits for its owner." if waiting == 1 else f"{waiting} accounts wait for their owners.",
        ),
    ]  # fmt: skip


def _above(access: Access, units: frozenset[int]) -> set[int]:
    return {each for unit in units for each in access.tree.above(unit)}
