"""A new run folder: its trial file and burn sheet as drafted, what names of exports say; or a copy of the demo."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import shutil
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
from itertools import pairwise
from pathlib import Path

from kit.data_file import data_text
from kit.errors import Faults, KitError, did_you_mean, disk_faults, opening
from kit.page.cautions import cautions_short
from kit.runtime.atomic_write import MAKING
from kit.runtime.locked_tmp import locked_folder
from kit.schema import BURNS
from kit.trial.cells import WORDS
from kit.trial.decode import toml_text, toml_value
from kit.trial.messages import fault
from kit.trial.models import Logger
from kit.trial.run_sheets import LOGS

_KIT = Path(__file__).parents[1]
_DEMO = "hill-school"
WIDTH = 110
USUAL_CHARGE = "# grams = 400".ljust(29) + '# or by = "volume", by = "full starter"'
MADE_BY_THE_KIT = ("reports", "rehearsal-*", ".failed")
FORMULA = "=+-@\t"
"""A cell that begins so is run as a formula by spreadsheets, full-width signs too."""


def demo_folder() -> Path:
    """Return the demo run folder that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    return _shipped("demo run folder", _KIT / "packaged" / _DEMO, _KIT.parent / "runs" / _DEMO)


def template(name: str) -> Path:
    """Return the notebook of a template by its name, as 'standard'.

    Raises
    ------
    KitError
        Where there is no such template, or this installation lacks all of them.
    """
    folder = _shipped("templates", _KIT / "packaged" / "templates", _KIT.parent / "templates")
    known = {path.stem: path for path in folder.glob("*.ipynb")}
    if name not in known:
        raise KitError.refuse("template", *fault("no template", name=name, hint=did_you_mean(name, known)))
    return known[name]


def _shipped(what: str, *places: Path) -> Path:
    for place in places:
        if place.is_dir():
            return place
    raise KitError.refuse("this installation", *fault("not shipped", what=what))


def no_formula(text: str) -> str:
    """Return a text as it may stand in a cell: without signs at its beginning that would make it a formula."""
    plain = text
    while plain and unicodedata.normalize("NFKC", plain[0])[0] in FORMULA:
        plain = plain[1:].lstrip()
    return plain


def logger_text(logger: Logger) -> str:
    """Return the [[logger]] table of a trial file."""
    table = logger.model_dump(exclude_unset=True)
    lines = [f"{key} = {toml_value(value)}\n" for key, value in table.items() if value not in ((), {})]
    return "[[logger]]\n" + "".join(lines)


def trial_text(
    fuels: Sequence[str] = (), probe: str = "", loggers: Sequence[Logger] = (), grams: str = ""
) -> str:
    """Return the text of a trial file: a table a fuel and a logger, and little else.

    Parameters
    ----------
    fuels
        Ids of the fuels; without any, the file shows how one is declared.
    probe
        Id of the main probe; '' where it is not known.
    loggers
        What was found of the files.
    grams
        What every charge seems to weigh; '' where that is not known.
    """
    head = data_text(__file__, "new_trial.toml")
    cautions = textwrap.fill(" ".join(cautions_short()), WIDTH, initial_indent="# ", subsequent_indent="# ")
    main = (
        f"probe = {toml_text(probe)}".ljust(29) + "# the main probe, which metrics are of\n" if probe else ""
    )
    tables = [f"[[fuel]]\nid = {toml_text(fuel)}\n" for fuel in fuels] or ['# [[fuel]]\n# id = "my-fuel"\n']
    if loggers:
        tables.append(
            "\n# Which heading of a logger's files is which probe, and what its files do not say.\n"
        )
    charge = f"grams = {grams}".ljust(29) + "# as names say: is it so?" if grams else USUAL_CHARGE
    return head.format(cautions=cautions, probe=main, charge=charge) + "".join(
        [*tables, *map(logger_text, loggers)]
    )


def new_demo(folder: str | Path) -> Path:
    """Copy the demo trial, without its reports, to a new folder and return its path.

    Raises
    ------
    KitError
        Where the folder holds something; then nothing is made.
    """
    origin, target = demo_folder(), new_place(folder)
    with _made_whole(target) as place:
        # Contents alone: an installed kit may be read-only, the copy is the person's own.
        for path in sorted(origin.rglob("*")):
            inside = path.relative_to(origin)
            if any(fnmatch(part, mark) for part in inside.parts for mark in MADE_BY_THE_KIT):
                continue
            if path.is_dir():
                (place / inside).mkdir()
            else:
                shutil.copyfile(path, place / inside)
    return target


def new_folder(
    folder: str | Path, trial: str, rows: Iterable[Mapping[str, str]], logs: Mapping[str, Path]
) -> Path:
    """Make a run folder, its logs copied byte for byte, and return its path.

    Parameters
    ----------
    folder
        Where.
    trial
        Text of trial.toml.
    rows
        Cells of the burn sheet by heading, a row a burn.
    logs
        Exports by the name they get in logs/.

    Raises
    ------
    KitError
        Where the folder holds something, or cannot be written; then nothing is made.
    """
    target = new_place(folder)
    with _made_whole(target) as place:
        (place / LOGS).mkdir()
        for name, path in logs.items():
            shutil.copyfile(path, place / LOGS / name)
        (place / "trial.toml").write_text(trial, encoding="utf-8", newline="\n")
        (place / "burns.csv").write_text(_burn_sheet(rows), encoding="utf-8", newline="")
    return target


def _burn_sheet(rows: Iterable[Mapping[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in BURNS], restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({heading: no_formula(cell) for heading, cell in row.items()} for row in rows)
    # A spreadsheet takes a sheet for UTF-8 only by its mark; plain letters need none.
    return text.getvalue() if text.getvalue().isascii() else "\ufeff" + text.getvalue()


def new_place(folder: str | Path) -> Path:
    """Return the absolute path of a folder to be made.

    Raises
    ------
    KitError
        Where it holds something.
    """
    target = Path(folder).absolute()
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise KitError.refuse(str(target), *fault("name taken"))
    inside = sorted(path.name for path in target.iterdir()) if target.is_dir() else []
    if inside:
        more = f" and {len(inside) - 4} more" if len(inside) > 4 else ""
        raise KitError.refuse(str(target), *fault("not empty", names=", ".join(inside[:4]) + more))
    return target


@contextmanager
def _made_whole(target: Path) -> Iterator[Path]:
    """Give a temporary folder beside the target, then rename it: a half-made run folder is never seen."""
    with disk_faults(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        with locked_folder(target.parent, MAKING) as place:
            yield place
            if target.is_dir() and Path.cwd().is_relative_to(target):
                # A shell stands in that folder and must not lose it; a folder without a trial file is no run yet.
                for path in sorted(place.iterdir(), key=lambda path: path.name == "trial.toml"):
                    path.rename(target / path.name)
            else:
                if target.is_dir():
                    target.rmdir()  # refuses where something came in meanwhile
                place.rename(target)


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


_IDLE, _OF_BAG, _LETTERED, _OF_BURN, _GRAMS = (
    frozenset(WORDS["start"][kind].split()) for kind in ("idle", "bag", "lettered", "burn", "grams")
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
    return next((n for n, unit in pairwise(tokens) if unit in _GRAMS and re.fullmatch("[0-9]{3,4}", n)), "")


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
