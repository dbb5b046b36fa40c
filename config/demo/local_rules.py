"""Where the group's example rules do not fit: smaller veins, other targets. Proposed by one, approved by another."""

from datetime import date
from typing import Any

from config.demo.doors import Doors
from config.demo.groundplan import AREAS
from credentials import proposing
from credentials.models import Rules
from credentials.rules.ruleset import default_content

LOCAL = {
    "neonatal": ("0.60", "0.35", "0.50"),
    "children": ("0.70", "0.25", "0.40"),
}
"""Unit -> target of the first-attempt rate, acceptable and unacceptable failure rate."""


def take_effect(doors: Doors, day: date) -> None:
    for key, values in LOCAL.items():
        note = "Smaller veins: the group's target would ask after everybody here."
        document = propose(doors, key, values, day, note)
        digest = proposing.document_digest(document)
        signer = doors.confirm(doors.manager(key), proposing.MEANING, [digest])
        proposing.approve(signer=signer, document=document)


def propose(doors: Doors, key: str, values: tuple[str, str, str], day: date, note: str) -> Rules:
    """Rules for one unit, proposed by the hospital's educator; they wait for somebody else."""
    area = AREAS[key]
    return proposing.propose(
        Rules,
        actor=doors.educator(key),
        unit=doors.units[key],
        procedure=doors.procedures[area.procedure],
        name=f"Rules of {area.name}",
        content=content(*values),
        effective_on=day,
        note=note,
    )


def content(target: str, acceptable: str, unacceptable: str) -> dict[str, Any]:
    """The example set with other rates."""
    found: dict[str, Any] = default_content()
    found["rules"]["first_attempt_rate"]["target"] = target
    found["rules"]["drift"] |= {"acceptable": acceptable, "unacceptable": unacceptable}
    return found
