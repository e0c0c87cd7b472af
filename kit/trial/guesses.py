"""What the names of exported files say of the burns in them: ids to keep, fuels to be confirmed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

_WORDS = (
    "log logs logger data export exported test trial burn burns run runs bbq grill cook fuel temp "
    "temps temperature temperatures probe channel ch session file new final copy raw bag day rep "
    "repeat no nr number jan feb mar apr may jun jul aug sep oct nov dec january february march april "
    "june july august september october november december am pm csv txt the a of and"
)
_IDLE = frozenset(_WORDS.split())
"""Words of a file name that name no fuel."""

_HOSTILE = re.compile(r'[\x00-\x1f\x7f<>:"|?*;/\\]+')


def safe_names(names: Sequence[str]) -> list[str]:
    """Return file names that a log cell can hold, each once; semicolons and slashes become dashes."""
    taken: set[str] = set()
    found: list[str] = []
    for name in names:
        plain = name.encode("utf-8", "replace").decode("utf-8")
        plain = _HOSTILE.sub("-", unicodedata.normalize("NFC", plain)).strip(" .") or "log"
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
    told = [_words(name) for name in names]
    shared = set(told[0]).intersection(*told[1:]) if len(told) > 1 else set()
    without = [[word for word in words if word not in shared] for words in told]
    kept = without if any(without) else told
    return ["-".join(words) for words in kept]


def _words(name: str) -> list[str]:
    stem = unicodedata.normalize("NFC", name).rsplit(".", 1)[0]
    stem = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", stem).casefold()
    return [word for word in re.findall(r"[^\W\d_]+", stem) if len(word) > 1 and word not in _IDLE]
