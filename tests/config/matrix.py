"""What each URL answers to each member of the cast: the table that the walker (test_permissions.py) checks.

To add a URL, write an `Entry` in your app's block of MATRIX:

    "staff_page": Entry(
        '''
                        owner colleague outsider
        educator        yes   yes       404
        administrator   yes   yes       yes
        *               403   403       403
        ''',
        clinicians,
    )

Columns are whose object is asked for: `clinicians(cast)` gives for each column the arguments of the URL (and makes the
objects, if they are not in the cast). A URL without arguments has one column, written `page`. Rows are who asks: the
members of `tests.factories.Cast`, and `*` for the rest. Cells: `yes` (any answer but a refusal: a page, a redirect, a
form to mend), `403`, `404`. Signed out needs no row: it must lead to the sign-in page, unless `anonymous` has one.
Where POST differs from GET give `post=` a table of its own; `body(cast)` gives what is posted (default: nothing).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from audits import observing
from audits.corrections import propose_withdrawal
from audits.logbook import record_insertion
from audits.models import Checklist, Insertion, Observation, SecondAsked
from credentials import uploads
from credentials.models import CohortMember
from credentials.sheet_kinds import LOGBOOK, STAFF
from ledger.canonical import digest
from people import accounts
from people.models import Clinician, Unit, User
from tests.audits.conftest import entry_of, give_award
from tests.audits.observed import hand, ticked
from tests.credentials.checklists import a_draft, a_retirement_of
from tests.factories import (
    AbsenceFactory,
    AppointmentFactory,
    Cast,
    CertificateFactory,
    ChecklistFactory,
    CohortFactory,
    CohortMemberFactory,
    CompletionFactory,
    EnrolmentFactory,
    FlagFactory,
    FoundingFactory,
    LocalPolicyFactory,
    ObservationFactory,
    ProcedureFactory,
    RecognitionFactory,
    ReferralFactory,
    RestrictionFactory,
    RulesFactory,
    ScopeFactory,
    UserFactory,
    an_act,
    make_appointed,
)

Arguments = Mapping[str, Mapping[str, Any]]
EVERYBODY = [
    "anonymous",
    "owner",
    "colleague",
    "outsider",
    "supervisor",
    "assessor",
    "educator",
    "manager",
    "auditor",
    "administrator",
]


@dataclass(frozen=True)
class Entry:
    """The expected answers of one URL."""

    get: str
    arguments: Callable[[Cast], Arguments] = lambda cast: {"page": {}}
    post: str = ""
    body: Callable[[Cast], Mapping[str, Any]] = lambda cast: {}

    def expected(self, method: str) -> dict[tuple[str, str], str]:
        """(who, whose) -> yes, 403 or 404."""
        return read(self.post if method == "POST" and self.post else self.get)


def read(table: str) -> dict[tuple[str, str], str]:
    """Raises ValueError for a table with a gap, a stranger or an unknown cell."""
    lines = [line.split() for line in table.strip().splitlines()]
    columns, rows = lines[0], {line[0]: line[1:] for line in lines[1:]}
    found = {}
    for who in EVERYBODY:
        if who == "anonymous" and who not in rows:
            continue
        cells = rows.get(who) or rows.get("*")
        if cells is None or len(cells) != len(columns) or not set(cells) <= {"yes", "403", "404"}:
            raise ValueError(f"the row of {who} in this table is not whole:\n{table}")
        found |= {(who, whose): cell for whose, cell in zip(columns, cells, strict=True)}
    if strangers := rows.keys() - {*EVERYBODY, "*"}:
        raise ValueError(f"not in the cast: {strangers}")
    return found


def page(answers: str) -> str:
    """A table with one column: 'educator manager' may, everybody else gets 403."""
    return "page\n" + "\n".join(f"{who} yes" for who in answers.split()) + "\n* 403"


SIGNED_IN = "page\n* yes"
ANYBODY = "page\nanonymous yes\n* yes"

# --- people ---


def clinicians(cast: Cast) -> Arguments:
    return {name: {"uuid": getattr(cast, name).uuid} for name in ("owner", "colleague", "outsider")}


def users(cast: Cast) -> Arguments:
    return {name: {"uuid": getattr(cast, name).user.uuid} for name in ("owner", "colleague", "outsider")}


def units(cast: Cast) -> Arguments:
    return {"owner": {"unit_id": cast.wards.ward.pk}, "outsider": {"unit_id": cast.wards.other_ward.pk}}


def a_setting(cast: Cast) -> Arguments:
    return {whose: {**unit, "name": "logging_basis"} for whose, unit in units(cast).items()}


def placements(cast: Cast) -> Arguments:
    rows = {name: getattr(cast, name).placements.get() for name in ("owner", "colleague", "outsider")}
    return {name: {"uuid": row.uuid} for name, row in rows.items()}


def absences(cast: Cast) -> Arguments:
    names = ("owner", "colleague", "outsider")
    return {name: {"uuid": AbsenceFactory(clinician=getattr(cast, name)).uuid} for name in names}


def appointments(cast: Cast) -> Arguments:
    return {
        "owner": {"uuid": AppointmentFactory(user=cast.owner.user, unit=cast.wards.ward).uuid},
        "outsider": {"uuid": AppointmentFactory(user=cast.outsider.user, unit=cast.wards.other_ward).uuid},
    }


def an_invitation(cast: Cast) -> Arguments:
    user = UserFactory(own_secret=False)
    return {"page": {"token": accounts.invite(actor=None, user=user)}}


PLACERS = """
                owner colleague outsider
educator        yes   yes       404
manager         yes   yes       404
administrator   yes   yes       yes
*               403   403       403
"""
ADMINISTRATORS = """
                owner colleague outsider
administrator   yes   yes       yes
*               403   403       403
"""
KEEPERS = """
                owner outsider
educator        yes   404
manager         yes   404
*               403   403
"""
ADMINISTRATORS_OF_TWO = """
                owner outsider
administrator   yes   yes
*               403   403
"""

# --- audits ---

LOGGED_FOR = """
                owner colleague outsider
educator        yes   yes       404
*               403   403       403
"""
ENTRY_SEEN = """
                owner colleague outsider
owner           yes   404       404
colleague       404   yes       404
outsider        404   404       yes
supervisor      yes   404       404
educator        yes   yes       404
auditor         yes   yes       404
*               404   404       404
"""
# Seen, and nobody disputes it: there is nothing to add to.
ENTRY_NOT_DISPUTED = """
                owner colleague outsider
owner           403   404       404
colleague       404   403       404
outsider        404   404       403
supervisor      403   404       404
educator        403   403       404
auditor         403   403       404
*               404   404       404
"""
# An auditor and the named supervisor see the entry, and change nothing.
ENTRY_CHANGED = """
                owner colleague outsider
owner           yes   404       404
colleague       404   yes       404
outsider        404   404       yes
educator        yes   yes       404
*               403   403       403
"""
ENTRY_DISPUTED = """
                owner colleague outsider
owner           yes   404       404
colleague       404   yes       404
outsider        404   404       yes
supervisor      403   404       404
educator        yes   yes       404
auditor         403   403       404
*               404   404       404
"""
ENTRY_SAVED = """
                owner colleague outsider
owner           yes   404       404
colleague       404   yes       404
outsider        404   404       yes
educator        yes   yes       404
*               403   403       403
"""
ENTRY_ANSWERED = """
                owner colleague outsider
supervisor      yes   404       404
assessor        404   404       404
educator        403   403       404
*               403   403       403
"""
ENTRY_ACCEPTED = """
                owner colleague outsider
educator        yes   yes       404
*               403   403       403
"""
CHANGE_DECIDED = """
                owner colleague outsider
supervisor      yes   404       404
assessor        404   404       404
educator        yes   yes       404
*               403   403       403
"""


def entries(cast: Cast) -> Arguments:
    """An entry of each, through the door; the owner's names the supervisor."""
    ProcedureFactory()
    wards = {"owner": cast.wards.ward, "colleague": cast.wards.ward, "outsider": cast.wards.other_ward}
    found = {}
    for name, ward in wards.items():
        clinician = getattr(cast, name)
        entry = entry_of(clinician, ward, cast.supervisor if name == "owner" else None)
        found[name] = {"uuid": record_insertion(actor=clinician.user, entry=entry).uuid}
    return found


def entries_to_withdraw(cast: Cast) -> Arguments:
    """The same, each with a proposal of its clinician to withdraw it."""
    found = entries(cast)
    for name, arguments in found.items():
        row = Insertion.objects.known().get(uuid=arguments["uuid"])
        propose_withdrawal(actor=getattr(cast, name).user, insertion=row, reason="Logged twice.")
    return found


WATCHED = """
                owner colleague outsider
assessor        yes   yes       404
*               404   404       404
"""
OBSERVATION_SEEN = """
                owner colleague outsider
owner           yes   404       404
colleague       404   yes       404
outsider        404   404       yes
assessor        yes   yes       404
educator        yes   yes       404
auditor         yes   yes       404
*               404   404       404
"""
# An auditor sees it, and says nothing to it.
OBSERVATION_ANSWERED = OBSERVATION_SEEN.replace("auditor         yes   yes", "auditor         403   403")
OBSERVATION_NOT_DISPUTED = """
                owner colleague outsider
owner           403   404       404
colleague       404   403       404
outsider        404   404       403
assessor        403   403       404
educator        403   403       404
auditor         403   403       404
*               404   404       404
"""
SECOND_ASKED = """
                owner colleague outsider
owner           403   404       404
colleague       404   403       404
outsider        404   404       403
assessor        yes   yes       404
educator        yes   yes       404
auditor         403   403       404
*               404   404       404
"""


def begun(cast: Cast) -> Arguments:
    """An observation of each, begun for learning and not signed: two by the assessor, the other by one over there."""
    wards, procedure = cast.wards, ProcedureFactory()
    ChecklistFactory(procedure=procedure, unit=wards.group)
    far = make_appointed("assessor", wards.other_ward, "Far Sessor")
    found = {}
    for name, ward in (("owner", wards.ward), ("colleague", wards.ward), ("outsider", wards.other_ward)):
        made = observing.begin(
            actor=far if name == "outsider" else cast.assessor, uuid=uuid4(), clinician=getattr(cast, name),
            procedure=procedure, unit=ward, purpose="learning", setting="patient",
        )  # fmt: skip
        found[name] = {"uuid": made.uuid}
    return found


def observed(cast: Cast) -> Arguments:
    """The same, signed."""
    found = begun(cast)
    for row in Observation.objects.filter(uuid__in=[each["uuid"] for each in found.values()]):
        ticked(row)
        observing.sign(signer=hand(row), observation=row)
    return found


def to_score(cast: Cast) -> Arguments:
    """An observation of each, by the supervisor, that the assessor is asked to score too; over there somebody else."""
    wards, far = cast.wards, make_appointed("assessor", cast.wards.other_ward, "Far Sessor")
    found = {}
    for name, ward in (("owner", wards.ward), ("colleague", wards.ward), ("outsider", wards.other_ward)):
        row = ObservationFactory(clinician=getattr(cast, name), unit=ward, assessor=cast.supervisor)
        whom = far if name == "outsider" else cast.assessor
        SecondAsked.objects.create(observation=row, whom=whom, by=cast.supervisor, known_from_id=an_act())
        found[name] = {"uuid": row.uuid}
    return found


# --- credentials ---

EVERYBODY_HERE = "owner colleague outsider supervisor assessor educator manager auditor"
LOOKED_UP = """
                owner colleague outsider
outsider        404   404       yes
administrator   403   403       403
*               yes   yes       404
"""
DECIDED = """
                owner colleague outsider
educator        yes   yes       404
*               403   403       403
"""
NOTHING_TO_DECIDE = """
                owner colleague outsider
educator        404   404       404
*               403   403       403
"""
FOUNDED = """
                owner colleague outsider
educator        yes   yes       404
manager         yes   yes       404
*               403   403       403
"""
STOOD_DOWN = """
                owner colleague outsider
supervisor      yes   yes       404
educator        yes   yes       404
manager         yes   yes       404
*               403   403       403
"""
OVERSEEN = """
                owner outsider
educator        yes   404
manager         yes   404
auditor         yes   404
*               403   403
"""
FOLLOWED = """
                owner colleague outsider
educator        yes   yes       404
manager         yes   yes       404
auditor         yes   yes       404
*               403   403       403
"""
PROGRESS_READ = """
                owner colleague outsider
owner           yes   403       404
colleague       403   yes       404
outsider        404   404       yes
assessor        yes   yes       404
educator        yes   yes       404
manager         yes   yes       404
auditor         yes   yes       404
administrator   403   403       403
*               403   403       404
"""
FOUNDED_AT = """
                owner outsider
educator        yes   404
manager         yes   404
*               403   403
"""
FIGURES_READ = """
                owner colleague outsider
owner           yes   403       404
colleague       403   yes       404
outsider        404   404       yes
educator        yes   yes       404
auditor         yes   yes       404
administrator   403   403       403
*               403   403       404
"""
FLAGS_CLOSED = """
                owner colleague outsider
owner           403   403       404
colleague       403   403       404
outsider        404   404       403
educator        yes   yes       404
administrator   403   403       403
*               403   403       404
"""
FLAGS_ANSWERED = """
                owner colleague outsider
owner           yes   403       404
colleague       403   yes       404
outsider        404   404       yes
educator        yes   yes       404
administrator   403   403       403
*               403   403       404
"""
FLAGS_SHOWN = """
                owner colleague outsider
owner           yes   403       404
colleague       403   yes       404
outsider        404   404       yes
educator        yes   yes       404
administrator   403   403       403
*               403   403       404
"""
REFERRALS_ENDED = """
                owner outsider
educator        yes   404
outsider        404   403
administrator   403   403
*               403   404
"""
SCOPE_ENDED = """
                owner outsider
educator        yes   404
*               403   403
"""
DOCUMENT_READ = """
                owner outsider
outsider        404   yes
administrator   403   403
*               yes   404
"""
DOCUMENT_APPROVED = """
                owner outsider
educator        yes   404
manager         yes   404
outsider        404   403
administrator   403   403
*               403   404
"""
DOCUMENT_KEPT = """
                owner outsider
educator        yes   404
manager         yes   404
*               403   403
"""


def a_procedure(cast: Cast) -> Arguments:
    ProcedureFactory()
    return {"page": {}}


def with_a_procedure(cast: Cast) -> Arguments:
    ProcedureFactory()
    return clinicians(cast)


def of_a_procedure(cast: Cast) -> Arguments:
    procedure = ProcedureFactory()
    return {name: {**each, "procedure_id": procedure.pk} for name, each in clinicians(cast).items()}


def enrolments(cast: Cast) -> Arguments:
    return {
        name: {**each, "procedure_id": EnrolmentFactory(clinician=getattr(cast, name)).procedure_id}
        for name, each in clinicians(cast).items()
    }


def completions(cast: Cast) -> Arguments:
    return {
        name: {**each, "completion": CompletionFactory(clinician=getattr(cast, name)).uuid}
        for name, each in clinicians(cast).items()
    }


def claims(cast: Cast) -> Arguments:
    owner = FoundingFactory(clinician=cast.owner, scope_unit=cast.wards.ward)
    outsider = FoundingFactory(clinician=cast.outsider, scope_unit=cast.wards.other_ward)
    return {"owner": {"uuid": owner.uuid}, "outsider": {"uuid": outsider.uuid}}


def some_scopes(cast: Cast) -> Arguments:
    owner = ScopeFactory(clinician=cast.owner, unit=cast.wards.ward)
    outsider = ScopeFactory(clinician=cast.outsider, unit=cast.wards.other_ward)
    return {"owner": {"uuid": owner.uuid}, "outsider": {"uuid": outsider.uuid}}


def limited(kind: str) -> Callable[[Cast], Arguments]:
    return lambda cast: {name: {**asked, "kind": kind} for name, asked in clinicians(cast).items()}


def brought_by(cast: Cast) -> Arguments:
    names = ("owner", "colleague", "outsider")
    return {name: {"uuid": RecognitionFactory(clinician=getattr(cast, name)).uuid} for name in names}


def some_plans(cast: Cast) -> Arguments:
    """A plan of each, straight into the table."""
    names = ("owner", "colleague", "outsider")
    return {name: {"uuid": RestrictionFactory(clinician=getattr(cast, name)).uuid} for name in names}


def some_cohorts(cast: Cast) -> Arguments:
    owner, outsider = CohortFactory(unit=cast.wards.ward), CohortFactory(unit=cast.wards.other_ward)
    return {"owner": {"uuid": owner.uuid}, "outsider": {"uuid": outsider.uuid}}


def some_policies(cast: Cast) -> Arguments:
    owner, outsider = LocalPolicyFactory(unit=cast.wards.ward), LocalPolicyFactory(unit=cast.wards.other_ward)
    return {"owner": {"uuid": owner.uuid}, "outsider": {"uuid": outsider.uuid}}


def handed_over(cast: Cast) -> Arguments:
    """One person handed over to the educator, one to somebody elsewhere."""

    def handed(clinician: Clinician, unit: Unit, to: User) -> CohortMember:
        cohort = CohortFactory(unit=unit)
        row: CohortMember = CohortMemberFactory(
            cohort=cohort, clinician=clinician, outcome="handed_over", handed_to=to, left_on=cohort.until_day
        )
        return row

    owner = handed(cast.owner, cast.wards.ward, cast.educator)
    outsider = handed(cast.outsider, cast.wards.other_ward, make_appointed("educator", cast.wards.other_ward))
    return {"owner": {"uuid": owner.uuid}, "outsider": {"uuid": outsider.uuid}}


PAPERS_TAKEN = FIGURES_READ.replace("auditor ", "manager         yes   yes       404\nauditor ")
# Nobody of the cast holds an award, so that there is nothing to certify.
NOTHING_TO_CERTIFY = """
                owner colleague outsider
owner           404   403       404
colleague       403   404       404
outsider        404   404       404
educator        404   404       404
manager         404   404       404
administrator   403   403       403
*               403   403       404
"""


def some_certificates(cast: Cast) -> Arguments:
    names = ("owner", "colleague", "outsider")
    return {name: {"uuid": CertificateFactory(clinician=getattr(cast, name)).uuid} for name in names}


def a_token(cast: Cast) -> Arguments:
    """The code on a certificate of an award that is held."""
    award = give_award(cast.owner, ProcedureFactory(), cast.wards.ward)
    token = "a" * 27
    CertificateFactory(clinician=cast.owner, award=award.uuid, procedure=award.procedure, token_digest=digest(token))
    return {"page": {"token": token}}


def some_flags(cast: Cast) -> Arguments:
    names = ("owner", "colleague", "outsider")
    return {name: {"uuid": FlagFactory(clinician=getattr(cast, name), evidence=str(uuid4())).uuid} for name in names}


def some_referrals(cast: Cast) -> Arguments:
    """A case of each, referred by an educator to another who would see it anyhow."""
    found: Arguments = {}
    for name, unit in (("owner", cast.wards.ward), ("outsider", cast.wards.other_ward)):
        by, to = make_appointed("educator", unit), make_appointed("educator", unit)
        flag = FlagFactory(clinician=getattr(cast, name), evidence=str(uuid4()))
        found[name] = {"uuid": ReferralFactory(flag=flag, to=to, by=by).uuid}
    return found


def a_document(cast: Cast) -> Arguments:
    owner, outsider = RulesFactory(unit=cast.wards.ward), RulesFactory(unit=cast.wards.other_ward)
    return {
        "owner": {"kind": "rules", "uuid": owner.uuid},
        "outsider": {"kind": "rules", "uuid": outsider.uuid},
    }


def for_a_document(cast: Cast) -> Arguments:
    procedure = ProcedureFactory()
    return {whose: {"kind": "rules", **unit, "procedure_id": procedure.pk} for whose, unit in units(cast).items()}


def some_checklists(cast: Cast) -> Arguments:
    wards = {"owner": cast.wards.ward, "outsider": cast.wards.other_ward}
    return {whose: {"uuid": ChecklistFactory(unit=ward).uuid} for whose, ward in wards.items()}


def retired_checklists(cast: Cast) -> Arguments:
    found = some_checklists(cast)
    for row in Checklist.objects.all():
        a_retirement_of(row)
    return found


def some_drafts(cast: Cast) -> Arguments:
    wards = {"owner": cast.wards.ward, "outsider": cast.wards.other_ward}
    return {whose: {"uuid": a_draft(ward).uuid} for whose, ward in wards.items()}


def rows_of_drafts(key: str) -> Callable[[Cast], Arguments]:
    return lambda cast: {whose: {**each, "key": key} for whose, each in some_drafts(cast).items()}


OWN_UPLOADS = """
                educators administrators
educator        yes       404
manager         404       404
administrator   404       yes
*               403       403
"""


def some_uploads(cast: Cast) -> Arguments:
    """A log that the educator sent and a staff list that the administrator sent, both read."""
    found = {}
    for whose, user, kind in (("educators", cast.educator, LOGBOOK), ("administrators", cast.administrator, STAFF)):
        upload = uploads.begin(
            user=user, kind=kind, name="list.csv", data=b"Staff number,Name,Unit,Date,Result\n1,A,W,1/1/2026,Y\n"
        )
        uploads.match(upload, columns={}, left_out=[], days=None)
        uploads.read(upload)
        found[whose] = {"uuid": upload.uuid}
    return found


MATRIX: dict[str, Entry] = {
    # --- frame ---
    "healthz": Entry(ANYBODY),
    "readyz": Entry(ANYBODY),
    "stay": Entry(SIGNED_IN),
    # --- people ---
    "sign_in": Entry(ANYBODY),
    "sign_out": Entry(ANYBODY),
    "invitation": Entry(ANYBODY, an_invitation),
    "account": Entry(SIGNED_IN),
    "secret": Entry(SIGNED_IN),
    "sign_out_everywhere": Entry(SIGNED_IN),
    "set_up": Entry(page("educator manager administrator")),
    "units": Entry(page("educator manager administrator")),
    "unit_open": Entry(page("administrator")),
    "unit_change": Entry(ADMINISTRATORS_OF_TWO, units),
    "unit_settings": Entry(KEEPERS, units),
    "unit_setting": Entry(KEEPERS, a_setting),
    "accounts": Entry(page("administrator"), body=lambda cast: {"export": "csv"}),
    "account_open": Entry(page("administrator")),
    "account_page": Entry(ADMINISTRATORS, users),
    "account_change": Entry(ADMINISTRATORS, users),
    "account_invite": Entry(ADMINISTRATORS, users),
    "account_end": Entry(ADMINISTRATORS, users),
    "account_restore": Entry(ADMINISTRATORS, users),
    "appoint": Entry(ADMINISTRATORS, users),
    "appointment_end": Entry(ADMINISTRATORS_OF_TWO, appointments),
    "staff": Entry(page("educator manager administrator"), body=lambda cast: {"export": "csv"}),
    "clinician_open": Entry(page("educator manager administrator")),
    "staff_page": Entry(PLACERS, clinicians),
    "clinician_change": Entry(PLACERS, clinicians),
    "place": Entry(PLACERS, clinicians),
    "move": Entry(PLACERS, clinicians),
    "placement_end": Entry(PLACERS, placements),
    "absence": Entry(PLACERS, clinicians),
    "absence_end": Entry(PLACERS, absences),
    # --- audits ---
    "log": Entry(page("owner colleague outsider educator")),
    "log_whose": Entry(page("educator")),
    "tally": Entry(page("owner colleague outsider educator")),
    "tally_for": Entry(LOGGED_FOR, clinicians),
    "tallies": Entry(SIGNED_IN, body=lambda cast: {"export": "csv"}),
    "log_for": Entry(LOGGED_FOR, clinicians),
    "log_saved": Entry(ENTRY_SAVED, entries),
    "entries": Entry(SIGNED_IN, body=lambda cast: {"export": "csv"}),
    "entry": Entry(ENTRY_SEEN, entries),
    "entry_correct": Entry(ENTRY_CHANGED, entries),
    "entry_withdraw": Entry(ENTRY_CHANGED, entries),
    "entry_dispute": Entry(ENTRY_DISPUTED, entries),
    "in_question": Entry(page("educator")),
    "disagreements": Entry(page("educator"), body=lambda cast: {"export": "csv"}),
    "disagreement": Entry(ENTRY_SEEN, entries, post=ENTRY_NOT_DISPUTED),
    "disagreement_rule": Entry(DECIDED, entries),
    "proposal_take_back": Entry(ENTRY_SEEN, entries),
    "dispute_take_back": Entry(ENTRY_SEEN, entries),
    "to_sign": Entry(page("supervisor assessor educator")),
    "to_sign_check": Entry(page("supervisor assessor educator")),
    "send_back": Entry(ENTRY_ANSWERED, entries),
    "not_me": Entry(ENTRY_ANSWERED, entries),
    "entry_accept": Entry(ENTRY_ACCEPTED, entries),
    "entry_decide": Entry(CHANGE_DECIDED, entries_to_withdraw),
    "observations": Entry(page(EVERYBODY_HERE), body=lambda cast: {"export": "csv"}),
    "observe_begin": Entry(page("supervisor assessor educator")),
    "agreement": Entry(page("supervisor assessor educator auditor")),
    "missed_steps": Entry(page("educator manager auditor"), body=lambda cast: {"export": "csv"}),
    "observe": Entry(WATCHED, begun),
    "observe_save": Entry(WATCHED, begun),
    "observe_check": Entry(WATCHED, begun),
    "observe_drop": Entry(WATCHED, begun),
    "observation": Entry(OBSERVATION_SEEN, observed),
    "observation_answer": Entry(OBSERVATION_ANSWERED, observed),
    "observation_dispute": Entry(OBSERVATION_ANSWERED, observed),
    "observation_dispute_take_back": Entry(OBSERVATION_SEEN, observed),
    "disagreement_observed": Entry(OBSERVATION_SEEN, observed, post=OBSERVATION_NOT_DISPUTED),
    "disagreement_observed_rule": Entry(DECIDED, observed),
    "second_ask": Entry(SECOND_ASKED, observed),
    "second_begin": Entry(WATCHED, to_score),
    "second_decline": Entry(WATCHED, to_score),
    # --- credentials ---
    "help": Entry(SIGNED_IN),
    "today": Entry(SIGNED_IN),
    "who_can": Entry(page(EVERYBODY_HERE), body=lambda cast: {"export": "csv"}),
    "people": Entry(page("supervisor assessor educator manager auditor"), body=lambda cast: {"export": "csv"}),
    "year_ahead": Entry(page("educator manager auditor"), body=lambda cast: {"export": "csv"}),
    "year_ahead_book": Entry(page("educator manager auditor")),
    "unit_day": Entry(page("educator manager auditor"), a_procedure),
    "incident": Entry(FOLLOWED, with_a_procedure),
    "person": Entry(LOOKED_UP, with_a_procedure),
    "what_counts": Entry(PROGRESS_READ, of_a_procedure),
    "enrol": Entry(DECIDED, clinicians),
    "enrolment_end": Entry(DECIDED, enrolments),
    "enrolment_move": Entry(NOTHING_TO_DECIDE, of_a_procedure),
    "completion": Entry(DECIDED, clinicians),
    "completion_withdraw": Entry(DECIDED, completions),
    "award": Entry(NOTHING_TO_DECIDE, of_a_procedure),
    "renew": Entry(NOTHING_TO_DECIDE, of_a_procedure),
    "scope": Entry(DECIDED, clinicians),
    "founding_enter": Entry(FOUNDED, clinicians),
    "scopes": Entry(page("educator manager"), body=lambda cast: {"export": "csv"}),
    "scope_profession": Entry(page("educator")),
    "scope_end": Entry(SCOPE_ENDED, some_scopes),
    "foundings": Entry(page("educator manager"), body=lambda cast: {"export": "csv"}),
    "founding_decide": Entry(FOUNDED_AT, claims),
    "recognise": Entry(DECIDED, clinicians),
    "recognition_withdraw": Entry(DECIDED, brought_by),
    "award_extend": Entry(NOTHING_TO_DECIDE, of_a_procedure),
    "stand_down": Entry(STOOD_DOWN, clinicians),
    "exposure": Entry(page("educator manager auditor"), body=lambda cast: {"export": "csv"}),
    "limit": Entry(DECIDED, limited("suspension")),
    "limit_end": Entry(DECIDED, some_plans),
    "limit_extend": Entry(DECIDED, some_plans),
    "return_step": Entry(NOTHING_TO_DECIDE, of_a_procedure),
    "papers": Entry(PAPERS_TAKEN, clinicians, post=FIGURES_READ, body=lambda cast: {"kind": "logbook", "form": "pdf"}),
    "certificate_give": Entry(NOTHING_TO_CERTIFY, clinicians),
    "certificate_revoke": Entry(DECIDED, some_certificates),
    "certificate_public": Entry(ANYBODY, a_token),
    "verify_script": Entry(SIGNED_IN),
    "cohorts": Entry(page("educator manager auditor"), body=lambda cast: {"export": "csv"}),
    "cohort": Entry(OVERSEEN, some_cohorts, body=lambda cast: {"export": "csv"}),
    "cohort_open": Entry(page("educator")),
    "cohort_join": Entry(SCOPE_ENDED, some_cohorts),
    "cohort_leave": Entry(SCOPE_ENDED, some_cohorts),
    "cohort_handed": Entry(page("educator")),
    "cohort_take": Entry(SCOPE_ENDED, handed_over),
    "reviews": Entry(page(EVERYBODY_HERE), body=lambda cast: {"export": "csv"}),
    "review": Entry(FIGURES_READ, some_flags, post=FLAGS_CLOSED),
    "review_reply": Entry(FIGURES_READ, some_flags, post=FLAGS_ANSWERED),
    "review_refer": Entry(FLAGS_SHOWN, some_flags),
    "referral_end": Entry(REFERRALS_ENDED, some_referrals),
    "plan": Entry(FIGURES_READ, some_plans),
    "rules": Entry(page(EVERYBODY_HERE), body=lambda cast: {"export": "csv"}),
    "document": Entry(DOCUMENT_READ, a_document, post=DOCUMENT_APPROVED),
    "document_take_back": Entry(DOCUMENT_KEPT, a_document),
    "document_begin": Entry(page("educator manager"), lambda cast: {"page": {"kind": "rules"}}),
    "document_propose": Entry(KEEPERS, for_a_document),
    "policies": Entry(page(EVERYBODY_HERE), body=lambda cast: {"export": "csv"}),
    "policy": Entry(DOCUMENT_READ, some_policies),
    "policy_open": Entry(page("educator manager")),
    "policy_change": Entry(DOCUMENT_KEPT, some_policies),
    "policy_end": Entry(DOCUMENT_KEPT, some_policies),
    "checklist_begin": Entry(page("educator manager")),
    "checklist_draft": Entry(DOCUMENT_KEPT, some_drafts, body=lambda cast: {"move": "up:step:flush", "revision": "1"}),
    "checklist_step": Entry(DOCUMENT_KEPT, rows_of_drafts("hands")),
    "checklist_phase": Entry(DOCUMENT_KEPT, rows_of_drafts("prepare")),
    "checklist_value": Entry(DOCUMENT_KEPT, rows_of_drafts("flush_ml")),
    "checklist_step_add": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_phase_add": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_value_add": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_words": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_propose": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_draft_drop": Entry(DOCUMENT_KEPT, some_drafts),
    "checklist_blank": Entry(DOCUMENT_READ, some_checklists),
    "checklist_retire": Entry(DOCUMENT_KEPT, some_checklists),
    "checklist_retirement": Entry(DOCUMENT_KEPT, retired_checklists),
    "imports": Entry(page("educator manager administrator")),
    "import_staff": Entry(page("educator manager administrator")),
    "import_logbook": Entry(page("educator")),
    "import_completions": Entry(page("educator")),
    "import_template": Entry(page("educator manager administrator"), lambda cast: {"page": {"kind": "staff"}}),
    "import_preview": Entry(OWN_UPLOADS, some_uploads),
    "import_match": Entry(OWN_UPLOADS, some_uploads),
    "import_progress": Entry(OWN_UPLOADS, some_uploads),
    "import_refused": Entry(OWN_UPLOADS, some_uploads),
    "import_drop": Entry(OWN_UPLOADS, some_uploads),
}
