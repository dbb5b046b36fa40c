"""The tree of units as known at one moment: one query, then questions that need none."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from uuid import UUID

from people.models import Place, Unit

CLOSED = "a unit that was closed"


@dataclass(frozen=True)
class Node:
    """One unit as known at one moment."""

    id: int
    uuid: UUID
    level: str
    name: str
    zone: str
    parent: int | None


@dataclass(frozen=True, eq=False)
class Tree:
    """All units as known at one moment. A unit that was not known then raises KeyError."""

    nodes: Mapping[int, Node]

    def __contains__(self, unit_id: object) -> bool:
        return unit_id in self.nodes

    def __len__(self) -> int:
        return len(self.nodes)

    @cached_property
    def root(self) -> int:
        """The group. Raises LookupError in a register without units."""
        for node in self.nodes.values():
            if node.parent is None:
                return node.id
        raise LookupError("This register has no units yet: run start_register.")

    @cached_property
    def children(self) -> Mapping[int, tuple[int, ...]]:
        """The units right below each unit, by name."""
        below: dict[int, list[Node]] = {each: [] for each in self.nodes}
        for node in self.nodes.values():
            if node.parent is not None:
                below[node.parent].append(node)
        return {
            each: tuple(node.id for node in sorted(nodes, key=lambda node: (key(node.name), node.id)))
            for each, nodes in below.items()
        }

    @cached_property
    def _by_path(self) -> Mapping[tuple[str, ...], int]:
        paths = {}
        for node in self.nodes.values():
            steps = tuple(key(self.nodes[each].name) for each in reversed(self.above(node.id)))
            paths[steps] = node.id
            if len(steps) > 1:
                paths[steps[1:]] = node.id
        return paths

    def above(self, unit_id: int) -> tuple[int, ...]:
        """The unit itself first, the root last."""
        chain = [unit_id]
        while (parent := self.nodes[chain[-1]].parent) is not None:
            chain.append(parent)
        return tuple(chain)

    def below(self, unit_id: int) -> frozenset[int]:
        """The unit itself and everything under it."""
        return frozenset(each for each, _ in self.walk(unit_id))

    def walk(self, top: int | None = None) -> Iterator[tuple[int, int]]:
        """(unit, depth) of a unit and everything under it, parents first, siblings by name."""
        if top is None and not self.nodes:
            return
        stack = [(self.root if top is None else top, 0)]
        while stack:
            unit_id, depth = stack.pop()
            yield unit_id, depth
            stack.extend((child, depth + 1) for child in reversed(self.children[unit_id]))

    def name(self, unit_id: int) -> str:
        return self.nodes[unit_id].name

    def path(self, unit_id: int) -> str:
        """'Saltmarsh Hospital / Ward 4 Tern': from the top, the root left out (for the root, its name)."""
        names = [self.nodes[each].name for each in reversed(self.above(unit_id))]
        return " / ".join(names[1:] or names)

    def where(self, unit_id: int) -> str:
        """The path of a unit, of one that was closed too, so that a page about the past needs no question."""
        return self.path(unit_id) if unit_id in self else CLOSED

    def zone(self, unit_id: int) -> str:
        return self.nodes[unit_id].zone

    def level(self, unit_id: int) -> str:
        return self.nodes[unit_id].level

    def hospital(self, unit_id: int) -> int | None:
        """The hospital that the unit is or lies in; None for the group."""
        return next((each for each in self.above(unit_id) if self.nodes[each].level == Unit.Level.HOSPITAL), None)

    def find(self, path: str) -> int | None:
        """The unit with this path, whatever its case and spaces, with or without the root's name; None if none."""
        return self._by_path.get(tuple(key(step) for step in path.split("/")))


def tree(known: int | None = None) -> Tree:
    """The units as known now, or once act number `known` had been recorded. One query."""
    places = Place.objects.known(known).select_related("unit").order_by("unit_id")
    return Tree(
        {
            place.unit_id: Node(
                place.unit_id, place.unit.uuid, place.unit.level, place.name, place.zone, place.parent_id
            )
            for place in places
        }
    )


def key(name: str) -> str:
    """A name as it is compared: case and spaces do not matter."""
    return re.sub(r"\s+", " ", name).strip().casefold()
