import json
import math
from dataclasses import dataclass
from datetime import date
from enum import Enum
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.publish.plain import as_csv, canonical, columns, plain_value, records


class Kind(Enum):
    LUMP = "lump"


@dataclass(frozen=True)
class Pair:
    a: float
    b: tuple[int, ...]


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (float("nan"), None), (math.inf, None), (-0.0, 0.0), (np.float64(1.5), 1.5), (np.int64(3), 3), (True, True),
        (np.array([1.0, np.nan]), [1.0, None]), (pd.NA, None), (pd.NaT, None), (date(2026, 5, 14), "2026-05-14"),
        ({"b", "a"}, ["a", "b"]), (Pair(1.0, (2,)), {"a": 1.0, "b": [2]}), ({1: Kind.LUMP}, {"1": "lump"}),
    ],
)  # fmt: skip
def test_what_results_hold_is_plain(value, plain):
    found = plain_value(value)
    assert found == plain and type(found) is type(plain)


def test_paths_and_objects_have_no_place_in_results():
    with pytest.raises(TypeError, match="where somebody's disk keeps things"):
        plain_value(Path("/x"))
    with pytest.raises(TypeError, match="cannot hold a object"):
        plain_value(object())


@given(
    st.dictionaries(
        st.text(max_size=8), st.floats() | st.text(alphabet=st.characters()) | st.none() | st.integers()
    )
)
def test_what_is_written_reads_back_and_is_the_same_each_time(data):
    whole = plain_value({"rows": [data, data], "one": data})
    text = canonical(whole)
    text.encode("utf-8")
    assert json.loads(text) == whole
    assert canonical(json.loads(text)) == text


def test_a_line_a_row():
    lines = canonical({"a": 1, "rows": [{"x": 1.5}, {"x": None}], "c": {"k": [1]}}).splitlines()
    assert lines == [
        "{",
        '"a": 1,',
        '"rows": [',
        '{"x": 1.5},',
        '{"x": null}',
        "],",
        '"c": {',
        '"k": [1]',
        "}",
        "}",
    ]


def test_counts_stay_whole_where_one_is_missing():
    frame = pd.DataFrame({"n": [3.0, np.nan], "value": [3.0, 4.0], "at_boundary": [True, False]})
    assert records(frame) == [
        {"n": 3, "value": 3.0, "at_boundary": True},
        {"n": None, "value": 4.0, "at_boundary": False},
    ]
    assert columns(frame)["n"] == [3, None]
    assert as_csv(frame) == "n,value,at_boundary\n3,3.0,yes\n,4.0,no\n"


def test_numbers_keep_every_digit_and_texts_are_no_formulas():
    frame = pd.DataFrame({"fuel": ["=1+1", 'a"b,c'], "value": [0.1 + 0.2, -1.5e-300]})
    assert as_csv(frame) == 'fuel,value\n\'=1+1,0.30000000000000004\n"a""b,c",-1.5e-300\n'


def test_an_empty_table_keeps_its_headings():
    frame = pd.DataFrame({"fuel": pd.Series(dtype=object)})
    assert as_csv(frame) == "fuel\n" and records(frame) == []
