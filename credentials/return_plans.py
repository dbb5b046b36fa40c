"""A return plan ends with the award that it led to, in the same act."""

import json
from datetime import date

from audits.awards import end_restriction, restriction_digest
from audits.models import Procedure, Restriction
from ledger.acts import Recording
from ledger.canonical import canonical
from people.models import Clinician

ENDED = "return_plan"  # under which the act of the award names the plan that it ended


def end_with_award(rec: Recording, clinician: Clinician, procedure: Procedure, on: date) -> Restriction | None:
    """End the return plan of this procedure from the first day of an award, within the award's act and lock."""
    rows = Restriction.objects.known().on(on).filter(clinician=clinician, procedure=procedure)
    plan = rows.filter(kind=Restriction.Kind.RETURN_PLAN).select_related("clinician", "procedure").first()
    if plan is None:
        return None
    basis = canonical({**json.loads(plan.basis), "end_reason": "Awarded again."})
    made = end_restriction(rec, plan, on, basis=basis)
    rec.content[ENDED] = {"restriction": str(made.uuid), "restriction_digest": restriction_digest(made)}
    return made
