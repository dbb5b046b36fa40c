"""Who and what a sheet means: clinicians by staff number, supervisors by number, e-mail or name, units by path or name.

Everything is read once; each question is then answered from memory. What is not found, or fits more than one, raises
`sheets.cells.Refused` with what to do; nothing is guessed where two could be meant.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from uuid import UUID

from people.models import Clinician, User
from people.tree import Tree, key
from sheets.cells import Refused

_TITLES = frozenset("mr mrs ms miss mx dr prof professor sr sister rn en rm cn cns cnc num nurse midwife".split())  # noqa: SIM905
_NAME_KNOWN = 3  # letters from which a word tells somebody


@dataclass(frozen=True, slots=True)
class Person:
    """A clinician, an account, or both: somebody whom a sheet may name."""

    name: str
    clinician: int | None = None
    uuid: UUID | None = None
    staff_number: str = ""
    user: int | None = None
    user_uuid: UUID | None = None
    email: str = ""


class People:
    """Everybody in the register, found by what sheets call them. An import adds whom it brings."""

    def __init__(self, everybody: Iterable[Person]) -> None:
        self._by_number: dict[str, Person] = {}
        self._by_number_without_zeros: dict[str, list[Person]] = defaultdict(list)
        self._by_email: dict[str, Person] = {}
        for each in everybody:
            self.add(each)

    def add(self, person: Person) -> None:
        if person.staff_number:
            self._by_number[person.staff_number.casefold()] = person
        if person.staff_number.isdigit():
            self._by_number_without_zeros[person.staff_number.lstrip("0")].append(person)
        if person.email:
            self._by_email[person.email.casefold()] = person

    def discard(self, person: Person) -> None:
        self._by_number.pop(person.staff_number.casefold(), None)
        self._by_email.pop(person.email.casefold(), None)
        if person in (same := self._by_number_without_zeros.get(person.staff_number.lstrip("0"), [])):
            same.remove(person)

    @cached_property
    def _accounts(self) -> tuple[Person, ...]:
        """Those with an account, who may have supervised."""
        return tuple(each for each in self._by_email.values() if each.user is not None)

    @cached_property
    def _names(self) -> Mapping[tuple[str, ...], list[Person]]:
        found: dict[tuple[str, ...], list[Person]] = defaultdict(list)
        for each in self._accounts:
            found[tuple(sorted(name_words(each.name)))].append(each)
        return found

    def by_email(self, email: str) -> Person | None:
        return self._by_email.get(email.strip().casefold())

    def by_number(self, number: str) -> tuple[Person, bool] | None:
        """The clinician with this staff number, and whether zeros at its beginning had to be added.

        None for nobody; raises Refused where several fit without their zeros.
        """
        if exact := self._by_number.get(number.casefold()):
            return exact, False
        bare = number.lstrip("0")
        if not number.isdigit() or not bare:
            return None
        fitting = self._by_number_without_zeros.get(bare, [])
        if len(fitting) > 1:
            raise Refused("More than one staff number fits this without its zeros: write it in full.")
        return (fitting[0], True) if fitting else None

    def supervisor(self, text: str) -> tuple[Person, bool]:
        """Who is meant by a staff number, an e-mail or a name, and whether the name stood shortened. Raises Refused.

        Only an account can sign, so somebody without one is refused.
        """
        numbered = self.by_number(text) if any(sign.isdigit() for sign in text) else None
        found = self.by_email(text) if "@" in text else numbered and numbered[0]
        if found is not None:
            if found.user is None:
                raise Refused(f"{found.name} has no account and could not sign: open one, or leave the cell empty.")
            return found, False
        if "@" in text or any(sign.isdigit() for sign in text):
            raise Refused("Nobody in the register has this number or e-mail: check it, or leave the cell empty.")
        return self._by_name(text)

    def _by_name(self, text: str) -> tuple[Person, bool]:
        given = name_words(text)
        exact = self._names.get(tuple(sorted(given)), [])
        if len(exact) == 1:
            return exact[0], False
        fitting = exact or [each for each in self._accounts if fits(given, each.name)]
        if len(fitting) == 1:
            return fitting[0], True
        if fitting:
            raise Refused("More than one account fits this name: give the e-mail or the staff number.")
        raise Refused("Nobody with an account has this name: give the e-mail or staff number, or leave the cell empty.")


def people() -> People:
    """Everybody. Two queries."""
    rows = Clinician.objects.values_list(
        "name", "pk", "uuid", "staff_number", "user", "user__uuid", "user__email"
    ).order_by("pk")
    found = [Person(*row[:6], row[6] or "") for row in rows]
    placed = {each.user for each in found if each.user is not None}
    for user, uuid, name, email in User.objects.values_list("pk", "uuid", "name", "email").order_by("pk"):
        if user not in placed:
            found.append(Person(name=name, user=user, user_uuid=uuid, email=email))
    return People(found)


@lru_cache(maxsize=8192)
def name_words(name: str) -> tuple[str, ...]:
    """The words of a name as it is compared: without case, accents, titles and what stands in brackets."""
    plain = unicodedata.normalize("NFKD", re.sub(r"\([^)]*\)", " ", name)).casefold()
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
    words = re.findall(r"[^\W\d_]+(?:['’][^\W\d_]+)*", plain)
    kept = tuple(word.replace("’", "'") for word in words if word not in _TITLES)
    return kept or tuple(words)


def fits(given: Iterable[str], name: str) -> bool:
    """Whether these words can be a shortened writing of the name: 'a okafor' or 'okafor' of Ada Okafor."""
    left = list(name_words(name))
    told = False
    for word in sorted(given, key=len, reverse=True):
        match = next((other for other in left if other == word or (len(word) == 1 and other.startswith(word))), None)
        if match is None:
            return False
        left.remove(match)
        told = told or len(word) >= _NAME_KNOWN
    return told


def may_be(text: str, name: str) -> bool:
    """Whether a name beside a staff number can be this person's: a word in common, or nothing that tells anybody."""
    given = {word for word in name_words(text) if len(word) >= _NAME_KNOWN}
    return not given or bool(given & set(name_words(name)))


def plain_name(text: str) -> str:
    """A name as it is printed: 'Okafor, Ada (RN)' is Ada Okafor."""
    bare = " ".join(re.sub(r"\([^)]*\)", " ", text).split())
    last, comma, first = bare.partition(",")
    if comma and first.strip() and "," not in first:
        bare = f"{first.strip()} {last.strip()}"
    words = bare.split()
    while len(words) > 1 and words[0].casefold().strip(".") in _TITLES:
        words = words[1:]
    while len(words) > 1 and words[-1].casefold().strip(".,") in _TITLES:
        words = words[:-1]
    return " ".join(map(_as_printed, words)).strip(" ,")


def _as_printed(word: str) -> str:
    """A word of a name that a list has in capitals: OKAFOR is Okafor, D'SOUZA is D'Souza; initials stay."""
    if len(word) < _NAME_KNOWN or not word.isupper():
        return word
    return re.sub(r"[^\W\d_]+", lambda part: part[0].capitalize(), word)


@dataclass(frozen=True, eq=False)
class Places:
    """The units of the register, found by what sheets call them."""

    tree: Tree

    @cached_property
    def _by_name(self) -> Mapping[str, list[int]]:
        found: dict[str, list[int]] = defaultdict(list)
        for node in self.tree.nodes.values():
            found[key(node.name)].append(node.id)
        return found

    def unit(self, text: str, *, hospital: str = "") -> int:
        """The unit of a path 'Hospital / Ward', or of a name that only one unit has. Raises Refused."""
        found = self.candidates(text, hospital=hospital)
        if len(found) == 1:
            return found[0]
        if found:
            raise Refused("More than one unit has this name: write it as Hospital / Ward.")
        raise Refused("No unit has this name: write it as the register does, Hospital / Ward, or have it opened.")

    def candidates(self, text: str, *, hospital: str = "") -> list[int]:
        """The units that fit: the whole path's alone, else those whose name is its last step, below its other steps."""
        path = f"{hospital} / {text}" if hospital else text
        exact = self.tree.find(path)
        if exact is not None:
            return [exact]
        *others, last = [key(step) for step in path.split("/") if step.strip()] or [""]
        return [each for each in self._by_name.get(last, []) if _in_order(others, self._names_above(each))]

    def _names_above(self, unit: int) -> list[str]:
        return [key(self.tree.name(each)) for each in reversed(self.tree.above(unit)[1:])]


def _in_order(steps: Collection[str], names: Iterable[str]) -> bool:
    rest = iter(names)
    return all(step in rest for step in steps)
