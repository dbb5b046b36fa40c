# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Papers: tagged PDF, workbooks, each one an act; certificates given out, looked up, revoked.

PDF/UA-1: ISO 14289-1:2014, clauses 5 (identification) and 7 (tags, language, title), from memory; tagged tables and
figures: ISO 32000-1:2008, 14.8.4. Square codes: ISO/IEC 18004, drawn by segno and compared with segno. Tokens of at
least 128 random bits: OWASP ASVS 5.0, 11.5.1.
"""

import hashlib
import io
import json
import re
from datetime import UTC, date, datetime, timedelta

import openpyxl
import pikepdf
import pytest
import segno

from audits import corrections
from credentials.models import Certificate
from credentials.papers import certificates, making, printing, verifier
from credentials.papers.paper import Paper, Section
from credentials.restricting import MEANING, Decision, decide
from ledger import clock
from ledger.guarding import lifted
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.problems import Problems
from people.signing import NotConfirmed
from tests.audits.conftest import entry_of, give_award
from tests.credentials.conftest import NOW, sign
from tests.credentials.test_life import make_award
from tests.factories import FlagFactory, RestrictionFactory, SignedObservationFactory

pytestmark = pytest.mark.django_db
AT = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)
ODD = "#set text(red) *x* [y] _z_ $a$ @b <c> \\ `d` // e"


def address(token: str) -> str:
    return f"https://register.example/c/{token}/"


def a_paper(**changes) -> Paper:
    said = {
        "name": "logbook", "title": f"Logbook of {ODD}", "facts": [("Name", ODD)], "holds": "Every entry.",
        "sections": [
            Section(title="Entries", columns=("Day", "What"), rows=[("1 March 2026", ODD)] * 70),
            Section(title="Nothing", columns=("Day",)),
        ],
        "made": "2 March 2026, 03:00 UTC", "by": "Own Er", "known": 52,
    }  # fmt: skip
    return Paper(**{**said, **changes})


def text_of(file: bytes) -> str:
    """The text of a PDF, by the map from glyphs to characters that each of its fonts carries."""
    found = []
    with pikepdf.open(io.BytesIO(file)) as pdf:
        for page in pdf.pages:
            maps = {name: characters(font) for name, font in page.Resources.get("/Font", {}).items()}
            now = {}
            for operands, operator in pikepdf.parse_content_stream(page):
                if str(operator) == "Tf":
                    now = maps[str(operands[0])]
                elif str(operator) in ("Tj", "TJ"):
                    shown = operands[0] if str(operator) == "TJ" else [operands[0]]
                    for each in shown:
                        if isinstance(each, pikepdf.String):
                            raw = bytes(each)
                            found += [now.get(raw[n : n + 2].hex(), "") for n in range(0, len(raw), 2)]
                elif str(operator) == "ET":
                    found.append("\n")
    return re.sub(r"\s+", " ", "".join(found))


def characters(font) -> dict[str, str]:
    text = font.ToUnicode.read_bytes().decode("latin-1")
    pairs = re.findall(r"<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]+)>\s*\n", text)
    return {code.lower(): bytes.fromhex(value).decode("utf-16-be") for code, value in pairs}


def tags(file: bytes) -> list[tuple[str, str]]:
    """(kind, words that stand for it) of the structure tree, in reading order."""
    found = []

    def walk(node):
        if isinstance(node, pikepdf.Array):
            for each in node:
                walk(each)
        elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
            found.append((str(node.S), str(node.get("/Alt", ""))))
            if "/K" in node:
                walk(node.K)

    with pikepdf.open(io.BytesIO(file)) as pdf:
        walk(pdf.Root.StructTreeRoot.K)
    return found


def untagged(file: bytes) -> list[str]:
    """Painting operators that stand in no marked content."""
    found = []
    with pikepdf.open(io.BytesIO(file)) as pdf:
        for page in pdf.pages:
            depth = 0
            for _, operator in pikepdf.parse_content_stream(page):
                depth += {"BDC": 1, "BMC": 1, "EMC": -1}.get(str(operator), 0)
                if str(operator) in ("Tj", "TJ", "S", "f", "B", "Do", "sh") and depth == 0:
                    found.append(str(operator))
    return found


@pytest.mark.std("C-20")
def test_a_paper_is_tagged_titled_and_in_its_language():
    file = printing.paper_pdf(a_paper(), at=AT)
    with pikepdf.open(io.BytesIO(file)) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        assert str(pdf.Root.Lang).lower().startswith("en")
        assert bool(pdf.Root.ViewerPreferences.DisplayDocTitle)
        with pdf.open_metadata() as said:
            assert said["pdfuaid:part"] == "1"
            assert said["dc:title"] == f"Logbook of {ODD}"
    kinds = [kind for kind, _ in tags(file)]
    assert [kind for kind in kinds if re.fullmatch("/H[1-6]", kind)] == ["/H1", "/H2", "/H2"]
    assert kinds.count("/Table") == 1
    assert kinds.count("/TH") == 2
    assert kinds.count("/TR") == 71
    assert untagged(file) == []


def test_what_looks_like_markup_prints_as_it_is():
    assert ODD.replace(" ", "") in text_of(printing.paper_pdf(a_paper(), at=AT)).replace(" ", "")


@pytest.mark.std("F-16")
def test_every_page_says_which_of_how_many_who_made_it_when_and_there_is_space_to_sign():
    text = text_of(printing.paper_pdf(a_paper(), at=AT))
    pages = len(printing.pictures("record", printing.as_data(a_paper()), at=AT))
    assert pages >= 3
    for number in range(1, pages + 1):
        assert f"page {number} of {pages}" in text
    assert text.count("Made 2 March 2026, 03:00 UTC by Own Er, as known at number 52.") == pages
    assert "Printed name and role" in text
    assert "Every entry." in text


def test_the_same_data_and_moment_make_the_same_bytes():
    assert printing.paper_pdf(a_paper(), at=AT) == printing.paper_pdf(a_paper(), at=AT)
    assert printing.paper_book(a_paper(), at=AT) == printing.paper_book(a_paper(), at=AT)
    assert printing.paper_pdf(a_paper(), at=AT) != printing.paper_pdf(a_paper(known=53), at=AT)


def test_a_workbook_has_a_sheet_for_each_section_and_no_text_in_it_is_a_formula():
    sections = [Section(title="Entries", columns=("Day", "=1+1"), rows=[("1 March", "=2+2"), ("2 March", "@x")])]
    file = printing.paper_book(a_paper(sections=[*sections, *sections]), at=AT)
    book = openpyxl.load_workbook(io.BytesIO(file))
    assert book.sheetnames[:2] == ["Entries", "Entries 2"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s"}
    assert "=2+2" in book["Entries"]["B2"].value
    assert len(book.sheetnames) == 3


# --- logbook and evidence file ---


@pytest.fixture
def told(stage):
    stage.ready_to_learn(date(2026, 1, 5))
    stage.ten_insertions(datetime(2026, 1, 12, 10, 0))
    made = stage.log(datetime(2026, 1, 30, 10, 0), signed=False)
    again = entry_of(
        stage.learner, stage.ward, stage.supervisors[0], uuid=made.uuid, performed=datetime(2026, 1, 30, 11)
    )
    corrections.correct(actor=stage.learner.user, insertion=made, entry=again, reason="It was an hour later.")
    make_award(stage)
    return stage


def take(stage, kind="logbook", form="pdf", actor=None, **days):
    return making.make(actor=actor or stage.learner.user, clinician=stage.learner, kind=kind, form=form, **days)


@pytest.mark.std("A-21", "A-10")
def test_a_logbook_says_what_was_amended_and_what_still_waits_for_a_signature(told):
    text = text_of(take(told).file)
    assert "Amended, version 2: It was an hour later." in text
    assert f"Awaiting countersignature by {told.supervisors[0].name}" in text
    assert "Every entry from the first entry to the last one, 11 in all." in text


@pytest.mark.std("A-01")
def test_a_statement_on_paper_has_printed_name_role_and_moment(told):
    text = text_of(take(told).file)
    assert f"Countersigned, in the room: {told.supervisors[0].name}, Supervisor" in text
    assert "Australia/Adelaide" in text


def test_a_period_takes_in_its_first_and_its_last_day(told):
    file = take(told, form="xlsx", first=date(2026, 1, 12), last=date(2026, 1, 14)).file
    rows = list(openpyxl.load_workbook(io.BytesIO(file))["Entries"].iter_rows(values_only=True))
    assert [row[0][:15].strip(",") for row in rows[1:]] == ["12 January 2026", "13 January 2026", "14 January 2026"]
    with pytest.raises(Problems, match="not before the first"):
        take(told, first=date(2026, 1, 2), last=date(2026, 1, 1))


@pytest.mark.std("A-11", "A-20")
def test_each_paper_is_an_act_with_its_digest_and_the_evidence_file_with_its_seal(told, tmp_path):
    for form in ("pdf", "xlsx", "json"):
        made = take(told, "evidence", form)
        act = Act.objects.order_by("seq").last()
        assert (act.kind, act.subject, act.facts["digest"]) == ("paper.made", told.learner.uuid, made.digest)
        assert act.facts["known"] == act.seq - 1
    assert list(verifier.problems(made.file, seal=made.digest)) == []
    assert json.loads(made.file)["made"]["known"] == act.facts["known"]
    assert hashlib.sha256(take(told).file).hexdigest() == Act.objects.order_by("seq").last().facts["digest"]


def test_an_evidence_file_on_paper_tells_the_whole_story(told):
    SignedObservationFactory(
        clinician=told.learner, procedure=told.procedure, unit=told.ward, assessor=told.supervisors[0],
        printed_name="As Sessor", role="Assessor", meaning="observed",
    )  # fmt: skip
    FlagFactory(clinician=told.learner, procedure=told.procedure)
    RestrictionFactory(clinician=told.learner)
    text = text_of(take(told, "evidence").file)
    for words in ("Standing:", "Awards", "Decisions that limit", "Enrolments", "Observation of", "As Sessor",
                  "Questions and replies", "Acts", "Supervised insertions: have 10, need 10", "Awarded"):  # fmt: skip
        assert words in text, words


def test_papers_of_others_are_for_who_may_see_their_figures(told):
    assert take(told, "evidence", "json", actor=told.educator).file
    for user in (told.supervisors[0], told.cast.manager, told.cast.colleague.user):
        with pytest.raises(NotPermitted):
            take(told, actor=user)
    with pytest.raises(ValueError, match="there is no"):
        take(told, "logbook", "json")


# --- certificates ---


def give(stage, actor=None):
    (holding,) = certificates.holdings_of(stage.learner)
    return certificates.give_out(actor=actor or stage.learner.user, award=holding.award, address=address)


def revoked(user, row, reason="Lost on the bus."):
    signer = sign(user, certificates.revocation_digest(row, reason), meaning=certificates.MEANING)
    return certificates.revoke(signer=signer, certificate=row, reason=reason)


@pytest.fixture
def holder(stage):
    give_award(stage.learner, stage.procedure, stage.cast.wards.department, terms='{"x":1}')
    return stage


@pytest.mark.std("E-05", "A-01")
def test_a_certificate_says_who_holds_what_where_how_long_and_who_signed(told):
    made = give(told)
    text = text_of(made.file)
    for words in (told.learner.name, told.procedure.name, "2 March 2026", "1 March 2028", told.educator.name,
                  "Educator", "awarded", "Provisional through", "page 1 of 1", "Local, version 1"):  # fmt: skip
        assert words in text, words
    (figure,) = [words for kind, words in tags(made.file) if kind == "/Figure"]
    assert figure == f"Square code that opens {address(made.token)}"
    assert untagged(made.file) == []


def test_the_square_code_is_that_of_the_address():
    drawn = printing.square_code(address("x" * 27))
    out = io.BytesIO()
    segno.make_qr(address("x" * 27), error="m").save(out, kind="svg", border=4, light="white", xmldecl=False)
    assert drawn == out.getvalue().decode()


@pytest.mark.std("E-05")
def test_the_token_is_kept_nowhere_and_has_160_bits(told):
    made = give(told)
    assert len(made.token) == 27  # 160 bits at 6 a character
    assert made.row.token_digest == hashlib.sha256(made.token.encode()).hexdigest()
    assert not any(made.token in act.content for act in Act.objects.all())
    assert give(told).token != made.token


@pytest.mark.std("E-05")
def test_the_page_behind_the_code_says_how_it_stands_on_the_day_that_somebody_asks(told):
    token = give(told).token
    shown = certificates.look_up(token)
    assert (shown.state, shown.name, shown.through) == ("holds", told.learner.name, date(2028, 3, 1))
    with clock.at(NOW + timedelta(days=735)):
        assert certificates.look_up(token).state == "grace"
    with clock.at(NOW + timedelta(days=900)):
        later = certificates.look_up(token)
        assert (later.state, later.through) == ("ended", None)
    decision = Decision(clinician=told.learner, kind="stand_down", reason="Two wrong-side sticks this morning.")
    decide(signer=sign(told.educator, decision.digest, meaning=MEANING[decision.kind]), decision=decision)
    assert certificates.look_up(token).state == "ended"
    for other in ("", "x" * 27, token[:-1], token + "x", "é" * 27):
        assert certificates.look_up(other) is None


def test_who_is_limited_or_holds_nothing_is_given_no_certificate(stage):
    assert certificates.holdings_of(stage.learner) == []
    stage.ready_to_learn(date(2026, 1, 5))
    stage.ten_insertions(datetime(2026, 1, 12, 10, 0))
    award = make_award(stage)
    decision = Decision(clinician=stage.learner, kind="stand_down", reason="Two wrong-side sticks this morning.")
    decide(signer=sign(stage.educator, decision.digest, meaning=MEANING[decision.kind]), decision=decision)
    with pytest.raises(Problems, match="does not hold this today"):
        certificates.give_out(actor=stage.learner.user, award=award, address=address)
    assert not Certificate.objects.exists()


def test_in_grace_the_certificate_says_so(told):
    with clock.at(NOW + timedelta(days=735)):
        assert "Ran out on 2 March 2028; in grace" in text_of(give(told).file)


def test_certificates_are_given_out_by_oneself_and_by_educators_and_managers(told):
    for user in (told.learner.user, told.educator, told.cast.manager):
        assert give(told, user).row.by == user
    for user in (told.supervisors[0], told.cast.colleague.user, told.cast.auditor):
        with pytest.raises(NotPermitted):
            give(told, user)


@pytest.mark.std("E-05")
def test_an_educator_revokes_a_certificate_with_a_reason_once_and_the_award_stands(told):
    made = give(told)
    with pytest.raises(NotPermitted):
        revoked(told.learner.user, made.row)
    with pytest.raises(Problems, match="Say why"):
        revoked(told.educator, made.row, " ")
    revoked(told.educator, made.row)
    shown = certificates.look_up(made.token)
    assert (shown.state, shown.through) == ("revoked", None)
    assert certificates.holdings_of(told.learner) != []
    with pytest.raises(Problems, match="already"):
        revoked(told.second, made.row, "Again.")


@pytest.mark.std("A-01", "A-03")
def test_a_revocation_is_signed_for_this_certificate_and_this_reason(told):
    one, other = give(told).row, give(told).row
    shown = certificates.revocation_digest(one, "Lost on the bus.")
    for row, reason in ((other, "Lost on the bus."), (one, "Another.")):
        with pytest.raises(NotConfirmed):
            certificates.revoke(signer=sign(told.educator, shown), certificate=row, reason=reason)
    assert not Certificate.objects.exclude(revoked=None).exists()
    act = revoked(told.educator, one).revoked
    signature = act.facts["signature"]
    assert (signature["printed_name"], signature["meaning"]) == (told.educator.name, "revoked a certificate")
    assert signature["digest"] == shown
    assert "bus" not in act.content


def test_the_ledger_finds_a_revocation_that_was_signed_for_another_certificate(told):
    one, other = give(told).row, give(told).row
    revoked(told.educator, one)
    assert verify().problems == ()
    with lifted():
        Certificate.objects.filter(pk=other.pk).update(revoked_id=Certificate.objects.get(pk=one.pk).revoked_id)
        Certificate.objects.filter(pk=one.pk).update(revoked_id=None)
    assert any(f"certificate {other.uuid} was not revoked by its act" in each.reason for each in verify().problems)


def test_the_ledger_finds_a_certificate_that_was_changed_after_its_revocation_was_signed(told):
    act = revoked(told.educator, give(told).row).revoked
    with lifted():
        Certificate.objects.update(made_on=date(2020, 1, 1))
    assert any("whose revocation was signed" in each.reason for each in verify().problems)
    assert act.facts["certificate"]


def test_the_ledger_finds_a_certificate_that_was_altered(told):
    made = give(told)
    revoked(told.educator, made.row)
    assert verify().problems == ()
    with lifted():
        Certificate.objects.filter(pk=made.row.pk).update(token_digest="0" * 64)
    assert [each.reason for each in verify().problems if "certificate" in each.reason] == [
        f"certificates: certificate {made.row.uuid} is not what its act gave out",
        f"certificates revoked: certificate {made.row.uuid} is not the one whose revocation was signed",
    ]
