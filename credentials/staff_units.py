"""The units of a staff list: found by their paths, opened where they are missing, within the reach of who imports."""

import difflib
import re
from collections import Counter
from collections.abc import Callable, Iterable

from audits.directory import Places
from ledger.acts import Recording
from people.access import Access, Right
from people.models import Unit
from people.problems import Problem, problem
from people.tree import Tree, key, tree
from people.units import Level, add_unit
from sheets.cells import Refused

_LEVELS = {1: (Level.HOSPITAL,), 2: (Level.HOSPITAL, Level.WARD), 3: (Level.HOSPITAL, Level.DEPARTMENT, Level.WARD)}
_CLOSE = 0.85


class Units:
    """The tree while an import opens units in it. `say(position, text)` takes a remark on a unit that is opened."""

    def __init__(
        self, rec: Recording, access: Access, say: Callable[[int, str], None], *, paths: Iterable[str] = ()
    ) -> None:
        """`paths` are all that the list names: of several spellings the commonest is opened."""
        self._rec = rec
        self._access = access
        self._say = say
        self.tree: Tree = tree()
        self.opened: list[int] = []
        spelt = Counter(" ".join(step.split()) for path in paths for step in path.split("/"))
        self._spelling = {key(step): step for step, _ in sorted(spelt.items(), key=lambda item: (item[1], item[0]))}

    def may(self, right: Right, unit: int) -> bool:
        """Whether who imports has this right there; over a unit just opened, if over the one above it."""
        known = next(each for each in self.tree.above(unit) if each in self._access.tree)
        return self._access.may(right, known)

    def find(self, path: str) -> int | None:
        """The unit of this path, None if there is none. Raises Problems where several fit."""
        found = Places(self.tree).candidates(path)
        if len(found) > 1:
            raise problem("unit", "More than one unit has this name: write it as Hospital / Ward.")
        return found[0] if found else None

    def find_or_open(self, position: int, path: str) -> int:
        """The unit of this path, opened with what is missing above it. Raises Problems."""
        found = self.find(path)
        return self._open(position, path) if found is None else found

    def named(self, path: str, *, field: str) -> int:
        """The unit of this path. Raises Problems if there is none."""
        try:
            return Places(self.tree).unit(path)
        except Refused as refused:
            raise problem(field, refused.reason) from None

    def forget(self, opened: int) -> None:
        """What was opened after the first `opened` was taken back with its row."""
        if len(self.opened) > opened:
            del self.opened[opened:]
            self.tree = tree()

    def _open(self, position: int, path: str) -> int:
        steps = [" ".join(step.split()) for step in path.split("/") if step.strip()]
        if len(steps) > 1 and key(steps[0]) == key(self.tree.name(self.tree.root)):
            steps = steps[1:]
        if len(steps) < 2:
            raise problem("unit", "No unit has this name. Write Hospital / Ward, and it is opened.")
        if len(steps) not in _LEVELS:
            raise problem("unit", "A path has a hospital, perhaps a department, and a ward: Hospital / Ward.")
        above = self.tree.root
        for step, level in zip(steps, _LEVELS[len(steps)], strict=True):
            known = next((each for each in self.tree.children[above] if key(self.tree.name(each)) == key(step)), None)
            if known is None:
                known = self._add(position, above, step, level)
            above = known
        return above

    def _add(self, position: int, above: int, name: str, level: str) -> int:
        if not self.may(Right.ADMINISTER, above):
            raise problem("unit", "Only an administrator opens units, and there is none of this name yet.")
        name = self._spelling.get(key(name), name)
        alike = self._alike(above, name)
        made = add_unit(self._rec, parent=Unit.objects.get(pk=above), level=level, name=name)
        hint = f" It looks much like {alike}: check that it is not the same." if alike else ""
        self.opened.append(made.pk)
        self.tree = tree()
        self._say(position, f"Opened as a new unit: {self.tree.path(made.pk)}.{hint}")
        return made.pk

    def _alike(self, above: int, name: str) -> str:
        """A unit beside it whose name is nearly the same, numbers apart, such as one misspelt."""
        numbers = re.findall(r"\d+", name)
        for each in self.tree.children[above]:
            other = self.tree.name(each)
            ratio = difflib.SequenceMatcher(None, key(name), key(other)).ratio()
            if ratio >= _CLOSE and re.findall(r"\d+", other) == numbers:
                return other
        return ""


def out_of_reach(field: str) -> Problem:
    return Problem(field, "Your appointments do not reach this unit.")
