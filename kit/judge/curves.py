"""Mean curves of fuels and their differences over time, with bands that hold the whole curve.

How large a difference may be by chance alone is seen from how curves of one fuel differ from bag to bag. At one time
a difference of means over its standard error is t, and at all times together its largest size depends on how the
bags' curves wander. Let the residual curves of the bags (weighted, so that all have one variance) be the rows of R,
of rank d, and let z be one more curve of that variance in the unknown direction of the difference. Were the true
difference zero, the rows of (z, R) could be turned by any rotation without becoming more or less likely
(Langsrud 2005). So with q a random direction in d + 1 dimensions and a(t) = q·(z, R)(t), N²(t) = z² + ΣR²,

    T(t) = a / √((N² − a²)/d)

is exactly t with d degrees of freedom at each t, and max|T| is drawn as it comes for curves like these. What z itself
was cannot be known, since it holds the true difference: it is drawn anew each time, as smooth as R, by running a
Gaussian curve with correlation exp(−s²/2) along the path s that R's direction has travelled. When burns leave, each
bag keeps its place in q. Of each draw the smallest p over the curve is kept; the share of draws below the band's own
p is what may go wrong.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg, optimize, special

from kit import schema
from kit.burns import Curves
from kit.judge.comparisons import places_of
from kit.judge.judging import judging_level
from kit.judge.question import MOST_FUELS, WORDS, Counted, Pairs
from kit.trial import Run
from kit.variance.burn_arrays import Array, Codes, Levels, Mask, levels_of, noted_bags

SAID = WORDS["curves"]


def judge_curves(
    curves: Curves, counted: Counted, run: Run, seed: int
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Return the curves of the burns that are compared, every pair of fuels, and what to know of their bands.

    Returns
    -------
    The tables mean_curves, difference_curves and apart by name, and notes.
    """
    there = curves.counted & np.array([name in counted.burns for name in curves.burn], dtype=bool)
    compared, level = replace(curves, counted=there), judging_level(run)
    notes: list[str] = []
    if len(set(np.array(compared.fuel)[there])) > MOST_FUELS:
        means, differences = _plain_means(compared, level), _laid_out({}, level, "difference_curves")
    else:
        drawn = drawn_curves(compared, seed)
        means, differences = mean_curves(drawn, level), difference_curves(drawn, "all", level)
        notes = [why_no_band(drawn), SAID["days_apart"] if drawn.units.day_apart.any() else ""]
    tables = {"mean_curves": means, "difference_curves": differences, "apart": apart(differences)}
    return tables, list(filter(None, notes))


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
        of_burns = Levels(self.fuel[self.unit], self.fuels)
        last = of_burns.of_each(self.day)
        of_one_day = (self.day == last[of_burns.codes]).all()
        return np.asarray((last[:, None] != last) & of_one_day)


def units_of(curves: Curves) -> Units:
    """Return the counted burns by bag, within fuels; bags that are not all noted are one bag of their fuel."""
    kept = np.flatnonzero(curves.counted)
    fuel, bag, day = ([labels[i] for i in kept] for labels in (curves.fuel, curves.bag, curves.day))
    fuels, bags = levels_of(fuel), levels_of(zip(fuel, noted_bags(fuel, bag), strict=True))
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
                found[burn, last + 1 : back] = (usual + np.linspace(before, after, len(usual)))[1:-1]
    return found


MOST_PARTS = 40
_LARGEST, _TOLERANCE, _ROUNDING = 1e6, 1e-9, 1e-12


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
    days, bags, burns = np.sum([_squares(units, part) for part in chosen], axis=0).tolist()
    alone = burns[1] <= 0  # every unit has one burn: what units differ by on one day is the yardstick of days
    squares, freedom, *_ = bags if alone else burns
    burn = squares / freedom if freedom > 0 else 0.0
    if burn <= 0:
        return Ratios(0.0 if alone else _LARGEST, 0.0)
    bag = 0.0 if alone else _positive(bags[0] - bags[1] * burn, bags[2])
    day = _positive(days[0] - days[1] * burn - days[2] * bag, days[3])
    return Ratios(min(bag / burn, _LARGEST), min(day / burn, _LARGEST))


def _positive(squares: float, size: float) -> float:
    return max(0.0, squares / size) if size > _TOLERANCE else 0.0


def _squares(units: Units, part: Codes) -> Array:
    """Return what days, bags and burns explain in turn, beyond fuels, over the times of a part (3, 4).

    Each has its sum of squares, and how often the variances of burns, bags and days are expected to be in it.
    """
    here = np.isfinite(units.bridged[:, part[0]])
    celsius, unit = units.bridged[np.ix_(here, part)], units.unit[here]
    bags, days, fuels = (levels_of(codes).indicators for codes in (unit, units.day[here], units.fuel[unit]))
    spans = fuels, np.hstack([fuels, days]), np.hstack([bags, days])
    bases = [*(linalg.orth(each, _TOLERANCE) for each in spans), np.eye(len(unit))]
    if bases[1].shape == bases[2].shape and bags.shape[1] > fuels.shape[1]:  # bags tell of all that days do
        days, bases[1:3] = days[:, :0], [bases[0], linalg.orth(bags, _TOLERANCE)]
    off = celsius - bases[0] @ (bases[0].T @ celsius)
    squares, *caught = (
        np.array([((basis.T @ each) ** 2).sum() for basis in bases]) for each in (off, bags, days)
    )
    ranks = np.array([basis.shape[1] for basis in bases])
    found = np.diff([squares, *(len(part) * each for each in (ranks, *caught))]).T
    if found[-1, 0] < _ROUNDING * squares[-1]:
        found[-1, 0] = 0.0
    return found


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
        """(k) factor of V in squares of the scale, as a standard deviation."""
        return np.asarray(np.sqrt((self.rest**2).sum(axis=0) / max(self.df, 1)))


def pieces_of(units: Units) -> list[Piece]:
    """Return the pieces in the order of time: a new one begins where a burn comes or goes."""
    there = np.isfinite(units.celsius)
    if not there.any():
        return []
    changes = np.flatnonzero((there[:, 1:] != there[:, :-1]).any(axis=0)) + 1
    parts = [part for part in np.split(np.arange(there.shape[1]), changes) if there[:, part[0]].any()]
    ratios, scale = variance_ratios(units, parts), _scale(units)
    pieces = []
    for part in parts:
        curves = units.celsius, units.bridged
        shown, differ = (_piece(units, each, part, ratios, scale[:, part]) for each in curves)
        pieces.append(replace(differ, n=shown.n, bags=shown.bags, variance=shown.variance, mean=shown.mean))
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
    times = units.bridged.shape[1]
    of_one = np.ones((len(units.fuels), times))
    if times < FEWEST_TIMES:
        return of_one
    curves, fuel = pd.DataFrame(units.bridged), units.fuel[units.unit]
    moves = curves - np.nanmin(curves), np.gradient(curves, axis=1) ** 2
    burns = curves.groupby(fuel).count().clip(lower=1)
    tall, steep = ((pd.DataFrame(each).groupby(fuel).sum() / burns).to_numpy() for each in moves)
    X = np.stack([tall**2, steep, steep * np.arange(times) ** 2, of_one], axis=2)
    means = curves.groupby(units.unit).mean().groupby(units.fuel)
    freedom = np.maximum(means.count().to_numpy() - 1, 0)
    known, variance = freedom > 0, np.nan_to_num(means.var())
    squares = freedom * variance
    expected = np.full(of_one.shape, variance[known].mean() if known.any() else 0.0)
    for _ in range(REWEIGHTED):
        if not (expected > 0).all():
            return of_one
        rows = X[known] / expected[known, None]
        sizes = np.maximum(rows.max(axis=0), ROUNDING)
        found, _ = optimize.nnls(rows / sizes, variance[known] / expected[known])
        expected = np.maximum(np.asarray(X @ (found / sizes)), LEAST_SCALE**2 * expected.max())
    gained = _unlikely(squares, freedom, of_one) - _unlikely(squares, freedom, expected)
    return np.asarray(np.sqrt(expected)) if gained > LIKELIER * freedom.sum() else of_one


def _unlikely(squares: Array, freedom: Codes, expected: Array) -> float:
    """Return −2 log likelihood, times taken one by one: a variance of each time's own beside what is expected."""
    total = freedom.sum(axis=0)
    own = (squares / expected).sum(axis=0) / np.maximum(total, 1)
    logs = np.log(np.where(own > 0, own, 1.0)) * total + (freedom * np.log(expected)).sum(axis=0)
    return float(logs.sum())


def _piece(units: Units, celsius: Array, part: Codes, ratios: Ratios, scale: Array) -> Piece:
    """Return generalised least squares of the units that are there, of their curves as shown or bridged."""
    burns, m = np.isfinite(celsius[:, part[0]]), len(units.fuels)
    count = np.bincount(units.unit[burns], minlength=len(units.fuel)).astype(np.float64)
    here, fuels = np.flatnonzero(count), np.unique(units.fuel[count > 0])
    averaging = (units.unit[burns] == here[:, None]) / count[here, None]
    means = averaging @ celsius[np.ix_(burns, part)]
    days = averaging @ levels_of(units.day[burns]).indicators
    # V^-½, V in variances of a burn: their own, their bag's, and the days they share
    values, vectors = np.linalg.eigh(np.diag(ratios.bag + 1 / count[here]) + ratios.day * (days @ days.T))
    root = (vectors / np.sqrt(values)) @ vectors.T
    belongs = (units.fuel[here, None] == fuels).astype(np.float64)
    variance, mean = np.full((m, m), np.nan), np.full((m, len(part)), np.nan)
    rest, taken = np.zeros((len(count), len(part))), np.zeros((len(count), len(fuels)))
    taken[here], triangle = np.linalg.qr(root @ belongs)
    back = np.linalg.inv(triangle)
    variance[np.ix_(fuels, fuels)] = back @ back.T
    mean[fuels] = back @ (taken[here].T @ (root @ means))
    off = means - belongs @ mean[fuels]
    off = np.where(np.abs(off) > ROUNDING * (1 + np.abs(means)), off, 0.0)
    rest[here] = root @ (off / scale[units.fuel[here]])
    n, bags = (np.bincount(units.fuel[of], minlength=m) for of in (units.unit[burns], here))
    return Piece(part, n, bags, len(here) - len(fuels), variance, mean, scale, rest, count > 0, taken)


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
    ends = np.cumsum([len(pieces[place].times) for place in live])[:-1]
    size = min(DRAWS, max(1, _NUMBERS_AT_ONCE // rest.shape[1]))
    for start in range(0, DRAWS, size):
        n = min(size, DRAWS - start)
        lone, directions, unseen = (rng.standard_normal((n, k)) for k in (1, len(rest), wander.shape[1]))
        for place, along_path in zip(live, np.split(wander, ends), strict=True):
            piece = pieces[place]
            z = (unseen @ along_path.T) * piece.spread
            here = directions * piece.here
            within = np.maximum((here**2).sum(axis=1) - ((here @ piece.taken) ** 2).sum(axis=1), 0.0)
            along = (lone * z + directions @ piece.rest) / np.sqrt(lone**2 + within[:, None])  # a
            whole = piece.df * piece.spread**2 + z**2  # N²
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
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))


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
        bags = np.array([piece.bags[own] for piece in self.pieces])
        many_left = (2 * bags >= bags.max(axis=0)).all(axis=1)
        banded = [place for place in there if self.pieces[place].banded and many_left[place]]
        smallest = self.smallest[:, banded].min(axis=1, initial=1.0)
        p = min(float(np.quantile(smallest, 1 - level)), 1 - level)
        parts = []
        for place in there:
            piece = self.pieces[place]
            centre, size = sign @ piece.mean[own], sign[:, None] * piece.scale[own]
            told = (size * (piece.variance[np.ix_(own, own)] @ size)).sum(axis=0)
            se = piece.spread * np.sqrt(told)
            # blank too where burns do not differ at all
            se = np.where((se > 0) & (limited and place in banded), se, np.nan)
            half, band = (special.stdtrit(piece.df, share) * se for share in ((1 + level) / 2, 1 - p / 2))
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
    fuels, means = np.array(curves.fuel)[curves.counted], {}
    for fuel, own in pd.DataFrame(curves.celsius[curves.counted]).groupby(fuels, sort=False):
        n, mean = own.count(), own.mean()
        blank = np.full((4, len(n)), np.nan)
        means[(str(fuel),)] = np.vstack([curves.seconds, mean, blank, n])[:, n > 0]
    return _laid_out(means, level, "mean_curves")


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
    means = {}
    for code, fuel in enumerate(drawn.units.fuels):
        numbers = drawn.combined([code], level)
        if drawn.air_c == drawn.air_c:
            numbers[2:6] = np.maximum(numbers[2:6], np.fmin(drawn.air_c, numbers[1]))
        means[(fuel,)] = numbers
    return _laid_out(means, level, "mean_curves")


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
    fuels, limited = drawn.units.fuels, ~drawn.units.day_apart
    places = places_of(fuels, pairs, "a fuel that has curves", "fuel").tolist()
    found = {(fuels[a], fuels[b]): drawn.combined([a, b], level, limited[a, b]) for a, b in places}
    return _laid_out(found, level, "difference_curves")


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
    above, below, pair = differences["band_low"] > 0, differences["band_high"] < 0, ["a", "b"]
    larger = differences["a"].where(above, differences["b"].where(below))
    passed = differences.groupby(pair, sort=False)["elapsed_s"].diff()
    step = passed.groupby([differences[name] for name in pair]).transform("min")
    begins = ~(passed <= 1.5 * step) | (larger != larger.shift())
    spans = differences.assign(larger=larger)[above | below].groupby(begins.cumsum())
    ends = {"from_s": ("elapsed_s", "first"), "to_s": ("elapsed_s", "last"), "larger": ("larger", "first")}
    return spans.agg(a=("a", "first"), b=("b", "first"), **ends).reset_index(drop=True)


def why_no_band(drawn: DrawnCurves) -> str:
    """Return why the mean curves have no band, or none to the end; '' where they have one all along."""
    units, pieces = drawn.units, drawn.pieces
    if not len(units.fuel):
        return ""
    if np.bincount(units.fuel).max() > 1:
        banded = [piece for piece in pieces if piece.banded]
        if not banded or banded[-1] is pieces[-1]:
            return ""
        return str(SAID["bands_end"].format(minutes=drawn.seconds[banded[-1].times[-1]] / 60))
    if np.bincount(units.fuel[units.unit]).max() == 1:
        return str(SAID["single_burns"])
    return str(SAID["single_bags" if units.noted else "bags_not_noted"])


def _laid_out(curves: Mapping[Any, Array], level: float, table: str) -> pd.DataFrame:
    """Lay out curves one below the other, in the order of the table.

    Of each fuel or pair (columns, times): seconds, the curve, its four limits, the burns behind it.
    """
    names = schema.names(table)
    if not curves:
        return pd.DataFrame({name: pd.Series(dtype=np.float64) for name in names})
    numbers = np.hstack(list(curves.values()))
    labels = np.repeat(np.array(list(curves)), [each.shape[1] for each in curves.values()], axis=0)
    columns = [*labels.T, *numbers, np.full(len(labels), level)]
    frame = pd.DataFrame(dict(zip(names, columns, strict=True)))
    return frame.astype({name: np.int64 for name in names if name in ("n", "n_a", "n_b")})
