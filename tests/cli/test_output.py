"""What is printed can be read: by programs as JSON, by terminals without being obeyed."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.cli.output import Output, document_text, one_line, plain

SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text()
DOCUMENTS = st.dictionaries(
    st.text(),
    st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=12),
)


def refuse(word):
    raise AssertionError(word)


@given(DOCUMENTS)
def test_every_document_is_json_without_nan_or_infinity(document):
    json.loads(document_text(document), parse_constant=refuse)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_keep_every_digit(number):
    assert json.loads(document_text({"value": number}))["value"] == number


def test_numbers_of_arrays_are_plain_numbers():
    written = json.loads(document_text({"volts": np.float64(2.5), "count": np.int64(3), "open": np.inf}))
    assert written == {"volts": 2.5, "count": 3, "open": None}
    assert plain(math.nan) is None


@given(st.text())
def test_a_complaint_is_one_line_that_no_terminal_obeys(text):
    said = one_line(text)
    assert "\n" not in said
    assert said.isprintable()


@pytest.mark.parametrize("quiet", [True, False])
def test_cautions_go_beside_a_document_unless_quiet_is_asked(quiet, capsys):
    output = Output(as_json=True, words="british", quiet=quiet)
    output.cautions(["Plug out."])
    output.document({"a": 1})
    said = capsys.readouterr()
    assert json.loads(said.out) == {"a": 1}
    assert ("Plug out." in said.err) is not quiet


def test_progress_is_not_written_into_a_pipe():
    assert Output(as_json=False, words="british", quiet=False).progress("weighing") is None
