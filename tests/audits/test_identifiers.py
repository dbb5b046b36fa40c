"""Patients' identifiers in free text: what must be found, and what nurses write every day and must be able to write."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audits.identifiers import (
    describe,
    find_identifiers,
    is_ihi,
    is_medicare,
    is_nhi,
    is_nhs_number,
    looks_like_record_numbers,
    worst_level,
)

pytestmark = pytest.mark.std("B-40")

# HISO 10046:2024 Table 3 and the compliance test numbers of Health New Zealand (nhi-ig.hip.digital.health.nz,
# Compliance testing), read second hand; Z is kept for tests, no person has these.
# fmt: off
NEW_NHI = (
    "ZBN77VL", "ZXE24NV", "ZUA48EH", "ZUT01RG", "ZNK28DJ", "ZTL39SK", "ZWB84LW", "ZQF54PV", "ZAK21MS", "ZYC49PX",
    "ZDP92ZR", "ZVE74QH", "ZZZ00AC", "ZVU27KE", "ZYZ89XY", "ACA31FM", "ASE37QK", "ARE62RS",
)
# fmt: on
# The same standard's worked example and Health New Zealand's format-change examples.
OLD_NHI = ("ZAC5361", "ZAA0067", "ZAA0075", "ZAA0083", "ZZZ0016", "ZZZ0024")


@pytest.mark.parametrize("number", NEW_NHI + OLD_NHI)
def test_published_nhi_numbers_pass_their_check(number):
    assert is_nhi(number)
    assert is_nhi(number.lower())


@pytest.mark.parametrize("number", ["ZAC3561", "ZZZ0044", "ZZZ0017", "ZZZ00AA", "ZVU27KF", "ZAI5361", "ZAC536"])
def test_wrong_nhi_numbers_do_not(number):
    # The first two: the standard's own examples of a transposition and of a sum that no digit completes.
    assert not is_nhi(number)


def test_no_digit_completes_an_old_number_whose_sum_is_a_multiple_of_eleven():
    # HISO 10046:2024, validation routine, second hand: ZZZ004 is its example.
    assert not any(is_nhi(f"ZZZ004{digit}") for digit in range(10))


def test_published_medicare_numbers_pass_their_check():
    # NEHTA, Software Conformance Requirements 1.4 (2011): 2123 4567 has check digit 0 (quoted second hand).
    assert is_medicare("2123456701")
    # HL7 Australia, AU Base, profile AU Medicare Card Number, its example, with the person's number.
    assert is_medicare("32788511952")
    assert is_medicare("3278851195")
    assert not is_medicare("2123456711")
    assert not is_medicare("7123456701")


def test_nhs_numbers_pass_modulus_eleven():
    # 943 476 5919 is a commonly cited example, from memory; by hand its weighted sum is 299 = 27 x 11 + 2, so 9.
    assert is_nhs_number("9434765919")
    assert not is_nhs_number("9434765918")
    # By hand: a sum of 10 gives 1; a sum of 12 gives 10, which is never issued (NHS Data Dictionary 2.0, step 4).
    assert is_nhs_number("1000000001")
    assert not any(is_nhs_number(f"100000001{digit}") for digit in range(10))
    # Sum 0 leaves 11, for which the digit is 0.
    assert is_nhs_number("0000000000")


def test_ihi_numbers_pass_luhn():
    # The example patient of HL7 Australia's guides.
    assert is_ihi("8003608166690503")
    assert not is_ihi("8003608166690504")
    # 800361 is a provider, not a patient (AU Base, HPI-I).
    assert not is_ihi("8003618166690503")


MUST_BLOCK = [
    "MRN 1234567",
    "mrn: 123456",
    "UMRN B1234567",
    "UR no. 445566",
    "URN#998877",
    "pt UR 123 456",
    "MRN AB123456",
    "hospital number 445566",
    "Hospital no 445566",
    "patient id 88231",
    "pt no: 88231",
    "record number 4455667",
    "NHI ZAC5361",
    "nhi zac5361",
    "ZAC5361",
    "ZBN77VL",
    "NHS no 943 476 5919",
    "943 476 5919",
    "943-476-5919",
    "medicare 2123456701",
    "2123 45670 1",
    "2123 45670 1-2",
    "8003608166690503",
    "8003 6081 6669 0503",
    "IHI 8003608166690503",
    "８００３６０８１６６６９０５０３",
    "8003\u00a06081\u00a06669\u00a00503",
    "Mr Smith",
    "Mrs O’Brien refused the first time",
    "Ms. Fenwick-Jones",
    "MRS JONES in bed 4",
    "patient's name on the sheet",
    "DOB 12/03/1954",
    "dob: 12.3.54",
    "d.o.b. 1954-03-12",
    "born 12 March 1954",
    "Date of birth 12031954",
    "jane.citizen@example.org",
    "0412 345 678",
    "(02) 9876 5432",
    "+61 412 345 678",
    "+44 7700 900123",
    "ph 9876 5432",
    "Mobile 0412345678",
]
MUST_WARN = [
    "9434765919",
    "2123456701",
    "32788511952",
    "0412345678",
    "1234567",
    "AB123456",
    "ABC1234",
    "8003608166690504",
    "mr smith",
    "bed 12",
    "Rm 4b",
    "12/03/1954",
]
MUST_PASS = [
    "",
    "2 attempts at 14:30",
    "20G forearm",
    "20 g L forearm, then 22G R hand",
    "18G 22G 24G 20G 26G",
    "flushed 10 mL",
    "flushed with 10 mL sodium chloride 0.9% from a 10 mL syringe",
    "1000 mL over 8 h",
    "2% chlorhexidine in 70% alcohol, dried",
    "3/11/2025 and 4/11/2025",
    "2025-11-03 14:30",
    "20251103",
    "03112025",
    "3 Nov 2025",
    "Nov2025",
    "NOV2025",
    "MAY2025",
    "1430 and 0930",
    "between 0700 and 0900",
    "0930 1430 1500",
    "supervised by Dr Patel",
    "RN Jones took over",
    "Sister Fenwick present",
    "called the registrar at 1500",
    "ext 4567",
    "pager 4567",
    "supervisor in the room 2 attempts",
    "second attempt 10 min later",
    "vein not visible, first try missed, blew on flush",
    "pain 7/10",
    "BP 120/80, HR 72, sats 98%",
    "MR scan with contrast",
    "MR SCAN",
    "MS patient, tremor",
    "76yo",
    "Miss on first pass",
    "ISO 10555-5",
    "NHS 111 call",
    "unit 4 West",
    "patient declined a second attempt",
    "patient number of attempts 2",
    "record of every attempt",
    "medical record checked",
    "date of birth not asked",
    "staff 10423",
    "A-DIVA 3, score before",
    "1.1 mm x 32 mm",
    "24/7",
]


@pytest.mark.parametrize("text", MUST_BLOCK)
def test_an_identifier_is_blocked(text):
    assert worst_level(text) == "block"


@pytest.mark.parametrize("text", MUST_WARN)
def test_what_has_only_the_shape_is_warned_about(text):
    assert worst_level(text) == "warn"


@pytest.mark.parametrize("text", MUST_PASS)
def test_everyday_words_pass(text):
    assert find_identifiers(text) == []


def test_the_span_is_that_of_the_identifier():
    text = "Difficult: MRN 1234567, then fine. Ｂｅｄ １２ too"
    spans = [(text[found.start : found.end], found.level) for found in find_identifiers(text)]
    assert spans == [("MRN 1234567", "block"), ("Ｂｅｄ １２", "warn")]


def test_a_message_repeats_nothing_of_what_was_found():
    text = "MRN 1234567, Mr Smith, 0412 345 678"
    message = describe(find_identifiers(text))
    assert "a patient's name" in message
    assert "a record number" in message
    assert not re.search(r"\d|Smith", message)
    assert describe([]) == ""
    assert not any("1234567" in repr(found) for found in find_identifiers(text))


@given(st.text())
def test_any_text_gives_ordered_spans_inside_it_that_do_not_overlap(text):
    found = find_identifiers(text)
    ends = 0
    for finding in found:
        assert ends <= finding.start < finding.end <= len(text)
        ends = finding.end


@given(st.sampled_from(MUST_BLOCK), st.sampled_from(MUST_PASS))
def test_an_identifier_is_found_in_the_middle_of_other_words(identifier, words):
    assert worst_level(f"{words}; {identifier}; {words}") == "block"


@settings(deadline=5_000)
@given(st.text(alphabet=" .,@-+01abMRNr'", min_size=1, max_size=6))
def test_repetitive_text_does_not_make_the_patterns_back_off_without_end(unit):
    assert isinstance(find_identifiers(unit * 2_000), list)


@pytest.mark.parametrize(
    "heading",
    ["MRN", "Pt MRN", "UR", "UR No.", "URN", "NHI", "Medicare", "IHI", "Hospital number", "Patient ID", "Patient name",
     "DOB", "D.O.B.", "Date of birth", "Patient", "Pt label", "MRN (last 4)", "Patient's name"],
)  # fmt: skip
def test_a_heading_says_that_a_column_holds_patients(heading):
    assert looks_like_record_numbers([], heading=heading)


@pytest.mark.parametrize(
    "heading",
    ["Staff number", "Supervisor", "Gauge", "Patient band", "Attempts", "Date", "Comment", "Insertion no", "Ward",
     "Hospital", "Patient age band", "Procedure"],
)  # fmt: skip
def test_other_headings_do_not(heading):
    assert not looks_like_record_numbers([], heading=heading)
    assert not looks_like_record_numbers(["20G", "22G", "18G", "20G"], heading=heading)


def test_values_alone_can_say_it():
    assert looks_like_record_numbers([1234567.0, 1234599.0, 1240001.0, 1250002.0], heading="No.")
    assert looks_like_record_numbers(["B123456", "B123457", "C998877"], heading="Ref")
    assert looks_like_record_numbers(["ZAC5361", "ZAA0067", "ZAA0075"], heading="ID")
    assert looks_like_record_numbers([None, "", "1234567", "1234599", "see notes", "1240001", "1250003"])


def test_staff_numbers_repeat_and_days_are_no_record_numbers():
    assert not looks_like_record_numbers(["104233", "104233", "104240", "104233", "104240", "104233"])
    assert not looks_like_record_numbers(["20251103", "20251104", "20251105"])
    assert not looks_like_record_numbers(["1234567", "1234599"])
    assert not looks_like_record_numbers([True, False, 1.0, 2.0, "first try", 0.5])
