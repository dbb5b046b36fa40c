"""The whole story of a flag, in order: raised, seen, replied to, referred, decided on, and what came of that."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from audits.models import Restriction
from credentials.models import Flag, Referral
from credentials.rules.words import counted
from credentials.wording import act_words
from ledger.models import Act
from ledger.verify import personal_of
from people.clock import in_words
from people.lookups import first_views, note_view
from people.models import User
from people.tree import tree

REGISTER = "The register"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened to a case: when, by whom, what, and the number of its act (None: a look, no act)."""

    at: datetime
    by: str
    words: str
    said: str = ""
    seq: int | None = None


def story(flag: Flag) -> list[Event]:
    """First to last. A fixed number of queries."""
    found = [*_raised(flag), *_views(flag), *_replies(flag), *_referrals(flag), *_closing(flag), *_decisions(flag)]
    return sorted(found, key=lambda each: (each.at, each.seq or 0))


def note_looked(user: User, flag: Flag) -> None:
    """Keep that this user looked at this case: of the person once, of everybody else each time."""
    page = _page(flag)
    if user.pk == flag.clinician.user_id and any(view.user_id == user.pk for view in first_views(flag.clinician, page)):
        return
    note_view(user, flag.clinician, page)


def decided_on(flag: Flag) -> list[Restriction]:
    """Every version of the plans and suspensions that were decided on this flag, first to last."""
    rows = Restriction.objects.filter(clinician=flag.clinician_id, basis__contains=f'"flag":"{flag.uuid}"')
    return list(
        rows.select_related("known_from__actor", "known_from__payload", "procedure", "clinician").order_by(
            "known_from", "pk"
        )
    )


def is_late(flag: Flag, at: datetime, zone: str) -> bool:
    """Whether something was said after the last day to reply, by the clock of where the person works."""
    return flag.reply_by is not None and at.astimezone(ZoneInfo(zone)).date() > flag.reply_by


def zone_of(flag: Flag) -> str:
    """The zone of where the person works, or worked last."""
    now = tree()
    row = flag.clinician.placements.known().filter(home=True).order_by("-from_day", "-pk").first()
    return now.zone(row.unit_id if row is not None and row.unit_id in now else now.root)


def _raised(flag: Flag) -> Iterator[Event]:
    reply = f"; time to reply through {in_words(flag.reply_by)}" if flag.reply_by else ""
    yield _by_act(flag.raised, f"Raised{reply}")


def _views(flag: Flag) -> Iterator[Event]:
    for view in first_views(flag.clinician, _page(flag)):
        yield Event(at=view.seen_at, by=view.user.name, words="Looked at it for the first time")


def _replies(flag: Flag) -> Iterator[Event]:
    zone = zone_of(flag)
    for each in flag.replies.select_related("by", "made"):
        own = each.by_id == flag.clinician.user_id
        late = ", after the time to reply" if own and is_late(flag, each.said_at, zone) else ""
        yield Event(
            at=each.said_at, by=each.by.name, words=f"{'Replied' if own else 'Noted'}{late}", said=each.text,
            seq=each.made_id,
        )  # fmt: skip


def _referrals(flag: Flag) -> Iterator[Event]:
    rows = Referral.objects.filter(flag=flag)
    for each in rows.select_related("to", "known_from__actor", "known_until__actor"):
        how = "Shared with" if each.by_id == flag.clinician.user_id else "Referred to"
        yield _by_act(each.known_from, f"{how} {each.to.name}", each.reason)
        if each.known_until is not None:
            yield _by_act(each.known_until, f"No longer shown to {each.to.name}")


def _closing(flag: Flag) -> Iterator[Event]:
    if flag.closed is not None and flag.closed.kind == "flag.closed":
        yield _by_act(flag.closed, f"Closed: {flag.get_outcome_display().lower()}", flag.reason)


def _decisions(flag: Flag) -> Iterator[Event]:
    for row in decided_on(flag):
        act, basis = row.known_from, json.loads(row.basis)
        words, verb = act_words(act.kind), act.kind.partition(".")[2]
        if verb == "made":
            closing = " The question is closed by it." if flag.closed_id == act.pk else ""
            yield _by_act(act, f"{words}{_asked(row, basis)}.{closing}", basis.get("reason", ""))
        elif verb == "extended" and row.due_on is not None:
            yield _by_act(act, f"{words} through {in_words(row.due_on)}", _personal_reason(act))
        else:
            yield _by_act(act, f"{words}{_met(basis)}", basis.get("end_reason", ""))


def _asked(row: Restriction, basis: dict[str, int]) -> str:
    if row.kind != Restriction.Kind.PLAN or row.due_on is None:
        return ""
    asked = ((basis.get("insertions", 0), "supervised insertion"), (basis.get("observations", 0), "observation"))
    parts = " and ".join(counted(count, words) for count, words in asked if count)
    return f": {parts or 'no number asked'}, by {in_words(row.due_on)}"


def _met(basis: dict[str, list[dict[str, object]]]) -> str:
    """What a plan had when it ended: its own lines, kept with the decision."""
    said = "; ".join(f"{line['label']}: have {line['have']}, need {line['need']}" for line in basis.get("met", ()))
    return f" ({said})" if said else ""


def _personal_reason(act: Act) -> str:
    return str(personal_of(act).get("reason", ""))


def _by_act(act: Act, words: str, said: str = "") -> Event:
    return Event(at=act.recorded_at, by=act.actor.name if act.actor else REGISTER, words=words, said=said, seq=act.seq)


def _page(flag: Flag) -> str:
    return f"review {flag.uuid.hex[:8]}"
