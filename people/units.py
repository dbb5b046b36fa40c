"""Opening, renaming and moving units: group, hospitals, departments, wards."""

from functools import cache
from zoneinfo import available_timezones

from django.db import transaction

from ledger.acts import Recording, recording
from people import stale
from people.access import Right, require
from people.models import Place, Unit, User
from people.problems import Problem, Problems, problem
from people.tree import Node, Tree, key, tree

__all__ = ["DEPTH", "Level", "Node", "Tree", "add_unit", "change_unit", "open_unit", "tree", "zones"]

Level = Unit.Level
DEPTH = {Level.GROUP: 0, Level.HOSPITAL: 1, Level.DEPARTMENT: 2, Level.WARD: 3}


def open_unit(*, actor: User, parent: Unit, level: str, name: str, zone: str = "") -> Unit:
    """Open a unit below another; without a zone it takes its parent's. Raises NotPermitted, Problems."""
    require(actor, Right.ADMINISTER, parent.pk)
    with transaction.atomic():
        _lock_tree()
        with recording(actor=actor, kind="unit.opened") as rec:
            return add_unit(rec, parent=parent, level=level, name=name, zone=zone)


def add_unit(rec: Recording, *, parent: Unit | None, level: str, name: str, zone: str = "") -> Unit:
    """The same within an act that is already open: an import, or the first day, which opens the root (no parent)."""
    now = tree()
    place = _checked(now, unit=None, parent=parent.pk if parent else None, level=level, name=name, zone=zone)
    unit = Unit.objects.create(level=level)
    Place.objects.create(unit=unit, known_from_id=rec.seq, **place)
    if rec.kind == "unit.opened":
        rec.subject = unit.uuid
        rec.content |= _facts(now, level, place)
        stale.touch(cause=rec.kind, act=rec.seq)
    return unit


def change_unit(
    *, actor: User, unit: Unit, name: str | None = None, parent: Unit | None = None, zone: str | None = None
) -> None:
    """Rename a unit, move it, or set its zone; what is not given stays. Raises NotPermitted, Problems."""
    require(actor, Right.ADMINISTER, unit.pk)
    if parent is not None:
        require(actor, Right.ADMINISTER, parent.pk)
    with transaction.atomic():
        _lock_tree()
        with recording(actor=actor, kind="unit.changed", subject=unit.uuid) as rec:
            old = Place.objects.known().get(unit=unit)
            now = tree()
            place = _checked(
                now,
                unit=unit.pk,
                parent=old.parent_id if parent is None else parent.pk,
                level=unit.level,
                name=old.name if name is None else name,
                zone=old.zone if zone is None else zone,
            )
            before = {"name": old.name, "parent_id": old.parent_id, "zone": old.zone}
            if before == place:
                raise problem("", "Nothing would change: this unit is already so.")
            Place.objects.filter(pk=old.pk).update(known_until_id=rec.seq)
            Place.objects.create(unit=unit, known_from_id=rec.seq, **place)
            rec.content |= {"old": _facts(now, unit.level, before), "new": _facts(now, unit.level, place)}
            stale.touch(cause=rec.kind, act=rec.seq, units=now.below(unit.pk))


def _lock_tree() -> None:
    """The root's lock puts those who change the tree in line."""
    list(Unit.objects.select_for_update().filter(level=Level.GROUP))


def _checked(
    now: Tree, *, unit: int | None, parent: int | None, level: str, name: str, zone: str
) -> dict[str, str | int | None]:
    """The columns of a Place that may stand there. Raises Problems with every mistake."""
    if level not in DEPTH:
        raise ValueError(f"level {level!r} is none of {', '.join(DEPTH)}")
    name = " ".join(name.split())
    found = []
    if not name:
        found.append(Problem("name", "Give the unit a name."))
    if len(name) > 120:
        found.append(Problem("name", "Use at most 120 characters."))
    if "/" in name:
        found.append(Problem("name", "Leave the stroke (/) out: it separates a unit from the one above it."))
    if parent is None:
        if level != Level.GROUP or (unit is None and len(now)):
            found.append(Problem("parent", "Choose the unit above: a register has one group, and all else below it."))
    elif unit is not None and parent in now.below(unit):
        found.append(Problem("parent", f"{now.name(unit)} cannot lie below itself."))
    elif DEPTH[Level(level)] <= DEPTH[Level(now.level(parent))]:
        found.append(Problem("parent", f"A {level} cannot lie below a {now.level(parent)}."))
    else:
        same = [each for each in now.children[parent] if each != unit and key(now.name(each)) == key(name)]
        if same:
            found.append(Problem("name", f"There is a unit of this name already: {now.path(same[0])}."))
    zone = zone or (now.zone(parent) if parent is not None else "")
    if zone not in zones():
        found.append(Problem("zone", "Choose a time zone from the list, such as Australia/Adelaide."))
    if found:
        raise Problems(found)
    return {"name": name, "parent_id": parent, "zone": zone}


def _facts(now: Tree, level: str, place: dict[str, str | int | None]) -> dict[str, str | None]:
    parent = place["parent_id"]
    above = str(now.nodes[parent].uuid) if isinstance(parent, int) else None
    return {"level": str(level), "name": str(place["name"]), "zone": str(place["zone"]), "parent": above}


@cache
def zones() -> frozenset[str]:
    """The names of all time zones."""
    return frozenset(available_timezones())
