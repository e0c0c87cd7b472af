"""What may be said on film: a sentence of at most 25 words, a caption of at most eight."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kit.page.numbers import Units
from kit.publish.facts import UNDECIDED
from kit.publish.phrases import phrase_of
from kit.publish.wording import Told, counted, threshold

MOST_SAID: Final = 25
MOST_CAPTION: Final = 8

NOT_TO_SAY: Final = ("always", "in your cooker")


def words_in(text: str) -> int:
    """Return how many words a text has; a number and its unit count as two."""
    return len(text.replace("\u00a0", " ").replace("\u202f", "").split())


def saying_of(
    clause: str, names: tuple[str, str], interval: str, burns: tuple[int, int], bags: tuple[int, int]
) -> str:
    """Return a sentence to say of at most 25 words: where, what, interval, burns and bags.

    The longest form that fits is taken; names are cut to their first words only where nothing else is left.
    """
    n = _n_said(burns, bags)
    told = f": {interval}" if interval else ""
    start = clause[:1].upper() + clause[1:]
    forms = [
        f"In this cooker, {clause}{told}, {n}.",
        f"{start}{told}, {n}.",
        f"{start}{told}, {_n_said(burns, (0, 0))}.",
        f"{start}{told}.",
    ]
    for length in (99, 3, 2, 1):
        for form in forms:
            short = _with_short_names(form, names, length)
            if words_in(short) <= MOST_SAID:
                return short
    return " ".join(forms[-1].split()[: MOST_SAID - 1]) + " …"


def _n_said(burns: tuple[int, int], bags: tuple[int, int]) -> str:
    if burns[0] == burns[1] and bags[0] == bags[1]:
        of_bags = f", {counted(bags[0], 'bag')}" if bags[0] else ""
        return f"{counted(burns[0], 'burn')} each{of_bags}"
    return f"{counted(burns[0], 'burn')} against {burns[1]}"


def _with_short_names(text: str, names: Sequence[str], length: int) -> str:
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, first_words(name, length))
    return text


def first_words(name: str, length: int) -> str:
    """Return a name's first words, and an ellipsis where some were left out."""
    parts = name.split()
    return name if len(parts) <= length else " ".join(parts[:length]) + "…"


def caption_of(verdict: str, names: tuple[str, str], told: Told) -> str:
    """Return a caption of at most eight words for a picture of this comparison."""
    at = threshold(told.spec, Units("us" if told.units.show == "us" else "metric"))
    for length in (3, 2, 1):
        a, b = (first_words(name, length) for name in names)
        for text in _captions(verdict, a, b, told):
            filled = text.replace("{at}", at)
            if words_in(filled) <= MOST_CAPTION:
                return filled
    return " ".join(filled.split()[:MOST_CAPTION])


def _captions(verdict: str, a: str, b: str, told: Told) -> tuple[str, ...]:
    if verdict in UNDECIDED:
        return (f"{a} or {b}: not settled",)
    if verdict == "the same within the margin":
        return (f"{a} and {b}: no difference that matters", f"{a}, {b}: equal within the margin")
    phrase = phrase_of(told.spec)
    short = phrase.short if told.above else phrase.short_less
    return (f"{a}: {short} than {b}", f"{a}: {short}")
