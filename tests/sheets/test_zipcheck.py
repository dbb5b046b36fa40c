"""What is refused before any parser sees it."""

import contextlib
import io
import struct
import time
import tracemalloc
import zipfile
import zlib

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sheets import zipcheck
from sheets.reading import read_workbook
from sheets.zipcheck import FileRefused, check
from tests.sheets.books import package, sheet_xml, sheets, text_cells

pytestmark = pytest.mark.std("B-20")

PART = "xl/worksheets/sheet1.xml"
GOOD = sheets({"Log": [["Staff number", "Date"], ["104233", "3/11/2025"]]})


def refusal(data: bytes, name: str = "log.xlsx") -> str:
    with pytest.raises(FileRefused) as refused:
        read_workbook(data, name=name)
    return refused.value.reason


def with_declared_size(data: bytes, part: str, size: int, *, crc: int | None = None) -> bytes:
    """The package with another unpacked size (and check sum) declared for one part, in both of its headers."""
    info = zipfile.ZipFile(io.BytesIO(data)).getinfo(part)
    changed = bytearray(data)
    struct.pack_into("<L", changed, info.header_offset + 22, size)
    central = data.rindex(b"PK\x01\x02", 0, data.rindex(part.encode()))
    struct.pack_into("<L", changed, central + 24, size)
    if crc is not None:
        struct.pack_into("<L", changed, info.header_offset + 14, crc)
        struct.pack_into("<L", changed, central + 16, crc)
    return bytes(changed)


def test_a_plain_workbook_passes_and_every_piece_is_seen_once():
    seen: dict[str, bytes] = {}

    def look(name: str, piece: bytes) -> None:
        seen[name] = seen.get(name, b"") + piece

    archive = check(GOOD, look=look)
    with zipfile.ZipFile(io.BytesIO(GOOD)) as original:
        assert seen == {name: original.read(name) for name in original.namelist()}
    assert b"".join(archive.pieces("xl/workbook.xml")) == seen["xl/workbook.xml"]


def test_a_stored_package_passes_too():
    check(package(sheet_xml(text_cells("Staff number")), compression=zipfile.ZIP_STORED))


def refused_cheaply(data: bytes) -> str:
    """The reason for refusing, after under a second of work and 50 MB of memory (the demand itself)."""
    tracemalloc.start()
    started = time.process_time()
    reason = refusal(data)
    took = time.process_time() - started
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert took < 1
    assert peak < 50_000_000
    return reason


def blank_sheet(size: int) -> bytes:
    """A package whose sheet unpacks to this many spaces, written in pieces."""
    stream = io.BytesIO(package({}))
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED) as archive, archive.open(PART, "w") as part:
        for _ in range(size // 1_000_000):
            part.write(b" " * 1_000_000)
    return stream.getvalue()


def test_a_directory_that_is_not_the_last_thing_in_the_file_is_refused():
    # Two readers might find two different directories.
    with zipfile.ZipFile(stream := io.BytesIO(GOOD), "a") as archive:
        archive.comment = b"x"
    assert "damaged" in refusal(stream.getvalue())
    assert "damaged" in refusal(GOOD + b"\0" * 30)


def test_a_small_file_that_unpacks_to_a_thousand_times_its_size_is_refused_quickly_and_in_little_memory():
    bomb = blank_sheet(314_000_000)
    assert len(bomb) < 320_000
    assert "314 MB" in refused_cheaply(bomb)


def test_a_high_ratio_is_refused_below_the_limit_of_size():
    assert "100 times" in refused_cheaply(blank_sheet(20_000_000))


def test_a_part_that_unpacks_to_more_than_it_declares_is_refused_in_little_memory():
    honest = blank_sheet(200_000_000)
    start = b" " * 900
    # The library stops after the declared size and finds the check sum right; the sheet's parser would go on.
    lying = with_declared_size(honest, PART, 900, crc=zlib.crc32(start))
    assert zipfile.ZipFile(io.BytesIO(lying)).read(PART) == start
    assert "inner sizes are wrong" in refused_cheaply(lying)
    unpacked: list[int] = []
    with pytest.raises(FileRefused):
        check(lying, look=lambda name, piece: unpacked.append(len(piece) if name == PART else 0))
    assert sum(unpacked) == 0


def test_a_part_that_unpacks_to_less_than_it_declares_is_refused():
    assert "inner sizes are wrong" in refusal(with_declared_size(GOOD, "xl/workbook.xml", 100_000))


def test_a_wrong_check_sum_is_refused():
    size = zipfile.ZipFile(io.BytesIO(GOOD)).getinfo("xl/workbook.xml").file_size
    assert "damaged" in refusal(with_declared_size(GOOD, "xl/workbook.xml", size, crc=1))


def test_parts_that_overlap_are_refused():
    # As in overlapping bombs (Fifield, 'A better zip bomb', USENIX WOOT 2019): two directory entries, one body.
    central = GOOD.rindex(b"PK\x01\x02")
    end = GOOD.rindex(b"PK\x05\x06")
    entry = GOOD[central:end].replace(b"xml", b"xmm", 1)
    total = struct.unpack_from("<H", GOOD, end + 10)[0]
    tail = bytearray(GOOD[end:])
    struct.pack_into("<HH", tail, 8, total + 1, total + 1)
    struct.pack_into("<L", tail, 12, struct.unpack_from("<L", GOOD, end + 12)[0] + len(entry))
    overlapping = GOOD[:end] + entry + bytes(tail)
    assert len(zipfile.ZipFile(io.BytesIO(overlapping)).infolist()) == total + 1
    assert "unusual way" in refusal(overlapping)


def test_two_parts_of_one_name_are_refused():
    assert "same name" in refusal(package(sheet_xml(""), extra={"XL/Workbook.xml": b"<workbook/>"}))


def test_more_than_two_hundred_parts_are_refused():
    assert "200 parts" in refusal(package(sheet_xml(""), extra={f"xl/media/{i}.png": b"x" for i in range(200)}))


def test_a_directory_of_many_thousand_parts_is_refused_without_reading_it():
    many = package(sheet_xml(""), extra={f"{i}": b"" for i in range(60_000)})
    assert "200 parts" in refused_cheaply(many)


def test_a_file_over_the_limit_of_size_is_refused():
    with pytest.raises(FileRefused, match="26 MB; at most 25 MB"):
        read_workbook(b"PK\x03\x04" + b"0" * 26_000_000, name="log.xlsx")


def test_an_empty_file_is_refused():
    assert refusal(b"") == "The file is empty."


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "older Excel format"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600 + "EncryptedPackage".encode("utf-16-le"),
            "protected with a password",
        ),
        (package(sheet_xml(""), extra={"xl/vbaProject.bin": b"\0"}), "contains macros"),
        (package(sheet_xml(""), extra={"xl/macrosheets/sheet1.xml": b"<a/>"}), "contains macros"),
        (package(sheet_xml(""), extra={"xl/workbook.bin": b"\0"}), "binary workbook"),
        (package(sheet_xml(""), extra={"mimetype": b"application/x", "content.xml": b"<a/>"}), "OpenDocument"),
        (package(sheet_xml(""), extra={"xl/embeddings/a.xlsx": GOOD}), "another archive"),
        (b"<html><table><tr><td>Staff number</td></tr></table></html>", "not an Excel workbook"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 50, "not an Excel workbook"),
    ],
)
def test_what_is_no_plain_workbook_is_refused_with_what_to_do(data, said):
    reason = refusal(data)
    assert said in reason
    assert "save" in reason.casefold()


def test_a_macro_workbook_without_macros_is_known_by_its_content_type():
    types = b'<Types><Override ContentType="application/vnd.ms-excel.sheet.macroEnabled.main+xml"/></Types>'
    stream = io.BytesIO(GOOD)
    with zipfile.ZipFile(stream) as original, zipfile.ZipFile(changed := io.BytesIO(), "w") as archive:
        for name in original.namelist():
            archive.writestr(name, types if name == "[Content_Types].xml" else original.read(name))
    assert "contains macros" in refusal(changed.getvalue())


def test_another_archive_is_no_workbook():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("word/document.xml", "<document/>")
    assert "no sheets were found" in refusal(stream.getvalue())


@pytest.mark.parametrize("kind", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_unusual_packing_is_refused(kind):
    assert "unusual way" in refusal(package(sheet_xml(""), compression=kind))


def test_a_part_with_a_password_is_refused():
    changed = bytearray(GOOD)
    changed[GOOD.index(b"PK\x01\x02") + 8] |= 1
    assert "password" in refusal(bytes(changed))


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<!DOCTYPE x SYSTEM "http://example.org/x.dtd">',
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize(
    "part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/workbook.xml", "docProps/core.xml"]
)
def test_document_types_and_entities_are_refused_wherever_they_stand(declaration, encoding, part):
    hostile = f'<?xml version="1.0" encoding="{encoding}"?>{declaration}<x>&a;</x>'.encode(encoding)
    with zipfile.ZipFile(io.BytesIO(package(sheet_xml("")))) as original:
        members = {name: original.read(name) for name in original.namelist()} | {part: hostile}
    with zipfile.ZipFile(changed := io.BytesIO(), "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    assert "document type" in refusal(changed.getvalue())


def test_a_declaration_cut_by_the_edge_of_a_piece_is_found():
    before = '<?xml version="1.0"?><!--' + "-x" * ((zipcheck.PIECE - 40) // 2)
    for shift in range(16):
        xml = (before + " " * shift + ' --><!DOCTYPE x SYSTEM "a"><x/>').encode()
        assert "document type" in refusal(package(xml, compression=zipfile.ZIP_STORED))


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=len(GOOD) - 1))
@example(len(GOOD) - 1)
@example(len(GOOD) - 22)
def test_a_file_cut_short_anywhere_is_refused(length):
    refusal(GOOD[:length])


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=len(GOOD) - 1), st.integers(min_value=1, max_value=255))
def test_a_file_with_one_changed_byte_is_read_the_same_or_refused(place, change):
    changed = bytearray(GOOD)
    changed[place] ^= change
    try:
        read = read_workbook(bytes(changed), name="log.xlsx")
    except FileRefused:
        return
    # Dates and flags of the headers say nothing about the content.
    assert [list(map(str, row)) for row in read.sheets[0].rows] == [["Staff number", "Date"], ["104233", "3/11/2025"]]


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_refused_or_read(data):
    for name in ("log.xlsx", "log.csv", ""):
        # Anything but a refusal would fail the test.
        with contextlib.suppress(FileRefused):
            assert read_workbook(data, name=name).sheets
