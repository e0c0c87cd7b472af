"""Mean curves of fuels and their differences over time, with bands that hold the whole curve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.burns import Curves
from kit.errors import KitError, Problem, did_you_mean
from kit.judge.curve_bands import Array, Piece, Units, pieces_of, smallest_p, units_of
from kit.judge.judging import judging_level
from kit.judge.question import MOST_FUELS, Counted
from kit.trial import Run

APART = ("a", "b", "from_s", "to_s", "larger")
_Part = tuple[tuple[str, ...], Array, tuple[Array, ...], tuple[float, ...]]
Pairs = str | tuple[str, str] | Sequence[tuple[str, str]]


@dataclass(frozen=True, eq=False)
class JudgedCurves:
    """Curves of a trial judged: means, differences, when two fuels differ, and what to know of the bands."""

    means: pd.DataFrame
    differences: pd.DataFrame
    apart: pd.DataFrame
    notes: tuple[str, ...]


def judge_curves(curves: Curves, counted: Counted, run: Run, seed: int) -> JudgedCurves:
    """Return mean and difference curves of the burns that are compared, every pair of fuels."""
    compared = only(curves, counted.burns)
    level = judging_level(run)
    if len(set(np.array(compared.fuel)[compared.counted])) > MOST_FUELS:
        none = _joined([], schema.DIFFERENCE_CURVES)
        return JudgedCurves(_plain_means(compared, level), none, apart(none), ())
    drawn = drawn_curves(compared, seed)
    differences = differences_of(drawn, "all", level)
    notes = tuple(filter(None, [why_no_band(compared), why_not_told_apart(drawn.units)]))
    return JudgedCurves(means_of(drawn, level), differences, apart(differences), notes)


@dataclass(frozen=True, eq=False)
class DrawnCurves:
    """Curves in pieces, with the smallest p of each piece in each draw."""

    seconds: Array
    units: Units
    pieces: Sequence[Piece]
    smallest: Array
    air_c: float

    @property
    def most_bags(self) -> Array:
        """(fuels) units of each fuel at its fullest."""
        return np.asarray(np.max([piece.bags for piece in self.pieces], axis=0), dtype=np.float64)

    def banded(self, piece: Piece, *fuels: int) -> bool:
        """Return whether limits are given there: enough units in all, and half of each of these fuels' own."""
        return piece.banded and all(2 * piece.bags[fuel] >= self.most_bags[fuel] for fuel in fuels)

    def where(self, *fuels: int) -> list[int]:
        """Return the pieces in which all these fuels have a burn."""
        return [place for place, piece in enumerate(self.pieces) if all(piece.n[fuel] > 0 for fuel in fuels)]

    def band_p(self, places: Sequence[int], level: float, *fuels: int) -> float:
        """Return the p that limits have at each time, so that the whole curve has the confidence."""
        live = [place for place in places if self.banded(self.pieces[place], *fuels)]
        if not live:
            return math.nan
        return min(float(np.quantile(self.smallest[:, live].min(axis=1), 1 - level)), 1 - level)


def drawn_curves(curves: Curves, seed: int = 1) -> DrawnCurves:
    """Return curves cut into pieces, with the draws that all their bands are made from."""
    units = units_of(curves)
    pieces = pieces_of(units)
    return DrawnCurves(curves.seconds, units, pieces, smallest_p(pieces, seed), curves.air_c)


def only(curves: Curves, burns: set[str]) -> Curves:
    """Return the same curves with only these burns counted."""
    return replace(
        curves, counted=curves.counted & np.array([name in burns for name in curves.burn], dtype=bool)
    )


def _plain_means(curves: Curves, level: float) -> pd.DataFrame:
    """Return plain means of very many fuels, without limits: pieces for each burn's end would fill the memory."""
    parts: list[_Part] = []
    fuels = np.array(curves.fuel)
    for fuel in dict.fromkeys(fuels[curves.counted]):
        own = curves.celsius[curves.counted & (fuels == fuel)]
        n = np.isfinite(own).sum(axis=0)
        there = n > 0
        mean = np.nansum(own[:, there], axis=0) / n[there]
        blank = (np.full(len(mean), np.nan),) * 4
        counts = zip(np.split(np.flatnonzero(there), np.flatnonzero(np.diff(n[there])) + 1), strict=True)
        for (times,) in counts:
            place = np.searchsorted(np.flatnonzero(there), times)
            numbers = (mean[place], *(each[place] for each in blank))
            parts.append(((str(fuel),), curves.seconds[times], numbers, (n[times[0]], level)))
    return _joined(parts, schema.MEAN_CURVES)


def mean_curves(curves: Curves, level: float = 0.95, seed: int = 1) -> pd.DataFrame:
    """Return the mean curve of each fuel with pointwise limits and a simultaneous band.

    Parameters
    ----------
    curves
        All burns on one grid; excluded ones do not count.
    level
        Confidence: of `low` and `high` at each time, of `band_low` and `band_high` for the whole curve.
    seed
        Of the band.

    Returns
    -------
    DataFrame
        schema.MEAN_CURVES, a row for each fuel and time at which it has a burn. Limits are blank where no fuel
        has a second bag, and from when on too few burns are left to judge by: see `why_no_band`.

    Notes
    -----
    DEVELOPERS.md, method 10. The mean is generalised least squares of the variance model, bags in fuels and days
    across them, with one ratio of bag to burn variance and one of day to burn variance for the whole curve; its
    standard error comes from how bags of a fuel differ, what their days explain taken out, beside what is expected of
    a curve of that height and slope, pooled over the fuels, on bags − fuels degrees of freedom: in a balanced design
    without days and with fuels that vary alike the classical answer, whatever the ratio. No band reaches below the air.
    """
    return means_of(drawn_curves(curves, seed), level)


def means_of(drawn: DrawnCurves, level: float = 0.95) -> pd.DataFrame:
    """Return `mean_curves` from draws made before."""
    parts = []
    for code, fuel in enumerate(drawn.units.fuels):
        places = drawn.where(code)
        p = drawn.band_p(places, level, code)
        for piece in (drawn.pieces[place] for place in places):
            mean = piece.mean[code]
            se = piece.spread * piece.scale[code] * math.sqrt(piece.variance[code, code])
            se = se if drawn.banded(piece, code) else np.full_like(se, np.nan)
            least = np.fmin(drawn.air_c, mean) if drawn.air_c == drawn.air_c else np.full_like(mean, -np.inf)
            numbers = (mean, *(np.maximum(each, least) for each in _limits(mean, se, piece.df, level, p)))
            parts.append(((fuel,), drawn.seconds[piece.times], numbers, (piece.n[code], level)))
    return _joined(parts, schema.MEAN_CURVES)


def difference_curves(
    curves: Curves, pairs: Pairs = "all", level: float = 0.95, seed: int = 1
) -> pd.DataFrame:
    """Return the difference of the mean curves of pairs of fuels, with a band for each whole difference.

    Parameters
    ----------
    curves, level, seed
        As for `mean_curves`.
    pairs
        'all', ('control', fuel) or a list of (a, b). Against the control, b is the control.

    Returns
    -------
    DataFrame
        schema.DIFFERENCE_CURVES, a row for each pair and time at which both have a burn.

    Raises
    ------
    KitError
        For a fuel that has no curve.
    """
    return differences_of(drawn_curves(curves, seed), pairs, level)


def differences_of(drawn: DrawnCurves, pairs: Pairs = "all", level: float = 0.95) -> pd.DataFrame:
    """Return `difference_curves` from draws made before."""
    parts, apart_by_day = [], drawn.units.day_apart
    for a, b in _chosen(drawn.units, pairs):
        places = drawn.where(a, b)
        p = drawn.band_p(places, level, a, b)
        names = (drawn.units.fuels[a], drawn.units.fuels[b])
        for piece in (drawn.pieces[place] for place in places):
            difference = piece.mean[a] - piece.mean[b]
            of_pair, size = piece.variance[np.ix_((a, b), (a, b))], piece.scale[[a, b]]
            told = of_pair[0, 0] * size[0] ** 2 + of_pair[1, 1] * size[1] ** 2
            told = told - 2 * of_pair[0, 1] * size[0] * size[1]
            limited = drawn.banded(piece, a, b) and not apart_by_day[a, b]
            se = piece.spread * np.sqrt(told) if limited else np.full_like(told, np.nan)
            numbers = (difference, *_limits(difference, se, piece.df, level, p))
            parts.append((names, drawn.seconds[piece.times], numbers, (piece.n[a], piece.n[b], level)))
    return _joined(parts, schema.DIFFERENCE_CURVES)


def apart(differences: pd.DataFrame) -> pd.DataFrame:
    """Return from when to when two fuels differ: where the simultaneous band leaves zero out.

    Parameters
    ----------
    differences
        schema.DIFFERENCE_CURVES.

    Returns
    -------
    DataFrame
        a, b, from_s, to_s (the first and last time of the grid), larger (the hotter fuel).
    """
    rows = []
    for (a, b), table in differences.groupby(["a", "b"], sort=False):
        seconds = table["elapsed_s"].to_numpy(np.float64)
        side = (table["band_low"] > 0).to_numpy(np.int64) - (table["band_high"] < 0).to_numpy(np.int64)
        step = np.diff(seconds).min() if len(seconds) > 1 else 0.0
        new = np.flatnonzero((np.diff(side) != 0) | (np.diff(seconds) > 1.5 * step)) + 1
        for part in np.split(np.arange(len(side)), new):
            if len(part) and side[part[0]] != 0:
                rows.append((a, b, seconds[part[0]], seconds[part[-1]], a if side[part[0]] > 0 else b))
    return pd.DataFrame(rows, columns=list(APART))


def why_no_band(curves: Curves) -> str:
    """Return why the mean curves have no band, or none to the end; '' where they have one all along."""
    units = units_of(curves)
    if not len(units.fuel):
        return ""
    if np.bincount(units.fuel).max() > 1:
        return _where_bands_end(curves, pieces_of(units))
    if np.bincount(units.fuel[units.unit]).max() == 1:
        return "Curves have no bands: one burn of each fuel cannot show how burns differ."
    few = "one bag of each fuel cannot" if units.noted else "burns whose bags were not noted cannot"
    return f"Curves have no bands: {few} show how bags differ, however many the burns."


def why_not_told_apart(units: Units) -> str:
    """Return why differences of some fuels' curves have no limits though they have burns enough; '' where all have."""
    if not units.day_apart.any():
        return ""
    return (
        "Differences between curves of different days have no limits: fuel and day cannot be separated, since each "
        "fuel was burned on one day."
    )


def _where_bands_end(curves: Curves, pieces: Sequence[Piece]) -> str:
    last = max((float(curves.seconds[piece.times[-1]]) for piece in pieces if piece.banded), default=math.nan)
    if not pieces or pieces[-1].banded or math.isnan(last):
        return ""
    return (
        f"Bands of curves end where fewer than half of a fuel's bags are left to judge by, all of them at "
        f"{last / 60:.0f} min; the means go on without them."
    )


def _limits(centre: Array, se: Array, df: int, level: float, p: float) -> tuple[Array, ...]:
    """Return low, high, band_low, band_high: centre ± t(df) se; blank where burns do not differ at all."""
    se = np.where(se > 0, se, np.nan)
    alone = special.stdtrit(max(df, 1), (1 + level) / 2) * se
    band = special.stdtrit(max(df, 1), 1 - p / 2) * se
    return centre - alone, centre + alone, centre - band, centre + band


def _chosen(units: Units, pairs: Pairs) -> list[tuple[int, int]]:
    place = {fuel: code for code, fuel in enumerate(units.fuels)}
    if isinstance(pairs, str):
        if pairs != "all":
            raise KitError(_unknown_pairs(pairs))
        return list(combinations(range(len(place)), 2))
    if len(pairs) == 2 and pairs[0] == "control":
        control = _code(place, str(pairs[1]))
        return [(code, control) for code in place.values() if code != control]
    return [(_code(place, pair[0]), _code(place, pair[1])) for pair in pairs]


def _code(place: dict[str, int], fuel: str) -> int:
    if fuel not in place:
        remedy = did_you_mean(fuel, place)
        raise KitError.refuse("pairs", f"'{fuel}'", "a fuel that has curves", remedy)
    return place[fuel]


def _unknown_pairs(pairs: str) -> Problem:
    return Problem(
        "refuse", "pairs", f"'{pairs}'", "'all', ('control', fuel) or pairs of fuels", "Name the pairs."
    )


def _joined(parts: Sequence[_Part], table: tuple[schema.Column, ...]) -> pd.DataFrame:
    """Lay out parts (labels, seconds, numbers, counts) one below the other, in the order of the table."""
    names = [column.name for column in table]
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=np.float64) for name in names})
    sizes = [len(seconds) for _, seconds, _, _ in parts]
    columns: list[Array] = [
        np.repeat(column, sizes) for column in zip(*(part[0] for part in parts), strict=True)
    ]
    columns.append(np.concatenate([part[1] for part in parts]))
    columns += [np.concatenate(column) for column in zip(*(part[2] for part in parts), strict=True)]
    columns += [np.repeat(column, sizes) for column in zip(*(part[3] for part in parts), strict=True)]
    return pd.DataFrame(dict(zip(names, columns, strict=True)))
