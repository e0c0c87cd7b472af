from html.parser import HTMLParser

import pandas as pd
import pytest

from kit.page.html_tables import Col, table
from kit.page.shown_numbers import Units
from kit.page.text import Html


class Cells(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.rows = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_data(self, data):
        if self.rows and self.rows[-1]:
            self.rows[-1][-1] += data


FRAME = pd.DataFrame(
    {
        "fuel": ["<b>alder</b>", "olive", "shell"],
        "mean": [251.26, 9.5, float("nan")],
        "kind": ["lump", "lump", "briquette"],
        "note": ["", None, "wind"],
    }
)
COLUMNS = [Col("fuel", "Fuel"), Col("mean", "Peak", "°C", "number", 1), Col("note", "Note")]


def test_a_table_has_caption_scopes_and_a_name_for_its_scrolling_box():
    cells = Cells(table(FRAME, "Peak by fuel", COLUMNS, note="95 % interval; n burns"))
    assert [attrs["scope"] for tag, attrs in cells.tags if tag == "th"] == ["col"] * 3 + ["row"] * 3
    box = cells.tags[0][1]
    assert box["role"] == "region" and box["aria-label"] == "Peak by fuel" and box["tabindex"] == "0"
    assert "<caption><span>Peak by fuel</span><br> <span" in table(FRAME, "Peak by fuel", COLUMNS, note="n")


def test_units_stand_in_headings_once_a_system():
    headings = Cells(table(FRAME, "x", COLUMNS, units=Units("both"))).rows[0]
    assert headings == ["Fuel", "Peak °C", "Peak °F", "Note"]
    assert Cells(table(FRAME, "x", COLUMNS, units=Units("us"))).rows[0] == ["Fuel", "Peak °F", "Note"]


def test_decimals_align_and_blanks_read_as_a_dash():
    rows = Cells(table(FRAME, "x", COLUMNS)).rows
    assert [row[1] for row in rows[1:]] == ["251.3", "9.5", "–"]
    assert [row[2] for row in rows[1:]] == ["–", "–", "wind"]


def test_whole_numbers_among_strings_of_decimals_are_padded_to_the_point():
    frame = pd.DataFrame({"a": ["x", "y"], "b": ["1.25", "30"]})
    rows = Cells(table(frame, "x", [Col("a"), Col("b", kind="number")])).rows
    assert rows[2][1] == "30\u2008\u2007\u2007"


def test_a_padded_number_is_not_broken_where_no_style_sheet_of_the_kit_is():
    frame = pd.DataFrame({"a": ["x", "y"], "b": ["1.25", "30"]})
    made = table(frame, "x", [Col("a"), Col("b", kind="number")])
    assert '<td class="number" style="white-space:nowrap">30' in made


def test_text_is_escaped_and_markup_of_the_kit_is_not():
    assert "&lt;b&gt;alder&lt;/b&gt;" in table(FRAME, "x", COLUMNS)
    frame = pd.DataFrame({"a": pd.Series([Html("<em>x</em>")], dtype=object)})
    assert "<em>x</em>" in table(frame, Html("<b>c</b>"), [Col("a")])
    assert "&lt;i&gt;" in table(FRAME.rename(columns={"note": "<i>"}), "x", [Col("fuel"), Col("<i>")])


def test_groups_are_headed_bodies():
    text = table(FRAME, "x", COLUMNS, group="kind")
    assert text.count("<tbody>") == 2
    assert '<th scope="rowgroup" colspan="3"><bdi>lump</bdi></th>' in text


def test_differences_turn_without_32():
    frame = pd.DataFrame({"a": ["x"], "d": [10.0]})
    columns = [Col("a"), Col("d", "d", "°C", "number", 0, difference=True)]
    assert Cells(table(frame, "x", columns, units=Units("us"))).rows[1] == ["x", "18"]


def test_an_empty_frame_is_a_table_of_headings():
    assert Cells(table(FRAME.iloc[:0], "x", COLUMNS)).rows == [["Fuel", "Peak °C", "Note"]]


def test_an_unknown_column_is_an_error():
    with pytest.raises(KeyError, match="absent"):
        table(FRAME, "x", [Col("absent")])
