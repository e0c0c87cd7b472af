"""A new run folder: its trial file and burn sheet as drafted, its logs as they came; or a copy of the demo."""

import csv
import io
import shutil
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from fnmatch import fnmatch
from pathlib import Path

from kit.data_file import data_text
from kit.errors import KitError, disk_faults
from kit.page.document import cautions_short
from kit.runtime.atomic_write import MAKING, locked_folder
from kit.schema import BURNS
from kit.trial.decode import fault, toml_text, toml_value
from kit.trial.models import Logger
from kit.trial.run_sheets import LOGS

_KIT = Path(__file__).parents[1]
_DEMO = "hill-school"
WIDTH = 110
MADE_BY_THE_KIT = ("reports", "rehearsal-*", ".failed")
OF_LOGGERS = """
# Which heading of a logger's files is which probe, and what its files do not say. A probe that is headed
# otherwise by another logger is the same one only where both have it under the same name before the = sign.
"""
"""Above the [[logger]] tables of a new trial file."""
FORMULA = "=+-@\t"
"""A cell that begins so is run as a formula by spreadsheets, full-width signs too."""


def demo_folder() -> Path:
    """Return the demo run folder that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    for place in (_KIT / "packaged" / _DEMO, _KIT.parent / "runs" / _DEMO):
        if place.is_dir():
            return place
    raise KitError.refuse("this installation", *fault("not shipped"))


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
    cautions = textwrap.fill(" ".join(cautions_short()), WIDTH, initial_indent="# ", subsequent_indent="# ")
    main = _remarked(f"probe = {toml_text(probe)}", "the main probe, which metrics are of") if probe else ""
    charge = _remarked("# grams = 400", 'or by = "volume", by = "full starter"')
    if grams:
        charge = _remarked(f"grams = {grams}", "as names say: is it so?")
    tables = [f"[[fuel]]\nid = {toml_text(fuel)}\n" for fuel in fuels] or ['# [[fuel]]\n# id = "my-fuel"\n']
    head = data_text(__file__, "new_trial.toml").format(cautions=cautions, probe=main, charge=charge)
    return "".join([head, *tables, *([OF_LOGGERS] if loggers else ()), *map(logger_text, loggers)])


def _remarked(line: str, remark: str) -> str:
    return f"{line:<29}# {remark}\n"


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
    target, sheet = new_place(folder), io.StringIO()
    writer = csv.DictWriter(sheet, [column.name for column in BURNS], restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({heading: no_formula(cell) for heading, cell in row.items()} for row in rows)
    # a spreadsheet takes a sheet for UTF-8 only by its mark; plain letters need none
    mark = "" if sheet.getvalue().isascii() else "\ufeff"
    with _made_whole(target) as place:
        (place / LOGS).mkdir()
        for name, path in logs.items():
            shutil.copyfile(path, place / LOGS / name)
        (place / "trial.toml").write_text(trial, encoding="utf-8", newline="\n")
        (place / "burns.csv").write_text(mark + sheet.getvalue(), encoding="utf-8", newline="")
    return target


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
