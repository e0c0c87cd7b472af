import html
import re
import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from kit.page.text import (
    Html,
    anchor,
    element,
    escape,
    escape_markdown,
    isolate,
    join,
    spreadsheet_safe,
    visible,
)

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    '=HYPERLINK("http://x","y")',
    "\u202egnp.exe",
    "a\x00b",
    "\ud800",
    "👩‍🚒🔥",
    "فحم",
    "x" * 5000,
    "&lt;b&gt;",
    "{{ 7*7 }} {% raw %} $x$ `id`",
)


@given(st.text(alphabet=st.characters()))
@example("\ud800")
def test_escaped_text_holds_no_markup_and_reads_back_as_what_is_visible(text):
    escaped = escape(text)
    assert not set(escaped) & set("<>\"'")
    assert html.unescape(escaped) == visible(text)
    escaped.encode("utf-8")


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_hides_in_visible_text(text):
    shown = visible(text)
    assert not [sign for sign in shown if unicodedata.category(sign) in ("Cc", "Cs")]
    assert "\u202e" not in shown and "\x00" not in shown


def test_controls_show_as_pictures_and_overrides_by_their_code():
    assert visible("a\x00b") == "a␀b"
    assert visible("\u202eabc") == "‹U+202E›abc"
    assert visible("👩‍🚒") == "👩‍🚒"


def test_markup_of_the_kit_is_kept_and_text_is_not_taken_for_it():
    assert element("p", "a<b", element("b", "c")) == "<p>a&lt;b<b>c</b></p>"
    assert escape(escape("<")) == "&lt;"
    assert join(["<", Html("<br>")], ", ") == "&lt;, <br>"
    # a string glued together is text again: the failure is a visible one
    assert element("p", Html("<b>") + "x") == "<p>&lt;b&gt;x</p>"


@pytest.mark.parametrize(
    "make",
    [
        lambda: element("script", "x"),
        lambda: element("p", "x", onclick="y"),
        lambda: element("a", "x", href="javascript:alert(1)"),
        lambda: element("a", "x", href="java\tscript:alert(1)"),  # a browser leaves out the tab
        lambda: element("a", "x", href=" JaVaScRiPt:alert(1)"),
        lambda: element("img", src="data:text/html,x"),
        lambda: element("p onclick", "x"),
        lambda: element("iframe"),
    ],
)
def test_live_elements_are_refused(make):
    with pytest.raises(ValueError, match=r"of pages|for a page"):
        make()


def test_attributes_are_escaped_and_left_out_where_there_are_none():
    assert element("p", class_='a"b', hidden=True, id=None) == '<p class="a&quot;b" hidden></p>'
    assert element("col", span=2) == '<col span="2">'
    assert isolate("فحم") == "<bdi>فحم</bdi>"


@given(st.text(alphabet=st.characters(), max_size=40), st.text(alphabet=st.characters(), max_size=40))
def test_anchors_are_ids_and_differ_where_texts_differ(one, other):
    first, second = anchor(one), anchor(other)
    assert first[0].isascii() and first[0].isalpha()
    assert all(sign.isascii() and (sign.isalnum() or sign == "-") for sign in first)
    if one.encode("utf-8", "replace") != other.encode("utf-8", "replace"):
        assert first != second


def test_an_anchor_of_plain_words_is_those_words():
    assert anchor("odd burns") == "odd-burns"


@given(st.text(alphabet=st.characters(), max_size=60))
def test_markdown_shows_escaped_text_as_it_is(text):
    import re

    import mistune

    rendered = mistune.create_markdown(escape=False)("word " + escape_markdown(text))
    plain = html.unescape(re.sub(r"</?p>\n?", "", rendered)).strip()
    assert plain == " ".join(("word " + visible(text)).split())


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "|x"]
)
def test_no_cell_is_a_formula(text):
    assert spreadsheet_safe(text)[0] not in "=+-@\t\r\n|% "


@pytest.mark.parametrize("text", ["-12.5", "+3", "1e-9", "alder", "", "'tis"])
def test_numbers_and_words_stay_as_they_are_in_a_cell(text):
    assert spreadsheet_safe(text) == text


ALIKE = (
    "alder", "Alder", "ALDER", "alder ", " alder", "al der", "al-der", "al_der", "al.der", "al  der", "älder",
    "alder\u0301",
    "فحم", "فحم‌", "木炭", "竹炭", "🔥", "🔥🔥", "", " ", "-", "x", "a" * 48, "a" * 49, "a" * 50, "ﬁg", "fig", "Ⅳ", "iv",
    "İ", "ı",
    "i", "\ud800", "\ud801", "1", "x 1", "1a", "a\0", "a", "ß", "ss", "2 alder",
)  # fmt: skip


def test_names_that_look_alike_have_ids_of_their_own_on_any_disk():
    held = {
        name: anchor(name) for name in (*ALIKE, *(anchor(each) for each in ALIKE if anchor(each) != each))
    }
    assert len({each.casefold() for each in held.values()}) == len(held)
    assert all(re.fullmatch(r"[a-z][a-z0-9-]*", each) and len(each) <= 60 for each in held.values())
