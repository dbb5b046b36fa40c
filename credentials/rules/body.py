"""A standing as canonical data and back: strings, whole numbers, booleans, None, lists and dicts; dates as ISO strings.

The same evidence and day give the same body, and nothing in it counts days or reads a clock: two bodies are equal if
their texts are. It holds UUIDs and numbers of units, nobody's name and no other number of the database.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from credentials.rules.answers import Answer, Status
from credentials.rules.ceiling import Ceiling
from credentials.rules.facts import Span
from credentials.rules.progress import Line
from credentials.rules.reasons import Finding, NotAssessable, Reason
from credentials.rules.ruleset import Consequence
from credentials.rules.standing import Judgement, Recent, Standing, Step, answer_at_home

Body = dict[str, Any]


def to_body(standing: Standing, *, on: date) -> Body:
    """The body of a standing judged for `on`; the answer at home stands on top."""
    home = answer_at_home(standing, on=on)
    return {
        "home": list(standing.home),
        "status": home.status.value,
        "may_insert": home.answer.value,
        "from": _iso(home.starts),
        "expires_on": _iso(home.expires_on),
        "until": _iso(home.until),
        "judgements": [_judgement(one) for one in standing.judgements],
        "ceilings": [_ceiling(one) for one in standing.ceilings],
        "findings": [_finding(one) for one in standing.findings],
        "not_assessable": [{"rule": one.rule, "text": one.text} for one in standing.not_assessable],
        "progress": {
            "entry": _lines(standing.entry),
            "award": _lines(standing.award),
            "renewal": _lines(standing.renewal),
            "plan": _lines(standing.plan),
        },
        "recent": {
            "months": standing.recent.months,
            "insertions": standing.recent.insertions,
            "successes": standing.recent.successes,
            "partial": standing.recent.partial,
            "last_on": _iso(standing.recent.last_on),
        },
        "rules": (
            {"uuid": standing.rules[0], "version": standing.rules[1], "name": standing.rules[2]}
            if standing.rules
            else None
        ),
    }


def from_body(body: Mapping[str, Any]) -> Standing:
    """The standing in a body. Raises KeyError or ValueError for one that `to_body` did not make."""
    rules, recent, parts = body["rules"], body["recent"], body["progress"]
    return Standing(
        home=tuple(body["home"]),
        judgements=tuple(_read_judgement(one) for one in body["judgements"]),
        ceilings=tuple(_read_ceiling(one) for one in body["ceilings"]),
        findings=tuple(_read_finding(one) for one in body["findings"]),
        not_assessable=tuple(NotAssessable(one["rule"], one["text"]) for one in body["not_assessable"]),
        entry=_read_lines(parts["entry"]),
        award=_read_lines(parts["award"]),
        renewal=_read_lines(parts["renewal"]),
        plan=_read_lines(parts["plan"]),
        recent=Recent(
            months=recent["months"],
            insertions=recent["insertions"],
            successes=recent["successes"],
            partial=recent["partial"],
            last_on=_day(recent["last_on"]),
        ),
        rules=(rules["uuid"], rules["version"], rules["name"]) if rules else None,
    )


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _reason(reason: Reason) -> Body:
    return {
        "rule": reason.rule,
        "text": reason.text,
        "threshold": reason.threshold,
        "figure": reason.figure,
        "evidence": list(reason.evidence),
    }


def _read_reason(body: Mapping[str, Any]) -> Reason:
    return Reason(
        rule=body["rule"],
        text=body["text"],
        threshold=body["threshold"],
        figure=body["figure"],
        evidence=tuple(body["evidence"]),
    )


def _judgement(one: Judgement) -> Body:
    return {
        "unit": one.unit,
        "status": one.status.value,
        "gives": one.gives.value,
        "answer": one.answer.value,
        "award": one.award,
        "from": _iso(one.starts),
        "expires_on": _iso(one.expires_on),
        "reasons": [_reason(reason) for reason in one.reasons],
        "ahead": [
            {"on": step.on.isoformat(), "status": step.status.value, "answer": step.answer.value} for step in one.ahead
        ],
    }


def _read_judgement(body: Mapping[str, Any]) -> Judgement:
    return Judgement(
        unit=body["unit"],
        status=Status(body["status"]),
        gives=Answer(body["gives"]),
        answer=Answer(body["answer"]),
        award=body["award"],
        starts=_day(body["from"]),
        expires_on=_day(body["expires_on"]),
        reasons=tuple(_read_reason(reason) for reason in body["reasons"]),
        ahead=tuple(
            Step(date.fromisoformat(step["on"]), Status(step["status"]), Answer(step["answer"]))
            for step in body["ahead"]
        ),
    )


def _ceiling(one: Ceiling) -> Body:
    return {
        "unit": one.unit,
        "kind": one.kind,
        "home": one.home,
        "gives": one.gives.value if one.gives else None,
        "from": one.span.starts.isoformat(),
        "until": _iso(one.span.until),
    }


def _read_ceiling(body: Mapping[str, Any]) -> Ceiling:
    return Ceiling(
        unit=body["unit"],
        kind=body["kind"],
        home=body["home"],
        gives=Answer(body["gives"]) if body["gives"] else None,
        span=Span(date.fromisoformat(body["from"]), _day(body["until"])),
    )


def _finding(one: Finding) -> Body:
    return {
        "rule": one.rule,
        "text": one.text,
        "threshold": one.threshold,
        "figure": one.figure,
        "evidence": list(one.evidence),
        "consequence": one.consequence.kind,
        "reply_days": one.consequence.reply_days,
        "set": one.set_name,
        "set_version": one.set_version,
        "key": one.key,
    }


def _read_finding(body: Mapping[str, Any]) -> Finding:
    return Finding(
        rule=body["rule"],
        text=body["text"],
        threshold=body["threshold"],
        figure=body["figure"],
        evidence=tuple(body["evidence"]),
        consequence=Consequence(body["consequence"], body["reply_days"]),
        set_name=body["set"],
        set_version=body["set_version"],
        key=body["key"],
    )


def _lines(lines: Sequence[Line]) -> list[Body]:
    return [{"label": one.label, "have": one.have, "need": one.need, "note": one.note} for one in lines]


def _read_lines(lines: Sequence[Mapping[str, Any]]) -> tuple[Line, ...]:
    return tuple(Line(one["label"], one["have"], one["need"], one["note"]) for one in lines)
