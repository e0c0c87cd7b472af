"""The line of every key, against texts whose lines are known."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from kit.trial.toml_reader import key_lines, line_of

TEXT = '''\
# a remark with [brackets] and "quotes
title = "a # that is no remark"

[trial]          # here
question = """
two lines [not] = a table
"""
other.deep = 1
[margins]
"time_above:110" = "10 %"
'single' = 1
[[fuel]]
id = "a"
lab = { moisture = [3,
] }
[[fuel]]
id = "b"
list = [
  "x", # one
  "]",
]
[fuel.more]
key = 2
'''


def test_every_kind_of_key_has_its_line():
    lines = key_lines(TEXT)
    assert lines == {
        ("title",): 2,
        ("trial",): 4,
        ("trial", "question"): 5,
        ("trial", "other"): 8,
        ("trial", "other", "deep"): 8,
        ("margins",): 9,
        ("margins", "time_above:110"): 10,
        ("margins", "single"): 11,
        ("fuel", 0): 12,
        ("fuel", 0, "id"): 13,
        ("fuel", 0, "lab"): 14,
        ("fuel", 0, "lab", "moisture"): 14,
        ("fuel", 1): 16,
        ("fuel", 1, "id"): 17,
        ("fuel", 1, "list"): 18,
        ("fuel", 1, "more"): 22,
        ("fuel", 1, "more", "key"): 23,
    }


def test_a_path_without_a_line_has_the_one_of_what_holds_it():
    lines = key_lines(TEXT)
    assert line_of(lines, ("fuel", 1, "list", 1)) == 18
    assert line_of(lines, ("nothing",)) is None


_values = st.one_of(
    st.integers(-9, 9),
    st.booleans(),
    st.text("ab#[]{}=\"'\\ \n.", max_size=8),
    st.lists(st.integers(), max_size=3),
)
_keys = st.text("abc:. #\"'", min_size=1, max_size=5)


@given(st.dictionaries(_keys, st.one_of(_values, st.dictionaries(_keys, _values, max_size=3)), max_size=5))
def test_every_key_that_a_writer_writes_is_found_where_it_stands(tables):
    import tomli_w

    text = tomli_w.dumps(tables)
    lines = key_lines(text)
    for key, value in tomllib.loads(text).items():
        paths = [(key,)] + ([(key, inner) for inner in value] if isinstance(value, dict) else [])
        for path in paths:
            if '"' not in path[-1] and "\\" not in path[-1] and '"' not in path[0]:
                line = text.split("\n")[lines[path] - 1]
                assert path[-1] in line
