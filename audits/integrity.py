"""Whether an entry is still what was stored and signed: content against digest, columns against content.

The digest covers the content; the columns serve queries and repeat it. A page that finds a difference says 'does not
match what was signed' and counts on nobody's word.
"""

import json
from collections.abc import Iterable, Iterator
from typing import Any

from audits.models import Insertion, Observation, Statement
from ledger.acts import instant
from ledger.canonical import digest


def differences(insertion: Insertion) -> tuple[str, ...]:
    """What does not fit: 'digest', 'content', or names of columns. Empty for an entry that is whole.

    Needs clinician, procedure, unit, supervisor and attempts at hand to cost no query (see `whole`).
    """
    if digest(insertion.content) != insertion.digest:
        return ("digest",)
    try:
        said = json.loads(insertion.content)
        expected = _columns_of(said)
    except (ValueError, KeyError, TypeError):
        return ("content",)
    return tuple(name for name, value in _columns(insertion).items() if value != expected[name])


def statement_holds(statement: Statement) -> bool:
    """Whether a statement stands on the very version that was signed, and that version is whole."""
    return statement.insertion_digest == statement.insertion.digest and not differences(statement.insertion)


def altered(insertions: Iterable[Insertion] | None = None) -> Iterator[Insertion]:
    """The versions that are not whole, among these or in the whole register, in order of their keys."""
    if insertions is None:
        insertions = (
            Insertion.objects.select_related("clinician", "procedure", "unit", "supervisor")
            .prefetch_related("attempts")
            .order_by("pk")
            .iterator(chunk_size=2000)
        )
    return (each for each in insertions if differences(each))


def _columns_of(said: dict[str, Any]) -> dict[str, Any]:
    sent = said["sent"]
    return {
        "uuid": said["uuid"],
        "version": said["version"],
        "clinician": sent["clinician"],
        "procedure": said["procedure"],
        "unit": sent["unit"],
        "occasion": said["occasion"],
        "performed_at": said["performed_at"],
        "zone": said["zone"],
        "performed_on": said["performed_on"],
        "time_known": sent["time_known"],
        "entered_at": said["entered_at"],
        "simulation": sent["simulation"],
        "supervisor": sent["supervisor"],
        "nearness": sent["nearness"],
        "emergency": sent["emergency"],
        "result": said["result"],
        "punctures": said["punctures"],
        "others_before": said["others_before"],
        "taken_over": said["taken_over"],
        "difficult": said["difficult"],
        "events": ",".join(sent["events"] or ()),
        "withdrawn": said["withdrawn"],
        "source": said["source"],
        "partial": said["partial"],
        "attempts": sent["attempts"],
    }


def _columns(insertion: Insertion) -> dict[str, Any]:
    return {
        "uuid": str(insertion.uuid),
        "version": insertion.version,
        "clinician": str(insertion.clinician.uuid),
        "procedure": insertion.procedure.code,
        "unit": str(insertion.unit.uuid),
        "occasion": insertion.occasion,
        "performed_at": instant(insertion.performed_at),
        "zone": insertion.zone,
        "performed_on": insertion.performed_on.isoformat(),
        "time_known": insertion.time_known,
        "entered_at": instant(insertion.entered_at),
        "simulation": insertion.setting == Insertion.Setting.SIMULATION,
        "supervisor": None if insertion.supervisor is None else str(insertion.supervisor.uuid),
        "nearness": insertion.nearness,
        "emergency": insertion.emergency,
        "result": insertion.result,
        "punctures": insertion.punctures,
        "others_before": insertion.others_before,
        "taken_over": insertion.taken_over,
        "difficult": insertion.difficult,
        "events": insertion.events,
        "withdrawn": insertion.withdrawn,
        "source": insertion.source,
        "partial": insertion.partial,
        "attempts": [
            {
                "gauge": each.gauge,
                "reason": each.reason,
                "result": each.result,
                "side": each.side,
                "site": each.site,
                "technique": each.technique,
            }
            for each in insertion.attempts.all()
        ],
    }


def observation_differences(row: Observation) -> tuple[str, ...]:
    """What of a signed observation does not fit: 'digest', 'content', or names of columns. Empty if it is whole."""
    if digest(row.content) != row.digest:
        return ("digest",)
    try:
        said = json.loads(row.content)
        expected = {
            "uuid": said["uuid"],
            "clinician": said["clinician"],
            "procedure": said["procedure"],
            "unit": said["unit"],
            "checklist": said["checklist"],
            "purpose": said["purpose"],
            "setting": said["setting"],
            "observed_at": said["observed_at"],
            "observed_on": said["observed_on"],
            "zone": said["zone"],
            "assessor": said["assessor"],
            "second_of": said["second_of"],
            "verdict": said["verdict"],
            "stopped": said["stopped"],
            "missed": ",".join(said["missed"]),
            "rating": said["rating"],
            "given": said["given"],
            "recommended": said["recommended"],
        }
    except (ValueError, KeyError, TypeError):
        return ("content",)
    columns = {
        "uuid": str(row.uuid),
        "clinician": str(row.clinician.uuid),
        "procedure": row.procedure.code,
        "unit": str(row.unit.uuid),
        "checklist": str(row.checklist.uuid),
        "purpose": row.purpose,
        "setting": row.setting,
        "observed_at": instant(row.observed_at),
        "observed_on": row.observed_on.isoformat(),
        "zone": row.zone,
        "assessor": str(row.assessor.uuid),
        "second_of": str(row.second_of.uuid) if row.second_of else None,
        "verdict": row.verdict,
        "stopped": row.stopped,
        "missed": row.missed,
        "rating": row.rating,
        "given": row.given,
        "recommended": row.recommended,
    }
    return tuple(name for name, value in columns.items() if value != expected[name])
