"""The log files that a burn sheet names: inside logs/, there, and not given to two burns."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from kit.errors import Faults, did_you_mean
from kit.trial.decode import shown, visible

LOGS = "logs"
LOOKED_THROUGH = 300
"""Names among which a near one is looked for; in thousands of rows it would take minutes."""


def log_names(cell: str) -> tuple[str, ...]:
    """Return the files of a log cell: parted by semicolons, a leading 'logs/' taken off."""
    parts = (part.strip().replace("\\", "/") for part in cell.split(";"))
    return tuple(part.removeprefix(f"{LOGS}/") for part in parts if part)


def files_in(folder: Path) -> tuple[str, ...]:
    """Return every file below logs/, as the burn sheet names it; hidden ones are left out."""
    root = folder / LOGS
    if not root.is_dir():
        return ()
    found = (path for path in root.rglob("*") if path.is_file())
    names = (path.relative_to(root).as_posix() for path in found)
    return tuple(
        sorted(name for name in names if not re.search(r"(^|/)\.|(^|/)(Thumbs\.db|desktop\.ini)$", name))
    )


def stays_inside(folder: Path, path: Path) -> bool:
    """Return whether a path, its links followed, is below a folder."""
    return path.resolve().is_relative_to(folder.resolve())


class Logs:
    """Judges the names in a sheet's log cells, each file looked up once."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._root = folder, folder / LOGS
        self._there = files_in(folder)
        self._composed = {unicodedata.normalize("NFC", name): name for name in self._there}
        self._verdicts: dict[str, tuple[str, str, str] | None] = {}
        self._first: dict[str, tuple[str, bool]] = {}

    def on_disk(self, names: tuple[str, ...]) -> str:
        """Return a log cell with the names as the disk spells them: accents may be composed in two ways."""
        return "; ".join(self._composed.get(name, name) for name in names)

    def judge(self, names: tuple[str, ...], where: str, has_times: bool, faults: Faults) -> None:
        """Note what is wrong with the files of one burn."""
        for place, name in enumerate(names):
            if name not in self._verdicts:
                self._verdicts[name] = self._verdict(name)
            verdict = self._verdicts[name]
            if verdict:
                faults.refuse(where, *verdict)
            elif name in names[:place]:
                faults.refuse(where, f"{shown(name)} twice", "each file once", "Delete one of the two.")
            else:
                self._judge_shared(name, where, has_times, faults)

    def _judge_shared(self, name: str, where: str, has_times: bool, faults: Faults) -> None:
        first, first_has_times = self._first.setdefault(name, (where, has_times))
        if first != where and not has_times and not first_has_times:
            faults.refuse(
                where,
                f"{shown(name)}, given to {first.removesuffix(', column log')} as well",
                "a file of its own, or clock times that part the burns of one file",
                "Name the right file, or fill in lit and stopped of both burns.",
            )

    def _verdict(self, name: str) -> tuple[str, str, str] | None:
        """Return what was found, expected and is to do, or None for a file that may be read."""
        path = self._root / self._composed.get(name, name)
        inside = f"a file in {LOGS}/"
        if name.startswith("/") or re.match("[A-Za-z]:", name) or ".." in name.split("/"):
            return (
                shown(name),
                f"{inside}, by its name alone",
                f"Copy the file into {LOGS}/ and name it here.",
            )
        try:
            if path.is_file():
                if stays_inside(self._folder, path):
                    return None
                return f"{shown(name)}, a link out of the run folder", inside, "Put a copy in its place."
            if path.is_dir():
                return f"{shown(name)}, a folder", inside, "Name the files in it, parted by semicolons."
        except (OSError, ValueError):
            pass
        return f"{shown(name)}, which is not there", inside, self._nearest(name)

    def _nearest(self, name: str) -> str:
        if not self._there:
            return f"Copy the logger's export into {LOGS}/; it holds no files."
        same = next((there for there in self._there if there.casefold() == name.casefold()), None)
        if same:
            return f"Write it as the file is: {shown(same)} (capitals count)."
        ending = next((there for there in self._there if there.rpartition(".")[0] == name), None)
        if ending:
            return f"Write it with its ending: {shown(ending)}."
        near = nearest(name, self._there)
        return near or f"{LOGS}/ holds {some_of(self._there)}."

    def unused(self, named: set[str]) -> tuple[str, ...]:
        """Return the files of logs/ that no burn names."""
        return tuple(name for composed, name in self._composed.items() if composed not in named)

    def judge_unused(self, names: Iterable[str], faults: Faults) -> None:
        """Note links that leave the folder: a report hashes and publishes everything in logs/, named or not."""
        for name in names:
            if not stays_inside(self._folder, self._root / name):
                found, remedy = "a link out of the run folder", "Put a copy in its place, or take it away."
                faults.refuse(f"{LOGS}/{visible(name)}", found, "a file of its own", remedy)


def some_of(names: Sequence[str]) -> str:
    """Return the first six names in a row, and how many more there are."""
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return visible(", ".join(names[:6])) + more


def nearest(word: str, known: Sequence[str]) -> str:
    """Return 'Did you mean …?', or '' where nothing is near or there is too much to look through."""
    near = did_you_mean(word, known) if 0 < len(known) <= LOOKED_THROUGH else ""
    return visible(near) if near.startswith("Did") else ""


def has_times(row: Mapping[str, object]) -> bool:
    """Return whether a row gives any clock time."""
    return any(row.get(column) for column in ("lit", "tipped", "lid_on", "stopped"))
