"""Burn SDs that differ by group: the model in the small space that the means, bags and days span.

Within a group g only the rows' span of [X_g Z_g W_g] (rank r_g, orthonormal basis U_g) mixes variances; the rest
of its burns say no more than rss_g ~ s_g chi2(n_g - r_g). With V = sum theta_i Z_iZ_i' + diag(s_g) on the reduced
coordinates U'y, the deviance is

    log|V| + log|X'V^-1X| + y'Py + sum_g [(n_g - r_g) log s_g + rss_g/s_g] + nu log 2 pi

(nlme's varIdent in another basis: Pinheiro & Bates 2000, section 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from kit.errors import Faults
from kit.variance.columns import Array, Codes
from kit.variance.design import Design
from kit.variance.engine import Estimate, Pieces
from kit.variance.engines import Borrowed
from kit.variance.nested import Method
from kit.variance.optimise import EXACT, Derivatives, minimise
from kit.variance.restricted import Restricted, reduced

LARGEST = 2500
STARTS = (0.02, 0.4, 3.0)


@dataclass(frozen=True)
class GroupedData:
    """Responses in the reduced space: y (responses, r), rss (responses, groups), level (responses,)."""

    y: Array
    rss: Array
    level: Array


@dataclass(frozen=True)
class GroupedEngine:
    """One burn SD a group, beside any random terms.

    Attributes
    ----------
    basis
        (burns, r) U, one block of columns a group; `group` the group of each.
    X
        (r, p) U'X.
    Z
        One (r, levels) U'Z_i a random term.
    free
        (groups,) n_g - r_g, and the degrees of freedom of a borrowed SD.
    """

    design: Design
    names: tuple[str, ...]
    method: Method
    basis: Array
    group: Codes
    X: Array
    Z: tuple[Array, ...]
    free: Array
    borrowed: Borrowed | None = None

    @property
    def groups(self) -> int:
        """Burn SDs."""
        return len(self.free)

    def rotate(self, values: Array) -> GroupedData:
        """Responses in the reduced space, centred on their own level first."""
        level = values[:, :1] + (values - values[:, :1]).mean(axis=1, keepdims=True)
        y = values - level
        inside = y @ self.basis
        left = (y - inside @ self.basis.T) ** 2
        codes = self.design.spread.codes
        rss = np.stack([left[:, codes == g].sum(axis=1) for g in range(self.groups)], axis=1)
        if self.borrowed is not None:
            rss = rss + self.borrowed.df * self.borrowed.sd**2
        return GroupedData(inside, rss, level[:, 0])

    def residual(self, data: GroupedData) -> Array:
        """Residual sum of squares of ordinary least squares."""
        left = self._left(data)
        return np.asarray(np.vecdot(left, left) + data.rss.sum(axis=1))

    def restricted(self, data: GroupedData) -> Restricted:
        """Return the restricted likelihood of the responses over the ratios of their variances."""
        found = reduced(self.X, self.Z, self.group, data.y, data.rss, self.free)
        found.b_ols[:, : len(self.design.labels)] += data.level[:, None]
        return replace(found, sizes=np.array([float(term.levels.sizes.max()) for term in self.design.terms]))

    def _left(self, data: GroupedData) -> Array:
        return np.asarray(data.y - data.y @ self.X @ np.linalg.pinv(self.X))

    def deviance(self, data: GroupedData, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives in the variances, some rows at a time."""
        size = max(1, int(8e6 // len(self.group) ** 2))
        parts = [
            self._deviance(data, theta[i : i + size], of[i : i + size]) for i in range(0, len(theta), size)
        ]
        if len(parts) == 1:
            return parts[0]
        names = ("value", "gradient", "hessian", "expected")
        return Derivatives(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def _inverse(self, theta: Array) -> tuple[Array, Array, Array]:
        """Return V^-1 (rows, r, r), V^-1X (rows, r, p) and X'V^-1X."""
        K = len(self.Z)
        V = theta[:, K:][:, self.group][:, :, None] * np.eye(len(self.group))
        for i, Z in enumerate(self.Z):
            V = V + theta[:, i, None, None] * (Z @ Z.T)
        inverse = inverse_of(V)
        solved = inverse @ self.X
        return inverse, solved, self.X.T @ solved

    def _deviance(self, data: GroupedData, theta: Array, of: Codes) -> Derivatives:
        K, s = len(self.Z), theta[:, len(self.Z) :]
        inverse, solved, xvx = self._inverse(theta)
        P = inverse - solved @ np.linalg.solve(xvx, solved.transpose(0, 2, 1))
        y, rss = data.y[of], data.rss[of]
        e = (P @ y[:, :, None])[:, :, 0]
        M = P if self.method == "REML" else inverse
        one, two = self._traces(M)
        y1, y2 = self._products(P, e)
        extra = (self.free / s, self.free / s**2, rss / s**2, 2 * rss / s**3)
        diagonal = np.arange(K, K + self.groups)
        gradient, expected, hessian = one - y1, two.copy(), 2 * y2 - two
        gradient[:, K:] += extra[0] - extra[2]
        expected[:, diagonal, diagonal] += extra[1]
        hessian[:, diagonal, diagonal] += extra[3] - extra[1]
        value = (y * e).sum(axis=1) + (rss / s).sum(axis=1) + (self.free * np.log(s)).sum(axis=1)
        value += self._constants(inverse, xvx)
        return Derivatives(value, gradient, hessian, expected)

    def _constants(self, inverse: Array, xvx: Array) -> Array:
        n = self.design.n + (0.0 if self.borrowed is None else self.borrowed.df * self.groups)
        logdet = -np.linalg.slogdet(inverse)[1]
        if self.method == "ML":
            return np.asarray(logdet + n * np.log(2 * np.pi))
        return np.asarray(logdet + np.linalg.slogdet(xvx)[1] + (n - self.design.p) * np.log(2 * np.pi))

    def _by_group(self, rows: Array) -> Array:
        """Sum the last axis over the coordinates of each group."""
        return np.stack([rows[..., self.group == g].sum(axis=-1) for g in range(self.groups)], axis=-1)

    def _traces(self, M: Array) -> tuple[Array, Array]:
        """Return tr(M V_i) (rows, c) and tr(M V_i M V_j) (rows, c, c)."""
        K, c = len(self.Z), len(self.Z) + self.groups
        one, two = np.empty((len(M), c)), np.empty((len(M), c, c))
        MZ = [M @ Z for Z in self.Z]
        for i, Z in enumerate(self.Z):
            one[:, i] = np.einsum("ab,rab->r", Z, MZ[i])
            two[:, i, K:] = two[:, K:, i] = self._by_group((MZ[i] ** 2).sum(axis=2))
            for j in range(i + 1):
                two[:, i, j] = two[:, j, i] = ((Z.T @ MZ[j]) ** 2).sum(axis=(1, 2))
        one[:, K:] = self._by_group(np.einsum("raa->ra", M))
        two[:, K:, K:] = self._by_group(self._by_group(M**2).transpose(0, 2, 1))
        return one, two

    def _products(self, P: Array, e: Array) -> tuple[Array, Array]:
        """Return y'PV_iPy (rows, c) and y'PV_iPV_jPy (rows, c, c) from e = Py."""
        own = self.group == np.arange(self.groups)[:, None]
        moved = [((e @ Z) @ Z.T)[:, None] for Z in self.Z]
        both = np.concatenate([*moved, e[:, None, :] * own], axis=1)
        return np.einsum("rca,ra->rc", both, e), np.asarray(both @ P @ both.transpose(0, 2, 1))

    def solve(self, data: GroupedData, enough: float = EXACT) -> Estimate:
        """Newton steps from the most promising of several starts; the lowest end counts."""
        starts = self._starts(data)
        R, count = starts.shape[:2]
        of = np.repeat(np.arange(R), count)
        values = self.deviance(data, starts.reshape(R * count, -1), of).value.reshape(R, count)
        first = np.argsort(values, axis=1)[:, : min(2, count)]
        chosen, of = starts[np.arange(R)[:, None], first], np.repeat(np.arange(R), first.shape[1])
        found = minimise(
            lambda theta, rows: self.deviance(data, theta, rows), chosen.reshape(len(of), -1), of,
            burns=self.groups, enough=enough,
        )  # fmt: skip
        best = found.value.reshape(R, -1).argmin(axis=1) + np.arange(R) * first.shape[1]
        theta = found.theta[best]
        return Estimate(
            theta, self.beta(data, theta), found.value[best], found.converged[best], count + found.steps
        )

    def _starts(self, data: GroupedData) -> Array:
        """(responses, starts, c): burn variances from ordinary residuals, the terms' as multiples of their mean."""
        total = self._by_group(self._left(data) ** 2) + data.rss
        s = total / np.maximum(np.bincount(self.design.spread.codes) - 1.0, 1.0)
        s = np.maximum(s, 1e-6 * s.max(axis=1, keepdims=True))
        mesh = np.array(list(product(STARTS, repeat=len(self.Z))))
        terms = s.mean(axis=1)[:, None, None] * mesh
        burns = np.broadcast_to(s[:, None], (len(s), len(mesh), self.groups))
        return np.concatenate([terms, burns], axis=2)

    def beta(self, data: GroupedData, theta: Array) -> Array:
        """Generalised least squares at theta."""
        _, solved, xvx = self._inverse(theta)
        b = np.linalg.solve(xvx, np.einsum("rap,ra->rp", solved, data.y)[:, :, None])[:, :, 0]
        b[:, : len(self.design.labels)] += data.level[:, None]
        return np.asarray(b)

    def pieces(self, theta: Array) -> Pieces:
        """P_i = X'V^-1V_iV^-1X and its fellows, component by component."""
        K, c = len(self.Z), theta.shape[1]
        inverse, solved, xvx = self._inverse(theta)
        t = self._traces(inverse)[1]
        diagonal = np.arange(K, c)
        t[:, diagonal, diagonal] += self.free / theta[:, K:] ** 2
        halves = list(self.Z) + [np.eye(len(self.group))[:, self.group == g] for g in range(self.groups)]
        XA = [solved.transpose(0, 2, 1) @ half for half in halves]
        P = np.stack([each @ each.transpose(0, 2, 1) for each in XA], axis=1)
        Q = np.empty((len(theta), c, c, *xvx.shape[1:]))
        for i in range(c):
            left = XA[i] @ (halves[i].T @ inverse)
            for j in range(c):
                Q[:, i, j] = (left @ halves[j]) @ XA[j].transpose(0, 2, 1)
        return Pieces(np.asarray(np.linalg.inv(xvx), dtype=np.float64), P, Q, t)

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> GroupedData:
        """Simulated responses in the reduced space."""
        K = len(self.Z)
        s = theta[K:]
        y = beta @ self.X.T + rng.standard_normal((trials, len(self.group))) * np.sqrt(s[self.group])
        for i, Z in enumerate(self.Z):
            y = y + np.sqrt(theta[i]) * rng.standard_normal((trials, Z.shape[1])) @ Z.T
        rss = 2 * s * rng.standard_gamma(np.broadcast_to(self.free / 2, (trials, self.groups)))
        return GroupedData(y, rss, np.zeros(trials))

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of each term's levels, and their standard deviations given the means."""
        inverse, _, _ = self._inverse(theta)
        left = (values - beta @ self.design.X.T) @ self.basis
        found = {}
        for i, Z in enumerate(self.Z):
            solved = inverse @ Z
            var = theta[:, i, None]
            spare = var - var**2 * np.einsum("ab,rab->rb", Z, solved)
            found[self.names[i]] = (
                var * np.einsum("rab,ra->rb", solved, left),
                np.sqrt(np.maximum(spare, 0)),
            )
        return found


def inverse_of(V: Array) -> Array:
    """Return V^-1 of each row; where burn variances all but vanish, of V with a ten-billionth of its size added."""
    try:
        return np.asarray(np.linalg.inv(V), dtype=np.float64)
    except np.linalg.LinAlgError:
        size = np.einsum("raa->r", V) / V.shape[1]
        return np.asarray(
            np.linalg.inv(V + 1e-10 * size[:, None, None] * np.eye(V.shape[1])), dtype=np.float64
        )


def grouped_engine(design: Design, method: Method, borrowed: Borrowed | None = None) -> GroupedEngine:
    """Return the engine of a design whose groups of burns have SDs of their own.

    Raises
    ------
    KitError
        Where the reduced space is too large.
    """
    groups = design.spread
    halves = [term.levels.indicators for term in design.terms]
    blocks, ranks = [], []
    for g in range(groups.count):
        rows = groups.codes == g
        U, size, _ = np.linalg.svd(
            np.hstack([design.X[rows], *(half[rows] for half in halves)]), full_matrices=False
        )
        U = U[:, size > 1e-9 * size[0]]
        block = np.zeros((design.n, U.shape[1]))
        block[rows] = U
        blocks.append(block)
        ranks.append(U.shape[1])
    basis = np.hstack(blocks)
    _check_size(basis.shape[1])
    free = groups.sizes - np.array(ranks) + (0.0 if borrowed is None else borrowed.df)
    names = (*(term.name for term in design.terms), *(f"burn:{label}" for label in groups.labels))
    return GroupedEngine(
        design, names, method, basis, np.repeat(np.arange(groups.count), ranks), basis.T @ design.X,
        tuple(basis.T @ half for half in halves), free.astype(np.float64), borrowed,
    )  # fmt: skip


def _check_size(size: int) -> None:
    faults = Faults()
    if size > LARGEST:
        faults.refuse(
            "table", f"spread by group over {size} means, bags and days", f"at most {LARGEST} of them",
            "Use spread='common', or fit part of the burns.",
        )  # fmt: skip
    faults.settle()
