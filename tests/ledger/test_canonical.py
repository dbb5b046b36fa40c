"""Canonical text, against RFC 8785 (Rundgren, Jordan, Erdtman: JSON Canonicalization Scheme, 2020) and its package."""

import hashlib
import json
from datetime import date

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ledger.canonical import LARGEST, canonical, digest

TEXT = st.text(alphabet=st.characters(exclude_categories=["Cs"]))
KEYS = st.text(alphabet=st.characters(max_codepoint=127))
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-LARGEST, LARGEST) | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=20,
)


@pytest.mark.std("A-17")
@given(VALUES)
def test_every_value_has_the_text_that_rfc_8785_gives_it(value):
    assert canonical(value).encode() == rfc8785.dumps(value)


@given(VALUES)
def test_the_text_reads_back_as_the_value_and_is_its_own_canonical_text(value):
    again = json.loads(canonical(value))
    assert again == value
    assert canonical(again) == canonical(value)


def test_the_literals_and_strings_of_the_rfcs_own_example_come_out_as_printed_there():
    # RFC 8785, section 3.2.2 (input) and 3.2.3 (output), without "numbers", which holds fractions.
    value = {"string": '\u20ac$\u000f\nA\'B"\\\\"/', "literals": [None, True, False]}
    assert canonical(value) == '{"literals":[null,true,false],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'


@pytest.mark.parametrize(
    ("value", "path"),
    [
        ({"rows": [1, {"rate": 0.5}]}, "$.rows[1].rate"),
        ({"on": date(2026, 1, 1)}, "$.on"),
        ([2**53], "$[0]"),
        ([-(2**53)], "$[0]"),
        ({"größe": 1}, "$"),
        ({1: "x"}, "$"),
        ({"name": "half \ud83d"}, "$.name"),
        ({"codes": {1, 2}}, "$.codes"),
        ({"raw": b"x"}, "$.raw"),
    ],
)
def test_what_has_no_canonical_text_is_refused_with_its_path(value, path):
    with pytest.raises(ValueError) as caught:
        canonical(value)
    assert str(caught.value).startswith(f"{path}: ")


def test_a_digest_is_sha_256_of_the_utf_8_bytes():
    # NIST, SHA-256 example for the message "abc" (FIPS 180-2, appendix B.1).
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest("€") == hashlib.sha256(b"\xe2\x82\xac").hexdigest()
