"""From a table of burns to arrays, every fault named, and from arrays to tables.

Fits are made by the thousand, and a table made column by column takes as long as the fit; so it is laid out in the
blocks that pandas keeps, by the function that pandas offers to libraries for it.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from typing import Any, Final, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pandas.api.internals import create_dataframe_from_blocks

from kit.data_file import data_file
from kit.errors import Faults, did_you_mean, refusals

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Scale = Literal["plain", "log"]
T = TypeVar("T")

_TEXT: Final = pd.StringDtype("pyarrow", na_value=np.nan)
"""What pandas calls 'str'."""

LONGEST_KEPT: Final = 500
"""Rows of a column of text that is kept for the tables after it."""

refused = refusals(data_file(__file__, "refusals.toml"))
"""Returns the error of one table or question that cannot be answered."""

_NOTES: Final = data_file(__file__, "notes.toml")

BOUNDS: Mapping[str, int] = {"exact": 0, "at least": 1, "at most": -1}
"""Statuses that carry a value, as the side on which the true value may lie."""


def noted(what: str, /, **parts: object) -> str:
    """Return what a fit notes, by its name in notes.toml."""
    return str(_NOTES[what].format(**parts))


@dataclass(frozen=True)
class Levels:
    """A column of labels as codes.

    Attributes
    ----------
    codes
        One number a burn, counting the labels in the order they first appear.
    labels
        The labels as they stand in the table.
    """

    codes: Codes
    labels: tuple[Any, ...]

    @property
    def count(self) -> int:
        """Number of labels."""
        return len(self.labels)

    @cached_property
    def sizes(self) -> Codes:
        """Burns of each label."""
        return np.bincount(self.codes, minlength=len(self.labels))

    def of_each(self, codes: Codes) -> Codes:
        """Return the code of each label, that of the last of its burns, from the codes of the burns."""
        found = np.zeros(self.count, dtype=np.int64)
        found[self.codes] = codes
        return found

    @property
    def indicators(self) -> Array:
        """(burns, labels) one where a burn has a label."""
        return np.asarray(self.codes[:, None] == np.arange(self.count), dtype=np.float64)

    @cached_property
    def _order(self) -> tuple[Codes, Codes]:
        """Burns sorted by label, and where each label begins."""
        return np.argsort(self.codes, kind="stable"), np.cumsum(self.sizes) - self.sizes

    def sums(self, rows: Array) -> Array:
        """Return sums over each label: (rows, burns) to (rows, labels)."""
        if len(rows) <= 64:
            return np.array([np.bincount(self.codes, row, self.count) for row in rows])
        order, starts = self._order
        return np.asarray(np.add.reduceat(rows[:, order], starts, axis=1))

    def less_means(self, rows: Array) -> Array:
        """Return rows (rows, burns) less the mean of each label."""
        return np.asarray(rows - (self.sums(rows) / self.sizes)[:, self.codes])


@dataclass(frozen=True)
class Roles:
    """Which column of the table plays which part; None where there is none."""

    values: tuple[str, ...]
    fuel: str | None = "fuel"
    bag: str | None = "bag"
    day: str | None = None
    kind: str | None = None
    covariates: tuple[str, ...] = ()
    status: str | None = None


@dataclass(frozen=True)
class Columns:
    """The burns that are analysed, as arrays.

    Attributes
    ----------
    values
        (responses, burns) on the analysis scale.
    fuel, bag, day
        Codes and labels; bags are counted within their fuel whatever their labels.
    kind_of_fuel
        Code of each fuel's kind, None without kinds.
    numbers, blocks
        Covariates that are numbers, and those that are labels.
    side
        0 exact, 1 at least, -1 at most; None where every value is exact.
    rows
        Positions of the kept burns in the table.
    never
        Labels of fuels with a burn that never reached the threshold.
    notes
        What was left out and how labels were read, in words.
    """

    values: Array
    fuel: Levels | None
    bag: Levels | None
    day: Levels | None
    kinds: tuple[Any, ...]
    kind_of_fuel: Codes | None
    numbers: Mapping[str, Array]
    blocks: Mapping[str, Levels]
    side: Codes | None
    rows: Codes
    notes: tuple[str, ...] = field(default=())
    never: tuple[Any, ...] = ()

    @property
    def n(self) -> int:
        """Number of burns."""
        return int(self.values.shape[1])


def rows_of(data: T, rows: Codes | Mask | slice) -> T:
    """Return some rows of every array of a record whose arrays have a row a response."""
    parts = {name: each[rows] for name, each in vars(data).items() if isinstance(each, np.ndarray)}
    return replace(data, **parts)  # type: ignore[type-var]


def stacked(parts: Sequence[T]) -> T:
    """Return records of arrays with a row a response as one, the rows of each below those before."""
    if len(parts) == 1:
        return parts[0]
    of_first = {name: each for name, each in vars(parts[0]).items() if isinstance(each, np.ndarray)}
    arrays = {name: np.concatenate([vars(part)[name] for part in parts]) for name in of_first}
    return replace(parts[0], **arrays)  # type: ignore[type-var]


def levels_of(values: Iterable[Any]) -> Levels:
    """Return labels as codes in the order they first appear."""
    seen: dict[Any, int] = {}
    codes = [seen.setdefault(value, len(seen)) for value in values]
    return Levels(np.array(codes, dtype=np.int64), tuple(seen))


def noted_bags(fuel: Sequence[Any], bag: Sequence[str]) -> list[str]:
    """Return each burn's bag, '' for all burns of a fuel whose bags are not all noted: one, of unknown number."""
    unnoted = {each for each, label in zip(fuel, bag, strict=True) if not label}
    return ["" if each in unnoted else label for each, label in zip(fuel, bag, strict=True)]


def read_columns(table: pd.DataFrame, roles: Roles, scale: Scale) -> Columns:
    """Return the burns of a table as arrays.

    Parameters
    ----------
    table
        One row a burn.
    roles
        Which column plays which part.
    scale
        'log' analyses the natural logarithm of the values.

    Raises
    ------
    KitError
        For missing columns, blank labels, values that are no numbers, infinite or (on the log scale) not
        positive, and statuses that carry no value; all of them at once.
    """
    faults = Faults()
    _check_names(table, roles, faults)
    faults.settle()
    raw = _numbers(table, roles.values, faults)
    side, never = _sides(table, roles, raw, faults)
    keep, notes = _kept(table, roles, raw, never, faults)
    values = raw if keep.all() else raw[:, keep]
    if scale == "log":
        low = values <= 0
        if low.any():
            response, burn = np.argwhere(low)[0]
            row, name, value = np.flatnonzero(keep)[burn], roles.values[response], values[response, burn]
            faults.take(refused("not positive", row=row, name=name, value=value))
        values = np.log(np.where(low, 1.0, values))
    parts: dict[str, Levels | None] = dict.fromkeys(("fuel", "bag", "day", "kind"))
    for part in parts:
        column = getattr(roles, part)
        parts[part] = None if column is None else _labels(table, column, keep, faults)
    numbers: dict[str, Array] = {}
    blocks: dict[str, Levels] = {}
    for name in roles.covariates:
        column = table[name][keep]
        if not pd.api.types.is_numeric_dtype(column.dtype) or column.dtype == bool:
            blocks[name] = _labels(table, name, keep, faults)
            continue
        numbers[name] = column.to_numpy(dtype=np.float64, na_value=np.nan)
        if not np.isfinite(numbers[name]).all():
            faults.take(refused("blank covariate", name=name))
    faults.settle()
    fuel, bag = parts["fuel"], parts["bag"]
    if bag is not None and fuel is not None:
        bags, inner = bag.count, levels_of((fuel.codes * bag.count + bag.codes).tolist())
        if inner.count != bags:  # labels start anew in each fuel
            anew = tuple(f"{fuel.labels[pair // bags]}:{bag.labels[pair % bags]}" for pair in inner.labels)
            bag = Levels(inner.codes, anew)
            notes += (noted("bags anew"),)
    kinds, kind_of_fuel = _kinds(fuel, parts["kind"], roles)
    kept_side = side[keep] if side[keep].any() else None
    lost: Mapping[Any, int] = {}
    if roles.fuel is not None and never.any():
        burns, lost = Counter(table[roles.fuel].tolist()), Counter(table.loc[never, roles.fuel].tolist())
        notes += tuple(noted("never reached", fuel=own, count=lost[own], burns=burns[own]) for own in lost)
    return Columns(
        values, fuel, bag, parts["day"], kinds, kind_of_fuel, numbers, blocks, kept_side, np.flatnonzero(keep),
        notes, tuple(lost),
    )  # fmt: skip


def _check_names(table: pd.DataFrame, roles: Roles, faults: Faults) -> None:
    if not isinstance(table, pd.DataFrame):
        raise refused("no table", type=type(table).__name__)
    single = (roles.fuel, roles.bag, roles.day, roles.kind, roles.status)
    for name in (*roles.values, *(each for each in single if each is not None), *roles.covariates):
        if not isinstance(name, str):
            shown = " and ".join(map(str, name)) if isinstance(name, list | tuple) else str(name)
            faults.take(refused("several columns", shown=shown))
        elif name not in table.columns:
            faults.take(refused("no column", name=name, meant=did_you_mean(name, map(str, table.columns))))
    if len(table) == 0:
        faults.take(refused("no rows"))


def _numbers(table: pd.DataFrame, names: Sequence[str], faults: Faults) -> Array:
    """Return the values (responses × rows); infinite ones and words are faults."""
    rows = []
    for name in names:
        column = table[name]
        try:
            if isinstance(column.dtype, np.dtype):
                rows.append(np.array(column.array, dtype=np.float64))
            else:
                rows.append(column.to_numpy(dtype=np.float64, na_value=np.nan))
        except (TypeError, ValueError):
            found = next((v for v in column.tolist() if not isinstance(v, int | float)), "a word")
            faults.take(refused("no number", name=name, found=found))
            rows.append(np.full(len(table), np.nan))
    values = np.array(rows)
    for response, row in np.argwhere(np.isinf(values))[:5]:
        faults.take(refused("infinite", row=row, name=names[response]))
    return values


def _sides(table: pd.DataFrame, roles: Roles, values: Array, faults: Faults) -> tuple[Codes, Mask]:
    """Return the side of each row and whether it never reached the threshold; values that are none become NaN."""
    if roles.status is None:
        return np.zeros(len(table), dtype=np.int64), np.zeros(len(table), dtype=np.bool_)
    words = list(map(str, table[roles.status]))
    for word in sorted({word for word in words if word not in BOUNDS and word not in ("never", "missing")}):
        faults.take(refused("status", name=roles.status, word=word))
    values[:, [word in ("never", "missing") for word in words]] = np.nan
    side = np.array([BOUNDS.get(word, 0) for word in words], dtype=np.int64)
    if side.any() and len(roles.values) > 1:
        faults.take(refused("bounds of several", name=roles.status))
    return side, np.array(words) == "never"


def _kept(
    table: pd.DataFrame, roles: Roles, values: Array, never: Mask, faults: Faults
) -> tuple[Mask, tuple[str, ...]]:
    """Return which rows have a value, and what to say of the others."""
    missing = np.isnan(values)
    keep: Mask = np.asarray(~missing.any(axis=0))
    if keep.all():
        return keep, ()
    if not (keep | missing.all(axis=0)).all():
        faults.take(refused("other burns"))
    elif not keep.any():
        faults.take(refused("no value", name=roles.values[0]))
    notes = []
    for which, why in ((~keep & never, "never"), (~keep & ~never, "blank")):
        if which.any():
            names = [name for name in (roles.fuel, roles.bag) if name is not None]
            places = table.loc[which, names].astype(str).agg(", ".join, axis=1) if names else []
            shown = "; ".join(list(places)[:8]) + (" …" if which.sum() > 8 else "")
            notes.append(noted(f"left out, {why}", count=which.sum(), places=shown))
    return keep, tuple(notes)


def _labels(table: pd.DataFrame, name: str, keep: Mask, faults: Faults) -> Levels:
    column = table[name] if keep.all() else table[name][keep]
    levels = levels_of(column.tolist())
    blank = [
        code for code, label in enumerate(levels.labels) if label is None or label is pd.NA or label != label
    ]
    if blank:
        where = np.flatnonzero(keep)[np.isin(levels.codes, blank)]
        faults.take(refused("blank label", name=name, rows=", ".join(map(str, where[:5]))))
    return levels


def _kinds(fuel: Levels | None, kind: Levels | None, roles: Roles) -> tuple[tuple[Any, ...], Codes | None]:
    if kind is None:
        return (), None
    if fuel is None:
        raise refused("kinds of nothing", name=roles.kind)
    of_fuel = fuel.of_each(kind.codes)
    for burn in np.flatnonzero(of_fuel[fuel.codes] != kind.codes)[:1]:
        raise refused("two kinds", name=roles.kind, fuel=fuel.labels[fuel.codes[burn]])
    return kind.labels, of_fuel


def frame_of(
    responses: Sequence[str] | None,
    keys: Mapping[str, Any],
    values: Mapping[str, Array],
    constants: Mapping[str, Any] | None = None,
    order: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Lay (responses, rows) arrays out as a long table.

    Parameters
    ----------
    responses
        Their names for a first column 'response'; None for a single one.
    keys
        Columns of labels or counts: an entry a row of one response, or one for every row of the table.
    values
        Columns of numbers, (responses, rows).
    constants
        Columns that are the same in every row.
    order
        Names in the order wanted; those that are not there are passed over.
    """
    R, rows = next(iter(values.values())).shape
    length = R * rows
    parts: dict[str, Any] = {}
    if responses is not None:
        parts["response"] = tuple(name for name in responses for _ in range(rows))
    parts |= {name: _repeated(labels, length) for name, labels in keys.items()}
    parts |= {name: array.ravel() for name, array in values.items()}
    for name, value in (constants or {}).items():
        parts[name] = (value,) * length if isinstance(value, str) else np.full(length, value)
    names = tuple(parts) if order is None else tuple(name for name in ("response", *order) if name in parts)
    blocks = _blocks([parts[name] for name in names])
    return create_dataframe_from_blocks(blocks, pd.RangeIndex(length), _index(names).view())


def _repeated(labels: Any, length: int) -> tuple[str, ...] | Array:
    """Return labels for every row: text as a tuple, anything else as an array."""
    times = length // len(labels) if len(labels) else 1
    if len(labels) and isinstance(labels[0], str):
        return tuple(labels) * times
    column = np.asarray(labels)
    return column if times == 1 else np.tile(column, times)


def _blocks(parts: Sequence[Any]) -> list[tuple[Any, npt.NDArray[np.intp]]]:
    """Return the columns as pandas keeps them: a text by itself, an array a kind of number."""
    blocks: list[tuple[Any, npt.NDArray[np.intp]]] = []
    alike: dict[Any, list[int]] = {}
    for place, part in enumerate(parts):
        if isinstance(part, tuple):
            text = _text(part) if len(part) <= LONGEST_KEPT else _text.__wrapped__(part)
            blocks.append((text.copy(), np.array([place])))
        else:
            alike.setdefault(part.dtype, []).append(place)
    blocks += [(np.array([parts[place] for place in places]), np.array(places)) for places in alike.values()]
    return blocks


@lru_cache(maxsize=512)
def _text(words: tuple[str, ...]) -> pd.arrays.ArrowStringArray:
    """Return a column of text: labels and methods are those of the fit before, so columns are kept and copied."""
    return pd.arrays.ArrowStringArray(pa.array(words, pa.large_string()), dtype=_TEXT)


@cache
def _index(names: tuple[str, ...]) -> pd.Index:
    return pd.Index(names)
