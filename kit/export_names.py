"""What names of exports, of their runs and of their columns tell of a burn; and names for what is made of them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from kit.data_file import data_file
from kit.trial.scaffold import no_formula

_WORDS = data_file(__file__, "export_names.toml")
NAMING, NAMES_ANOTHER, OF_MAIN, OF_OTHERS = (
    re.compile(_WORDS[kind], re.IGNORECASE)
    for kind in ("naming", "names_another", "main_probe", "other_probe")
)
"""Headings of columns: of what was burned, of something else of a fire, of the main probe, of another."""
_IDLE, _OF_BAG, _LETTERED, _OF_BURN, _GRAMS = (
    frozenset(_WORDS[kind].split()) for kind in ("idle", "bag", "lettered", "burn", "grams")
)
_HOSTILE = re.compile(r'[\x00-\x1f\x7f<>:"|?*;/\\]+')


@dataclass(frozen=True)
class Guess:
    """What a name seems to tell of a burn; '' where it tells nothing."""

    fuel: str = ""
    bag: str = ""
    burn: str = ""
    grams: str = ""


def guessed(names: Sequence[str]) -> list[Guess]:
    """Return what each of some names seems to tell of a burn.

    Its words are the fuel, 'bag 2' the bag, 'burn 7' the burn, '400g' the charge. Numbers, dates and idle
    words are left out, and words that all names share unless they are all there is.

    Parameters
    ----------
    names
        File names without or with their ending, or what a column of a log calls its runs.
    """
    tokens = [_tokens(name) for name in names]
    words = [_words(each) for each in tokens]
    shared = set(words[0]).intersection(*words[1:]) if len(words) > 1 else set()
    without = [[word for word in each if word not in shared] for each in words]
    told_apart = without if any(without) else words
    return [
        Guess(no_formula("-".join(fuel)), _numbered(each, _OF_BAG), _numbered(each, _OF_BURN), _charge(each))
        for fuel, each in zip(told_apart, tokens, strict=True)
    ]


def listed_fuels(name: str, count: int) -> list[str]:
    """Return the fuels of a file of several burns whose name lists just so many, [] where it does not."""
    parts = [_words(_tokens(part)) for part in re.split(r"[\s_,+&;]+", name.rsplit(".", 1)[0])]
    fuels = [no_formula("-".join(words)) for words in parts if words]
    return fuels if len(fuels) == count else []


def _tokens(name: str) -> list[str]:
    """Return the words and numbers of a name, apart: 'OliveBag2' is olive, bag, 2."""
    stem = re.sub(r"\.[A-Za-z]{1,5}\Z", "", unicodedata.normalize("NFC", name))
    apart = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", stem)
    return re.findall(r"[^\W\d_]+|[0-9]+", apart.casefold())


def _words(tokens: Iterable[str]) -> list[str]:
    return [word for word in tokens if not word.isdigit() and len(word) > 1 and word not in _IDLE]


def _numbered(tokens: Sequence[str], words: frozenset[str]) -> str:
    """Return what follows a word for bag or burn: a number, or the one letter of 'bag A'."""
    for word, after in pairwise(tokens):
        if word in words and (after.isdigit() or (word in _LETTERED and len(after) == 1)):
            return after.upper()
    return ""


def _charge(tokens: Sequence[str]) -> str:
    """Return the grams of a charge; kilograms may be those of the bag."""
    return next(
        (n for n, unit in pairwise(tokens) if unit in _GRAMS and re.fullmatch("[1-9][0-9]{2,3}", n)), ""
    )


def safe_names(names: Iterable[str]) -> list[str]:
    """Return file names that a log cell can hold, each once; semicolons and slashes become dashes."""
    plain = (unicodedata.normalize("NFC", name.encode("utf-8", "replace").decode()) for name in names)
    safe = (no_formula(_HOSTILE.sub("-", name).strip(" .")) or "log" for name in plain)
    parts = (name.rpartition(".") if "." in name else (name, "", "") for name in safe)
    return _each_once((stem, dot + ending) for stem, dot, ending in parts)


def burn_ids(names: Iterable[str]) -> list[str]:
    """Return an id for the burn of each file: its name without the ending, each once."""
    return _each_once((" ".join(name.rsplit(".", 1)[0].split()) or "burn", "") for name in names)


def _each_once(names: Iterable[tuple[str, str]]) -> list[str]:
    """Return stem and ending put together, a number between them where the name is taken, whatever its capitals."""
    taken: dict[str, str] = {}
    for stem, ending in names:
        name, number = stem + ending, 2
        while name.casefold() in taken:
            name, number = f"{stem}-{number}{ending}", number + 1
        taken[name.casefold()] = name
    return list(taken.values())
