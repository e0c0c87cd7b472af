"""Mean curves of fuels and their differences over time, with bands that hold the whole curve.


At one time a difference of means over its standard error is t, and at all times together its largest size depends
on how the bags' curves wander. Let the residual curves of the bags (weighted, so that all have one variance) be the
rows of R, of rank d, and let z be one more curve of that variance in the unknown direction of the difference. Were
the true difference zero, the rows of (z, R) could be turned by any rotation without becoming more or less likely
(Langsrud 2005). So with q a random direction in d + 1 dimensions and a(t) = q·(z, R)(t), N²(t) = z² + ΣR²,

    T(t) = a / √((N² − a²)/d)

is exactly t with d degrees of freedom at each t, and max|T| is drawn as it comes for curves like these. What z itself
was cannot be known, since it holds the true difference: it is drawn anew each time, as smooth as R, by running a
Gaussian curve with correlation exp(−s²/2) along the path s that R's direction has travelled. When burns leave, each
bag keeps its place in q. Of each draw the smallest p over the curve is kept; the share of draws below the band's own
p is what may go wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from kit import schema
from kit.burns import Curves
from kit.judge.comparisons import places_of
from kit.judge.judging import judging_level
from kit.judge.question import MOST_FUELS, Counted, Pairs
from kit.trial import Run
from kit.variance.burn_arrays import Array, levels_of

Codes = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Units:
    """The burns that count, with the unit each belongs to: its bag; burns without one are of one bag of their fuel.

    Attributes
    ----------
    celsius
        (burns, times).
    bridged
        The same, with stretches in which a burn was away, its lid open: there it is as far from the others of its
        fuel as just before and just after. It tells how burns differ; means are of what was there.
    unit, day
        (burns) code of its unit, and of its day; one day for all where days were not noted.
    fuel
        (units) code of its fuel.
    fuels
        Fuels in the order of the burns.
    noted
        Whether any bag was noted.
    """

    celsius: Array
    bridged: Array
    unit: Codes
    day: Codes
    fuel: Codes
    fuels: tuple[str, ...]
    noted: bool

    @property
    def day_apart(self) -> Mask:
        """(fuels, fuels) pairs that days keep apart: each fuel was burned on one day, and theirs differ."""
        own = self.fuel[self.unit]
        first = np.array([self.day[own == fuel][0] for fuel in range(len(self.fuels))], dtype=np.int64)
        if (self.day != first[own]).any():
            return np.zeros((len(first), len(first)), dtype=bool)
        apart: Mask = first[:, None] != first
        return apart


def units_of(curves: Curves) -> Units:
    """Return the counted burns by bag; bags are counted within fuels, and what was not noted is one bag of a fuel."""
    kept = np.flatnonzero(curves.counted)
    fuel, bag, day = ([labels[i] for i in kept] for labels in (curves.fuel, curves.bag, curves.day))
    fuels, bags = levels_of(fuel), levels_of(zip(fuel, bag, strict=True))
    days = np.zeros(len(kept), dtype=np.int64) if "" in day else levels_of(day).codes
    celsius = curves.celsius[kept]
    bridged = _bridged(celsius, fuels.codes)
    return Units(celsius, bridged, bags.codes, days, bags.of_each(fuels.codes), fuels.labels, any(bag))


def _bridged(celsius: Array, fuel: Codes) -> Array:
    found, there = celsius.copy(), np.isfinite(celsius)
    for burn, own in enumerate(there):
        edges = np.flatnonzero(np.diff(own.astype(np.int64)))
        for last, back in zip(edges, edges[1:] + 1, strict=False):
            if own[last] and own[back]:
                away = slice(last, back + 1)
                others = celsius[there[:, away].all(axis=1) & (fuel == fuel[burn]), away]
                usual = others.mean(axis=0) if len(others) else np.zeros(back + 1 - last)
                before, after = celsius[burn, [last, back]] - usual[[0, -1]]
                found[burn, away] = usual + np.linspace(before, after, len(usual))
    return found


MOST_PARTS = 40
_LARGEST = 1e6
_TOLERANCE = 1e-9
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Ratios:
    """Variance between bags, and between days, over the variance between the burns of one bag and day."""

    bag: float
    day: float


def variance_ratios(units: Units, parts: Sequence[Codes]) -> Ratios:
    """Return the ratios by moments, each 0 at the least.

    Parameters
    ----------
    units
        The burns.
    parts
        Places on the grid at which one set of burns is there; the longest 40 are looked at.

    Notes
    -----
    Sums of squares with fuels, bags and days taken out in turn and set equal to their expectations (Searle,
    Casella & McCulloch 1992, section 5.5), summed over all times. Days that cannot be told from bags are left in
    them. Where no bag has two burns to compare, what burns differ by holds what bags do.
    """
    chosen = sorted(parts, key=len, reverse=True)[:MOST_PARTS]
    burns, burn_df, bags, bag_df, bag_size, days, day_df, day_size, bags_in_days = np.sum(
        [_squares(units, part) for part in chosen], axis=0
    ).tolist()
    alone = burn_df <= 0  # every unit has one burn: what units differ by on one day is the yardstick of days
    squares, freedom = (bags, bag_df) if alone else (burns, burn_df)
    burn = squares / freedom if freedom > 0 else 0.0
    if burn <= 0:
        return Ratios(0.0 if alone else _LARGEST, 0.0)
    bag = 0.0 if alone else _positive(bags - bag_df * burn, bag_size)
    day = _positive(days - day_df * burn - bags_in_days * bag, day_size)
    return Ratios(min(bag / burn, _LARGEST), min(day / burn, _LARGEST))


def _positive(squares: float, size: float) -> float:
    return max(0.0, squares / size) if size > _TOLERANCE else 0.0


def _squares(units: Units, part: Codes) -> tuple[float, ...]:
    """Return sums of squares over the times of a part, and what each is expected to be in multiples of the variances.

    Of burns: what bags and days leave over, and its degrees of freedom. Of bags: beyond fuels and days, the same, and
    the multiple of their variance. Of days: beyond fuels, likewise, and the multiple of the bags' that is in it.
    """
    here = np.isfinite(units.bridged[:, part[0]])
    celsius = units.bridged[np.ix_(here, part)]
    unit = units.unit[here]
    bags, days, fuels = (levels_of(codes).indicators for codes in (unit, units.day[here], units.fuel[unit]))
    by_fuel, by_fuel_and_day, by_all = _basis(fuels), _basis(fuels, days), _basis(bags, days)
    if by_all.shape[1] == by_fuel_and_day.shape[1] and bags.shape[1] > fuels.shape[1]:
        days = days[:, :0]
        by_fuel_and_day, by_all = by_fuel, _basis(bags)
    off = celsius - by_fuel @ (by_fuel.T @ celsius)
    whole = float((off**2).sum())
    of_days, of_all = (float(((basis.T @ off) ** 2).sum()) for basis in (by_fuel_and_day, by_all))
    k, ranks = len(part), (by_fuel.shape[1], by_fuel_and_day.shape[1], by_all.shape[1])
    left = whole - of_all if whole - of_all > _ROUNDING * whole else 0.0
    caught = _caught(by_fuel_and_day, bags)
    day_size = k * (_caught(by_fuel_and_day, days) - _caught(by_fuel, days))
    of_burns = (left, k * (len(off) - ranks[2]))
    of_bags = (of_all - of_days, k * (ranks[2] - ranks[1]), k * (len(off) - caught))
    in_days = (of_days, k * (ranks[1] - ranks[0]), day_size, k * (caught - _caught(by_fuel, bags)))
    return (*of_burns, *of_bags, *in_days)


def _caught(basis: Array, indicators: Array) -> float:
    """Return tr(Z'PZ), P the projection on the basis."""
    return float(((basis.T @ indicators) ** 2).sum())


def _basis(*blocks: Array) -> Array:
    """Return orthonormal columns that span those of all blocks."""
    columns = np.hstack(blocks)
    squares, turns = np.linalg.eigh(columns.T @ columns)
    kept = squares > _TOLERANCE * squares[-1]
    basis: Array = columns @ (turns[:, kept] / np.sqrt(squares[kept]))
    return basis


LIKELIER = 0.1
"""Gain in −2 log likelihood a degree of freedom from which on a fuel's own height and slope count."""
REWEIGHTED = 8
FEWEST_TIMES = 10
"""Below so many times a curve shows no height and slope to speak of."""
LEAST_SCALE = 0.02
"""Of the largest scale: readings themselves are no finer."""
ROUNDING = 1e-10
"""Bags that agree to this share of their values agree."""


@dataclass(frozen=True, eq=False)
class Piece:
    """The times at which one set of burns is there.

    With V the variance matrix of the units' means, up to a factor, and S = V^-½:

    Attributes
    ----------
    times
        (k) places on the grid.
    n, bags
        (fuels) burns of each, and units of each.
    df
        Units less fuels: degrees of freedom of what units of one fuel differ by.
    variance
        (fuels, fuels) of the means, up to the same factor; NaN for a fuel that is not there.
    mean
        (fuels, k) generalised least squares of the units; NaN for a fuel that is not there.
    scale
        (fuels, k) how far units of each fuel are expected to differ at each time, beside the others.
    rest
        (units, k) S × (unit's mean − fuel's mean)/scale, of the bridged curves; 0 for a unit that is not there.
    here
        (units) which are there, bridged.
    taken
        (units, fuels) orthonormal directions of S that the means take up.
    banded
        Whether enough units are left for limits: half of the degrees of freedom that the trial has at its
        fullest, and two, or all that it ever has.
    """

    times: Codes
    n: Codes
    bags: Codes
    df: int
    variance: Array
    mean: Array
    scale: Array
    rest: Array
    here: Mask
    taken: Array
    banded: bool = False

    @property
    def spread(self) -> Array:
        """(k) factor of V in squares of the scale, as a standard deviation; NaN where there are no limits."""
        squares = (self.rest**2).sum(axis=0)
        return np.sqrt(squares / self.df) if self.banded else np.full(len(squares), np.nan)


def pieces_of(units: Units) -> list[Piece]:
    """Return the pieces in the order of time: a new one begins where a burn comes or goes."""
    there = np.isfinite(units.celsius)
    if not there.any():
        return []
    changes = np.flatnonzero((there[:, 1:] != there[:, :-1]).any(axis=0)) + 1
    parts = [part for part in np.split(np.arange(there.shape[1]), changes) if there[:, part[0]].any()]
    ratios, scale = variance_ratios(units, parts), _scale(units)
    pieces = [_piece(units, part, ratios, scale[:, part]) for part in parts]
    most = max(piece.df for piece in pieces)
    least = max(1, min(most, max(2, -(-most // 2))))
    return [replace(piece, banded=piece.df >= least) for piece in pieces]


def _scale(units: Units) -> Array:
    """Return (fuels, times) how far units of a fuel may be expected to differ, from what moves a curve.

    A hotter bag lifts the curve in proportion to its height, a quicker one shifts it by its slope, and something is
    left at any height: σ² = a·height² + b·slope² + c, with a, b, c of all fuels and times together, by least squares
    without negative parts, reweighted. So the spread at a time belongs to that time of that fuel: ash that is
    cold is not taken to vary as much as a fuel that burns beside it. Where that makes the burns hardly likelier than
    one spread for all fuels at a time, it is one.
    """
    burns_of, times = units.fuel[units.unit], units.bridged.shape[1]
    of_one = np.ones((len(units.fuels), times))
    if times < FEWEST_TIMES:
        return of_one
    low, rise = np.nanmin(units.bridged), np.gradient(units.bridged, axis=1)
    squares, parts = np.full((2, *of_one.shape), np.nan)
    columns = np.ones((*of_one.shape, 4))
    for fuel in range(len(of_one)):
        own = burns_of == fuel
        count = np.maximum(np.isfinite(units.bridged[own]).sum(axis=0), 1)
        units_there = np.flatnonzero(units.fuel == fuel)
        means = np.array([_mean_of(units.bridged[units.unit == unit]) for unit in units_there])
        there = np.isfinite(means).sum(axis=0)
        squares[fuel] = np.nansum((means - _mean_of(means)) ** 2, axis=0)
        parts[fuel] = np.where(there > 1, there - 1, np.nan)
        columns[fuel, :, 0] = (np.nansum(units.bridged[own] - low, axis=0) / count) ** 2
        columns[fuel, :, 1] = np.nansum(rise[own] ** 2, axis=0) / count
        columns[fuel, :, 2] = columns[fuel, :, 1] * np.arange(times) ** 2
    variance, X = (squares / parts).ravel(), columns.reshape(-1, 4)
    known = np.isfinite(variance)
    expected = np.full(len(X), variance[known].mean() if known.any() else 0.0)
    for _ in range(REWEIGHTED):
        if not (expected > 0).all():
            return of_one
        rows = X[known] / expected[known, None]
        sizes = np.maximum(rows.max(axis=0), ROUNDING)
        found, _ = optimize.nnls(rows / sizes, variance[known] / expected[known])
        expected = np.maximum(np.asarray(X @ (found / sizes)), LEAST_SCALE**2 * expected.max())
    of_fuels = expected.reshape(of_one.shape)
    gained = _unlikely(squares, parts, of_one) - _unlikely(squares, parts, of_fuels)
    return np.asarray(np.sqrt(of_fuels)) if gained > LIKELIER * np.nansum(parts) else of_one


def _unlikely(squares: Array, parts: Array, expected: Array) -> float:
    """Return −2 log likelihood, times taken one by one: a variance of each time's own beside what is expected."""
    there = np.isfinite(parts)
    freedom = np.where(there, parts, 0.0)
    total = freedom.sum(axis=0)
    own = np.where(there, squares / expected, 0.0).sum(axis=0) / np.maximum(total, 1)
    logs = np.log(np.where(own > 0, own, 1.0)) * total + (freedom * np.log(expected)).sum(axis=0)
    return float(logs.sum())


def _mean_of(curves: Array) -> Array:
    """Return the mean over rows of those that are there, NaN where none is."""
    count = np.isfinite(curves).sum(axis=0)
    empty = np.full(curves.shape[1], np.nan)
    return np.asarray(np.divide(np.nansum(curves, axis=0), count, out=empty, where=count > 0))


def _piece(units: Units, part: Codes, ratios: Ratios, scale: Array) -> Piece:
    shown = differing = _averaged(units, units.celsius, part, ratios)
    if (np.isfinite(units.bridged[:, part[0]]) != np.isfinite(units.celsius[:, part[0]])).any():
        differing = _averaged(units, units.bridged, part, ratios)
    burns, m = np.isfinite(units.celsius[:, part[0]]), len(units.fuels)
    here, count = differing.here, len(units.fuel)
    return Piece(
        times=part,
        n=np.bincount(units.fuel[units.unit[burns]], minlength=m),
        bags=np.bincount(units.fuel[shown.here], minlength=m),
        df=len(here) - len(differing.fuels),
        variance=_laid_out((m, m), np.ix_(shown.fuels, shown.fuels), shown.back @ shown.back.T, np.nan),
        mean=_laid_out((m, len(part)), shown.fuels, shown.mean, np.nan),
        scale=scale,
        rest=_laid_out(
            (count, len(part)), here, differing.root @ (differing.off / scale[units.fuel[here]]), 0.0
        ),
        here=np.isin(np.arange(count), here),
        taken=_laid_out((count, len(differing.fuels)), here, differing.taken, 0.0),
    )


@dataclass(frozen=True, eq=False)
class _Averaged:
    """Generalised least squares of the units that are there, with S and the directions and factor of the means."""

    here: Codes
    fuels: Codes
    root: Array
    taken: Array
    back: Array
    mean: Array
    off: Array


def _averaged(units: Units, celsius: Array, part: Codes, ratios: Ratios) -> _Averaged:
    burns = np.isfinite(celsius[:, part[0]])
    count = np.bincount(units.unit[burns], minlength=len(units.fuel)).astype(np.float64)
    here, fuels = np.flatnonzero(count), np.unique(units.fuel[count > 0])
    averaging = (units.unit[burns] == here[:, None]) / count[here, None]
    means = averaging @ celsius[np.ix_(burns, part)]
    root = _root(averaging, units.day[burns], count[here], ratios)
    belongs = (units.fuel[here, None] == fuels).astype(np.float64)
    taken, triangle = np.linalg.qr(root @ belongs)
    back = np.linalg.inv(triangle)
    mean = back @ (taken.T @ (root @ means))
    off = means - belongs @ mean
    off = np.where(np.abs(off) > ROUNDING * (1 + np.abs(means)), off, 0.0)
    return _Averaged(here, fuels, root, taken, back, mean, off)


def _root(averaging: Array, day: Codes, count: Array, ratios: Ratios) -> Array:
    """Return V^-½ of units' means, V in variances of a burn: their own, their bag's, and the days they share."""
    alone = ratios.bag + 1 / count
    if ratios.day == 0:
        return np.diag(1 / np.sqrt(alone))
    days = averaging @ levels_of(day).indicators
    values, vectors = np.linalg.eigh(np.diag(alone) + ratios.day * (days @ days.T))
    root: Array = (vectors / np.sqrt(values)) @ vectors.T
    return root


def _laid_out(shape: tuple[int, int], place: Any, values: Array, empty: float) -> Array:
    whole = np.full(shape, empty)
    whole[place] = values
    return whole


DRAWS = 4000
_NUMBERS_AT_ONCE = 2_000_000


def smallest_p(pieces: Sequence[Piece], seed: int) -> Array:
    """Return the smallest two-sided p over each piece in each draw (draws, pieces); 1 where there is no band.

    Parameters
    ----------
    pieces
        The whole curve, in order.
    seed
        Of the random directions.
    """
    rng = np.random.default_rng(seed)
    live = [place for place, piece in enumerate(pieces) if piece.banded and (piece.rest != 0).any()]
    found = np.ones((DRAWS, len(pieces)))
    if not live:
        return found
    rest = np.concatenate([pieces[place].rest for place in live], axis=1)
    wander = _wandering(rest)
    ends = np.cumsum([pieces[place].rest.shape[1] for place in live])[:-1]
    size = min(DRAWS, max(1, _NUMBERS_AT_ONCE // rest.shape[1]))
    for start in range(0, DRAWS, size):
        n = min(size, DRAWS - start)
        lone = rng.standard_normal((n, 1))
        directions = rng.standard_normal((n, rest.shape[0]))
        unseen = rng.standard_normal((n, wander.shape[1])) @ wander.T
        for place, part in zip(live, np.split(unseen, ends, axis=1), strict=True):
            piece = pieces[place]
            squares = (piece.rest**2).sum(axis=0)
            z = part * np.sqrt(squares / piece.df)
            here = directions * piece.here
            within = np.maximum((here**2).sum(axis=1) - ((here @ piece.taken) ** 2).sum(axis=1), 0.0)
            along = (lone * z + directions @ piece.rest) / np.sqrt(lone**2 + within[:, None])  # a
            whole = squares + z**2  # N²
            share = np.divide(along**2, whole, out=np.zeros_like(along), where=whole > 0).max(axis=1)
            t = np.sqrt(piece.df * share / np.maximum(1 - share, 1e-300))
            found[start : start + n, place] = 2 * special.stdtr(piece.df, -t)
    return found


def _wandering(rest: Array) -> Array:
    """Return L (times, k) with LL' = exp(−(s − s')²/2), s the path of the residuals' direction in radians."""
    size = np.sqrt((rest**2).sum(axis=0))
    direction = np.divide(rest, size, out=np.zeros_like(rest), where=size > 0)
    turned = np.arccos(np.clip((direction[:, 1:] * direction[:, :-1]).sum(axis=0), -1.0, 1.0))
    turned = np.where((size[1:] > 0) & (size[:-1] > 0), turned, 0.0)
    path = np.concatenate(([0.0], np.cumsum(turned)))
    values, vectors = np.linalg.eigh(np.exp(-((path[:, None] - path) ** 2) / 2))
    kept = values > 1e-10 * values[-1]
    root: Array = vectors[:, kept] * np.sqrt(values[kept])
    return root


APART = ("a", "b", "from_s", "to_s", "larger")
DAYS_APART = (
    "Differences between curves of different days have no limits: fuel and day cannot be separated, since each fuel "
    "was burned on one day."
)
_Part = tuple[tuple[str, ...], Array]
"""Labels, and numbers (columns, rows): seconds, the curve, its four limits, the burns behind it."""


@dataclass(frozen=True, eq=False)
class JudgedCurves:
    """Curves of a trial judged: means, differences, when two fuels differ, and what to know of the bands."""

    means: pd.DataFrame
    differences: pd.DataFrame
    apart: pd.DataFrame
    notes: tuple[str, ...]


def judge_curves(curves: Curves, counted: Counted, run: Run, seed: int) -> JudgedCurves:
    """Return mean and difference curves of the burns that are compared, every pair of fuels."""
    there = curves.counted & np.array([name in counted.burns for name in curves.burn], dtype=bool)
    compared, level = replace(curves, counted=there), judging_level(run)
    if len(set(np.array(compared.fuel)[there])) > MOST_FUELS:
        none = _joined([], level, schema.DIFFERENCE_CURVES)
        return JudgedCurves(_plain_means(compared, level), none, apart(none), ())
    drawn = drawn_curves(compared, seed)
    differences = difference_curves(drawn, "all", level)
    days = DAYS_APART if drawn.units.day_apart.any() else ""
    notes = tuple(filter(None, [why_no_band(drawn), days]))
    return JudgedCurves(mean_curves(drawn, level), differences, apart(differences), notes)


@dataclass(frozen=True, eq=False)
class DrawnCurves:
    """Curves in pieces, with the smallest p of each piece in each draw."""

    seconds: Array
    units: Units
    pieces: Sequence[Piece]
    smallest: Array
    air_c: float

    def combined(self, fuels: Sequence[int], level: float, limited: bool = True) -> Array:
        """Return the mean of one fuel, or that of the first less that of the second, where all have a burn.

        Limits are given where units enough are left in all, and half of each of these fuels' own at its fullest: at
        each time centre ± t(df) se, and for the whole curve by the p of the draws.

        Returns
        -------
        (columns, times) seconds, the curve, low, high, band_low, band_high, burns of each fuel.
        """
        own, sign = list(fuels), np.array([1.0, -1.0])[: len(fuels)]
        there = [place for place, piece in enumerate(self.pieces) if (piece.n[own] > 0).all()]
        if not there:
            return np.empty((6 + len(own), 0))
        fullest = np.max([piece.bags[own] for piece in self.pieces], axis=0)
        banded = [
            place
            for place in there
            if self.pieces[place].banded and (2 * self.pieces[place].bags[own] >= fullest).all()
        ]
        p = math.nan
        if banded:
            p = min(float(np.quantile(self.smallest[:, banded].min(axis=1), 1 - level)), 1 - level)
        parts = []
        for place in there:
            piece = self.pieces[place]
            centre, size = sign @ piece.mean[own], sign[:, None] * piece.scale[own]
            told = (size * (piece.variance[np.ix_(own, own)] @ size)).sum(axis=0)
            se = piece.spread * np.sqrt(told)
            # blank too where burns do not differ at all
            se = np.where((se > 0) & (limited and place in banded), se, np.nan)
            half, band = (
                special.stdtrit(max(piece.df, 1), share) * se for share in ((1 + level) / 2, 1 - p / 2)
            )
            numbers = [centre, centre - half, centre + half, centre - band, centre + band]
            counts = np.repeat(piece.n[own, None], len(piece.times), axis=1)
            parts.append(np.vstack([self.seconds[piece.times], *numbers, counts]))
        return np.hstack(parts)


def drawn_curves(curves: Curves, seed: int = 1) -> DrawnCurves:
    """Return the counted curves cut into pieces, with the draws that all their bands are made from."""
    units = units_of(curves)
    pieces = pieces_of(units)
    return DrawnCurves(curves.seconds, units, pieces, smallest_p(pieces, seed), curves.air_c)


def _plain_means(curves: Curves, level: float) -> pd.DataFrame:
    """Return plain means of very many fuels, without limits: pieces for each burn's end would fill the memory."""
    parts: list[_Part] = []
    fuels = np.array(curves.fuel)
    for fuel in dict.fromkeys(fuels[curves.counted]):
        own = curves.celsius[curves.counted & (fuels == fuel)]
        n = np.isfinite(own).sum(axis=0)
        there = n > 0
        mean = np.nansum(own[:, there], axis=0) / n[there]
        blank = np.full((4, len(mean)), np.nan)
        parts.append(((str(fuel),), np.vstack([curves.seconds[there], mean, blank, n[there]])))
    return _joined(parts, level, schema.MEAN_CURVES)


def mean_curves(drawn: DrawnCurves, level: float = 0.95) -> pd.DataFrame:
    """Return the mean curve of each fuel with pointwise limits and a simultaneous band.

    Parameters
    ----------
    level
        Confidence: of `low` and `high` at each time, of `band_low` and `band_high` for the whole curve.

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
    without days and with fuels that vary alike the classical answer, whatever the ratio. No band reaches below
    the air, or, where that was not noted, the coolest reading.
    """
    parts: list[_Part] = []
    for code, fuel in enumerate(drawn.units.fuels):
        numbers = drawn.combined([code], level)
        if drawn.air_c == drawn.air_c:
            numbers[2:6] = np.maximum(numbers[2:6], np.fmin(drawn.air_c, numbers[1]))
        parts.append(((fuel,), numbers))
    return _joined(parts, level, schema.MEAN_CURVES)


def difference_curves(drawn: DrawnCurves, pairs: Pairs = "all", level: float = 0.95) -> pd.DataFrame:
    """Return the difference of the mean curves of pairs of fuels, with a band for each whole difference.

    Parameters
    ----------
    pairs
        'all', ('control', fuel) or a list of (a, b). Against the control, b is the control.
    level
        As for `mean_curves`.

    Returns
    -------
    DataFrame
        schema.DIFFERENCE_CURVES, a row for each pair and time at which both have a burn.

    Raises
    ------
    KitError
        For a fuel that has no curve.
    """
    fuels, apart_by_day = drawn.units.fuels, drawn.units.day_apart
    places = places_of(fuels, pairs, "a fuel that has curves", "fuel").tolist()
    parts = [((fuels[a], fuels[b]), drawn.combined([a, b], level, not apart_by_day[a, b])) for a, b in places]
    return _joined(parts, level, schema.DIFFERENCE_CURVES)


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


def why_no_band(drawn: DrawnCurves) -> str:
    """Return why the mean curves have no band, or none to the end; '' where they have one all along."""
    units, pieces = drawn.units, drawn.pieces
    if not len(units.fuel):
        return ""
    if np.bincount(units.fuel).max() > 1:
        last = max(
            (float(drawn.seconds[piece.times[-1]]) for piece in pieces if piece.banded), default=math.nan
        )
        if not pieces or pieces[-1].banded or math.isnan(last):
            return ""
        return (
            f"Bands of curves end where fewer than half of a fuel's bags are left to judge by, all of them at "
            f"{last / 60:.0f} min; the means go on without them."
        )
    if np.bincount(units.fuel[units.unit]).max() == 1:
        return "Curves have no bands: one burn of each fuel cannot show how burns differ."
    few = "one bag of each fuel cannot" if units.noted else "burns whose bags were not noted cannot"
    return f"Curves have no bands: {few} show how bags differ, however many the burns."


def _joined(parts: Sequence[_Part], level: float, table: tuple[schema.Column, ...]) -> pd.DataFrame:
    """Lay out the parts one below the other, in the order of the table."""
    names = [column.name for column in table]
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=np.float64) for name in names})
    sizes = [numbers.shape[1] for _, numbers in parts]
    labels = [np.repeat(column, sizes) for column in zip(*(label for label, _ in parts), strict=True)]
    numbers = np.hstack([numbers for _, numbers in parts])
    frame = pd.DataFrame(dict(zip(names, [*labels, *numbers, np.full(sum(sizes), level)], strict=True)))
    return frame.astype({name: np.int64 for name in names if name in ("n", "n_a", "n_b")})
