"""The history of who held what: awards, scopes by role, restrictions. Facts are written here, decisions elsewhere.

Each function takes an open act, whose caller decided that it may be and holds the clinician's lock, taken before the
act (`people.spans.lock`). Each brings up to date what rests on the fact: the entries that this person countersigned on
the days that change, and the outbox.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from audits.calendar import add_months
from audits.models import Award, Procedure, Restriction, ScopeByRole
from audits.outcomes import reconsider
from ledger.acts import Recording
from ledger.canonical import canonical, digest
from people import stale
from people.clock import in_words
from people.models import Clinician, Profession, Unit
from people.problems import problem
from people.spans import again, changed_days, check_end, overlapping, swap
from people.tree import tree

ANSWERS = ("no", "in_room", "nearby", "alone")


@dataclass(frozen=True, slots=True, kw_only=True)
class NewAward:
    """An award to be written. `terms` and `basis` are canonical texts; what is copied from the terms see `Award`."""

    clinician: Clinician
    procedure: Procedure
    scope_unit: Unit
    programme: UUID
    terms: str
    kind: str
    from_day: date
    anchor: date
    months: int
    basis: str
    first: bool = False
    provisional_until: date | None = None
    supervises_from: date | None = None
    long_absence_days: int | None = None

    @property
    def expires_on(self) -> date:
        return add_months(self.anchor, self.months)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewScope:
    """A scope by role to be written: of a person, or of a profession."""

    procedure: Procedure
    unit: Unit
    from_day: date
    until_day: date | None
    basis: str
    clinician: Clinician | None = None
    profession: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewRestriction:
    """A restriction to be written; without a procedure it is of every one. `answer` is the most it allows."""

    clinician: Clinician
    procedure: Procedure | None
    kind: str
    answer: str
    from_day: date
    basis: str
    until_day: date | None = None
    due_on: date | None = None


def add_award(rec: Recording, new: NewAward, *, replaces: Award | None = None) -> Award:
    """Write an award. One that it `replaces` (a renewal's predecessor) ends on its first day.

    On no day are two in force for one clinician, procedure and scope unit. Raises Problems where they would be,
    ValueError for a kind, span or anchor that cannot be.
    """
    if new.kind not in Award.Kind.values:
        raise ValueError(f"kind {new.kind!r} is none of {', '.join(Award.Kind.values)}")
    if not new.anchor <= new.from_day < new.expires_on:
        raise ValueError(f"award from {new.from_day}, anchored {new.anchor}, until {new.expires_on}: no day in it")
    if replaces is not None:
        end_award(rec, replaces, min(new.from_day, replaces.expires_on))
    others = Award.objects.known().filter(clinician=new.clinician, procedure=new.procedure, scope_unit=new.scope_unit)
    until_day = None
    for other in others:
        end = min(other.until_day or other.expires_on, other.expires_on)
        if other.from_day < new.expires_on and new.from_day < end:
            raise problem("from_day", f"An award is in force from {in_words(other.from_day)} already.")
        if other.until_day is None and end <= new.from_day:
            # It ran out by the calendar: that it no longer stands open is said when the next one comes.
            swap([other], [again(other, rec, until_day=end)], rec)
        elif end > new.from_day:
            until_day = new.expires_on
    made = Award.objects.create(
        clinician=new.clinician,
        procedure=new.procedure,
        scope_unit=new.scope_unit,
        programme=new.programme,
        terms=new.terms,
        kind=new.kind,
        from_day=new.from_day,
        until_day=until_day,
        anchor=new.anchor,
        months=new.months,
        expires_on=new.expires_on,
        first=new.first,
        provisional_until=new.provisional_until,
        supervises_from=new.supervises_from,
        long_absence_days=new.long_absence_days,
        basis=new.basis,
        known_from_id=rec.seq,
    )
    rec.content["award_digest"] = award_digest(made)
    # An act may bring in several: one award is held at more than one unit.
    rec.content.setdefault("award_digests", {})[str(made.uuid)] = rec.content["award_digest"]
    _held_otherwise(rec, made.clinician, made.procedure_id, made.from_day, made.expires_on)
    return made


def award_digest(award: Award) -> str:
    """The digest of all that a version of an award says. Its act keeps it, so that an altered row is found."""
    said = {
        "anchor": award.anchor,
        "clinician": award.clinician.uuid,
        "expires_on": award.expires_on,
        "from_day": award.from_day,
        "kind": award.kind,
        "procedure": award.procedure.code,
        "programme": award.programme,
        "provisional_until": award.provisional_until,
        "scope_unit": award.scope_unit.uuid,
        "supervises_from": award.supervises_from,
        "terms": award.terms,
        "until_day": award.until_day,
        "uuid": award.uuid,
        "basis": award.basis,
    }
    numbers = {"first": award.first, "long_absence_days": award.long_absence_days, "months": award.months}
    texts = {name: None if value is None else str(value) for name, value in said.items()}
    return digest(canonical({**texts, **numbers}))


def end_award(rec: Recording, award: Award, until_day: date) -> Award:
    """Let an award end before its calendar end; its first day means that it never was. Returns the new version."""
    check_end(award, until_day)
    ended = again(award, rec, until_day=until_day)
    swap([award], [ended], rec)
    _held_otherwise(rec, award.clinician, award.procedure_id, until_day, award.until_day or award.expires_on)
    return ended


def add_scope(rec: Recording, new: NewScope) -> ScopeByRole:
    """Write a scope by role. Raises Problems where one stands on the same days, ValueError without whom it is for."""
    if (new.clinician is None) != (new.profession in Profession.values):
        raise ValueError(f"a scope is of a person or of a profession: {new.clinician!r}, {new.profession!r}")
    same = ScopeByRole.objects.known().filter(
        clinician=new.clinician, profession=new.profession, procedure=new.procedure, unit=new.unit
    )
    if same.filter(overlapping(new.from_day, new.until_day)).exists():
        raise problem("from_day", "Such a scope stands on these days already.")
    made = ScopeByRole.objects.create(
        procedure=new.procedure,
        unit=new.unit,
        clinician=new.clinician,
        profession=new.profession,
        from_day=new.from_day,
        until_day=new.until_day,
        basis=new.basis,
        known_from_id=rec.seq,
    )
    _scoped_otherwise(rec, made, made.from_day, made.until_day)
    return made


def end_scope(rec: Recording, scope: ScopeByRole, until_day: date | None) -> ScopeByRole:
    """Let a scope by role end on another day; its first day means that it never was. Returns the new version."""
    check_end(scope, until_day)
    ended = again(scope, rec, until_day=until_day)
    swap([scope], [ended], rec)
    _scoped_otherwise(rec, scope, *changed_days(until_day, scope.until_day))
    return ended


def add_restriction(rec: Recording, new: NewRestriction) -> Restriction:
    """Write a restriction. Raises ValueError for a kind or an answer that is none."""
    if new.kind not in Restriction.Kind.values:
        raise ValueError(f"kind {new.kind!r} is none of {', '.join(Restriction.Kind.values)}")
    if new.answer not in ANSWERS:
        raise ValueError(f"answer {new.answer!r} is none of {', '.join(ANSWERS)}")
    made = Restriction.objects.create(
        clinician=new.clinician,
        procedure=new.procedure,
        kind=new.kind,
        answer=new.answer,
        from_day=new.from_day,
        until_day=new.until_day,
        due_on=new.due_on,
        basis=new.basis,
        known_from_id=rec.seq,
    )
    _held_otherwise(rec, made.clinician, made.procedure_id, made.from_day, made.until_day)
    return made


def end_restriction(
    rec: Recording, restriction: Restriction, until_day: date | None, *, basis: str | None = None
) -> Restriction:
    """Let a restriction end on another day; its first day means that it never was. Returns the new version."""
    check_end(restriction, until_day)
    ended = again(restriction, rec, until_day=until_day, basis=restriction.basis if basis is None else basis)
    swap([restriction], [ended], rec)
    changed = changed_days(until_day, restriction.until_day)
    _held_otherwise(rec, restriction.clinician, restriction.procedure_id, *changed)
    return ended


def restriction_digest(restriction: Restriction) -> str:
    """The digest of all that a version of a restriction says. Its act keeps it, so that an altered row is found."""
    said = {
        "answer": restriction.answer,
        "basis": restriction.basis,
        "clinician": restriction.clinician.uuid,
        "due_on": restriction.due_on,
        "from_day": restriction.from_day,
        "kind": restriction.kind,
        "procedure": restriction.procedure.code if restriction.procedure else None,
        "until_day": restriction.until_day,
        "uuid": restriction.uuid,
    }
    return digest(canonical({name: None if value is None else str(value) for name, value in said.items()}))


def _held_otherwise(
    rec: Recording, clinician: Clinician, procedure: int | None, from_day: date | None, until_day: date | None
) -> None:
    """What this person countersigned on these days may count otherwise: entries, and the outbox."""
    changed: frozenset[tuple[int, int]] = frozenset()
    if clinician.user_id is not None:
        changed = reconsider([clinician.user_id], procedure=procedure, from_day=from_day, until_day=until_day)
    stale.touch(
        {clinician.pk, *(each for each, _ in changed)},
        cause=rec.kind,
        act=rec.seq,
        procedure=procedure,
        user=clinician.user_id,
        from_day=from_day,
        until_day=until_day,
    )


def _scoped_otherwise(rec: Recording, scope: ScopeByRole, from_day: date | None, until_day: date | None) -> None:
    if scope.clinician is not None:
        _held_otherwise(rec, scope.clinician, scope.procedure_id, from_day, until_day)
        return
    below: Collection[int] = tree().below(scope.unit_id)
    changed = reconsider((), units=below, procedure=scope.procedure_id, from_day=from_day, until_day=until_day)
    of = Clinician.objects.filter(profession=scope.profession).values_list("pk", flat=True)
    stale.touch({*of, *(each for each, _ in changed)}, cause=rec.kind, act=rec.seq, procedure=scope.procedure_id)
