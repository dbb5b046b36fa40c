"""The coded words: each code once, and no word of a sheet that could mean two of them."""

import pytest

from audits import vocabulary as words
from audits.figures import EVENTS
from audits.models import Attempt, Band, Technique
from sheets.choices import Choice, key, tokens

LISTS = {
    "sites": words.SITES,
    "sides": words.SIDES,
    "techniques": words.TECHNIQUES,
    "results": words.ATTEMPT_RESULTS,
    "reasons": words.REASONS,
    "events": words.EVENTS,
    "bands": words.BANDS,
    "help": words.HELP,
    "scored": words.SCORED,
}


@pytest.mark.parametrize("terms", LISTS.values(), ids=LISTS)
def test_no_word_of_a_sheet_means_two_codes(terms):
    choice = Choice(words.spoken(terms))
    for term in terms.values():
        for said in words.spoken(terms)[term.code]:
            assert choice.look_up(_key(said)) == (term.code,)


def test_gauges_are_read_by_number_and_by_colour():
    choice = Choice(words.spoken_gauges())
    assert [choice.look_up(_key(said)) for said in ("20G", "20 g", "g20", "pink", "18 gauge")] == [
        (20,), (20,), (20,), (20,), (18,),
    ]  # fmt: skip
    assert choice.look_up(_key("19G")) is None


def test_hub_colours_are_those_of_the_standard():
    # ISO 10555-5:2013, 4.3.1 and annex B, from memory; to be checked against the standard itself.
    assert {gauge: each.colour for gauge, each in words.GAUGES.items()} == {
        14: "orange", 16: "grey", 17: "white", 18: "green", 20: "pink", 22: "blue", 24: "yellow", 26: "violet",
    }  # fmt: skip
    assert words.GAUGES[20].words == "20 G, pink"


@pytest.mark.parametrize(
    ("terms", "column"),
    [
        (words.SITES, "site"),
        (words.SIDES, "side"),
        (words.TECHNIQUES, "technique"),
        (words.ATTEMPT_RESULTS, "result"),
        (words.REASONS, "reason"),
    ],
)
def test_every_code_fits_its_column(terms, column):
    assert max(map(len, terms)) <= Attempt._meta.get_field(column).max_length


def test_bands_events_and_guided_techniques_are_those_of_the_records():
    assert set(words.BANDS) == set(Band.values)
    assert tuple(words.EVENTS) == EVENTS
    assert (set(words.TECHNIQUES) & set(Technique.values)).issuperset(words.GUIDED)
    assert set(words.REASONS_FOR_NO_ATTEMPT) | set(words.REASONS_FOR_ATTEMPT) == set(words.REASONS)


def test_the_difficult_part_of_a_scale_lies_within_it():
    for scale in words.SCALES.values():
        assert 0 < scale.difficult_from <= scale.highest
        assert scale.source


def _key(said):
    return key(tokens(said))
