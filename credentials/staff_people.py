"""Whom a row of a staff list means: somebody known by staff number or e-mail, or somebody new."""

from collections.abc import Callable

from audits.directory import Person, name_words, people
from credentials.staff_rows import Said
from ledger.acts import Recording
from people.access import Access, Right
from people.accounts import add_account
from people.models import Clinician, Profession, User
from people.problems import problem
from people.spans import lock
from people.staffing import Newcomer, add_clinician
from sheets.cells import Refused


class Staff:
    """Everybody in the register, and whom the open act of an import brings."""

    def __init__(self, rec: Recording, access: Access, warn: Callable[[int, str, str], None]) -> None:
        self._rec = rec
        self._access = access
        self._warn = warn
        self._people = people()
        self._brought: list[tuple[Person | None, Person]] = []

    def begin(self) -> None:
        """A row begins, for `forget`."""
        self._brought.clear()

    def forget(self) -> None:
        """The row was taken back, and whom it brought is not there."""
        for before, brought in reversed(self._brought):
            self._people.discard(brought)
            if before is not None:
                self._people.add(before)
        self._brought.clear()

    def of(self, said: Said) -> tuple[User | None, Clinician | None, bool]:
        """The account and the clinician of a row, and whether anything of them is new. Raises Problems."""
        known, owner = self._known(said)
        user = User.objects.get(pk=known.user) if known and known.user else None
        clinician = lock(Clinician(pk=known.clinician)) if known and known.clinician else None
        changed = False
        if user is None and owner is not None:
            user = User.objects.get(pk=owner.user)
        if clinician is None and said.is_clinician:
            clinician, changed = self._newcomer(said, user), True
        elif clinician is not None:
            self._compare(said, clinician, user)
            if user is not None and clinician.user_id is None:
                raise problem("email", "This account is nobody's on the staff yet: join the two on the account's page.")
        if said.email and user is None:
            if not self._access.may_somewhere(Right.ADMINISTER):
                raise problem("email", "Only an administrator opens accounts.")
            # Whoever chooses somebody's e-mail could sign as them: never for people of other hospitals.
            known_here = clinician is None or changed or self._access.in_scope().filter(pk=clinician.pk).exists()
            if not known_here:
                raise problem("email", "An administrator of the person's hospital opens their account.")
            user, changed = self._account(said, clinician), True
        if changed:
            self._bring(known or owner, user, clinician)
        return user, clinician, changed

    def _bring(self, before: Person | None, user: User | None, clinician: Clinician | None) -> None:
        """Let the rows that follow find this person."""
        now = Person(
            name=clinician.name if clinician else user.name if user else "",
            clinician=clinician.pk if clinician else None,
            staff_number=clinician.staff_number if clinician else "",
            user=user.pk if user else None,
            email=user.email if user else "",
        )
        if before is not None:
            self._people.discard(before)
        self._people.add(now)
        self._brought.append((before, now))

    def _known(self, said: Said) -> tuple[Person | None, Person | None]:
        """Whoever has this staff number, and whoever has this e-mail. Raises Problems if they are two people."""
        try:
            numbered = self._people.by_number(said.staff_number) if said.staff_number else None
        except Refused as refused:
            raise problem("staff_number", refused.reason) from None
        known = numbered[0] if numbered else None
        if numbered and numbered[1]:
            text = f"Zeros differ: read as {numbered[0].staff_number}."
            self._warn(said.position, "staff_number", text)
        owner = self._people.by_email(said.email) if said.email else None
        if known is None and owner is not None and owner.clinician is not None:
            if said.staff_number:
                text = f"This is the e-mail of {owner.name}, whose staff number is {owner.staff_number}."
                raise problem("email", text)
            known = owner
        if known is not None and known.user is not None and said.email and (owner is None or owner.user != known.user):
            text = f"{known.name} has an account with another e-mail: an account keeps its e-mail. Correct the list."
            raise problem("email", text)
        if known is not None and owner is not None and owner.user != known.user and owner.clinician is not None:
            raise problem("email", f"This is the e-mail of {owner.name}.")
        return known, owner

    def _newcomer(self, said: Said, user: User | None) -> Clinician:
        if not said.name:
            raise problem("name", "Give the name: nobody in the register has this staff number or e-mail yet.")
        if user is not None and not _may_be_same(said.name, user.name):
            raise problem("email", f"This is the e-mail of {user.name}.")
        return add_clinician(
            self._rec,
            Newcomer(
                name=said.name,
                profession=said.profession or Profession.OTHER,
                staff_number=said.staff_number,
                user=user,
            ),
        )

    def _compare(self, said: Said, clinician: Clinician, user: User | None) -> None:
        """What the list says otherwise of somebody known: another person is refused, a change is left to the page."""
        if said.name and not _may_be_same(said.name, clinician.name):
            text = f"This is the staff number of {clinician.name}. If the name changed, change it on the page first."
            raise problem("name" if said.staff_number else "email", text)
        if said.name and set(name_words(said.name)) != set(name_words(clinician.name)):
            self._warn(said.position, "name", f"The register says {clinician.name}, and still does.")
        if said.profession and said.profession != clinician.profession:
            now = clinician.get_profession_display().lower()
            self._warn(said.position, "profession", f"The register says {now}, and still does.")
        if user is not None and said.registration and said.registration != user.registration:
            self._warn(said.position, "registration", "The register says otherwise: change it on the account's page.")

    def _account(self, said: Said, clinician: Clinician | None) -> User:
        if not said.name and clinician is None:
            raise problem("name", "Give the name.")
        return add_account(
            self._rec,
            email=said.email,
            name=said.name or (clinician.name if clinician else ""),
            profession=said.profession or (clinician.profession if clinician else Profession.OTHER),
            registration=said.registration,
            clinician=clinician,
        )


def _may_be_same(one: str, other: str) -> bool:
    """Whether two names can be one person's: a word in common that tells somebody."""
    return bool({word for word in name_words(one) if len(word) > 1} & set(name_words(other)))
