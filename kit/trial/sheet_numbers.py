"""Numbers as spreadsheets write them: a decimal comma is read only where it can be nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.trial.columns import also_rows
from kit.trial.faults_of_keys import shown
from kit.trial.sheet import Sheet

BLANKS = frozenset({"", "-", "–", "—", "n/a", "na", "nan", "n.a."})
_PLAIN = re.compile(r"[+-]?[0-9]+\Z")
_ONE_MARK = re.compile(r"[+-]?([0-9]*)([.,])([0-9]+)(?:[eE][+-]?[0-9]+)?\Z")
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:([.,])[0-9]{3})(?:\1[0-9]{3})*(?:([.,])[0-9]+)?\Z")
_EXPONENT = re.compile(r"[+-]?[0-9]+[eE][+-]?[0-9]+\Z")
_SPACES = re.compile("(?<=[0-9])[\u00a0\u2009\u202f'’](?=[0-9]{3})")


@dataclass(frozen=True)
class _Cell:
    """A number with its readings: `value` where it is certain, else `mark` as decimal or thousands mark."""

    value: float | None = None
    mark: str = ""
    decimal: float = 0.0
    grouped: float = 0.0
    decimal_mark: str = ""
    thousands_mark: str = ""


def _read(text: str) -> _Cell | None:
    text = _SPACES.sub("", text.strip().replace("−", "-"))
    if _PLAIN.match(text) or _EXPONENT.match(text):
        return _finite(float(text))
    one = _ONE_MARK.match(text)
    if one and not _GROUPED.match(text):
        return _finite(float(text.replace(",", ".")), decimal_mark=one[2])
    grouped = _GROUPED.match(text)
    if grouped is None or grouped[1] == grouped[2]:
        return None
    mark, bare = grouped[1], text.replace(grouped[1], "")
    if grouped[2]:  # 1.234,5
        return _finite(float(bare.replace(",", ".")), decimal_mark=grouped[2], thousands_mark=mark)
    if text.count(mark) > 1:  # 1.234.567
        return _finite(float(bare), thousands_mark=mark)
    return _Cell(None, mark, float(text.replace(",", ".")), float(bare))  # 1.234


def _finite(value: float, decimal_mark: str = "", thousands_mark: str = "") -> _Cell | None:
    is_finite = abs(value) < 1e300
    return _Cell(value, decimal_mark=decimal_mark, thousands_mark=thousands_mark) if is_finite else None


class Numbers:
    """Reads the number columns of one sheet, with one decimal mark for all of them.

    Parameters
    ----------
    sheet
        The sheet.
    columns
        Headings of its columns of numbers, with the unit each may carry in its cells.
    """

    def __init__(self, sheet: Sheet, columns: dict[str, str]) -> None:
        self._sheet, self._units = sheet, columns
        self._read: dict[str, list[_Cell | None]] = {}
        cache: dict[str, _Cell | None] = {}
        for column, unit in columns.items():
            texts = [_without_unit(cell, unit) for cell in sheet.cells(column)]
            for text in set(texts) - set(cache):
                cache[text] = None if text.casefold() in BLANKS else _read(text)
            self._read[column] = [cache[text] for text in texts]
        cells = [cell for column in self._read.values() for cell in set(column) if cell]
        self._decimals = {cell.decimal_mark for cell in cells} - {""}
        self._thousands = {cell.thousands_mark for cell in cells} - {""}

    def column(self, column: str, faults: Faults) -> npt.NDArray[np.float64]:
        """Return a column's numbers, NaN where blank; what is no number, or two numbers, is noted."""
        values = np.full(len(self._sheet.rows), np.nan)
        unsure: list[int] = []
        for place, (cell, text) in enumerate(zip(self._read[column], self._sheet.cells(column), strict=True)):
            value = cell and self._settled(cell)
            if value is not None:
                values[place] = value
            elif cell is not None:
                unsure.append(place)
            elif text.strip().casefold() not in BLANKS:
                _note_no_number(self._sheet, place, column, self._units[column], faults)
        self._ask(column, unsure, faults)
        return values

    def _settled(self, cell: _Cell) -> float | None:
        if cell.value is not None:
            return cell.value
        usual = self._decimals or ({"."} if self._sheet.delimiter == "," else set())
        if usual == {cell.mark} and cell.mark not in self._thousands:
            return cell.decimal
        if cell.mark in self._thousands and cell.mark not in self._decimals:
            return cell.grouped
        return None

    def _ask(self, column: str, places: Sequence[int], faults: Faults) -> None:
        if not places:
            return
        text = self._sheet.cells(column)[places[0]].strip()
        bare = re.sub("[.,]", "", text)
        further = also_rows(self._sheet, places[1:])
        faults.ask(
            self._sheet.where(places[0], column) + further,
            f"'{text}', which is {bare} or {text.replace(',', '.')} with a decimal mark",
            "a number that can be read in one way",
            f"Write {bare}, or with one more digit behind the mark: {text}0.",
        )


def _without_unit(cell: str, unit: str) -> str:
    text = cell.strip()
    return text.removesuffix(unit).rstrip() if unit and text != unit else text


def _note_no_number(sheet: Sheet, place: int, column: str, unit: str, faults: Faults) -> None:
    text = sheet.cells(column)[place].strip()
    remedy = "Write digits only, or leave the cell blank where nothing was measured."
    if text.startswith("#"):
        remedy = "The spreadsheet could not compute this cell: mend its formula, or leave it blank."
    elif re.search("[0-9]", text) and re.search(r"[A-Za-z°%]\s*\Z", text):
        remedy = f"Write the number without a unit{', in ' + unit if unit else ''}."
    faults.refuse(
        sheet.where(place, column), shown(text), f"a number{', in ' + unit if unit else ''}", remedy
    )


def note_outside(
    sheet: Sheet,
    column: str,
    values: npt.NDArray[np.float64],
    bounds: tuple[float, float],
    words: tuple[str, str],
    faults: Faults,
) -> None:
    """Note the cells whose number lies outside bounds, with what is expected and what to do."""
    for place in _places(values, bounds):
        faults.refuse(sheet.where(place, column), f"{values[place]:g}", *words)


def _places(values: npt.NDArray[np.float64], bounds: tuple[float, float]) -> Iterable[int]:
    with np.errstate(invalid="ignore"):
        return [int(place) for place in np.flatnonzero((values < bounds[0]) | (values > bounds[1]))]
