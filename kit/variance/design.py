"""What a trial's design supports, decided before any value is seen.

A variance term stays only if K'G_kK is not a sum of multiples of the others' and of K'K, K spanning the residual space
of X; all that is needed are the inner products tr(P G_i P G_j) with P = I - QQ', or a count where bags lie in fuels.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.linalg import null_space

from kit.errors import Faults
from kit.variance.burn_arrays import Array, Codes, Columns, Levels, Mask, noted, refused

RANK_TOLERANCE = 1e-9

NONE_OF_IT = 1e-6
"""Share of a group in groups that cannot be told apart, below which it is none of them."""

NO_LABEL = "(none named)"

Spread = Literal["common", "by fuel", "by kind"]
FuelEffect = Literal["fixed", "random"]
Method = Literal["REML", "ML"]


@dataclass(frozen=True)
class Term:
    """A random term: 'fuel', 'bag' or 'day', with the level of each burn.

    Attributes
    ----------
    lies_in
        Code of the mean each level lies in: bags lie in fuels. None where a level has burns of several, as days do.
    """

    name: str
    levels: Levels
    lies_in: Codes | None


@dataclass(frozen=True)
class Design:
    """Fixed and random parts of one trial.

    Attributes
    ----------
    X
        (burns, columns): an indicator for each mean, centred covariates, sum-to-zero blocks.
    Q, R
        X = QR with orthonormal Q.
    columns
        Names of X's columns.
    labels
        What the means are of: fuels, kinds, or ('all',).
    mean_of
        Codes of the mean each burn belongs to.
    terms
        Random terms that the design can tell apart.
    spread
        Groups whose burns share one SD.
    apart
        (means, means) True where two means cannot be separated from day or another block.
    notes
        Reasons, in a tester's words.
    """

    X: Array
    Q: Array
    R: Array
    columns: tuple[str, ...]
    labels: tuple[Any, ...]
    mean_of: Codes
    terms: tuple[Term, ...]
    spread: Levels
    apart: Mask
    notes: tuple[str, ...]

    @property
    def n(self) -> int:
        """Burns."""
        return int(self.X.shape[0])

    @property
    def p(self) -> int:
        """Columns of X."""
        return int(self.X.shape[1])

    @property
    def nu(self) -> int:
        """Burns beyond the parameters of the means."""
        return self.n - self.p

    @property
    def cell_means(self) -> bool:
        """Whether X holds nothing but the indicators."""
        return self.p == len(self.labels)

    @property
    def comparable(self) -> bool:
        """Whether every pair of means can be compared."""
        return not bool(self.apart.any())

    def term(self, name: str) -> Term | None:
        """Return the random term of that name, if the design supports it."""
        return next((term for term in self.terms if term.name == name), None)

    def mean_rows(self) -> Array:
        """Rows L with L beta = the means, at centred covariates."""
        return np.eye(len(self.labels), self.p)


def design_of(columns: Columns, fuel_effect: FuelEffect, spread: Spread) -> Design:
    """Return what the design supports.

    Raises
    ------
    KitError
        Where covariates cannot be parted from the fuels, fewer burns than parameters are there, or kinds have
        too few fuels.
    """
    means, said = _means(columns, fuel_effect)
    indicators = means.indicators
    day, days = columns.day, 0 if columns.day is None else columns.day.count
    possible = {
        "fuel": columns.fuel if fuel_effect == "random" else None,
        "bag": columns.bag,
        "day": day if days >= 3 else None,
    }
    candidates = [(name, levels) for name, levels in possible.items() if levels is not None]
    notes = {1: (noted("one day"),), 2: (noted("two days"),)}.get(days, ())
    blocks = {**columns.blocks, "day": day} if day is not None and days == 2 else columns.blocks
    X, names, apart, lost = _fixed_part(indicators, columns.numbers, blocks)
    if X.shape[0] < X.shape[1]:
        raise refused("few burns", burns=columns.n, parameters=X.shape[1])
    if X is indicators:
        root = np.sqrt(means.sizes)
        Q, R = X / root, np.diag(root)
    else:
        Q, R = np.linalg.qr(X)
    groups = _groups(columns, spread)
    if X.shape[0] == X.shape[1]:
        candidates, lost = [], (*lost, noted("no repeats"))
    _spread_of_its_own(Q, groups)
    terms, why, apart = _terms(Q, candidates, groups, apart, means, X is indicators)
    labels = tuple(means.labels)
    pairs = [f"{labels[i]} and {labels[j]}" for i, j in np.argwhere(apart) if i < j]
    shown = "; ".join(pairs[:6]) + (" …" if len(pairs) > 6 else "")
    words = (*columns.notes, *said, *notes, *lost, *why, *([noted("apart", pairs=shown)] if pairs else []))
    return Design(X, Q, R, (*map(str, labels), *names), labels, means.codes, terms, groups, apart, words)


def _means(columns: Columns, fuel_effect: FuelEffect) -> tuple[Levels, tuple[str, ...]]:
    """Return what gets a mean: each fuel, each kind (fuels random), or all burns together."""
    fuel = columns.fuel
    if fuel is None:
        return Levels(np.zeros(columns.n, dtype=np.int64), ("all",)), ()
    if fuel_effect == "fixed":
        return fuel, ()
    faults, of = Faults(), columns.kind_of_fuel
    kinds = ("all",) if of is None else columns.kinds
    kind_of = np.zeros(fuel.count, dtype=np.int64) if of is None else of
    for kind, fuels in zip(kinds, np.bincount(kind_of, minlength=len(kinds)), strict=True):
        if fuels < 3:
            faults.take(refused("few fuels", fuels=fuels, of="" if of is None else f" of kind {kind}"))
    faults.settle()
    return Levels(kind_of[fuel.codes], kinds), (noted("fuels at random"),)


def _fixed_part(
    indicators: Array, numbers: Mapping[str, Array], blocks: Mapping[str, Levels]
) -> tuple[Array, list[str], Mask, tuple[str, ...]]:
    """Return X without what cannot be told from the means, its names, the pairs lost and the reasons."""
    X, (n, m), faults = indicators, indicators.shape, Faults()
    for name, values in numbers.items():
        centred = (values - values.mean())[:, None]
        if np.ptp(values) == 0:
            faults.take(refused("constant", name=name, value=values[0]))
        elif n > X.shape[1] and not _new(X, centred):
            faults.take(refused("aliased", name=name))
        X = np.column_stack([X, centred])
    faults.settle()
    names, apart, lost = list(numbers), np.zeros((m, m), dtype=np.bool_), []
    for name, levels in blocks.items():
        block = levels.indicators[:, :-1] - levels.indicators[:, -1:]  # that sum to zero
        apart |= _inseparable(np.column_stack([X, block]), m)
        kept = _new(X, block)
        if len(kept) < block.shape[1] and apart.any():
            lost.append(noted("block aliased", name=name))
        X = np.column_stack([X, block[:, kept]])
        names += [name if block.shape[1] == 1 else f"{name}:{levels.labels[i]}" for i in kept]
    return X, names, apart, tuple(lost)


def _new(X: Array, more: Array) -> list[int]:
    """Return places of further columns that are no sum of X's and of those before them."""
    kept: list[int] = []
    for i in range(more.shape[1]):
        wider = np.column_stack([X, more[:, [*kept, i]]])
        size = np.linalg.norm(wider, axis=0)
        if np.linalg.matrix_rank(wider / size, rtol=RANK_TOLERANCE) == wider.shape[1]:
            kept.append(i)
    return kept


def _inseparable(X: Array, m: int) -> Mask:
    """Return the pairs of means whose difference X cannot estimate: those that its null space moves."""
    size = np.linalg.norm(X, axis=0)
    free = (null_space(X / size, rcond=RANK_TOLERANCE) / size[:, None])[:m]
    return np.asarray((np.abs(free[:, None] - free) > 1e-7).any(axis=2))


def _groups(columns: Columns, spread: Spread) -> Levels:
    if spread == "common":
        return Levels(np.zeros(columns.n, dtype=np.int64), ("all",))
    fuel, kinds = columns.fuel, columns.kind_of_fuel
    if fuel is not None and spread == "by fuel":
        return fuel
    if fuel is None or kinds is None:
        raise refused("spread of nothing", spread=spread, what=spread.removeprefix("by "))
    return Levels(kinds[fuel.codes], columns.kinds)


def _terms(
    Q: Array,
    candidates: list[tuple[str, Levels]],
    groups: Levels,
    apart: Mask,
    means: Levels,
    cell_means: bool,
) -> tuple[tuple[Term, ...], tuple[str, ...], Mask]:
    """Keep each term that is linearly independent of those before it; say where the others went."""
    within: list[Codes | None] = []  # which mean each level lies in; of a term with a level in several, none
    for _, levels in candidates:
        of_level = levels.of_each(means.codes)
        within.append(of_level if (of_level[levels.codes] == means.codes).all() else None)
    g = groups.count
    if cell_means and g == len(candidates) == 1 and within[0] is not None:
        found = [home_within(candidates[0][1], means)]
    else:
        found = homes(Q, [levels for _, levels in candidates], groups)
    notes: list[str] = []
    for (name, levels), home in zip(candidates, found, strict=True):
        if home is None:
            continue
        if home < 0:
            notes.append(noted("day aliased" if name == "day" else "term aliased", name=name))
            apart = apart | _inseparable(np.column_stack([means.indicators, levels.indicators]), means.count)
        else:
            host = "burn" if home < g else candidates[home - g][0]
            notes.append(noted("told from", name=name, host=host))
    parts = zip(candidates, within, found, strict=True)
    terms = tuple(Term(*each, lies_in) for each, lies_in, home in parts if home is None)
    return terms, tuple(notes), apart


def _spread_of_its_own(Q: Array, groups: Levels) -> None:
    """Refuse groups without repeats, and those whose repeats are the same, where spread differs by group."""
    if groups.count == 1:
        return
    table, faults = overlap(Q, (), groups), Faults()
    names = [label or NO_LABEL for label in groups.labels]
    for i in np.flatnonzero(table.diagonal() <= RANK_TOLERANCE):
        faults.take(refused("no repeats of", group=names[i]))
    faults.settle()
    scale = np.sqrt(table.diagonal())
    size, mixed = np.linalg.eigh(table / np.outer(scale, scale))
    if size[0] <= RANK_TOLERANCE:
        same = np.flatnonzero(np.abs(mixed[:, 0]) > NONE_OF_IT)
        raise refused("one spread", groups=" and ".join(str(names[i]) for i in same))


def overlap(Q: Array, terms: Sequence[Levels], groups: Levels) -> Array:
    """Return <K'G_iK, K'G_jK> = tr(P G_i P G_j) of the burn groups and, after them, candidate terms.

    Parameters
    ----------
    Q
        Orthonormal basis of X; P = I - QQ'.
    terms
        Levels of candidate terms, G = ZZ'.
    groups
        Spread groups, G = diag of an indicator; with one group G = I.
    """
    g = groups.count
    whole = np.diag(np.append(groups.sizes, np.zeros(len(terms))))
    for t, one in enumerate(terms, start=g):
        whole[:g, t] = whole[t, :g] = groups.sizes
        for u, other in enumerate(terms, start=g):
            cells = np.unique(one.codes * other.count + other.codes, return_counts=True)[1]
            whole[t, u] = np.sum(cells**2.0)
    GQ = np.array([
        *(Q * own[:, None] for own in groups.indicators.T),
        *(levels.sums(Q.T).T[levels.codes] for levels in terms),
    ])  # fmt: skip
    beside, within = GQ.reshape(len(GQ), -1), (Q.T @ GQ).reshape(len(GQ), -1)
    table = whole - 2 * beside @ beside.T + within @ within.T
    return np.where(table > RANK_TOLERANCE * whole, table, 0.0)


def homes(Q: Array, terms: Sequence[Levels], groups: Levels) -> list[int | None]:
    """Where each candidate goes, in turn.

    None where it stays a term of its own, -1 where the means leave nothing of it, else the place of what it repeats
    among the burn groups and the candidates after them.
    """
    table, g = overlap(Q, terms, groups), groups.count
    kept = [i for i in range(g) if table[i, i] > RANK_TOLERANCE]
    found: list[int | None] = []
    for new in range(g, g + len(terms)):
        home: int | None = None
        if table[new, new] <= 0:
            home = -1
        elif kept:
            own = table[kept][:, kept]
            scale = np.sqrt(own.diagonal())
            cross = table[kept, new] / (scale * np.sqrt(table[new, new]))
            weights = cross if len(kept) == 1 else np.linalg.solve(own / np.outer(scale, scale), cross)
            if 1 - cross @ weights <= RANK_TOLERANCE:
                home = kept[int(np.argmax(np.abs(weights)))]
        found.append(home)
        kept += [new] if home is None else []
    return found


def home_within(levels: Levels, means: Levels) -> int | None:
    """Where a single term goes whose levels lie within cell means, the burns having one SD: counts tell.

    Of K'GK the eigenvalues are 0 between burns of a level and above 0 between levels of a mean.
    """
    if levels.count == means.count:
        return -1
    return 0 if levels.count == len(levels.codes) else None
