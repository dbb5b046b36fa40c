"""Extending an award: it holds at one more unit and all below, from today, with the same anchor, end and terms."""

from dataclasses import dataclass
from datetime import date

from django.db import transaction

from audits.awards import NewAward, add_award, award_digest
from audits.freetext import text_problems
from audits.models import Award, Procedure
from credentials.standings import judge_many
from ledger.acts import recording
from ledger.canonical import canonical
from people.access import Right, access_of
from people.models import Clinician, Unit
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock
from people.tree import tree

MEANING = "award extended"
LONGEST_REASON = 500


@dataclass(frozen=True, kw_only=True)
class Extension:
    """What is about to be decided: where else the award that is in force is to hold, and why."""

    award: Award
    scope_unit: Unit
    reason: str

    @property
    def digest(self) -> str:
        return digest_of(
            {"award": award_digest(self.award), "scope_unit": str(self.scope_unit.uuid), "reason": self.reason.strip()}
        )


def in_force(clinician: Clinician, procedure: Procedure, on: date) -> list[Award]:
    """The awards in force on that day, the first one first; in grace there is none."""
    rows = Award.objects.known().on(on).filter(clinician=clinician, procedure=procedure, expires_on__gt=on)
    return list(rows.select_related("clinician", "procedure", "scope_unit").order_by("pk"))


def check(extension: Extension, on: date) -> None:
    """Raises Problems for what could not be decided today."""
    award, unit, places = extension.award, extension.scope_unit, tree()
    found = text_problems("reason", extension.reason, longest=LONGEST_REASON, asked="Say why it is to hold there.")
    held = in_force(award.clinician, award.procedure, on)
    if award.pk not in {each.pk for each in held}:
        raise problem("", "The award is not in force any more: look again.")
    above = places.above(unit.pk) if unit.pk in places else ()
    if not above:
        found.append(Problem("scope_unit", "This unit is closed: choose another."))
    elif covering := next((each for each in held if each.scope_unit_id in above), None):
        found.append(Problem("scope_unit", f"It holds there already, by {places.path(covering.scope_unit_id)}."))
    if found:
        raise Problems(found)


def extend(*, signer: Confirmed, extension: Extension) -> Award:
    """Let the award hold at this unit as well. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    old = extension.award
    access.require_about(Right.DECIDE, old.clinician)
    access.require(Right.DECIDE, extension.scope_unit.pk)
    with transaction.atomic():
        clinician = lock(old.clinician)
        pair = (clinician.pk, old.procedure_id)
        judged = judge_many([pair])[pair]
        check(extension, judged.on)
        with recording(actor=signer.user, kind="award.extended", subject=clinician.uuid) as rec:
            made = add_award(
                rec,
                NewAward(
                    clinician=clinician,
                    procedure=old.procedure,
                    scope_unit=extension.scope_unit,
                    programme=old.programme,
                    terms=old.terms,
                    kind=old.kind,
                    from_day=judged.on,
                    anchor=old.anchor,
                    months=old.months,
                    provisional_until=old.provisional_until,
                    supervises_from=old.supervises_from,
                    long_absence_days=old.long_absence_days,
                    basis=canonical(
                        {
                            "extends": str(old.uuid),
                            "known": judged.known,
                            "on": judged.on.isoformat(),
                            "reason": extension.reason.strip(),
                        }
                    ),
                ),
            )
            rec.content |= {
                "award": str(made.uuid),
                "extends": str(old.uuid),
                "procedure": old.procedure.code,
                "scope_unit": str(extension.scope_unit.uuid),
            }
            rec.personal = {"reason": extension.reason.strip()}
            signer.use(extension.digest, rec, role=access.printed_for(Right.DECIDE))
            return made
