"""Find what looks like a patient's identifier in free text, so that none is stored.

Two levels. *Block*: a keyword, the usual grouping, or a check digit that chance rarely meets says what it is. *Warn*:
it has the shape, and so has many a harmless number. The text that matched is never logged or repeated in a message; a
finding holds its place only.

Check digits: IHI, HL7 Australia, AU Base 5.0.0, profile AU IHI (16 digits, 800360, Luhn). Medicare card, NEHTA, Use of
Healthcare Identifiers in Health Software Systems, Software Conformance Requirements 1.4 (2011), quoted second hand. NHS
number, NHS Data Dictionary 2.0, NHS NUMBER. NHI, HISO 10046:2024, old format modulus 11 and new format modulus 23,
second hand and by Health New Zealand's published test numbers. The keywords and shapes are common practice, no source.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

Level = Literal["block", "warn"]

_NHI_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
_MONTHS = "jan feb mar apr may jun jul aug sep oct nov dec".split()  # noqa: SIM905

# A keyword, perhaps 'number' or a colon, then a number with up to three letters before and two after it.
_AFTER = r"(?:\s*(?:no|num|number|id)\b\.?|\s*\#)?[\s:=#.-]*(?:is\ |was\ )?[a-z]{0,3}"
_KEYED = re.compile(
    rf"""\b(?:
        (?:u?mrn|h?urn?|hrn|record(?=\s?(?:no|num|number|\#)))         {_AFTER}(?:[ /-]?\d){{3,16}}
      | (?:ihi|nhi|nhs|medicare|chi
          |(?:medical|unit|patient|health|hospital)\ record
          |(?:patient|pt|hospital)(?:'s)?(?=\s?(?:no|num|number|\#|id)) ) {_AFTER}(?:[ /-]?\d){{4,16}}
    )[a-z]{{0,2}}\b""",
    re.IGNORECASE | re.VERBOSE,
)
_BED = re.compile(
    r"(?<!the )(?<!of )\b(?:bed|room|rm|cubicle|bay)(?:space)?(?:\s*(?:no|number|#)\.?)?[\s:#-]*[a-z]?\d{1,3}[a-z]?\b",
    re.IGNORECASE,
)
# In capitals MR and MS are also a scan and a disease.
_TITLED = re.compile(
    r"\b(?:Mr|Mrs|Ms|Miss|Mx|Mstr)\b\.? +[A-Z][\w'’-]+"
    r"|\b(?:MR|MRS|MS|MISS)\b\.? +(?!SCAN|SUITE|ROOM|IMAGING)[A-Z]{3,}\b"
)
_TITLED_SMALL = re.compile(r"\b(?:mr|mrs)\b\.? +(?!scan|suite|room|imaging)[a-z]{3,}")
_NAMED = re.compile(r"\b(?:patient|pt|client)(?:'s)? names?\b", re.IGNORECASE)
# Bounded, so that a long run of letters costs no more than its length.
_EMAIL = re.compile(r"[\w.+-]{1,64}@[\w-]{1,63}(?:\.[\w-]{1,63})+")
_BIRTH = re.compile(
    r"""\b(?:d\.?o\.?b\b\.?|date\ of\ birth|birth\ ?date|born)[\s:=]*(?:on\ |is\ |was\ |in\ )?
        (?: \d{1,2}[ /.-]\d{1,2}[ /.-](?:\d{4}|\d{2}) | \d{4}-\d{2}-\d{2}
          | \d{1,2}(?:st|nd|rd|th)?\ ?[a-z]{3,9},?\ ?\d{4} | \d{8} | \d{6} | \d{4} )\b""",
    re.IGNORECASE | re.VERBOSE,
)
_OLD_DATE = re.compile(
    r"(?<![\d/.-])\d{1,2}[/.-]\d{1,2}[/.-](?:19\d\d|200\d)(?![\d/])|\b(?:19\d\d|200\d)-\d{2}-\d{2}\b"
)
_IHI = re.compile(r"(?<!\d)8003([ -]?)60\d{2}\1\d{4}\1\d{4}(?!\d)")
_MEDICARE = re.compile(r"(?<!\d)[2-6]\d{3}([ -]?)\d{5}([ -]?)\d(?:[ /-]?\d)?(?!\d)")
_NHS = re.compile(r"(?<!\d)\d{3}([ -]?)\d{3}\1\d{4}(?!\d)")
_NHI = re.compile(r"\b[A-HJ-NP-Z]{3} ?\d{2}(?:\d{2}|[A-HJ-NP-Z]{2})\b", re.IGNORECASE)
_PHONE = re.compile(r"(?<![\d.])(?:\+\d{1,3}[ -]?(?:\(0\))?[ -]?\d|\(0\d{1,4}\)|0\d)(?:[ -]?\d){7,9}(?!\d)")
_PHONE_SAID = re.compile(
    r"\b(?:ph|phone|mob|mobile|tel|telephone|cell|call|ring)(?:\s*(?:no|number)\b)?[\s:.]*"
    r"\+?\d(?:[ ()-]?\d){6,13}(?!\d)",
    re.IGNORECASE,
)
_LONG_NUMBER = re.compile(r"(?<![\w.,/-])[A-Z]{0,2}\d{6,12}[A-Z]?(?![\w]|[.,/-]\d)")

_HEADING = re.compile(
    r"""\b(?:u?mrn|urn|hrn|nhi|ihi|medicare|dob)\b | \bd\ o\ b\b | \bbirth\ ?(?:date|day)\b | \bdate\ of\ birth\b
      | \b(?:ur|nhs|chi|hospital|medical\ record|unit\ record|record)\ (?:no|num|number|id)$
      | ^(?:ur|nhs|patient|pt|client)$
      | \b(?:patient|pt|client)\ (?:s\ )?
        (?:no|num|number|id|identifier|names?|surname|initials|label|sticker|details|ur)$""",
    re.VERBOSE,
)


@dataclass(frozen=True, slots=True)
class Finding:
    """A span of the text that looks like an identifier: what kind (words for a person), where, how sure."""

    kind: str
    start: int
    end: int
    level: Level


_PATTERNS: tuple[tuple[str, re.Pattern[str], Level], ...] = (
    ("a record number", _KEYED, "block"),
    ("a patient's name", _TITLED, "block"),
    ("a patient's name", _TITLED_SMALL, "warn"),
    ("a patient's name", _NAMED, "block"),
    ("an e-mail address", _EMAIL, "block"),
    ("a date of birth", _BIRTH, "block"),
    ("a date of birth", _OLD_DATE, "warn"),
    ("a phone number", _PHONE_SAID, "block"),
    ("a bed or room", _BED, "warn"),
)


def find_identifiers(text: str) -> list[Finding]:
    """All spans that look like a patient's identifier, in order, not overlapping; the surer of two that overlap."""
    plain = _plain(text)
    found = sorted(_all(plain), key=lambda finding: (finding.level == "warn", finding.start - finding.end))
    kept: list[Finding] = []
    for finding in found:
        if not any(finding.start < other.end and other.start < finding.end for other in kept):
            kept.append(finding)
    return sorted(kept, key=lambda finding: finding.start)


def worst_level(text: str) -> Level | None:
    """'block' if anything in the text must not be stored, 'warn' if something should be looked at, else None."""
    levels = {finding.level for finding in find_identifiers(text)}
    return "block" if "block" in levels else "warn" if levels else None


def describe(findings: Iterable[Finding]) -> str:
    """What was found, in words that repeat nothing of it."""
    kinds = sorted({finding.kind for finding in findings})
    return f"This looks like {' and '.join(kinds)}. Take it out: nothing here may point to a patient." if kinds else ""


def looks_like_record_numbers(values: Iterable[object], *, heading: str = "") -> bool:
    """Whether a column of a sheet holds patients' record numbers, names or birth dates.

    Its heading says so, or at least three in five of its values are numbers of six to ten digits or checked identifiers
    and hardly any comes twice (staff numbers do). Judged on three values or more.
    """
    words = " ".join(re.findall(r"[^\W_]+", unicodedata.normalize("NFKC", heading).casefold()))
    if words and _HEADING.search(words):
        return True
    texts = [text for value in values if (text := _cell_text(value))]
    if len(texts) < 3:
        return False
    alike = [text for text in texts if _is_record_number(text)]
    return 5 * len(alike) >= 3 * len(texts) and 5 * len(set(alike)) >= 4 * len(alike)


def is_ihi(digits: str) -> bool:
    """Australian Individual Healthcare Identifier: 16 digits, 800360 first, Luhn."""
    if not re.fullmatch(r"800360\d{10}", digits, re.ASCII):
        return False
    doubled = [int(digit) * (2 - place % 2) for place, digit in enumerate(digits)]
    return sum(number - 9 if number > 9 else number for number in doubled) % 10 == 0


def is_medicare(digits: str) -> bool:
    """Australian Medicare card number: 10 digits, or 11 with the person's; the ninth checks the first eight."""
    if not re.fullmatch(r"[2-6]\d{9,10}", digits, re.ASCII):
        return False
    return sum(int(digit) * weight for digit, weight in zip(digits, (1, 3, 7, 9) * 2, strict=False)) % 10 == int(
        digits[8]
    )


def is_nhs_number(digits: str) -> bool:
    """NHS number of England and Wales: 10 digits, modulus 11, weights 10 to 2; no digit stands for a check of 10."""
    if not re.fullmatch(r"\d{10}", digits, re.ASCII):
        return False
    check = 11 - sum(int(digit) * (10 - place) for place, digit in enumerate(digits[:9])) % 11
    return check % 11 == int(digits[9])


def is_nhi(text: str) -> bool:
    """New Zealand National Health Index number, old format (AAANNNC, modulus 11) or new (AAANNAC, modulus 23)."""
    text = text.upper()
    if not re.fullmatch(r"[A-HJ-NP-Z]{3}\d{2}(?:\d{2}|[A-HJ-NP-Z]{2})", text, re.ASCII):
        return False
    numbers = [int(sign) if sign.isdigit() else _NHI_LETTERS.index(sign) + 1 for sign in text]
    total = sum(number * (7 - place) for place, number in enumerate(numbers[:6]))
    if text[6].isdigit():
        return total % 11 != 0 and (11 - total % 11) % 10 == numbers[6]
    return 23 - total % 23 == numbers[6]


def _all(text: str) -> Iterator[Finding]:
    for kind, pattern, level in _PATTERNS:
        for match in pattern.finditer(text):
            yield Finding(kind, *match.span(), level)
    yield from _checked_numbers(text)
    for match in _PHONE.finditer(text):
        yield Finding("a phone number", *match.span(), "warn" if match[0].isdigit() else "block")
    for match in _LONG_NUMBER.finditer(text):
        if not _is_date(match[0]):
            yield Finding("a record number", *match.span(), "warn")


def _checked_numbers(text: str) -> Iterator[Finding]:
    for match in _IHI.finditer(text):
        yield Finding("an IHI", *match.span(), "block" if is_ihi(_digits(match[0])) else "warn")
    for match in _MEDICARE.finditer(text):
        if is_medicare(_digits(match[0])):
            yield Finding("a Medicare number", *match.span(), "block" if match[1] and match[2] else "warn")
    for match in _NHS.finditer(text):
        if is_nhs_number(_digits(match[0])):
            yield Finding("an NHS number", *match.span(), "block" if match[1] else "warn")
    for match in _NHI.finditer(text):
        if is_nhi(match[0].replace(" ", "")):
            # Written in small letters it may be a word beside a number.
            yield Finding("an NHI number", *match.span(), "block" if match[0][:3].isupper() else "warn")
        elif " " not in match[0] and match[0].isupper() and match[0][:3].casefold() not in _MONTHS:
            yield Finding("an NHI number", *match.span(), "warn")


def _plain(text: str) -> str:
    """The text with full-width signs, odd spaces and dashes made plain, one sign for one, so that places stay true."""

    def sign(letter: str) -> str:
        if letter.isascii():
            return letter
        category = unicodedata.category(letter)
        if category == "Pd" or letter == "\u2212":
            return "-"
        if letter.isspace() or category == "Cf":
            return " "
        if letter.isdigit() and unicodedata.decimal(letter, None) is not None:
            return str(unicodedata.decimal(letter))
        folded = unicodedata.normalize("NFKC", letter)
        return folded if len(folded) == 1 else letter

    return text if text.isascii() else "".join(map(sign, text))


def _digits(text: str) -> str:
    return re.sub(r"\D", "", text)


def _is_date(number: str) -> bool:
    """Whether eight digits are a day written without marks, year first or day first."""
    if len(number) != 8 or not number.isdigit():
        return False
    for year, month, day in ((number[:4], number[4:6], number[6:]), (number[4:], number[2:4], number[:2])):
        try:
            if 2000 <= date(int(year), int(month), int(day)).year <= 2099:
                return True
        except ValueError:
            continue
    return False


def _cell_text(value: object) -> str:
    if isinstance(value, bool) or value is None:
        return ""
    if isinstance(value, float):
        return str(int(value)) if abs(value) < 1e15 and value == int(value) else ""
    return str(value).strip() if isinstance(value, str | int) else ""


def _is_record_number(text: str) -> bool:
    if re.fullmatch(r"[A-Za-z]{0,2}\d{6,10}[A-Za-z]?", text):
        return not _is_date(text)
    return any(finding.level == "block" or finding.kind == "an NHI number" for finding in find_identifiers(text))
