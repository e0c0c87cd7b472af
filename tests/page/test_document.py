from html.parser import HTMLParser

from kit.page.document import (
    CAUTIONS,
    EDITION,
    cautions_html,
    cautions_markdown,
    cautions_short,
    document,
    headings_of,
)
from kit.page.text import Html, element, join

BODY = join(
    element("section", element("h2", name, id=name), element("h3", "sub", id=f"{name}-1")) for name in "abc"
)


class Tags(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


def tags(text, name):
    return [attrs for tag, attrs in Tags(text).found if tag == name]


def test_a_page_is_whole_and_loads_nothing():
    page = document("A <trial>", BODY)
    assert page.startswith('<!doctype html>\n<html lang="en">')
    assert "<title>A &lt;trial&gt;</title>" in page
    policy = next(each["content"] for each in tags(page, "meta") if each.get("http-equiv"))
    assert "default-src 'none'" in policy and "script-src" not in policy
    assert not tags(page, "script") and not tags(page, "link") and not tags(page, "img")


def test_a_page_has_one_h1_its_landmarks_and_a_way_past_the_contents():
    page = document("H", BODY, strip="s", footer="f")
    assert page.count("<h1>") == 1 and "<h1>H</h1>" in page
    for name in ("header", "main", "nav", "footer"):
        assert len(tags(page, name)) == 1
    assert tags(page, "main")[0]["id"] == "main"
    assert 'href="#main"' in page


def test_the_contents_are_the_headings_of_the_page():
    page = document("T", BODY)
    links = [each["href"] for each in tags(page, "a")[1:]]
    assert links == ["#a", "#a-1", "#b", "#b-1", "#c", "#c-1"]
    assert not tags(document("T", Html('<h2 id="x">x</h2>')), "nav")
    assert not tags(document("T", BODY, contents=False), "nav")


def test_headings_are_read_with_their_marks_taken_off():
    found = headings_of('<h2 id="x">a <em>b</em>\n c &amp; d</h2><h5>no</h5>')
    assert [(each.level, each.id, each.text) for each in found] == [(2, "x", "a b c & d")]


def test_cautions_are_all_there_with_their_edition():
    for text in (cautions_html(), cautions_markdown()):
        assert EDITION in text
        for each in CAUTIONS:
            assert each.about in text
    assert len(CAUTIONS) == 10
    assert 6 <= len(cautions_short()) <= 10
    assert "carbon monoxide" in cautions_short()[0].lower()


def test_cautions_name_what_must_not_be_missing():
    text = cautions_markdown().lower()
    words = (
        "garage",
        "tent",
        "emergency",
        "3 m",
        "1 m",
        "petrol",
        "kerosene",
        "starter fluid",
        "steam",
        "days",
        "20 minutes",
    )
    for word in (
        *words,
        "dust mask",
        "coded charge",
        "not a safety certificate",
        "compliance test",
        "heat up by itself",
    ):
        assert word in " ".join(text.split()), word
