"""Whether enrolments moved to another version are what somebody signed: for `verify_ledger`."""

from collections.abc import Iterator

from credentials.models import Enrolment
from credentials.moving import moved_digest
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of


def register_all() -> None:
    verify.register("moves of enrolments", moves)


def moves() -> Iterator[Problem]:
    """Each move closed one enrolment, opened another on the same day under the version it names, and was signed so."""
    for act in Act.objects.filter(kind="enrolment.moved").select_related("payload").order_by("seq").iterator():
        signed = act.facts.get("signature", {}).get("digest")
        content = {name: value for name, value in act.facts.items() if name != "signature"}
        reason = personal_of(act).get("reason")
        # Where personal text was destroyed there is nothing to compare the signature with.
        if reason is not None and signed != moved_digest(str(act.subject), content, reason):
            yield Problem(act.seq, "a move of an enrolment is not what was signed")
        rows = Enrolment.objects.filter(known_from=act.seq).select_related("programme", "clinician", "procedure")
        made = sorted(
            (
                str(row.clinician.uuid),
                row.procedure.code,
                str(row.programme.uuid),
                row.until_day.isoformat() if row.until_day else "",
                row.from_day.isoformat() if row.until_day is None else "",
            )
            for row in rows
        )
        about = (str(act.subject), act.facts["procedure"])
        asked = sorted(
            [
                (*about, act.facts["from_programme"], act.facts["on"], ""),
                (*about, act.facts["to_programme"], "", act.facts["on"]),
            ]
        )
        if made != asked:
            yield Problem(act.seq, "the enrolments of a move are not what was decided")
