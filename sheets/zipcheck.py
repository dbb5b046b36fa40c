"""Look at an uploaded workbook as an archive before anything parses it.

An .xlsx file is a zip of XML parts. Everything that could hurt the reader shows at this level: parts that unpack to a
thousand times their size, headers that lie about it, entity declarations, macros, passwords. Limits: 2-architecture,
Sheets; the demands are OWASP ASVS 5.0 chapters 1.5 and 5.2.
"""

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

MAX_FILE = 25_000_000
MAX_MEMBERS = 200
MAX_UNPACKED = 300_000_000
MAX_RATIO = 100
# Below this size a high ratio harms nobody, and small repetitive parts do reach it.
RATIO_MATTERS_FROM = 1_000_000
PIECE = 1 << 20

ZIP_MAGIC = b"PK\x03\x04"
OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LOCAL_HEADER = 30
_DECLARATION = re.compile(rb"!(?:DOCTYPE|ENTITY)|!\0(?:D\0O\0C\0T|E\0N\0T\0I)")
_SAVE_AS = "Open it and save it as an Excel workbook (.xlsx) without macros, then upload that copy."

Look = Callable[[str, bytes], None]


class FileRefused(Exception):  # noqa: N818 (a refusal, in the words of the screens)
    """The whole file cannot be taken; the text says why and what to do, and is fit to be shown."""

    @property
    def reason(self) -> str:
        return str(self)


@dataclass(frozen=True)
class Archive:
    """A workbook that passed `check`: its bytes and its parts by name."""

    data: bytes
    members: dict[str, zipfile.ZipInfo]

    def pieces(self, name: str) -> Iterator[bytes]:
        """The unpacked bytes of one part, a megabyte at most at a time. Raises KeyError for an unknown part."""
        return _pieces(self.data, self.members[name])


def check(data: bytes, *, look: Look | None = None) -> Archive:
    """Refuse what is not a plain .xlsx workbook of bearable size; unpack every part once to be sure.

    `look(name, piece)` sees each piece as it is unpacked, so that nothing must be unpacked twice to be scanned.
    Raises FileRefused.
    """
    _check_kind(data)
    archive = Archive(data, _members(data))
    _check_parts(archive)
    _check_sizes(archive)
    for name, member in archive.members.items():
        _check_content(name, member, data, look)
    return archive


def check_size(size: int) -> None:
    """Raises FileRefused for an empty file or one over 25 MB."""
    if size == 0:
        raise FileRefused("The file is empty.")
    if size > MAX_FILE:
        raise FileRefused(
            f"The file has {size / 1e6:.0f} MB; at most {MAX_FILE // 1_000_000} MB can be read. "
            "Split it, for example by month, and upload the parts one after another."
        )


def _check_kind(data: bytes) -> None:
    check_size(len(data))
    if data.startswith(OLE_MAGIC):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise FileRefused("The workbook is protected with a password. Remove the password, save, and upload again.")
        raise FileRefused(f"This is the older Excel format (.xls), which cannot be read. {_SAVE_AS}")
    if not data.startswith(ZIP_MAGIC):
        raise FileRefused(f"This is not an Excel workbook, whatever its name says. {_SAVE_AS}")


def _members(data: bytes) -> dict[str, zipfile.ZipInfo]:
    # Counted in the bytes, because reading a directory of half a million entries already takes seconds.
    if data.count(b"PK\x01\x02") > MAX_MEMBERS:
        raise FileRefused(f"The workbook has more than {MAX_MEMBERS} parts inside. {_SAVE_AS}")
    # Without a trailing comment there is one directory, and every reader finds the same.
    if data[-22:-18] != b"PK\x05\x06":
        raise FileRefused("The file is damaged or cut short. Upload it again from where it was made.")
    try:
        infos = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError, struct.error) as error:
        raise FileRefused("The file is damaged or cut short. Upload it again from where it was made.") from error
    members = {info.filename: info for info in infos}
    if len({name.replace("\\", "/").casefold() for name in members}) != len(infos):
        raise FileRefused(f"The workbook holds two parts of the same name. {_SAVE_AS}")
    return members


def _check_parts(archive: Archive) -> None:
    names = {name.replace("\\", "/").casefold() for name in archive.members}
    if "xl/workbook.bin" in names:
        raise FileRefused(f"This is a binary workbook (.xlsb), which cannot be read. {_SAVE_AS}")
    if any(name.endswith("vbaproject.bin") or name.startswith("xl/macrosheets/") for name in names):
        raise FileRefused(f"The workbook contains macros. {_SAVE_AS}")
    if "content.xml" in names and "mimetype" in names:
        raise FileRefused(f"This is an OpenDocument file. {_SAVE_AS}")
    if "xl/workbook.xml" not in names:
        raise FileRefused(f"This is not an Excel workbook: no sheets were found inside. {_SAVE_AS}")


def _check_sizes(archive: Archive) -> None:
    members = list(archive.members.values())
    if any(member.flag_bits & 0x1 for member in members):
        raise FileRefused("The workbook is protected with a password. Remove the password, save, and upload again.")
    if any(member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) for member in members):
        raise FileRefused(f"The workbook is packed in an unusual way. {_SAVE_AS}")
    unpacked = sum(member.file_size for member in members)
    if unpacked > MAX_UNPACKED:
        raise FileRefused(
            f"Unpacked, the workbook would have {unpacked / 1e6:.0f} MB; at most {MAX_UNPACKED // 1_000_000} MB can be "
            "read. Delete the empty formatted rows below the data, or split the file by month."
        )
    packed = sum(member.compress_size for member in members)
    pairs = [(member.file_size, member.compress_size) for member in members]
    if any(size > RATIO_MATTERS_FROM and size > MAX_RATIO * small for size, small in [*pairs, (unpacked, packed)]):
        raise FileRefused(
            f"The workbook unpacks to over {MAX_RATIO} times its size, which no list of entries does. Copy the rows "
            "that hold data into a new workbook and upload that."
        )
    end = 0
    for member in sorted(members, key=lambda member: member.header_offset):
        if member.header_offset < end:
            raise FileRefused(f"The workbook is packed in an unusual way. {_SAVE_AS}")
        end = member.header_offset + _LOCAL_HEADER + member.compress_size


def _check_content(name: str, member: zipfile.ZipInfo, data: bytes, look: Look | None) -> None:
    is_xml = name.casefold().endswith((".xml", ".rels", ".vml"))
    before = b""
    for piece in _pieces(data, member):
        if not before and piece.startswith(ZIP_MAGIC):
            raise FileRefused(f"The workbook holds another archive inside. {_SAVE_AS}")
        if is_xml and _DECLARATION.search(before[-16:] + piece):
            raise FileRefused(f"The workbook's XML declares its own document type, as Excel never does. {_SAVE_AS}")
        if name.casefold() == "[content_types].xml" and b"macroenabled" in piece.lower():
            raise FileRefused(f"The workbook contains macros. {_SAVE_AS}")
        if look is not None:
            look(name, piece)
        before = piece


def _pieces(data: bytes, member: zipfile.ZipInfo) -> Iterator[bytes]:
    """Unpack one part ourselves: the library stops at the declared size, the sheet's parser does not."""
    damaged = FileRefused("The file is damaged, or its inner sizes are wrong. Upload it again from where it was made.")
    start = member.header_offset
    header = data[start : start + _LOCAL_HEADER]
    if len(header) < _LOCAL_HEADER or not header.startswith(ZIP_MAGIC):
        raise damaged
    start += _LOCAL_HEADER + sum(struct.unpack("<HH", header[26:30]))
    packed = memoryview(data)[start : start + member.compress_size]
    if len(packed) < member.compress_size:
        raise damaged
    size = crc = 0
    try:
        for piece in _inflated(packed) if member.compress_type == zipfile.ZIP_DEFLATED else _stored(packed):
            size += len(piece)
            crc = zlib.crc32(piece, crc)
            if size > member.file_size:
                raise damaged
            yield piece
    except zlib.error as error:
        raise damaged from error
    if size != member.file_size or crc != member.CRC:
        raise damaged


def _stored(packed: memoryview) -> Iterator[bytes]:
    for start in range(0, len(packed), PIECE):
        yield bytes(packed[start : start + PIECE])


def _inflated(packed: memoryview) -> Iterator[bytes]:
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    for start in range(0, len(packed), PIECE // 16):
        rest: bytes | memoryview = packed[start : start + PIECE // 16]
        while rest and not inflater.eof:
            piece = inflater.decompress(rest, PIECE)
            if piece:
                yield piece
            rest = inflater.unconsumed_tail
    while not inflater.eof and (piece := inflater.decompress(b"", PIECE)):
        yield piece
    if not inflater.eof:
        raise zlib.error("cut short")
