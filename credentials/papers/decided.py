"""What was decided about a person's evidence, for their evidence file: as data that the acts prove, and in words.

What they brought from elsewhere, to whom their case was shown, and countersignatures that were looked at again because
whoever signed could not supervise there and then.
"""

from collections.abc import Iterable
from datetime import date
from typing import Any

from audits.models import Insertion, Procedure, Recognition, Reconsidered
from audits.reconsidering import facts_of
from credentials.models import Flag, Referral
from credentials.papers.paper import Section
from credentials.recognising import recognition_facts
from credentials.wording import RULE_WORDS
from people.clock import in_words
from people.models import Clinician

Data = dict[str, Any]


def recognitions(clinician: Clinician) -> list[Data]:
    rows = Recognition.objects.filter(clinician=clinician).select_related("clinician", "procedure", "award", "by")
    return [{**_versioned(each), "by": each.by.name, "said": recognition_facts(each)} for each in rows.order_by("pk")]


def referrals(flags: Iterable[Flag]) -> list[Data]:
    rows = Referral.objects.filter(flag__in=[each.pk for each in flags]).select_related("flag", "to", "by")
    return [
        {
            **_versioned(each),
            "by": each.by.name,
            "to": each.to.name,
            "reason": each.reason,
            "said": {"flag": str(each.flag.uuid), "referral": str(each.uuid), "to": str(each.to.uuid)},
        }
        for each in rows.order_by("pk")
    ]


def reconsidered(entries: Iterable[Insertion]) -> list[Data]:
    rows = Reconsidered.objects.filter(statement__insertion__in=[each.pk for each in entries])
    return [
        {
            **_versioned(each),
            "by": each.by.name,
            "signed_by": each.statement.printed_name,
            "performed_on": each.statement.insertion.performed_on.isoformat(),
            "reason": each.reason,
            "said": {**facts_of(each.statement), "outcome": str(each.outcome)},
        }
        for each in rows.select_related("statement__insertion", "by").order_by("pk")
    ]


def sections(file: Data) -> list[Section]:
    """The parts of the paper, from the data of the file."""
    names = dict(Procedure.objects.values_list("code", "name"))
    questions = {each["uuid"]: each for each in file["flags"]}
    return [
        Section(
            title="Brought from elsewhere",
            columns=("Decided", "Procedure", "From where, and what shows it", "Accepted", "By", "Why", "Now"),
            widths=(3, 3, 5, 4, 3, 5, 2),
            rows=[
                (
                    _day(each["said"]["on"]),
                    names[each["said"]["procedure"]],
                    f"{each['said']['origin']}: {each['said']['evidence']}",
                    _accepted(each["said"]),
                    each["by"],
                    each["said"]["reason"],
                    _now(each, "withdrawn"),
                )
                for each in file["recognitions"]
            ],
        ),
        Section(
            title="Cases shown to others",
            columns=("Question", "Shown to", "By", "Why", "Now"),
            widths=(5, 3, 3, 6, 3),
            rows=[
                (
                    _question(questions[each["said"]["flag"]], names),
                    each["to"],
                    each["by"],
                    each["reason"],
                    _now(each, "taken back"),
                )
                for each in file["referrals"]
            ],
        ),
        Section(
            title="Countersignatures looked at again",
            text=("Whoever signed these could not supervise there and then, as came out later.",)
            if file["reconsidered"]
            else (),
            columns=("Insertion of", "Signed by", "Decided", "By", "Why", "Now"),
            widths=(3, 3, 3, 3, 6, 3),
            rows=[
                (
                    _day(each["performed_on"]),
                    each["signed_by"],
                    str(Reconsidered.Outcome(each["said"]["outcome"]).label),
                    each["by"],
                    each["reason"],
                    _now(each, "decided otherwise since"),
                )
                for each in file["reconsidered"]
            ],
        ),
    ]


def _versioned(row: Recognition | Referral | Reconsidered) -> Data:
    return {"uuid": str(row.uuid), "act": row.known_from_id, "until_act": row.known_until_id}


def _now(each: Data, ended: str) -> str:
    return "stands" if each["until_act"] is None else f"{ended}, act {each['until_act']}"


def _accepted(said: Data) -> str:
    words = str(Recognition.Outcome(said["outcome"]).label)
    return f"{words}: {said['insertions']} insertions" if said["insertions"] else words


def _question(flag: Data, names: dict[str, str]) -> str:
    return f"{RULE_WORDS[flag['said']['rule']]}, {names[flag['procedure']]}, raised {_day(flag['raised_on'])}"


def _day(text: str) -> str:
    return in_words(date.fromisoformat(text))
