"""What the names of exported files and of runs in them say: fuels, bags and burns to be confirmed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

_WORDS = (
    "log logs logger data export exported test trial burn burns run runs bbq grill cook fuel temp "
    "temps temperature temperatures probe channel ch session file new final copy raw bag day rep "
    "repeat no nr number jan feb mar apr may jun jul aug sep oct nov dec january february march april "
    "june july august september october november december am pm csv txt the a of and "
    "mon tue wed thu fri sat sun monday tuesday wednesday thursday friday saturday sunday sack id sample"
)
_IDLE = frozenset(_WORDS.split())
"""Words of a file name that name no fuel."""

_OF_BAG, _OF_BURN = frozenset({"bag", "sack", "b"}), frozenset({"burn", "run", "rep", "repeat", "fire", "r"})
_HOSTILE = re.compile(r'[\x00-\x1f\x7f<>:"|?*;/\\]+')
_FORMULA = "=+-@\t"
"""A cell that begins so is run as a formula by spreadsheets, full-width signs too."""


@dataclass(frozen=True)
class Guess:
    """What a name seems to tell of a burn; '' where it tells nothing."""

    fuel: str = ""
    bag: str = ""
    burn: str = ""


def no_formula(text: str) -> str:
    """Return a text as it may stand in a cell: without signs at its beginning that would make it a formula."""
    plain = text
    while plain and unicodedata.normalize("NFKC", plain[0])[0] in _FORMULA:
        plain = plain[1:].lstrip()
    return plain


def safe_names(names: Sequence[str]) -> list[str]:
    """Return file names that a log cell can hold, each once; semicolons and slashes become dashes."""
    taken: set[str] = set()
    found: list[str] = []
    for name in names:
        plain = name.encode("utf-8", "replace").decode("utf-8")
        plain = _HOSTILE.sub("-", unicodedata.normalize("NFC", plain)).strip(" .")
        plain = no_formula(plain) or "log"
        stem, dot, ending = plain.rpartition(".") if "." in plain else (plain, "", "")
        candidate, number = plain, 2
        while candidate.casefold() in taken:
            candidate, number = f"{stem}-{number}{dot}{ending}", number + 1
        taken.add(candidate.casefold())
        found.append(candidate)
    return found


def burn_ids(names: Sequence[str]) -> list[str]:
    """Return an id for the burn of each file: its name without the ending, each once."""
    taken: set[str] = set()
    ids: list[str] = []
    for name in names:
        stem = " ".join(name.rsplit(".", 1)[0].split()) or "burn"
        candidate, number = stem, 2
        while candidate in taken:
            candidate, number = f"{stem}-{number}", number + 1
        taken.add(candidate)
        ids.append(candidate)
    return ids


def guessed_fuels(names: Sequence[str]) -> list[str]:
    """Return what fuel each file's name seems to tell of, '' where it tells of none.

    Numbers, dates and idle words are left out, and words that all files share unless they are all there is.
    """
    return [guess.fuel for guess in guessed(names)]


def guessed(names: Sequence[str]) -> list[Guess]:
    """Return what each of some names seems to tell: its words are the fuel, 'bag 2' the bag, 'burn 7' the burn.

    Parameters
    ----------
    names
        File names without or with their ending, or what a column of a log calls its runs.
    """
    tokens = [_tokens(name) for name in names]
    words = [_words(each) for each in tokens]
    shared = set(words[0]).intersection(*words[1:]) if len(words) > 1 else set()
    without = [[word for word in each if word not in shared] for each in words]
    kept = without if any(without) else words
    return [
        Guess(no_formula("-".join(fuel)), _numbered(each, _OF_BAG), _numbered(each, _OF_BURN))
        for fuel, each in zip(kept, tokens, strict=True)
    ]


def listed_fuels(name: str, count: int) -> list[str]:
    """Return the fuels of a file of several burns whose name lists just so many, [] where it does not."""
    stem = unicodedata.normalize("NFC", name).rsplit(".", 1)[0]
    parts = [_words(_tokens(part)) for part in re.split(r"[\s_,+&;]+", stem)]
    fuels = [no_formula("-".join(words)) for words in parts if words]
    return fuels if len(fuels) == count else []


def _tokens(name: str) -> list[str]:
    """Return the words and numbers of a name, apart: 'OliveBag2' is olive, bag, 2."""
    stem = re.sub(r"\.[A-Za-z]{1,5}\Z", "", unicodedata.normalize("NFC", name))
    stem = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", stem).casefold()
    return re.findall(r"[^\W\d_]+|[0-9]+", stem)


def _words(tokens: Iterable[str]) -> list[str]:
    return [word for word in tokens if not word.isdigit() and len(word) > 1 and word not in _IDLE]


def _numbered(tokens: Sequence[str], words: frozenset[str]) -> str:
    """Return what follows a word for bag or burn: a number, or the one letter of 'bag A'."""
    lettered = words & {"bag", "sack"}
    found = (
        after for word, after in pairwise(tokens)
        if (word in words and after.isdigit()) or (word in lettered and len(after) == 1)
    )  # fmt: skip
    return next(found, "").upper()
