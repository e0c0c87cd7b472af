"""Fifteen words, a line each."""

from __future__ import annotations

from typing import Final

from kit.page.text import Html, element

TERMS: Final = (
    ("bag", "one sack as bought; burns from one bag say little about the next bag"),
    ("burn", "one charge lit, logged and let burn down: the unit that is counted"),
    ("kind", "a group of fuels: lump, briquette and so on"),
    ("control fuel", "the fuel that every other is held against, burned in every block"),
    ("time zero", "the moment from which a burn's time is counted: lit, tipped in, or lid on"),
    ("plateau", "the stretch in which the cooker holds its heat"),
    (
        "mean",
        "of durations, masses and costs the geometric mean, whose differences are ratios; of temperatures "
        "the plain one",
    ),
    ("interval", "a range made by a method that holds the true value in 95 of 100 such trials"),
    ("band", "an interval for a whole curve at once"),
    ("margin", "the smallest difference that matters to a cook, declared before the first burn"),
    ("verdict", "what an interval says about a difference, read off against zero and the margin"),
    ("settled", "the interval answers the question; not settled: more bags or burns are needed"),
    ("spread", "a standard deviation: the typical distance of a burn, bag or day from the average"),
    ("repeatability", "the spread of burns of one bag in one cooker by one person"),
    ("flag", "a mark on a reading that may be wrong; the reading is kept"),
)


def glossary() -> Html:
    """Return the fifteen lines as a list of terms."""
    lines = [
        part
        for term, words in TERMS
        for part in (element("dt", element("strong", term)), element("dd", words))
    ]
    return element("dl", *lines)


def glossary_markdown() -> str:
    """Return the fifteen lines as Markdown."""
    return "\n".join(f"- **{term}**: {words}" for term, words in TERMS) + "\n"
