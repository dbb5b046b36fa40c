"""The same sheet a month later: only what is new comes in, what was put right is offered as a correction."""

from typing import Any

import pytest

from audits.corrections import decide, digest_of_proposal
from audits.models import Insertion, Outcome, Proposal
from ledger.models import Act
from people.models import User
from people.signing import confirm
from tests.imports import by_pandas
from tests.imports.conftest import FIRST, GROWN, IMOGEN, LAST, LOGBOOK, ROWAN, SECRETS, STAFF, Run, first_day

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def imported(run: Run, now: Any) -> Run:
    first_day(run)
    run("import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, LAST, secret=SECRETS[ROWAN])
    return run


def grown(run: Run, *more: str) -> dict[str, Any]:
    return run(
        "import_logbook",
        GROWN,
        "--as",
        ROWAN,
        "--complete",
        FIRST,
        "2026-11-20",
        "--json",
        *more,
        secret=SECRETS[ROWAN],
    ).document


def test_the_same_file_again_stores_nothing_and_asks_for_no_secret(imported: Run) -> None:
    acts, rows = Act.objects.count(), Insertion.objects.count()
    again = imported("import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, LAST, "--json")
    told = again.document
    assert (told["stored"], told["corrections"]) == (0, 0)
    assert told["already_stored"] == told["rows"] - 2
    assert (Act.objects.count(), Insertion.objects.count()) == (acts, rows)
    assert "You sign" not in again.err


def test_the_grown_file_brings_what_is_new_and_offers_what_was_put_right(imported: Run) -> None:
    staff = {number.zfill(6) for number in by_pandas.read_staff(STAFF)}
    before, after = by_pandas.read_logbook(LOGBOOK, staff), by_pandas.read_logbook(GROWN, staff)
    rows = Insertion.objects.known().count()

    told = grown(imported)

    assert told["corrections"] == 3
    assert Insertion.objects.known().count() - rows == len(after) - len(before) == 30
    # What changes the count of attempts waits for somebody's agreement; a time and a comment are corrected at once.
    waiting = Proposal.objects.known().get()
    assert waiting.insertion.clinician.staff_number == "004512"
    assert (waiting.by.email, waiting.reason) == (ROWAN, "A later sheet says otherwise.")
    second = Insertion.objects.known().filter(version=2).order_by("clinician__staff_number")
    assert [each.clinician.staff_number for each in second] == ["005011", "005133"]
    assert (second[0].performed_at.minute, second[0].result) == (
        5,
        Insertion.objects.get(uuid=second[0].uuid, version=1).result,
    )
    assert not any("of an earlier sheet" in each["reason"] for each in told["warnings"])


def test_once_more_finds_everything_there_also_what_waits_or_was_refused(imported: Run) -> None:
    grown(imported)
    rows = Insertion.objects.count()
    for decided in (None, False):
        if decided is not None:
            refuse_what_waits()
        told = grown(imported)
        assert (told["stored"], told["corrections"]) == (0, 0)
        assert told["already_stored"] == told["rows"] - 2
    assert Insertion.objects.count() == rows
    assert Proposal.objects.count() == 1


def test_an_agreed_correction_changes_the_count_and_is_there_next_time(imported: Run) -> None:
    grown(imported)
    old = Proposal.objects.known().get().insertion
    refuse_what_waits(agree=True)
    now = Insertion.objects.known().get(uuid=old.uuid)
    assert (now.version, now.punctures, now.result) == (2, 2, "not_first")
    assert Outcome.objects.get(insertion=now.pk).success == 0
    assert not Outcome.objects.filter(insertion=old.pk).exists()
    told = grown(imported)
    assert (told["stored"], told["corrections"]) == (0, 0)
    assert imported("review", "--check", "--json").status in (0, 1)


def test_the_old_file_after_the_grown_one_says_what_it_lacks_and_takes_nothing_back(imported: Run) -> None:
    grown(imported)
    rows = Insertion.objects.count()
    told = imported(
        "import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, "2026-11-20", "--json", secret=SECRETS[ROWAN]
    ).document
    assert (told["stored"], told["corrections"]) == (0, 0)
    assert Insertion.objects.count() == rows
    gone = [
        each["reason"]
        for each in told["warnings"]
        if "of an earlier sheet on these days are not in this one" in each["reason"]
    ]
    assert len(gone) == 6


def test_a_dry_run_says_the_same_and_stores_nothing(imported: Run) -> None:
    acts = Act.objects.count()
    told = grown(imported, "--dry-run")
    assert Act.objects.count() == acts
    assert told == grown(imported)


def refuse_what_waits(*, agree: bool = False) -> None:
    """Imogen, an educator who neither imported nor inserted, decides."""
    waiting = Proposal.objects.known().get()
    user = User.objects.get(email=IMOGEN)
    signer = confirm(
        user=user,
        secret=SECRETS[IMOGEN],
        meaning="agreed to a change of an entry",
        digests=[digest_of_proposal(waiting)],
    )
    decide(signer=signer, proposal=waiting, agree=agree)
