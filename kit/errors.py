"""Problems for people: what is wrong, where, what was found, what was expected and what to do."""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from difflib import get_close_matches
from itertools import takewhile
from pathlib import Path
from typing import Final, Literal

from kit.data_file import data_file

_SHOWN = 6
Kind = Literal["ask", "refuse"]
_DISK: Final = data_file(__file__, "disk_faults.toml")
"""What a disk refuses: found, expected, remedy."""


@dataclass(frozen=True)
class Problem:
    """One fault of an input, worded for the person who can mend it.

    Attributes
    ----------
    kind
        'ask' where a declaration answers it, 'refuse' where the input itself must change.
    where
        The place: file, then row, column or key ("burns.csv, row 7, column charge_g").
    found, expected, remedy
        What stands there, what could stand there, and what to do.
    """

    kind: Kind
    where: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.where}: found {self.found}; expected {self.expected}. {self.remedy}"

    def as_record(self) -> dict[str, str]:
        """Return the fields as a plain dictionary, for JSON."""
        return asdict(self)


class KitError(Exception):
    """Every fault of the user's, all of them at once.

    Attributes
    ----------
    problems
        The faults in the order they were found; never empty.

    Examples
    --------
    >>> try:
    ...     open_run("nowhere")
    ... except KitError as error:
    ...     error.problems[0].kind
    'refuse'
    """

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        found = (problems,) if isinstance(problems, Problem) else tuple(problems)
        if not found:
            raise ValueError("a KitError needs at least one problem")
        self.problems: tuple[Problem, ...] = found
        super().__init__("\n".join(map(str, found)))

    @classmethod
    def refuse(cls, where: str, found: str, expected: str, remedy: str) -> KitError:
        """Return the error of one fault of the input."""
        return cls(Problem("refuse", where, found, expected, remedy))

    @classmethod
    def ask(cls, where: str, found: str, expected: str, remedy: str) -> KitError:
        """Return the error of one fact that is missing and that a declaration can supply."""
        return cls(Problem("ask", where, found, expected, remedy))

    def _render_traceback_(self) -> list[str]:
        """Return what a notebook shows in place of the kit's own frames."""
        return f"{type(self).__name__}:{''.join(numbered(self.problems))}".split("\n")

    def __reduce__(self) -> tuple[type[KitError], tuple[tuple[Problem, ...]]]:
        return (type(self), (self.problems,))


def refusals(table: Mapping[str, Sequence[str]]) -> Callable[..., KitError]:
    """Return the function that gives the error of one fault by its name in a table, its {parts} filled in.

    Parameters
    ----------
    table
        Where, found, expected and remedy, by name.

    Examples
    --------
    >>> refused = refusals({"no value": ["column {name}", "no value", "numbers", "Measure it."]})
    >>> str(refused("no value", name="peak"))
    'column peak: found no value; expected numbers. Measure it.'
    """

    def refused(what: str, /, **parts: object) -> KitError:
        return KitError.refuse(*(words.format(**parts) for words in table[what]))

    return refused


def numbered(problems: Iterable[Problem]) -> list[str]:
    """Return problems as a person reads them, numbered."""
    return [
        f"\n{number}. {each.where}\n   found:    {each.found}\n   expected: {each.expected}\n   do:       {each.remedy}"
        for number, each in enumerate(problems, start=1)
    ]


def grouped(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return problems with those that are alike but for the file, row or number as one, which names all places.

    Examples
    --------
    >>> twice = [Problem("ask", f"logs/{n}.csv", f"'0{n}/06'", "day or month first", "Add day_first.") for n in (1, 2)]
    >>> [each.where for each in grouped(twice)]
    ['logs/1.csv and logs/2.csv']
    >>> rows = (f"burns.csv, row {n}, column day" for n in (2, 5, 9))
    >>> grouped(Problem("refuse", row, "'May'", "a date", "Write one.") for row in rows)[0].where
    'burns.csv, row 2, 5 and 9, column day'
    """
    alike: dict[tuple[str, ...], list[Problem]] = {}
    for each in problems:
        found = re.sub(r"'[^']*'", "…", each.found)
        bare = (re.sub(r"(logs/|burns? )[^,:]+", r"\1…", text) for text in (each.where, found, each.expected))
        shape = (re.sub(r"[0-9]+", "0", text) for text in bare)
        alike.setdefault((each.kind, *shape, each.remedy), []).append(each)
    return tuple(map(_merged, alike.values()))


def _merged(alike: list[Problem]) -> Problem:
    first, *others = alike
    if not others:
        return first
    places = list(dict.fromkeys(each.where for each in alike))
    words = [place.split(" ") for place in (places if len(places) > 1 else [*places, "there again"])]
    ahead = _shared(words)
    behind = _shared([each[len(ahead) :][::-1] for each in words])[::-1]
    rest = [" ".join(each[len(ahead) : len(each) - len(behind)]).rstrip(",") for each in words]
    last = f"{len(rest) - _SHOWN} more" if len(rest) > _SHOWN else rest.pop()
    named = " ".join([*ahead, f"{', '.join(rest[:_SHOWN])} and {last}"])
    founds = ", ".join(dict.fromkeys(each.found for each in alike))
    where = f"{named}, {' '.join(behind)}" if behind else named
    return replace(first, where=where, found=founds if len(founds) < 80 else first.found)


def _shared(words: Sequence[Sequence[str]]) -> list[str]:
    """Return the words with which all begin, their last one left out."""
    places = zip(*(each[:-1] for each in words), strict=False)
    return [place[0] for place in takewhile(lambda place: len({*place}) == 1, places)]


class Faults(list[Problem]):
    """Gathers problems while reading goes on, so that a person sees all of them in one go.

    Attributes
    ----------
    notes
        What a person should know and that is no fault, a sentence each.
    lost
        Tables of trial.toml that lost keys to faults: what is missing in them may still have been written.
    """

    def __init__(self) -> None:
        super().__init__()
        self.notes: list[str] = []
        self.lost: frozenset[str] = frozenset()

    def refuse(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Note a fault of the input."""
        self.append(Problem("refuse", where, found, expected, remedy))

    def ask(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Note a fact that is missing and that a declaration can supply."""
        self.append(Problem("ask", where, found, expected, remedy))

    def note(self, words: str) -> None:
        """Note what is no fault."""
        self.notes.append(words)

    def take(self, error: KitError) -> None:
        """Keep the problems of an error that was caught."""
        self.extend(error.problems)

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Keep the problems of what is raised within, and go on behind it."""
        try:
            yield
        except KitError as error:
            self.take(error)

    def settle(self) -> None:
        """Raise all that was gathered, if anything was.

        Raises
        ------
        KitError
            With every problem noted so far.
        """
        if self:
            raise KitError(self)


@contextmanager
def disk_faults(place: Path | None = None) -> Iterator[None]:
    """Turn what the disk refuses into a problem for the person at the keyboard.

    Parameters
    ----------
    place
        Where; by default the file the system names.

    Raises
    ------
    KitError
        In place of an OSError that tells of a full, read-only or protected disk, or of a name it cannot hold.
    """
    try:
        yield
    except OSError as error:
        if (name := errno.errorcode.get(error.errno or 0)) not in _DISK:
            raise
        raise KitError.refuse(str(place or error.filename or "a file"), *_DISK[name]) from error


@contextmanager
def opening(name: str, expected: str, remedy: str) -> Iterator[None]:
    """Turn what the system says of a file that cannot be read into a problem.

    Raises
    ------
    KitError
        In place of an OSError.
    """
    try:
        yield
    except OSError as error:
        found = f"a file that cannot be opened ({error.strerror or type(error).__name__})"
        raise KitError.refuse(name, found, expected, remedy) from None


def refuse_way_out(folder: Path) -> None:
    """Check that a folder to write into is no link that leaves the one it stands in.

    Raises
    ------
    KitError
        Where it is: a run folder from somebody else must not say what is written elsewhere.
    """
    if folder.is_symlink() and not folder.resolve().is_relative_to(folder.parent.resolve()):
        found, expected = "a link that leaves its folder", "a folder of its own"
        raise KitError.refuse(str(folder), found, expected, "Take the link away.")


def nearest(word: str, known: Iterable[str]) -> str:
    """Return 'Did you mean …?' for the nearest known word, '' where none is near."""
    near = get_close_matches(word, sorted(known), n=1, cutoff=0.6)
    return f"Did you mean '{near[0]}'?" if near else ""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return 'Did you mean …?' for the nearest known word, or the list of known words."""
    choices = sorted(known)
    listed = (word if word[:1].isalnum() else f"'{word}'" for word in choices)
    return nearest(word, choices) or f"Known: {', '.join(listed)}."
