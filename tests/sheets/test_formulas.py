"""Formulas, errors and the true extent of a sheet, found in its XML however it is written."""

import io
import re
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sheets import formulas, zipcheck
from sheets.reading import Fault, Formula, read_workbook
from sheets.zipcheck import FileRefused
from tests.sheets.books import package, sheet_xml, text_cells, workbook


def marks(data: bytes, name: str = "One") -> formulas.Marks:
    scan = formulas.Scan()
    archive = zipcheck.check(data, look=scan.look)
    return scan.marks(archive, formulas.sheet_parts(archive).sheets[name])


def test_a_formula_is_found_with_the_value_that_it_last_showed():
    def fill(book):
        sheet = book.add_worksheet("One")
        sheet.write_string(0, 0, "Attempts")
        sheet.write_formula(1, 0, "=1+1", None, 2)
        sheet.write_formula(2, 0, '="a"&"b"', None, "ab")
        sheet.write_number(3, 0, 3)

    rows = read_workbook(workbook(fill)).sheets[0].rows
    assert [row[0] for row in rows] == ["Attempts", Formula(2.0), Formula("ab"), 3.0]


def test_formulas_are_found_where_another_library_puts_them():
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["x", "=A1", "plain"])
    sheet.append(["=SUM(B1:B9)", "y", 4])
    stream = io.BytesIO()
    book.save(stream)
    rows = read_workbook(stream.getvalue()).sheets[0].rows
    assert rows == [["x", Formula(""), "plain"], [Formula(""), "y", 4]]


def test_array_and_shared_formulas_count_and_those_of_formatting_rules_do_not():
    def fill(book):
        sheet = book.add_worksheet("One")
        sheet.write_array_formula("A1:A2", "{=B1:B2*2}", None, 4)
        sheet.conditional_format(
            "C1:C9", {"type": "formula", "criteria": "=$A1>3", "format": book.add_format({"bold": 1})}
        )
        sheet.data_validation("D1:D9", {"validate": "list", "source": "=$A$1:$A$9"})
        sheet.add_sparkline("E1", {"range": "One!A1:A9"})

    found = marks(workbook(fill))
    assert set(found.formulas) == {0}
    assert found.formulas[0] == {0}


def test_a_formula_below_the_last_value_is_found():
    data = package(sheet_xml(text_cells("a") + '<row r="5"><c r="C5"><f>A1</f></c></row>'))
    rows = read_workbook(data).sheets[0].rows
    assert rows == [["a"], [], [], [], ["", "", Formula("")]]


def test_errors_are_found_pasted_or_computed():
    data = package(
        sheet_xml('<row r="1"><c r="A1" t="e"><v>#N/A</v></c><c r="B1" t="e"><f>1/0</f><v>#DIV/0!</v></c></row>')
    )
    assert read_workbook(data).sheets[0].rows == [[Fault(), Fault()]]
    pasted = package(sheet_xml('<row r="1"><c r="A1" t="e"><v>#N/A</v></c></row>'))
    assert read_workbook(pasted).sheets[0].rows == [[Fault()]]


@pytest.mark.parametrize(
    "cell",
    [
        '<c r="B1"><f>A1</f><v>7</v></c>',
        '<c r="B1" ><f >A1</f ><v>7</v></c>',
        "<c r='B1'><f>A1</f><v>7</v></c>",
        '<c s="0" r="B1"><f>A1</f><v>7</v></c>',
        '<c r="B1"><f t="shared" si="0"/><v>7</v></c>',
        '<c r="B1"><!-- f --><f>A1</f><v>7</v></c>',
        '<c r="B1">\n<f\n>A1</f><v>7</v></c>',
        '<c r="B1" x=">"><f>A1</f><v>7</v></c>',
    ],
)
def test_a_formula_is_found_however_it_is_written(cell):
    data = package(sheet_xml(f'<row r="1"><c r="A1"><v>1</v></c>{cell}</row>'))
    assert dict(marks(data).formulas) == {0: {1}}


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_a_formula_is_found_in_other_encodings(encoding):
    text = sheet_xml('<row r="1"><c r="A1"><f>1</f></c></row>').decode().replace("UTF-8", encoding.removesuffix("-sig"))
    assert dict(marks(package(text.encode(encoding))).formulas) == {0: {0}}


def test_a_formula_is_found_behind_a_prefix():
    text = (
        f'<?xml version="1.0"?><x:worksheet xmlns:x="{"http://schemas.openxmlformats.org/spreadsheetml/2006/main"}">'
        '<x:sheetData><x:row r="1"><x:c r="A1"><x:f>1</x:f><x:v>1</x:v></x:c></x:row></x:sheetData></x:worksheet>'
    )
    assert dict(marks(package(text.encode())).formulas) == {0: {0}}


def test_a_formula_is_found_in_a_part_with_an_odd_name():
    data = package(sheet_xml('<row r="1"><c r="A1"><f>1</f></c></row>'), part="other/thing{}.xml")
    assert dict(marks(data).formulas) == {0: {0}}


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=40))
def test_a_formula_is_found_across_the_edge_of_two_pieces(shift):
    padding = "x" * (zipcheck.PIECE - 170 - shift)
    inner = f'<row r="1"><c r="A1" t="inlineStr"><is><t>{padding}</t></is></c><c r="B1"><f>A1</f><v>7</v></c></row>'
    assert dict(marks(package(sheet_xml(inner), compression=0)).formulas) == {0: {1}}


WITH_FORMULA = sheet_xml(text_cells("a", "b") + '<row r="2"><c r="A2"><v>1</v></c><c r="B2"><f>A1</f></c></row>')


def glance(*pieces: bytes) -> formulas.Marks:
    """The marks after these pieces were looked at, in an archive whose sheet has a formula at B2."""
    scan = formulas.Scan()
    for piece in filter(None, pieces):
        scan.look("xl/worksheets/sheet1.xml", piece)
    return scan.marks(zipcheck.check(package(WITH_FORMULA)), "xl/worksheets/sheet1.xml")


@settings(deadline=None)
@given(st.integers(0, len(WITH_FORMULA)), st.integers(0, len(WITH_FORMULA)))
def test_the_quick_look_finds_a_formula_wherever_the_pieces_are_cut(first, second):
    first, second = sorted((first, second))
    found = glance(WITH_FORMULA[:first], WITH_FORMULA[first:second], WITH_FORMULA[second:])
    assert dict(found.formulas) == {1: {1}}


def test_a_sheet_that_looks_regular_is_not_walked():
    # What was looked at has no formula, so that only a walk could find the one in the archive.
    assert not glance(WITH_FORMULA.replace(b"<f>A1</f>", b"<v>2</v>")).formulas


def _element(cells: dict[tuple[int, int], str], *, regular: bool) -> str:
    rows = ""
    for row in sorted({row for row, _ in cells}):
        inner = ""
        for (other, column), kind in sorted(cells.items()):
            if other == row:
                place = f"{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[column]}{row + 1}"
                content = {"value": "<v>1</v>", "formula": "<f>A1</f><v>1</v>", "empty": ""}[kind]
                inner += f'<c r="{place}" s="0">{content}</c>' if regular else f"<c s='0' r='{place}' >{content}</c>"
        rows += f'<row r="{row + 1}">{inner}</row>'
    return rows


@settings(deadline=None)
@given(
    st.dictionaries(
        st.tuples(st.integers(0, 60), st.integers(0, 25)), st.sampled_from(["value", "formula", "empty"]), max_size=30
    )
)
def test_the_quick_look_and_the_walk_agree(cells):
    expected: dict[int, set[int]] = {}
    for (row, column), kind in cells.items():
        if kind == "formula":
            expected.setdefault(row, set()).add(column)
    for regular in (True, False):
        found = marks(package(sheet_xml(_element(cells, regular=regular))))
        assert dict(found.formulas) == expected
        assert found.rows >= max((row + 1 for (row, _), kind in cells.items() if kind != "empty"), default=0)
        assert found.columns >= max((column + 1 for (_, column), kind in cells.items() if kind != "empty"), default=0)


def test_very_many_formulas_refuse_the_file():
    rows = "".join(f'<row r="{i}"><c r="A{i}"><f>B{i}</f></c><c r="B{i}"><f>1</f></c></row>' for i in range(1, 60_000))
    with pytest.raises(FileRefused, match="paste it as values"):
        marks(package(sheet_xml(rows)))


@pytest.mark.parametrize(
    "inner",
    [
        "<row r='1'><c r='1A'><v>1</v></c></row>",
        "<row r='1'><c r='A-1'><v>1</v></c></row>",
        "<row r='1'><c r='A0'><v>1</v></c></row>",
        "<row r='1'><c r='A'><v>1</v></c></row>",
        "<row r='1'><c r='ABCD1'><v>1</v></c></row>",
        f"<row r='1'><c r='A{'9' * 5000}'><v>1</v></c></row>",
        "<row><c></row>",
    ],
)
def test_xml_that_makes_no_sense_refuses_the_file(inner):
    with pytest.raises(FileRefused, match="cannot be read"):
        marks(package(sheet_xml(inner)))


@pytest.mark.parametrize(
    "inner",
    [
        "<row><c><v>9</v></c></row><row></row><row><c><v>7</v></c></row>",
        '<row r="2"><c><v>9</v></c></row><row r="4"><c><v>7</v></c></row>',
        "<row r='1'><c r='A1'><v>1</v></c><c><f>A1</f></c></row>",
        '<row r="5"><c r="C5"><v>9</v></c></row><row r="1"><c r="A1"><v>7</v></c></row>',
        '<row r="5"><c r="C5"><v>9</v></c></row><row r="5"><c r="A1"><v>7</v></c></row>',
        "<row r='5'><c r='C5'><v>9</v></c></row><row r='1'><c r='A1'><v>7</v></c></row>",
    ],
)
def test_values_that_the_reader_would_misplace_or_lose_refuse_the_file(inner):
    # Each of these was read with a value missing or in another row.
    with pytest.raises(FileRefused, match="do not say where they stand, or not in order"):
        marks(package(sheet_xml(inner)))


def test_cells_without_a_place_and_without_a_value_do_no_harm():
    assert read_workbook(package(sheet_xml('<row><c/><c r="B1"><v>7</v></c></row>'))).sheets[0].rows == [["", 7.0]]


@pytest.mark.parametrize(
    "opening",
    [
        '<sst uniqueCount="4000000000">',
        "<sst count = '1' uniqueCount = '4000000000'>",
        '<x:sst xmlns:x="y" uniqueCount="4000000000">',
        '<sst uniqueCount="&#52;000000000">',
    ],
)
@pytest.mark.parametrize("name", ["xl/sharedStrings.xml", "xl/SharedStrings.XML"])
def test_more_texts_than_a_workbook_can_use_are_refused_when_announced(opening, name):
    # The reader reserves memory for the number announced and ends the whole process if there is not enough.
    closing = "</x:sst>" if "x:" in opening else "</sst>"
    texts = f'<?xml version="1.0"?>{opening}<si><t>a</t></si>{closing}'.encode()
    with pytest.raises(FileRefused, match="6,000,000 texts"):
        read_workbook(package(sheet_xml('<row r="1"><c r="A1" t="s"><v>0</v></c></row>'), extra={name: texts}))


def test_very_many_merged_cells_refuse_the_file():
    for space in (" ", "\n"):
        merged = "".join(f'<mergeCell{space}ref="A{i}:B{i}"/>' for i in range(1, 100_002))
        xml = sheet_xml(text_cells("a")).replace(b"</sheetData>", f"</sheetData><m>{merged}</m>".encode())
        with pytest.raises(FileRefused, match="Unmerge"):
            marks(package(xml))


def test_very_many_sheets_on_one_part_refuse_the_file():
    listed = "".join(f'<sheet name="S{i}" sheetId="{i}" r:id="rId1"/>' for i in range(2, 300))
    with zipfile.ZipFile(io.BytesIO(package(sheet_xml("")))) as original:
        members = {name: original.read(name) for name in original.namelist()}
    members["xl/workbook.xml"] = members["xl/workbook.xml"].replace(b"</sheets>", f"{listed}</sheets>".encode())
    with zipfile.ZipFile(changed := io.BytesIO(), "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    with pytest.raises(FileRefused, match="200 sheets"):
        read_workbook(changed.getvalue())


def test_a_sheet_without_its_part_refuses_the_file():
    data = package(sheet_xml(""))
    broken = data.replace(b"worksheets/sheet1.xml", b"worksheets/sheet1.xmm")
    with pytest.raises(FileRefused):
        read_workbook(broken)


def test_links_to_other_files_are_told_and_never_followed():
    link = b'<?xml version="1.0"?><externalLink xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"/>'
    rels = (
        b'<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        b'<Relationship Id="rId1" Type="x" Target="file:///etc/passwd" TargetMode="External"/></Relationships>'
    )
    data = package(
        sheet_xml(text_cells("a") + '<row r="2"><c r="A2"><f>[1]Other!A1</f><v>7</v></c></row>'),
        extra={"xl/externalLinks/externalLink1.xml": link, "xl/externalLinks/_rels/externalLink1.xml.rels": rels},
    )
    book = read_workbook(data)
    assert book.sheets[0].rows == [["a"], [Formula(7.0)]]
    assert re.search("linked to other files.*never followed", book.remarks[0])
