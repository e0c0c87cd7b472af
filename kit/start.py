"""A new run folder from what a tester has: exports read, fires found, sheet and trial file drafted, the rest asked."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fnmatch import fnmatch
from glob import escape
from itertools import groupby, pairwise, takewhile
from pathlib import Path
from string import ascii_uppercase
from typing import Any

import numpy as np
import pandas as pd

from kit.check import problems_of
from kit.data_file import data_file
from kit.errors import Faults, KitError, Problem, grouped, numbered, opening
from kit.page.document import cautions_short
from kit.readings import Fire, Log, find_fires, read_log
from kit.trial.decode import SPREADSHEET, fault, filled_sheets
from kit.trial.models import Logger
from kit.trial.scaffold import new_demo, new_folder, new_place, no_formula, trial_text

Value = str | float | bool

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


TOLD = ("fuel", "bag", "charge_g", "day", "lit", "stopped", "log")
"""What is said of a burn, in order."""
TOLD_ANYHOW = {"id", "files", "columns"}
"""Keys of [[logger]] that every draft has."""
INFERRED = frozenset({"step_s", "split_by"})
"""Keys of [[logger]] that a file settles by itself, though it does not say them."""
SAYS_NOTHING = frozenset({"temp", "temperature", "temperatur"})
"""Words of a heading that tell no probe from another."""
MOVED_K, COLD_K, BEFORE_S = 40.0, 10.0, 1800.0
"""A probe that moved by so much saw a fire; a cooker so little above where it began is cold again."""
SIBLINGS, MOST_OTHERS = 3, 6
DAY_FIRST, FARTHER = "day_first", 3
"""Dates are taken in the order that brings the files together, if the other one spreads them so many times as far."""
MOST_LINES, NEARLY_ALL = 0.5, 0.9
"""Share of a fire's lines beside which its name stands, in a column so headed; in any other column."""


@dataclass(frozen=True)
class Started:
    """A new run folder and what is left to do.

    Attributes
    ----------
    folder
        Where it stands.
    rows
        The burn sheet as drafted, cells by heading; a guess ends with '?'.
    questions
        All that `check` would ask or refuse now.
    """

    folder: Path
    rows: Sequence[Mapping[str, str]] = ()
    questions: tuple[Problem, ...] = ()

    @property
    def words(self) -> str:
        """What was made and what to do next, for people."""
        drafted = f": {len(self.rows)} burn{'s' * (len(self.rows) > 1)}" if self.rows else ""
        lines = [f"Made {self.folder}{drafted}.", *map(_line, self.rows)]
        if self.questions:
            lines += [
                "",
                "To do in trial.toml and burns.csv, all at once:",
                *numbered(grouped(self.questions)),
            ]
        verb = ("check" if self.rows else "plan") if self.questions else "report"
        return "\n".join([*lines, "", *cautions_short(), "", f"Next: repeatburn {verb} {self.folder}"])


def _line(row: Mapping[str, str]) -> str:
    told = zip(("", "bag ", "charge_g ", "", "lit ", "stopped ", ""), map(row.get, TOLD), strict=True)
    return f"burn {row['burn']}: {', '.join(f'{word}{cell}' for word, cell in told if cell)}"


@dataclass(frozen=True)
class _Export:
    """One export: what was read of it, with the keys that it took; the questions it leaves open, the answers tried."""

    path: Path
    name: str
    log: Log | None
    keys: Mapping[str, Value] = field(default_factory=dict)
    asked: tuple[Problem, ...] = ()
    tried: Mapping[str, Value] = field(default_factory=dict)
    is_day_guessed: bool = False

    @property
    def look(self) -> tuple[object, ...]:
        """What the files of one logger have in common."""
        if self.log is None:
            return (self.name,)
        dialect = self.log.dialect
        return (*self.log.probes, dialect.delimiter, dialect.time, *sorted(self.keys.items()))

    @property
    def offers(self) -> list[tuple[str, list[Value]]]:
        """The keys that its questions name, each with the answers they offer."""
        return [offer for problem in self.asked for offer in _offered(problem).items()]

    def read(self, answers: Mapping[str, Value]) -> Log:
        """Read it again with answers.

        Raises
        ------
        KitError
            Where it cannot be read so.
        """
        return read_log(self.path, {**self.tried, **self.keys, **answers}, name=self.name)

    def answered(self, answers: Mapping[str, Value]) -> _Export:
        """Return the export as read with answers, which its questions are rid of."""
        still = tuple(problem for problem in self.asked if not _offered(problem).keys() <= answers.keys())
        log = self.read(answers) if self.asked and self.log is not None else self.log
        return replace(self, log=log, keys={**self.keys, **answers}, asked=still)

    @property
    def first_day(self) -> list[int]:
        """The first day of its log, counted from 1970, in a list; [] without a dated clock."""
        if self.log is None or not self.log.has_clock or not self.log.dialect.dated:
            return []
        return [int(self.log.table["clock"].iloc[0].timestamp() // 86_400)]


@dataclass(frozen=True)
class Guess:
    """What a name seems to tell of a burn; '' where it tells nothing."""

    fuel: str = ""
    bag: str = ""
    burn: str = ""
    grams: str = ""


@dataclass(frozen=True)
class _Burn:
    """One fire of an export, or an export in which none was found."""

    export: _Export
    fire: Fire | None
    stopped: str = ""
    label: str = ""
    guess: Guess = field(default_factory=Guess)


def start_run(folder: str | Path, sources: Iterable[str | Path] = (), demo: bool = False) -> Started:
    """Make a new run folder.

    Parameters
    ----------
    folder
        Where; it must not hold anything yet.
    sources
        Loggers' exports, copied byte for byte into logs/; each fire in them becomes a row of the burn sheet.
    demo
        Copy the demo trial instead, without its reports.

    Raises
    ------
    KitError
        Where the folder holds something, or a source cannot be read; then nothing is made.

    Examples
    --------
    >>> start_run("spring", ["day one.csv", "day two.csv"]).questions  # doctest: +SKIP
    """
    files = [Path(source) for source in sources]
    if demo and files:
        raise KitError.refuse("start", "--demo with files", "one of the two", "Leave one out.")
    if demo:
        return Started(new_demo(folder))
    new_place(folder)
    _judge_sources(files)
    names = safe_names([path.name for path in files])
    loggers = _by_logger([_read(path, name) for path, name in zip(files, names, strict=True)])
    main, drafts = _drafted(loggers, names)
    burns = [
        burn
        for group, draft in zip(loggers, drafts, strict=True)
        for burn in _burns(group, draft.columns.get(main, "").removesuffix("?"))
    ]
    rows = _rows(burns)
    fuels = list(dict.fromkeys(cell for row in rows if (cell := row["fuel"].strip("?"))))
    charges = {row["charge_g"].strip("?") for row in rows}
    told = [draft for draft in drafts if draft.columns or draft.model_fields_set > TOLD_ANYHOW]
    text = trial_text(fuels, main, told, charges.pop() if len(charges) == 1 else "")
    made = new_folder(folder, text, rows, dict(zip(names, files, strict=True)))
    return Started(made, rows, problems_of(made))


def _judge_sources(files: Sequence[Path]) -> None:
    """Check that exports are files, can be read, and are given once each."""
    faults = Faults()
    first: dict[str, Path] = {}
    for path in files:
        if not path.is_file():
            faults.refuse(str(path), *fault("export a folder" if path.is_dir() else "no export"))
            continue
        with (
            faults.gathering(),
            opening(str(path), "a file that can be read", "Look at its permissions."),
            path.open("rb") as stream,
        ):
            twin = first.setdefault(hashlib.file_digest(stream, "sha256").hexdigest(), path)
            if twin is not path:
                faults.refuse(str(path), *fault("same export", twin=twin))
    faults.settle()


def _read(path: Path, name: str) -> _Export:
    """Read an export with what it settles by itself; of several sheets the only one that reads as a log."""
    with path.open("rb") as stream, suppress(KitError):  # what is no workbook is refused when it is read
        titles = [*filled_sheets(path, name)] if stream.read(4).startswith(SPREADSHEET) else []
        each = [_settled(_Export(path, name, None, {"sheet": title})) for title in titles if len(titles) > 1]
        logs = [export for export in each if export.log is not None]
        if len(logs) == 1:
            return logs[0]
    return _settled(_Export(path, name, None))


def _settled(export: _Export) -> _Export:
    """Read an export with what it settles by itself; where it leaves a question open, on the first of the answers."""
    while True:
        try:
            return replace(export, log=export.read({}))
        except KitError as error:
            offered = {problem: _offered(problem) for problem in error.problems}
            known = {**export.keys, **export.tried}
            new = {k: few[0] for each in offered.values() for k, few in each.items() if k not in known}
            if not new:
                return _Export(export.path, export.name, None, export.keys, error.problems)
            export = replace(
                export,
                keys={**export.keys, **{key: new[key] for key in new if key in INFERRED}},
                tried={**export.tried, **{key: new[key] for key in new if key not in INFERRED}},
                asked=(*export.asked, *(each for each, few in offered.items() if not few.keys() <= INFERRED)),
            )


def _offered(problem: Problem) -> dict[str, list[Value]]:
    """Return the keys of [[logger]] that a question names, each with the answers it offers."""
    if problem.kind != "ask" or "time_column" in problem.remedy:
        return {}
    found: dict[str, list[Value]] = {}
    remedy = re.sub(r"\{[^}]*\}", "", problem.remedy)
    for key, text in re.findall(r'([a-z_]+) = ("[^"]*"|true|false|[0-9.]+)', remedy):
        found.setdefault(key, []).append(text.strip('"') if text[0] == '"' else json.loads(text))
    return found


def _by_logger(exports: Sequence[_Export]) -> list[list[_Export]]:
    groups: dict[tuple[object, ...], list[_Export]] = {}
    for export in exports:
        groups.setdefault(export.look, []).append(export)
    settled = [_settled_by_siblings(group) for group in groups.values()]
    sure = [day for group in settled for export in group if not export.asked for day in export.first_day]
    return [_nearest_in_time(group, sure) for group in settled]


def _settled_by_siblings(group: list[_Export]) -> list[_Export]:
    """Return a logger's files with what some leave open answered by those that leave nothing open."""
    sure = [export for export in group if not export.asked and export.log is not None]
    answers: dict[str, Value] = {}
    for key, offered in (offer for export in group for offer in export.offers):
        fitting = [value for value in offered if all(_fits(key, value, each) for each in sure[:SIBLINGS])]
        if sure and len(fitting) == 1:
            answers[key] = fitting[0]
    return [each.answered(answers) for each in group] if answers else group


def _fits(key: str, value: Value, export: _Export) -> bool:
    """Return whether a file that needs no answer is read with one as it is without."""
    with suppress(KitError):
        return export.log is not None and bool(export.read({key: value}).table.equals(export.log.table))
    return False


def _nearest_in_time(group: list[_Export], sure: Sequence[int]) -> list[_Export]:
    """Return files whose dates can be read in two ways as the one way has them that brings them together."""
    if not any(key == DAY_FIRST for export in group for key, _ in export.offers):
        return group
    read: list[tuple[int, list[_Export]]] = []
    for value in (True, False):
        with suppress(KitError):  # dates of one of the files cannot be written so
            answered = [export.answered({DAY_FIRST: value}) for export in group]
            days = [*sure, *(day for export in answered for day in export.first_day)]
            read.append((max(days, default=0) - min(days, default=0), answered))
    if len(read) < 2:
        return read[0][1] if read else group
    (near_days, near), (far_days, _) = sorted(read, key=lambda each: each[0])
    if far_days < FARTHER * near_days + 7:
        return group
    return [replace(export, is_day_guessed=True) for export in near]


def _drafted(loggers: Sequence[Sequence[_Export]], names: Sequence[str]) -> tuple[str, list[Logger]]:
    """Return the main probe's id and a [[logger]] table for each group of files, in their order."""
    mains = [_main_heading(group) for group in loggers]
    word = next((match[0].casefold() for heading, _ in mains if (match := OF_MAIN.search(heading))), "")
    plain = {_folded(heading): _plain(heading) for heading, _ in mains if heading}
    main = word or (plain.popitem()[1] if len(plain) == 1 else "main")
    drafts, probes = [], {_folded(main): main}
    for place, (group, (heading, sure)) in enumerate(zip(loggers, mains, strict=True)):
        log = group[0].log
        others = [each for each in (log.probes if log else ()) if each != heading]
        columns = {main: heading if sure else f"{heading}?"} if heading else {}
        for each in filter(_plain, others[:MOST_OTHERS]):
            name = _plain(each)
            probe = probes.setdefault(_folded(each), name)
            # of two that are headed so in one file each is a probe of its own
            columns.setdefault(name if probe in columns else probe, each)
        files = _patterns([export.name for export in group], names) if len(loggers) > 1 else ()
        letter = ascii_uppercase[place] if place < 26 else str(place + 1)
        table: dict[str, Any] = {"id": letter, "files": files, "columns": columns, **group[0].keys}
        if "sheet" in table:
            table["sheet"] = f"{table['sheet']}?"
        drafts.append(Logger.model_construct(**table))  # as found: what cannot be is for `check` to say
    return main, drafts


def _main_heading(group: Sequence[_Export]) -> tuple[str, bool]:
    """Return the heading of the main probe, and whether it can be no other."""
    tables = [export.log.table[[*export.log.probes]] for export in group if export.log is not None]
    moved = [table.quantile([0.02, 0.98]).diff().iloc[1].fillna(0.0) for table in tables]
    reach: dict[str, float] = pd.concat(moved, axis=1).median(axis=1).to_dict() if moved else {}
    hot = {name: each for name, each in reach.items() if each >= MOVED_K} or reach
    fitting = {name: each for name, each in hot.items() if not OF_OTHERS.search(name)} or hot
    named = [name for name in fitting if OF_MAIN.search(name)]
    best = named[0] if named else max(fitting, key=lambda name: fitting[name], default="")
    return best, len(fitting) <= 1 or len(named) == 1


def _plain(heading: str) -> str:
    """Return a heading as the id of a probe: without its unit and the signs that mean something in metric ids."""
    bare = re.sub(r"[(\[][^)\]]*[)\]]|°\s*[CF]\b", " ", heading)
    return " ".join(re.sub("[@:;,+]", " ", bare).split())


def _folded(heading: str) -> str:
    """Return what headings of one probe have in common, however loggers write case, unit, spacing and 'temp'."""
    words = re.split(r"[\s_.-]+", _plain(heading).casefold())
    return "".join(word for word in words if word not in SAYS_NOTHING)


def _common_head(names: Sequence[str]) -> str:
    alike = takewhile(lambda letters: len({*letters}) == 1, zip(*names, strict=False))
    return "".join(letter for letter, *_ in alike)


def _patterns(own: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    """Return one pattern that only a logger's own files fit, else their names."""
    endings = {Path(name).suffix for name in own}
    ending = endings.pop() if len(endings) == 1 else ""
    pattern = f"{escape(_common_head(own).removesuffix(ending))}*{escape(ending)}"
    fits = [name for name in names if fnmatch(name, pattern)]
    return (pattern,) if len(own) > 1 and sorted(fits) == sorted(own) else tuple(map(escape, own))


def _burns(group: Sequence[_Export], heading: str) -> list[_Burn]:
    """Return the fires of a logger's files with what names and columns tell of them."""
    burns = [burn for export in group for burn in _fires(export, heading)]
    column = _naming_column([burn for burn in burns if burn.fire and not burn.label])
    labels = [burn.label or _word_beside(burn, column)[0] for burn in burns]
    by_label = dict(zip(labels, guessed(labels), strict=True)) if any(labels) else {}
    names = [export.name for export in group]
    by_name = dict(zip(names, guessed(names), strict=True))
    head = len(re.split("[0-9]", _common_head(names))[0]) if len(names) > 1 else 0
    found = []
    for name, of_file in groupby(zip(burns, labels, strict=True), lambda pair: pair[0].export.name):
        labelled = [*of_file]
        listed = listed_fuels(name[head:], len(labelled)) or listed_fuels(name, len(labelled))
        for place, (burn, label) in enumerate(labelled):
            guess = by_label[label] if label else by_name[name]
            if not label and len(labelled) > 1 and (listed or not (guess.bag or guess.burn)):
                guess = Guess(fuel=listed[place] if listed else "", grams=guess.grams)
            found.append(replace(burn, guess=guess))
    return found


def _fires(export: _Export, heading: str) -> list[_Burn]:
    log = export.log
    fires = find_fires(log, heading) if log is not None and heading in log.probes else []
    if log is None or not fires or (len(fires) > 1 and not log.has_clock):
        return [_Burn(export, None)]
    last, is_split = {fire.group: fire for fire in fires}, "split_by" in export.keys
    return [
        _Burn(export, fire, _stop(log, fire, fire is last[fire.group]), fire.group if is_split else "")
        for fire in fires
    ]


def _stop(log: Log, fire: Fire, is_last: bool) -> str:
    """Return the clock time at which the cooker is cold again; '' where the log ends before, and is the stop."""
    table = log.group(fire.group) if fire.group else log.table
    seconds, celsius = table["elapsed_s"].to_numpy(), table[fire.probe].to_numpy()
    before = (seconds <= fire.begin_s) & (seconds >= fire.begin_s - BEFORE_S)
    began = float(np.nanmin(celsius[before], initial=np.inf))
    cold = np.flatnonzero((seconds >= fire.cold_s) & (seconds <= fire.end_s) & (celsius <= began + COLD_K))
    if not len(cold) and is_last:
        return ""
    row = int(cold[0]) if len(cold) else int(np.searchsorted(seconds, fire.end_s, side="right")) - 1
    return str(table["clock"].iloc[row].floor("s")) if log.has_clock else ""


def _naming_column(burns: Sequence[_Burn]) -> str:
    """Return the heading of the column that says what was burned, '' where none does.

    Its heading says so, or its few words look like it: at least two of them, and one all along each fire.
    """
    by_looks = ""
    for column in dict.fromkeys(name for burn in burns if burn.export.log for name in burn.export.log.texts):
        words, shares = zip(*(_word_beside(burn, column) for burn in burns), strict=True)
        if not re.search(r"[^\W\d_]{3}", " ".join(words)):
            continue
        if NAMING.search(column):
            return column
        if len({*words}) > 1 and min(shares) >= NEARLY_ALL and not NAMES_ANOTHER.search(column):
            by_looks = by_looks or column
    return by_looks


def _word_beside(burn: _Burn, column: str) -> tuple[str, float]:
    """Return the word of a column that stands beside most lines of a fire, and its share of them; '' for none."""
    log, fire = burn.export.log, burn.fire
    if log is None or fire is None or column not in log.texts:
        return "", 0.0
    inside = log.table["elapsed_s"].between(fire.begin_s, fire.cold_s).to_numpy()
    if log.groups is not None:
        inside &= log.groups == fire.group
    texts = log.texts[column]
    counts = np.bincount(texts.codes[inside])
    share = float(counts.max() / counts.sum())
    return (texts.words[int(counts.argmax())], share) if share >= MOST_LINES else ("", share)


def _rows(burns: Sequence[_Burn]) -> list[dict[str, str]]:
    """Return the burn sheet's cells, in the order of the fires where every one has its clock time."""
    if all(burn.fire and burn.fire.day for burn in burns):
        burns = sorted(burns, key=lambda burn: burn.fire.lit if burn.fire else "")
    files = [burn.export.name for burn in burns]
    numbers = [burn.guess.burn for burn in burns]
    if len(set(files)) < len(files):
        ids = [f"{place:02d}" for place in range(1, len(burns) + 1)]
    else:
        ids = numbers if all(numbers) and len(set(numbers)) == len(numbers) else burn_ids(files)
    return [_row(burn, burn_id) for burn, burn_id in zip(burns, ids, strict=True)]


def _row(burn: _Burn, burn_id: str) -> dict[str, str]:
    fire, guess = burn.fire, burn.guess
    row = {"burn": burn_id, "fuel": f"{guess.fuel}?", "log": burn.export.name}
    row["bag"] = f"{guess.bag}?" if guess.bag else ""
    row["charge_g"] = f"{guess.grams}?" if guess.grams else ""
    if fire is None or not fire.lit:
        return row
    unsure = any(key == DAY_FIRST for key, _ in burn.export.offers)
    stopped = burn.stopped[11:] if burn.stopped[:10] == fire.day or not fire.day else burn.stopped
    row["day"] = "" if unsure else f"{fire.day}?" if burn.export.is_day_guessed else fire.day
    row["lit"] = f"{fire.lit[-8:]}?"
    row["stopped"] = f"{stopped}?" if stopped else ""
    return row


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
