"""A logger's file while it is read: its table and the rows above it found, what was declared, and where problems go."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from kit.errors import Faults, KitError, did_you_mean
from kit.readings.headings import (
    SCALES,
    Stated,
    bare_unit,
    could_be_temperature,
    is_time,
    names,
    stated_step,
    stated_values,
    temperature_unit_in,
    uncommented,
)
from kit.readings.source import (
    BLANK_RUN,
    CLOCKLIKE,
    NUMERIC,
    TYPED,
    Layout,
    Line,
    Source,
    begins_like_row,
    filled,
    find_layout,
    is_row,
    kind_of,
    split_line,
)
from kit.trial.cells import BLANKS, WORDS, decimal_evidence, split_unit, to_number
from kit.trial.decode import fault, shown
from kit.trial.models import Logger

_LOOK_ABOVE, _MOST_ABOVE = 8, 200
_LONGEST_NAME, _LONGEST_STATED = 200, 1000
_ONE_NAME = (("date", "clock"), ("clock", "date"), ("clock", "text"))
_STATISTICS = frozenset(WORDS["headings"]["statistic"].split())
_WORD = re.compile(r"[^\W_]|[#%°]")
_LONE_UNIT = re.compile(r"(?:°|º|deg)\s?[CFK]\b|[CFK%]$", re.IGNORECASE)


@dataclass(frozen=True)
class Header:
    """What the rows above the body say.

    Attributes
    ----------
    names
        One name a column, distinct; made up where the file has none.
    units
        One cell of the units row a column, '' where there is none.
    row, units_row
        Their line numbers, 0 where there is none.
    made_up
        Whether the names were made up.
    preamble
        The other lines above the body.
    stated
        Name and values of those of them that read 'name: value'.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    row: int
    units_row: int
    made_up: bool
    preamble: tuple[Line, ...]
    stated: Stated


@dataclass(frozen=True)
class _Row:
    """A row above the body: its line number and its cells, parted as the body's fields are."""

    number: int
    cells: list[str]

    @property
    def filled(self) -> list[str]:
        return [cell for cell in self.cells if cell]


def read_header(
    above: Sequence[Line], layout: Layout, first_row: Sequence[str], header_row: int | None, place: str
) -> Header:
    """Return names and units of a table's columns from the lines above its body.

    Raises
    ------
    KitError
        Where the declared header row lies in or below the body, or the header names too few columns.
    """
    rows = [_Row(line.number, _cells(line.text, layout)) for line in filled(above[-_MOST_ABOVE:])]
    if header_row is None:
        units = _units_row(rows[-_LOOK_ABOVE:], layout)
        title = _names_row(rows[-_LOOK_ABOVE:], layout, units)
    else:
        units = _units_row([row for row in rows if row.number >= header_row], layout)
        title = next((row for row in rows if row.number == header_row), None)
        if title is None and header_row:
            where = f"{place}, line {header_row}, [[logger]] key header_row"
            raise KitError.refuse(where, *fault("no row of names"))
    headings = _one_a_column(title, layout, first_row, place) if title else []
    unit_cells = [cell[:_LONGEST_NAME] for cell in _over_blanks(units.cells, layout)] if units else []
    taken = {row.number for row in (title, units) if row}
    others = (line for line in filled(above) if line.number not in taken)
    preamble = [Line(line.number, line.text[:_LONGEST_STATED]) for line in others]
    seen, distinct = Counter[str](), []
    for name in _wide(headings, layout):
        seen[name] += 1
        distinct.append(f"{name} ({seen[name]})" if name and seen[name] > 1 else name)
    cells, stated = tuple(_wide(unit_cells, layout)), stated_values(preamble, layout.delimiter)
    row, units_row = (each.number if each else 0 for each in (title, units))
    return Header(tuple(distinct), cells, row, units_row, title is None, tuple(preamble), stated)


def _wide(cells: Sequence[str], layout: Layout) -> list[str]:
    return [*cells, *[""] * layout.width][: layout.width]


def _cells(text: str, layout: Layout) -> list[str]:
    """Return the cells of a line above the body, parted so that they fit its columns if they can."""
    bare = uncommented(text)
    cells = _parted(bare, layout)
    if bare != text and len(cells) != layout.width:
        whole = _parted(text, layout)
        narrow, wide = _over_blanks(cells, layout), _over_blanks(whole, layout)
        # The mark may be the name of a column of numbers. Where the cells fit the columns either way, a date under
        # one name with its clock, the cell over the stamp decides.
        fits = layout.width in (len(whole), len(wide))
        if len(narrow) == len(wide) == layout.width:
            fits = _suits_stamp(wide, layout) >= _suits_stamp(narrow, layout)
        cells = whole if fits else cells
    if len(cells) < layout.width:
        others = (split_line(bare, mark) for mark in ",;\t|" + BLANK_RUN if mark != layout.delimiter)
        return next((other for other in others if len(other) == layout.width), cells)
    merged: list[str] = []
    for cell in cells:  # a lone unit goes back to the name before it, where an unquoted comma had parted them
        if merged and len(cells) > layout.width and _LONE_UNIT.match(cell):
            merged[-1] += f", {cell}"
        else:
            merged.append(cell)
    return merged if len(merged) == layout.width else cells


def _parted(text: str, layout: Layout) -> list[str]:
    cells = split_line(text, layout.delimiter)
    if layout.delimiter != BLANK_RUN:
        while len(cells) > layout.width and not cells[-1]:
            cells.pop()
        if layout.glued and len(cells) == layout.width - 1:
            head, _, rest = cells[0].partition(" ")
            cells[:1] = [head, rest] if rest else ["", head]
    return cells


def _suits_stamp(cells: Sequence[str], layout: Layout) -> int:
    """Return 2 where the cell over the first stamp names a time, 0 where it holds a unit of temperature, else 1."""
    over_stamps = [c for c, kind in zip(cells, layout.kinds, strict=True) if kind in CLOCKLIKE]
    cell = over_stamps[0] if over_stamps else ""
    if is_time(cell):
        return 2
    return 0 if temperature_unit_in(cell) or bare_unit(cell) in SCALES.values() else 1


def _over_blanks(cells: Sequence[str], layout: Layout) -> list[str]:
    """Return header cells with a blank for the clock where runs of blanks part it from its date under one name."""
    used = sum(kind != "blank" for kind in layout.kinds)
    wide = list(cells)
    for place in range(1, len(layout.kinds)) if layout.delimiter == BLANK_RUN else ():
        if len(wide) < used and layout.kinds[place - 1 : place + 1] in _ONE_NAME:
            wide.insert(place, "")
    return wide


def _units_row(rows: Sequence[_Row], layout: Layout) -> _Row | None:
    """Return the row nearest to the body most of whose cells are units; one of K alone may name the thermocouples."""
    found: list[_Row] = []
    for row in reversed(rows):
        known = [bare_unit(cell) for cell in row.filled]
        if len(row.cells) > layout.width or not known or (layout.width < 2 and len(rows) < 2):
            continue
        enough = len(known) >= min(2, layout.width) or (len(row.cells) == layout.width and all(known))
        telling = any(unit in SCALES.values() or unit.startswith("time:") for unit in known)
        # '#, ms, TC left_F' are names
        named = any(could_be_temperature(cell) for cell in row.filled if not bare_unit(cell))
        if sum(map(bool, known)) >= 0.6 * len(known) and enough and telling and not named:
            found.append(row)
    return next((row for row in found if {*row.filled} != {"K"}), found[0] if found else None)


def _names_row(rows: Sequence[_Row], layout: Layout, units: _Row | None) -> _Row | None:
    """Return the row of names: of those wide enough the fullest, the nearest to the body first."""
    best, most, expected = None, 0, _expected(layout)
    for row in reversed(rows):
        if row is units or not _could_be_names(row, layout):
            continue
        distinct = len(set(row.filled))
        if distinct > most:
            best, most = row, distinct
        told = any(map(is_time, row.filled)) and any(map(_names_temperature, row.filled))
        if told or distinct >= max(0.6 * expected, 1):
            break
    return best


def _expected(layout: Layout) -> int:
    """Return how many names a header needs: one a column that is not blank, one for a date and its clock."""
    used = sum(kind != "blank" for kind in layout.kinds)
    pairs = zip(layout.kinds, layout.kinds[1:], strict=False) if layout.delimiter == BLANK_RUN else ()
    return used - sum(pair in _ONE_NAME for pair in pairs)


def _names_temperature(name: str) -> bool:
    return could_be_temperature(name) or bool(temperature_unit_in(name))


def _could_be_names(row: _Row, layout: Layout) -> bool:
    cells, expected = row.filled, _expected(layout)
    if not cells or len(row.cells) > layout.width:
        return False
    times = any(is_time(cell) or names("index", cell) for cell in cells)
    told = times and any(map(_names_temperature, cells))
    typed = [kind_of(cell) in TYPED for cell in cells]
    line = Line(row.number, cells[0])
    return not (
        len(cells) == 1 < expected
        or (not told and (len(cells) < 0.6 * expected or len(row.cells) < expected))
        or (names("stated", cells[0]) and not times)
        or (layout.width == 1 and stated_step(stated_values([line], ""))[1][:1].isdigit())
        or (len(cells) == 2 < expected and kind_of(cells[1]) == "number")  # 'Record 17' names no columns
        or (len(cells) > 1 and names("step", cells[0]) and cells[1][0].isdigit())  # 'Interval 300 s'
        or (typed[0] and sum(typed) * 2 > len(cells))
        or not any(map(_WORD.search, cells))  # a ruler below the names
        or (cells[0].casefold() in _STATISTICS and all(typed[1:]) and not times)  # 'Max,25.3,21.1'
        or sum(cell.casefold() in _STATISTICS for cell in cells) * 2 > len(cells)
        or (len(cells) > 2 and len(set(cells)) * 2 < len(cells) + 1 and len(cells) * 2 < layout.width)
    )


def _one_a_column(title: _Row, layout: Layout, first_row: Sequence[str], place: str) -> list[str]:
    """Return as many names as there are columns: a group's name may cover several, a row-number column none."""
    cells = _over_blanks(title.cells, layout)
    headings = [" ".join(cell[:_LONGEST_NAME].split()).strip(" \"'") for cell in cells]
    kinds, where = layout.kinds, f"{place}, line {title.number}"
    used = max((column + 1 for column, kind in enumerate(kinds) if kind != "blank"), default=0)
    while len(headings) > 1 and not headings[-1] and (len(headings) > used or layout.delimiter != BLANK_RUN):
        headings.pop()
    if len(headings) >= used or all(kind in ("text", "blank") for kind in kinds[len(headings) :]):
        return headings
    if len(headings) == len(kinds) - 1 and headings and not names("index", headings[0]) and first_row:
        shifted = kinds[1] in CLOCKLIKE and is_time(headings[0])
        if shifted and kinds[0] == "number" and first_row[0] in ("0", "1"):
            return ["No.", *headings]  # an exported data frame counts its rows in a column without a name
    *before, is_last = [False, *map(_names_temperature, headings)]
    if is_last and not any(before) and {*kinds[len(headings) - 1 : used]} == {"number"}:
        covered = used - len(headings) + 1  # the only temperature among the names is that of all columns left
        return [*headings[:-1], *(f"{headings[-1]} #{number}" for number in range(1, covered + 1))]
    parts = {"count": len(headings), "columns": used, "names": ", ".join(headings)}
    if layout.delimiter == "," and all(cell.isdigit() for cell in first_row if kind_of(cell) == "number"):
        raise KitError.refuse(where, *fault("commas part both", **parts))
    raise KitError.ask(where, *fault("too few names", **parts))


_HEAD_LINES, _MORE_LINES, _ALL_BELOW = 300, 5000, 240
_MOST_COLUMNS, _LONGEST = 1000, 1 << 16
_ROWS, _MOST_ROWS, _AS_ROWS = 60, 400, 120
_MARKS = {
    **{"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "pipe": "|"},
    **dict.fromkeys(("space", "blank", ""), BLANK_RUN),
}


@dataclass
class OpenLog:
    """One file, handed from stage to stage.

    Attributes
    ----------
    source, keys
        The file and the [[logger]] keys declared for it.
    layout, header
        Where its table lies, and what stands above it.
    rows
        A sample of its rows, in the table's width, from its beginning, middle and end.
    faults, reasons
        Problems found so far and what a person should know, and why each thing was decided as it was.
    """

    source: Source
    keys: Logger
    layout: Layout
    header: Header
    rows: Sequence[Sequence[str]]
    faults: Faults = field(default_factory=Faults)
    reasons: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The file's name in messages."""
        return self.source.name

    def at(self, line: int = 0, column: str = "") -> str:
        """Return a place in the file, as messages name it."""
        named = f", {column}" if column.startswith("column ") else f", column {column}"
        return self.name + (f", line {line}" if line else "") + named * bool(column)

    def refuse_key(self, key: str, found: str, expected: str, remedy: str = "Mend the key.") -> None:
        """Note a fault of a declared key."""
        self.faults.refuse(f"{self.name}, [[logger]] key {key}", found, expected, remedy)

    def refuse_name(self, key: str, found: str, wanted: str, known: Iterable[str]) -> None:
        """Note that a declared key names something else than what is known."""
        names = [name for name in known if name]
        if names:
            expected = "one of " + ", ".join(f"'{name}'" for name in names)
            self.refuse_key(key, found, expected, did_you_mean(wanted, names))
        else:
            self.refuse_key(key, found, "a column of this file; it has none such", "Take the key out.")

    def fields(self, numbers: Iterable[int]) -> dict[int, list[str]]:
        """Return the fields of some lines, by line number."""
        return {number: self.layout.split(text) for number, text in self.source.texts(numbers).items()}

    def numeric(self) -> list[int]:
        """Return the columns of numbers."""
        return [column for column, kind in enumerate(self.layout.kinds) if kind == "number"]

    def has_unit_beside(self, column: int) -> bool:
        """Return whether the column to the right holds nothing but units of temperature."""
        beside = self.cells(column + 1) if self.layout.kinds[column + 1 : column + 2] == ("text",) else []
        units = {bare_unit(cell) for cell in beside if cell}
        return bool(units) and units <= {*SCALES.values()}

    def cells(self, column: int) -> list[str]:
        """Return the cells of a column in the sample."""
        return [row[column] for row in self.rows]

    def values(self, column: int) -> list[float]:
        """Return the numbers of a column in the sample, units left aside, under whichever decimal mark they prove."""
        bare = [split_unit(cell)[0] for cell in self.cells(column)]
        proved = {decimal_evidence(cell) for cell in bare if kind_of(cell) == "number"}
        values = (to_number(cell, "," if "," in proved else ".") for cell in bare)
        return [value for value in values if value is not None]


def open_log(source: Source, keys: Logger) -> OpenLog:
    """Find a table's body and its header.

    Raises
    ------
    KitError
        Where there is no table, or a header and no rows.
    """
    lines = _first_lines(source.head, _HEAD_LINES)
    sample = _sample(source.head, lines)
    widths = sorted(max(map(line.text.count, ",;\t|")) for line in sample)
    if widths and widths[len(widths) // 2] >= _MOST_COLUMNS:
        where = f"{source.name}, line {sample[0].number}"
        raise KitError.refuse(where, *fault("rows across", most=_MOST_COLUMNS))
    delimiter = _delimiter(keys.delimiter, lines, source.name)
    layout = find_layout(lines, sample, delimiter)
    if layout is None:
        lines = _first_lines(source.head, _MORE_LINES)
        last = filled(lines)[-_AS_ROWS:]
        layout = find_layout(lines, sample, delimiter) or find_layout(lines, last, delimiter)
    if layout is None:
        there = filled(lines)
        text = there[-1].text if there else ""
        names = [cell for cell in split_line(text, delimiter or max(",;\t|", key=text.count)) if cell]
        partings = (split_line(text, mark) for mark in delimiter or ",;\t|")
        if any(sum(kind_of(cell) in TYPED for cell in cells) > 1 for cells in partings):
            raise KitError.refuse(source.name, *fault("one row", row=shown(text), line=there[-1].number))
        what = "header alone" if names and len(there) <= 3 else "no table"
        raise KitError.refuse(source.name, *fault(what, names=", ".join(names[:20])))
    above, below = lines[: layout.body_line - 1], lines[layout.body_line - 1 :]
    header = read_header(above, layout, layout.split(below[0].text), keys.header_row, source.name)
    layout, header = _with_remarks(layout, header, above, sample, source.name)
    known = {line.number: line for line in below[: len(lines) if len(lines) <= _ALL_BELOW else _ROWS + 1]}
    known |= {line.number: line for line in sample if line.number >= layout.body_line}
    rows = [layout.split(known[number].text) for number in sorted(known)]
    kinds, width = layout.kinds, layout.width
    rows = [row for row in rows if begins_like_row(row, kinds) or (len(row) == width and is_row(row, kinds))]
    reasons = {"encoding": source.encoding_reason}
    return OpenLog(source, keys, layout, header, rows[:_MOST_ROWS], reasons=reasons)


def _first_lines(head: bytes, count: int) -> list[Line]:
    texts = head.split(b"\n", count)[:count]
    return [Line(number, text.decode("utf-8", "replace")[:_LONGEST]) for number, text in enumerate(texts, 1)]


def _sample(head: bytes, lines: Sequence[Line]) -> list[Line]:
    """Return lines from the middle on, where a table's body is."""
    there = filled(lines)
    found: list[Line] = []
    for share in (0.5, 0.75) if len(there) > _ALL_BELOW else ():
        start = head.find(b"\n", int(len(head) * share)) + 1
        texts = head[start : start + 16384].decode("utf-8", "replace").split("\n")[:-1]
        numbers = range(1_000_000_000 + len(found), 2_000_000_000)
        found += [Line(number, text[:_LONGEST]) for number, text in zip(numbers, texts[:_ROWS], strict=False)]
    return found or (there[len(there) // 3 :] if len(there) > 3 else there)


def _delimiter(wanted: str | None, lines: Sequence[Line], name: str) -> str | None:
    if wanted is None:
        first = lines[0].text.strip(BLANKS + '"') if lines else ""
        return first[4] if first.casefold().startswith("sep=") and len(first) == 5 else None
    mark = _MARKS.get(wanted.strip(" ").casefold(), wanted)
    if len(mark) != 1 or mark in '"\n\r0123456789.':
        raise KitError.refuse(f"{name}, [[logger]] key delimiter", *fault("no mark", word=wanted))
    return mark


def _with_remarks(
    layout: Layout, header: Header, above: Sequence[Line], sample: Sequence[Line], place: str
) -> tuple[Layout, Header]:
    """Widen the table by columns of words that a header names and few rows fill."""
    near = filled(above)[-1:]
    if not near or header.row == near[0].number:
        return layout, header
    cells = split_line(near[0].text, layout.delimiter)
    extra = len(cells) - layout.width
    if not 0 < extra <= 3 or not all(cells[1:]) or not {*map(kind_of, cells)} <= {"text", "blank"}:
        return layout, header
    beyond = [cell for line in sample for cell in split_line(line.text, layout.delimiter)[layout.width :]]
    kinds = {*map(kind_of, beyond)} - {"blank"}
    remark = cells[layout.width].casefold().startswith(tuple(WORDS["headings"]["remark"].split()))
    if kinds & NUMERIC or not (kinds or remark):
        return layout, header
    wide = replace(layout, kinds=(*layout.kinds, *["text"] * extra))
    return wide, read_header(above, wide, cells, None, place)
