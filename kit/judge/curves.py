"""Mean curves of fuels and their differences over time, with bands that hold the whole curve."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.burns import Curves
from kit.judge.comparisons import places_of
from kit.judge.curve_spread import Piece, Units, pieces_of, smallest_p, units_of
from kit.judge.judging import judging_level
from kit.judge.question import MOST_FUELS, WORDS, Counted, Pairs
from kit.trial import Run
from kit.variance.burn_arrays import Array

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
