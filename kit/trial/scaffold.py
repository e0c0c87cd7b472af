"""A new run folder: what names of exports say, trial file and burn sheet drafted from them; or a copy of the demo."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import shutil
import textwrap
import unicodedata
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from itertools import pairwise
from pathlib import Path

from kit.errors import Faults, KitError, Problem, did_you_mean
from kit.page.cautions import cautions_short
from kit.schema import BURNS
from kit.trial.decode import toml_text
from kit.trial.logs import LOGS

_KIT = Path(__file__).parents[1]
_DEMO = "hill-school"


def demo_folder() -> Path:
    """Return the demo run folder that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    return _first(_KIT / "packaged" / _DEMO, _KIT.parent / "runs" / _DEMO, what="the demo run folder")


def templates_folder() -> Path:
    """Return the folder of the notebook templates that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    return _first(_KIT / "packaged" / "templates", _KIT.parent / "templates", what="the templates")


def template(name: str) -> Path:
    """Return the notebook of a template by its name, as 'standard'.

    Raises
    ------
    KitError
        Where there is no such template.
    """
    folder = templates_folder()
    known = {path.stem: path for path in folder.glob("*.ipynb")}
    if name not in known:
        found = f"'{name}'"
        raise KitError.refuse("template", found, "a template of the kit", did_you_mean(name, known))
    return known[name]


def _first(*places: Path, what: str) -> Path:
    for place in places:
        if place.is_dir():
            return place
    words = ("refuse", "this installation", f"no {what.removeprefix('the ')}", f"{what} of the kit")
    raise KitError(Problem(words[0], *words[1:], "Install repeatburn again."))  # type: ignore[arg-type]


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


WIDTH = 110

_HEAD = """\
# What is tested and how. `repeatburn keys` explains every key that may stand here, `repeatburn keys WORD` one of them.
# Temperatures are in °C unless they carry a unit, as "230 °F".
{cautions}

[trial]
title = ""                   # what the report is called
question = ""                # what you want to know, in one sentence
interests = ""               # who paid and who gave the fuel: readers will ask
time_zero = "lit"            # when the clock of a burn starts: "lit", "tipped" or "lid on"
{probe}
[metrics]
thresholds = [110, 180, 260]
primary = ["peak", "time_above:110"]

# The smallest difference that matters to a cook. Written down before the first burn: afterwards it proves little.
[margins]
# peak = "15 °C"
# "time_above:110" = "10 %"

# `id` is the word in the burn sheet's column fuel. More: name, brand, kind, price, bag_kg (`repeatburn keys fuel`).
"""


@dataclass(frozen=True)
class DraftLogger:
    """What is known of one logger's files when a trial file is drafted.

    Attributes
    ----------
    id, files
        A name, and the files or patterns of files that are its own.
    columns
        Heading in its files by probe.
    keys
        Further keys of its [[logger]] table.
    """

    id: str
    files: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    keys: Mapping[str, str | float | bool] = field(default_factory=dict)


def trial_text(fuels: Sequence[str] = (), probe: str = "", loggers: Sequence[DraftLogger] = ()) -> str:
    """Return the text of a trial file: a table a fuel and a logger, and little else.

    Parameters
    ----------
    fuels
        Ids of the fuels; without any, the file shows how one is declared.
    probe
        Id of the main probe; '' where it is not known.
    loggers
        What was found of the files.
    """
    lines = [f"[[fuel]]\nid = {toml_text(fuel)}\n" for fuel in fuels]
    lines = lines or ['# [[fuel]]\n# id = "my-fuel"\n']
    if loggers:
        lines.append("\n# Which heading of a logger's files is which probe, and what its files do not say.\n")
        lines += map(_logger, loggers)
    main = (
        f"probe = {toml_text(probe)}".ljust(29) + "# the main probe, which metrics are of\n" if probe else ""
    )
    return _HEAD.format(cautions=_cautions(), probe=main) + "".join(lines)


def _cautions() -> str:
    return textwrap.fill(" ".join(cautions_short()), WIDTH, initial_indent="# ", subsequent_indent="# ")


def _logger(logger: DraftLogger) -> str:
    lines = ["[[logger]]", f"id = {toml_text(logger.id)}"]
    if logger.files:
        lines.append(f"files = [{', '.join(map(toml_text, logger.files))}]")
    if logger.columns:
        pairs = ", ".join(f"{_bare(probe)} = {toml_text(name)}" for probe, name in logger.columns.items())
        lines.append(f"columns = {{ {pairs} }}")
    lines += [f"{key} = {_value(value)}" for key, value in logger.keys.items()]
    return "\n".join(lines) + "\n"


def _bare(key: str) -> str:
    return key if re.fullmatch("[A-Za-z0-9_-]+", key) else toml_text(key)


def _value(value: str | float | bool) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else toml_text(value)


MADE_BY_THE_KIT = ("reports", "rehearsal-*", ".failed")


@dataclass(frozen=True)
class Draft:
    """What a new run folder is to hold.

    Attributes
    ----------
    trial
        Text of trial.toml.
    rows
        Cells of the burn sheet by heading, a row a burn.
    logs
        Exports by the name they get in logs/.
    """

    trial: str
    rows: Sequence[Mapping[str, str]] = ()
    logs: Mapping[str, Path] = field(default_factory=dict)


def new_demo(folder: str | Path) -> Path:
    """Copy the demo trial, without its reports, to a new folder and return its path.

    Raises
    ------
    KitError
        Where the folder holds something; then nothing is made.
    """
    origin = demo_folder()
    return _made_whole(new_place(folder), lambda place: _copy_demo(origin, place))


def new_folder(folder: str | Path, draft: Draft) -> Path:
    """Make a run folder of a draft, its logs copied byte for byte, and return its path.

    Raises
    ------
    KitError
        Where the folder holds something, or cannot be written; then nothing is made.
    """
    return _made_whole(new_place(folder), lambda place: _fill(place, draft))


def new_place(folder: str | Path) -> Path:
    """Return the absolute path of a folder to be made.

    Raises
    ------
    KitError
        Where it holds something.
    """
    target = Path(folder).absolute()
    _refuse_what_is_there(target)
    return target


def _refuse_what_is_there(target: Path) -> None:
    remedy = "Name a folder that is new or empty; nothing was touched."
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise KitError.refuse(str(target), "a file of that name", "a new folder", remedy)
    inside = sorted(path.name for path in target.iterdir()) if target.is_dir() else []
    if inside:
        shown = ", ".join(inside[:4]) + (f" and {len(inside) - 4} more" if len(inside) > 4 else "")
        expected = "a folder that is new or empty"
        raise KitError.refuse(str(target), f"a folder that holds {shown}", expected, remedy)


def judge_sources(files: Sequence[Path]) -> None:
    """Check that exports are files, can be read, and are given once each.

    Raises
    ------
    KitError
        With every one that is not.
    """
    faults = Faults()
    first: dict[str, Path] = {}
    for path in files:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            remedy = "Name the files in it." if path.is_dir() else "Look at the spelling of the path."
            faults.refuse(str(path), found, "a logger's export", remedy)
            continue
        try:
            with path.open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            found = f"a file that cannot be opened ({error.strerror})"
            faults.refuse(str(path), found, "a file that can be read", "Look at its permissions.")
            continue
        twin = first.setdefault(digest, path)
        if twin is not path:
            found = f"the same bytes as {twin}"
            faults.refuse(str(path), found, "each export once", "Leave one of the two out.")
    faults.settle()


def _made_whole(target: Path, fill: Callable[[Path], None]) -> Path:
    """Fill a temporary folder beside the target and rename it: a half-made run folder is never seen."""
    place = target.parent / f".{target.name}-{uuid.uuid4().hex[:8]}"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        place.mkdir()
        fill(place)
        _publish(place, target)
    except OSError as error:
        found = error.strerror or type(error).__name__
        where, remedy = str(error.filename or target), "Look at free space and permissions; nothing was made."
        raise KitError.refuse(where, found, "a folder that can be written", remedy) from None
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return target


def _publish(place: Path, target: Path) -> None:
    if target.is_dir() and Path.cwd().is_relative_to(target):
        # A shell stands in that folder and must not lose it; a folder without a trial file is no run yet.
        for path in sorted(place.iterdir(), key=lambda path: path.name == "trial.toml"):
            path.rename(target / path.name)
        return
    if target.is_dir():
        target.rmdir()  # refuses where something came in meanwhile
    place.rename(target)


def _copy_demo(origin: Path, place: Path) -> None:
    """Copy contents alone: an installed kit may be read-only, the copy is the person's own."""
    for path in sorted(origin.rglob("*")):
        inside = path.relative_to(origin)
        if any(fnmatch(part, mark) for part in inside.parts for mark in MADE_BY_THE_KIT):
            continue
        if path.is_dir():
            (place / inside).mkdir()
        else:
            shutil.copyfile(path, place / inside)


def _fill(place: Path, draft: Draft) -> None:
    (place / LOGS).mkdir()
    for name, path in draft.logs.items():
        shutil.copyfile(path, place / LOGS / name)
    (place / "trial.toml").write_text(draft.trial, encoding="utf-8", newline="\n")
    (place / "burns.csv").write_text(_burn_sheet(draft.rows), encoding="utf-8", newline="")


def _burn_sheet(rows: Iterable[Mapping[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in BURNS], restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({heading: no_formula(cell) for heading, cell in row.items()} for row in rows)
    # A spreadsheet takes a sheet for UTF-8 only by its mark; plain letters need none.
    return text.getvalue() if text.getvalue().isascii() else "\ufeff" + text.getvalue()
