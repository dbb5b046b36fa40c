"""Whether stored referrals are what their acts said: for `verify_ledger`."""

from collections.abc import Iterator

from credentials.models import Referral
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of, with_acts


def register_all() -> None:
    verify.register("referrals", referrals)


def referrals() -> Iterator[Problem]:
    """Each is what somebody referred, and where it was taken back, an act says so; none is missing."""
    rows = Referral.objects.select_related("flag", "to", "known_until")
    acts = Act.objects.filter(kind="referral.made").select_related("payload")
    for seq, act, made in with_acts(rows, acts):
        waits = act is not None
        for row in made:
            told = {"referral": str(row.uuid), "to": str(row.to.uuid)}
            if act is None or not (
                (act.subject, act.actor_id, act.facts) == (row.flag.uuid, row.by_id, told)
                and personal_of(act).get("reason", row.reason) == row.reason
            ):
                yield Problem(seq, f"referral {row.uuid} is not what was referred")
            ended = row.known_until
            if ended is not None and (ended.kind, ended.subject, ended.facts) != (
                "referral.ended",
                row.flag.uuid,
                {"referral": str(row.uuid)},
            ):
                yield Problem(ended.seq, f"referral {row.uuid} was not taken back like this")
            waits = False
        if waits:
            yield Problem(seq, f"a referral of flag {act and act.subject} is missing")
