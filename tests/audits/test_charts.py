"""Charts: the drawing says what the numbers say, in lines, in words and in a table, and brings no style of its own."""

import datetime
import re
import subprocess
import sys
from xml.etree import ElementTree

import pytest

from audits.charts import drift_chart, drift_table, learning_curve, learning_table

FIRST, LAST = datetime.date(2026, 2, 1), datetime.date(2026, 10, 2)
PATH = (0.0, 0.56, 1.12, 0.91, 2.4, 4.2, 3.9)
OUTCOMES = [True, False, True, True, True, True, False, True] * 5
SVG = "{http://www.w3.org/2000/svg}"


def drawings() -> list[str]:
    return [
        drift_chart(PATH, 4.0, crossed=6, first=FIRST, last=LAST, false_alarm_every=1281),
        drift_chart((), 4.0, crossed=None),
        drift_chart((0.5,), 4.0, crossed=None, first=FIRST, last=FIRST),
        learning_curve(OUTCOMES),
        learning_curve([True, False]),
        learning_curve([]),
    ]


def text_of(svg: str, tag: str) -> list[str]:
    return ["".join(each.itertext()) for each in ElementTree.fromstring(svg).iter(f"{SVG}{tag}")]


@pytest.mark.std("B-15")
@pytest.mark.parametrize("svg", drawings())
def test_a_drawing_has_no_style_no_script_and_asks_for_nothing(svg: str) -> None:
    assert not re.search(r"style|<script|on\w+=|https?://(?!www\.w3\.org/2000/svg)|<!|<\?", svg)
    ElementTree.fromstring(svg)


@pytest.mark.parametrize("svg", drawings())
def test_every_colour_has_the_name_that_the_page_gives_it(svg: str) -> None:
    colours = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg))
    assert colours <= {"none", *(each for each in colours if re.fullmatch(r"var\(--[a-z]+, #[0-9a-f]{6}\)", each))}


@pytest.mark.std("C-11")
def test_a_drift_chart_says_how_far_the_path_is_and_where_it_crossed() -> None:
    crossed, empty, short, *_ = drawings()
    assert text_of(crossed, "title") == ["Drift of first attempts"]
    assert text_of(crossed, "desc") == [
        "7 insertions; now at 3.90 of a limit of 4. It crossed its limit at the 6th insertion."
    ]
    assert text_of(crossed, "text") == [
        "1st, 1 Feb 2026",
        "7th, 2 Oct 2026",
        "limit: one false alarm in about 1,281 insertions",
    ]
    assert text_of(empty, "desc") == ["0 insertions; now at 0.00 of a limit of 4. It has not crossed its limit."]
    assert text_of(short, "desc") == ["1 insertion; now at 0.50 of a limit of 4. It has not crossed its limit."]


@pytest.mark.std("C-11")
def test_a_learning_curve_says_the_rate_so_far_with_its_interval() -> None:
    *_, many, few, none = drawings()
    assert text_of(many, "desc") == ["After 40 insertions: 30 of 40: 75%, and with 95% confidence between 60 and 86%."]
    assert text_of(few, "desc") == [
        "After 2 insertions: 1 of 2: too few for a rate. Under 20 insertions it says little."
    ]
    assert text_of(none, "desc") == ["After 0 insertions: no insertions."]
    assert text_of(many, "text")[-3:] == ["0%", "50%", "100%"]


def test_the_path_is_drawn_from_nought_through_every_value() -> None:
    svg = drift_chart(PATH, 4.0, crossed=None)
    longest = max(re.findall(r' d="([^"]+)"', svg), key=len)
    heights = [float(height) for _, height in re.findall(r"[ML] ([\d.]+) ([\d.]+)", longest)]
    assert len(heights) == len(PATH) + 1
    floor = heights[0]
    climb = [floor - height for height in heights]
    scale = climb[-1] / PATH[-1]
    assert climb == pytest.approx([0.0, *(value * scale for value in PATH)], abs=1e-4)


def test_failures_are_ticked_at_the_foot_of_a_learning_curve() -> None:
    failures = len(re.findall(r"<use ", learning_curve([True] * 20 + [False] * 7))) - len(
        re.findall(r"<use ", learning_curve([True] * 27))
    )
    assert failures == 7


def test_two_charts_of_one_page_share_no_id() -> None:
    found = [set(re.findall(r' id="([^"]+)"', svg)) for svg in drawings()]
    assert all(found)
    assert len(set().union(*found)) == sum(map(len, found))
    for svg, ids in zip(drawings(), found, strict=True):
        assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', svg)) <= ids
        assert set(re.search(r'aria-labelledby="([^"]+)"', svg)[1].split()) <= ids  # type: ignore[index]


def test_equal_data_give_equal_bytes_in_another_process_too() -> None:
    command = "from audits.charts import drift_chart; print(drift_chart([0.1, 4.5], 4.0, crossed=2), end='')"
    there = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True, cwd=".")
    assert there.stdout == drift_chart([0.1, 4.5], 4.0, crossed=2)
    assert drift_chart([0.1, 4.4], 4.0, crossed=2) != there.stdout


def test_a_page_without_a_chart_does_not_wait_for_the_drawing_library() -> None:
    command = "import sys, audits.charts; print('matplotlib' in sys.modules)"
    there = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True, cwd=".")
    assert there.stdout == "False\n"


@pytest.mark.parametrize(("limit", "crossed"), [(0, None), (-1, None), (4, 0), (4, 8)])
def test_a_limit_or_a_crossing_that_cannot_be_is_refused(limit: float, crossed: int | None) -> None:
    with pytest.raises(ValueError, match=str(limit if limit <= 0 else crossed)):
        drift_chart(PATH, limit, crossed=crossed)


@pytest.mark.std("C-11")
def test_the_tables_hold_the_numbers_of_the_drawings() -> None:
    drift = drift_table(PATH[:2], [FIRST, LAST], [True, False])
    assert drift.rows == (("1", "1 Feb 2026", "yes", "0.00"), ("2", "2 Oct 2026", "no", "0.56"))
    # The limits of 8/10 are those of R's epitools (.490, .943), those of 4/5 statsmodels' (.376, .964).
    assert learning_table([False, True] + [True] * 7 + [False]).rows == (
        ("5", "4", "80%", "38 to 96%"),
        ("10", "8", "80%", "49 to 94%"),
    )
    assert learning_table([True] * 3).rows == (("3", "3", "too few", ""),)
    assert learning_table([]).rows == ()
    with pytest.raises(ValueError, match="shorter"):
        drift_table(PATH, [FIRST], [True])
