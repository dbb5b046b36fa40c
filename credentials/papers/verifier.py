#!/usr/bin/env python3
"""Check an evidence file of Sited without Sited: python3 verify_evidence.py FILE.json

Python 3.11 or later and nothing else. Ends with 0 if everything holds that the file itself can show, with 1 and a line
for each thing that does not hold, with 2 if the file can't be read.

What is checked
  the file     its bytes are the canonical JSON of what it says (RFC 8785 within strings and whole numbers), and its
               seal is the SHA-256 of all the rest
  acts         each act's hash is that of its text; the text names its number, kind and the hash of the act before;
               where two acts of the file follow one another they are linked; personal text fits its salted hash
  evidence     each entry, statement, observation, award, restriction, completion, flag, document, recognition, referral
               and statement that was looked at again is what the act that brought it in says
What a file alone can't show: that nobody made both the file and its acts up. Compare with what was noted elsewhere:
  --head NUMBER HASH   what `verify_ledger --json` printed on some day, for an act in this file
  --seal HASH          the digest that the register keeps in the act "paper.made"
"""

import argparse
import hashlib
import json
import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any

SCHEMA, VERSION = "sited-evidence-file", 1
SECTIONS = (
    "entries", "statements", "observations", "awards", "restrictions", "completions", "flags", "documents",
    "recognitions", "referrals", "reconsidered",
)  # fmt: skip
LOGGING = ("insertion.recorded", "insertion.corrected", "correction.decided", "dispute.ruled")
Row = dict[str, Any]


def canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def problems(data: bytes, *, head: tuple[int, str] | None = None, seal: str | None = None) -> Iterator[str]:
    """Every thing that does not hold, in words. Raises ValueError or KeyError for what is no evidence file."""
    text = data.decode("utf-8")
    file = json.loads(text)
    if not isinstance(file, dict) or (file.get("schema"), file.get("version")) != (SCHEMA, VERSION):
        raise ValueError(f"this is not version {VERSION} of {SCHEMA}")
    if canonical(file) != text:
        yield "the file: its bytes are not the canonical text of what it says"
    told = digest(canonical({name: value for name, value in file.items() if name != "seal"}))
    if told != file["seal"]:
        yield "the file: its seal is not the digest of the rest: something in it was changed"
    if seal is not None and seal != file["seal"]:
        yield "the file: its seal is not the one that was noted elsewhere"
    acts = {each["seq"]: each for each in file["acts"]}
    yield from _chain(file, acts, head)
    whole = {seq: json.loads(each["content"]) for seq, each in acts.items() if each["content"] is not None}
    person = file["clinician"]["uuid"]
    versions = {(row["uuid"], row["version"]): row["digest"] for row in file["entries"]}
    checks = {
        "entries": lambda row, act: _entry(row, act, person),
        "statements": lambda row, act: _statement(row, act, versions),
        "observations": lambda row, act: _observation(row, act, person),
        "awards": lambda row, act: _spanned(row, act, "award", file["awards"], {"until_day"}, person),
        "restrictions": lambda row, act: _spanned(
            row, act, "restriction", file["restrictions"], {"until_day", "due_on", "basis"}, person
        ),
        "completions": lambda row, act: _completion(row, act, person),
        "flags": lambda row, act: _flag(row, act),
        "documents": lambda row, act: _document(row, act),
        "recognitions": lambda row, act: _recognition(row, act, person),
        "referrals": lambda row, act: _referral(row, act, acts.get(row["act"])),
        "reconsidered": lambda row, act: _reconsidered(row, act, versions),
    }
    for section in SECTIONS:
        for row in file[section]:
            act = row["act"]
            if act is not None and act not in acts:
                yield f"{section}: {row['uuid']}: the act {act} that it names is not in the file"
            for wrong in checks[section](row, whole.get(act)):
                yield f"{section}: {row['uuid']}: {wrong}"
    yield from _missing(file, whole)


def _chain(file: Row, acts: dict[int, Row], head: tuple[int, str] | None) -> Iterator[str]:
    numbers = [each["seq"] for each in file["acts"]]
    if numbers != sorted(set(numbers)):
        yield "the acts: they are not in the order of their numbers, each once"
    for seq, act in acts.items():
        if act["content"] is None:
            continue
        if digest(act["content"]) != act["hash"]:
            yield f"act {seq}: its hash is not that of its text"
            continue
        said = json.loads(act["content"])["act"]
        if said["seq"] != seq:
            yield f"act {seq}: its text names another number, {said['seq']}"
        if seq - 1 in acts and said["previous"] != acts[seq - 1]["hash"]:
            yield f"act {seq}: it does not follow on act {seq - 1} of this file"
        personal = act["personal"]
        if personal is not None and digest(personal["salt"] + personal["body"]) != said["personal"]:
            yield f"act {seq}: the personal text beside it is not the one that it was made with"
    end = file["head"]
    if numbers and numbers[-1] > end["seq"]:
        yield f"the acts: number {numbers[-1]} stands after the head {end['seq']}"
    if end["seq"] in acts and acts[end["seq"]]["hash"] != end["hash"]:
        yield "the head: its hash is not that of the act with its number"
    if head is not None:
        noted = {end["seq"]: end["hash"]} | {seq: each["hash"] for seq, each in acts.items()}
        if head[0] not in noted:
            yield f"the head noted elsewhere: act {head[0]} is not in this file, so it can't be compared"
        elif noted[head[0]] != head[1]:
            yield f"the head noted elsewhere: act {head[0]} has another hash"


def _announced(act: Row) -> Counter[str]:
    found = [act["digest"]] if isinstance(act.get("digest"), str) else []
    found += act.get("rows") or []
    found += [each["digest"] for each in act.get("versions") or []]
    return Counter(found)


def _entry(row: Row, act: Row | None, person: str) -> Iterator[str]:
    if digest(row["content"]) != row["digest"]:
        yield "its digest is not that of its content"
        return
    said = json.loads(row["content"])
    if (said["uuid"], said["version"], said["sent"]["clinician"]) != (row["uuid"], row["version"], person):
        yield "its content is that of another entry, version or person"
    if act is not None and not _announced(act)[row["digest"]]:
        yield "its act does not bring this version in"


def _statement(row: Row, act: Row | None, versions: dict[tuple[str, int], str]) -> Iterator[str]:
    told = row["told"]
    if versions.get((told["insertion"], told["version"])) != told["insertion_digest"]:
        yield "the version that was signed is not the one in this file"
    if act is None:
        return
    if act.get("statement") != told:
        yield "its act says something else"
    yield from _signed(row, act)


def _signed(row: Row, act: Row) -> Iterator[str]:
    """Printed name, role, registration, meaning and moment, as the act's signature says them."""
    signature = act.get("signature") or {}
    for name, value in row["signature"].items():
        if signature.get(name) != value:
            yield f"{name} is not what was signed"


def _observation(row: Row, act: Row | None, person: str) -> Iterator[str]:
    if digest(row["content"]) != row["digest"]:
        yield "its digest is not that of its content"
        return
    said = json.loads(row["content"])
    if (said["uuid"], said["clinician"]) != (row["uuid"], person):
        yield "its content is that of another observation or person"
    if act is None:
        return
    if (act["act"]["subject"], act.get("digest")) != (row["uuid"], row["digest"]):
        yield "its act signs another observation"
    yield from _signed(row, act)


def _spanned(row: Row, act: Row | None, name: str, rows: list[Row], changing: set[str], person: str) -> Iterator[str]:
    """A first version is what its act says; a later one follows one that its act closed, and changes its end alone."""
    if row["said"]["clinician"] != person or row["said"]["uuid"] != row["uuid"]:
        yield "it says another person or another decision"
    if act is None:
        return
    announced = _decided_in(act, name)
    if row["uuid"] in announced:
        if announced[row["uuid"]] != digest(canonical(row["said"])):
            yield "it does not match what was signed"
        return
    same = {key: value for key, value in row["said"].items() if key not in changing}
    before = [each["said"] for each in rows if each["uuid"] == row["uuid"] and each["until_act"] == row["act"]]
    if not any({key: old[key] for key in same} == same for old in before):
        yield "it follows no version of the same decision"


def _decided_in(act: Row, name: str) -> dict[str, str]:
    """The awards or restrictions that an act brings in, each with its digest: one award is held at several units."""
    one = {act[name]: act[f"{name}_digest"]} if act.get(name) and act.get(f"{name}_digest") else {}
    return {**one, **(act.get(f"{name}_digests") or {})}


def _completion(row: Row, act: Row | None, person: str) -> Iterator[str]:
    if row["said"]["clinician"] != person or row["said"]["uuid"] != row["uuid"]:
        yield "it says another person or another completion"
    if act is not None and not _announced(act)[digest(canonical(row["said"]))]:
        yield "its act does not bring it in"


def _flag(row: Row, act: Row | None) -> Iterator[str]:
    if act is None:
        return
    told = {name: act.get(name) for name in ("rule", "evidence", "finding")}
    if act["act"]["subject"] != row["uuid"] or told != row["said"]:
        yield "it is not what the register raised"


def _document(row: Row, act: Row | None) -> Iterator[str]:
    if row["said"]["uuid"] != row["uuid"]:
        yield "it says another document"
    if act is not None and (act.get("signature") or {}).get("digest") != digest(canonical(row["said"])):
        yield "it does not match what was approved"


def _recognition(row: Row, act: Row | None, person: str) -> Iterator[str]:
    if row["said"]["clinician"] != person or row["said"]["uuid"] != row["uuid"]:
        yield "it says another person or another decision"
    if act is not None and (act.get("recognition"), act.get("facts_digest")) != (
        row["uuid"],
        digest(canonical(row["said"])),
    ):
        yield "it does not match what was signed"


def _referral(row: Row, act: Row | None, envelope: Row | None) -> Iterator[str]:
    if row["said"]["referral"] != row["uuid"]:
        yield "it says another referral"
    if act is None:
        return
    if {"flag": act["act"]["subject"], "referral": act.get("referral"), "to": act.get("to")} != row["said"]:
        yield "it is not what was referred"
    personal = (envelope or {}).get("personal")
    if personal is not None and json.loads(personal["body"]).get("reason") != row["reason"]:
        yield "its reason is not the one that was written"


def _reconsidered(row: Row, act: Row | None, versions: dict[tuple[str, int], str]) -> Iterator[str]:
    said = {name: value for name, value in row["said"].items() if name != "outcome"}
    if versions.get((said["insertion"], said["version"])) != said["digest"]:
        yield "the version that had been signed is not the one in this file"
    if act is not None and (act.get("outcome"), (act.get("statements") or {}).get(row["uuid"])) != (
        row["said"]["outcome"],
        said,
    ):
        yield "it is not what was decided"


def _missing(file: Row, whole: dict[int, Row]) -> Iterator[str]:
    """What an act about this person or their evidence brought in must be in the file."""
    statements = {row["act"] for row in file["statements"]}
    observed = {row["act"] for row in file["observations"]}
    there = {
        (name, row["uuid"])
        for name in ("awards", "restrictions", "recognitions", "referrals", "reconsidered")
        for row in file[name]
    }
    versions = {(row["uuid"], row["version"]) for row in file["entries"]}
    entries = {row["digest"] for row in file["entries"]}
    for seq, act in whole.items():
        kind = act["act"]["kind"]
        # An import has a statement too: for which days its sheet is complete.
        if kind != "logbook.imported" and act.get("statement") and seq not in statements:
            yield f"act {seq}: the statement that it signs is missing"
        if kind == "observation.signed" and seq not in observed:
            yield f"act {seq}: the observation that it signs is missing"
        if kind in LOGGING and not _brought_in(act) <= entries:
            yield f"act {seq}: an entry that it brings in is missing"
        for name in ("award", "restriction"):
            for uuid in _decided_in(act, name):
                if (f"{name}s", uuid) not in there:
                    yield f"act {seq}: the {name} that it decides is missing"
        for name in ("recognition", "referral"):
            if kind in (f"{name}.decided", f"{name}.made") and (f"{name}s", act.get(name)) not in there:
                yield f"act {seq}: the {name} that it brings in is missing"
        for uuid, told in (act.get("statements") or {}).items() if kind == "statements.reconsidered" else ():
            if (told["insertion"], told["version"]) in versions and ("reconsidered", uuid) not in there:
                yield f"act {seq}: a decision about a statement on entry {told['insertion']} is missing"


def _brought_in(act: Row) -> set[str]:
    """The digests of the versions of the entry that an act is about."""
    mine = {each["digest"] for each in act.get("versions") or [] if each["insertion"] == act["act"]["subject"]}
    return mine | ({act["digest"]} if act["act"]["kind"] == "insertion.recorded" else set())


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description="Check an evidence file of Sited, without Sited.")
    parser.add_argument("file")
    parser.add_argument("--head", nargs=2, metavar=("NUMBER", "HASH"), help="an act's hash as noted elsewhere")
    parser.add_argument("--seal", metavar="HASH", help="the seal as noted elsewhere")
    asked = parser.parse_args(arguments)
    try:
        head = (int(asked.head[0]), asked.head[1]) if asked.head else None
        with open(asked.file, "rb") as file:
            data = file.read()
    except (OSError, ValueError) as error:
        print(f"It can't be read: {error}", file=sys.stderr)
        return 2
    try:
        found = list(problems(data, head=head, seal=asked.seal))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        found = [f"the file: it is not an evidence file as it was made ({type(error).__name__}: {error})"]
    for each in found:
        print(each)
    if found:
        print(f"{len(found)} things do not hold.")
        return 1
    file_said = json.loads(data)
    counts = ", ".join(f"{len(file_said[name])} {name}" for name in ("acts", *SECTIONS))
    withheld = sum(each["content"] is None for each in file_said["acts"])
    print(f"Everything in this file holds: {counts}.")
    print(f"Seal {file_said['seal']}")
    if withheld:
        print(f"{withheld} acts are named by their hash alone, because they concern others too.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
