"""The log files that a burn sheet names: inside logs/, and there."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path

from kit.errors import did_you_mean
from kit.trial.clocks import CLOCK_COLUMNS
from kit.trial.decode import shown, visible

LOGS = "logs"
LOOKED_THROUGH = 300
"""Names among which a near one is looked for; in thousands of rows it would take minutes."""
_NO_EXPORT = re.compile(r"(^|/)\.|(^|/)(Thumbs\.db|desktop\.ini)$")


def log_names(cell: str) -> tuple[str, ...]:
    """Return the files of a log cell: parted by semicolons, a leading 'logs/' taken off."""
    parts = (part.strip().replace("\\", "/") for part in cell.split(";"))
    return tuple(part.removeprefix(f"{LOGS}/") for part in parts if part)


def has_times(row: Mapping[str, object]) -> bool:
    """Return whether a row gives any clock time."""
    return any(row.get(column) for column in CLOCK_COLUMNS)


def stays_inside(folder: Path, path: Path) -> bool:
    """Return whether a path, its links followed, is below a folder."""
    return path.resolve().is_relative_to(folder.resolve())


class Logs:
    """The files below logs/ of a run folder, as a burn sheet names them; hidden ones are left out."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._root = folder, folder / LOGS
        paths = (path.relative_to(self._root).as_posix() for path in self._root.rglob("*") if path.is_file())
        self._there = sorted(name for name in paths if not _NO_EXPORT.search(name))
        self._composed = {unicodedata.normalize("NFC", name): name for name in self._there}

    def on_disk(self, names: Sequence[str]) -> str:
        """Return a log cell with the names as the disk spells them: accents may be composed in two ways."""
        return "; ".join(self._composed.get(name, name) for name in names)

    def unused(self, named: set[str]) -> list[str]:
        """Return the files that no burn names."""
        return [name for composed, name in self._composed.items() if composed not in named]

    def leaves_the_folder(self, name: str) -> bool:
        """Return whether a file is a link out of the run folder: a report publishes everything in logs/."""
        return not stays_inside(self._folder, self._root / self._composed.get(name, name))

    def fault_of(self, name: str) -> tuple[str, str, str] | None:
        """Return what was found, expected and is to do, or None for a file that may be read."""
        path = self._root / self._composed.get(name, name)
        inside = f"a file in {LOGS}/"
        if name.startswith("/") or re.match("[A-Za-z]:", name) or ".." in name.split("/"):
            remedy = f"Copy the file into {LOGS}/ and name it here."
            return shown(name), f"{inside}, by its name alone", remedy
        try:
            if path.is_file():
                if not self.leaves_the_folder(name):
                    return None
                return f"{shown(name)}, a link out of the run folder", inside, "Put a copy in its place."
            if path.is_dir():
                return f"{shown(name)}, a folder", inside, "Name the files in it, parted by semicolons."
        except (OSError, ValueError):  # a name that no disk can hold
            pass
        return f"{shown(name)}, which is not there", inside, self._nearest(name)

    def _nearest(self, name: str) -> str:
        if not self._there:
            return f"Copy the logger's export into {LOGS}/; it holds no files."
        for there in self._there:
            if there.casefold() == name.casefold():
                return f"Write it as the file is: {shown(there)} (capitals count)."
        for there in self._there:
            if there.rpartition(".")[0] == name:
                return f"Write it with its ending: {shown(there)}."
        return nearest(name, self._there) or f"{LOGS}/ holds {some_of(self._there)}."


def some_of(names: Sequence[str]) -> str:
    """Return the first six names in a row, and how many more there are."""
    return visible(", ".join(names[:6])) + f" and {len(names) - 6} more" * (len(names) > 6)


def nearest(word: str, known: Sequence[str]) -> str:
    """Return 'Did you mean …?', or '' where nothing is near or there is too much to look through."""
    near = did_you_mean(word, known) if 0 < len(known) <= LOOKED_THROUGH else ""
    return visible(near) if near.startswith("Did") else ""
