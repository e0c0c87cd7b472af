"""The two common engines: at most one random term, and several; one burn SD for all."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from kit.variance.columns import Array, Codes, Levels
from kit.variance.crossed import (
    CrossedData,
    Crossing,
    Traces,
    cross,
    crossed_blups,
    crossed_deviance,
    crossed_means,
    crossing_of,
    deviance_in_variances,
    dof_of,
    gram,
    grid_deviance,
    inner_of,
    pull,
)
from kit.variance.design import Design
from kit.variance.engine import Engine, Estimate, Pieces, direct_pieces, residual_pieces
from kit.variance.nested import (
    Method,
    Rotated,
    Rotation,
    blups,
    information,
    means_at,
    rotate,
    rotation_of,
)
from kit.variance.optimise import EXACT, Derivatives, Mask, minimise
from kit.variance.saturated import saturated_deviance, saturated_means
from kit.variance.solving import Criterion, criterion_of, solve


@dataclass(frozen=True)
class Borrowed:
    """A repeatability SD from elsewhere: it enters as df further degrees of freedom of the burn variance."""

    sd: float
    df: float


@dataclass(frozen=True)
class NestedEngine:
    """No random term, or one: the rotation of kit.variance.nested."""

    design: Design
    rotation: Rotation
    levels: Levels | None
    names: tuple[str, ...]
    method: Method
    borrowed: Borrowed | None = None

    def rotate(self, values: Array) -> Rotated:
        """Responses in the rotated space; a borrowed SD adds df sd² to S0."""
        data = rotate(self.design, self.rotation, self.levels, values)
        return (
            data if self.borrowed is None else replace(data, s0=data.s0 + self._extra * self.borrowed.sd**2)
        )

    @property
    def _extra(self) -> float:
        return 0.0 if self.borrowed is None else self.borrowed.df

    def residual(self, data: Rotated) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return data.total

    def criterion(self, data: Rotated) -> Criterion:
        """Return the sums of the profiled criterion."""
        c = criterion_of(self.rotation, data, self.method)
        return c if self.borrowed is None else replace(c, dof=c.dof + self._extra)

    def solve(self, data: Rotated, enough: float = EXACT) -> Estimate:
        """Return the estimates, always to rounding."""
        found = solve(self.criterion(data))
        parts = [] if self.levels is None else [found.ratio * found.s]
        theta = np.stack([*parts, found.s], axis=1)
        return Estimate(
            theta,
            means_at(self.rotation, data, found.ratio),
            found.criterion,
            found.converged,
            found.evaluations,
        )

    def _ratio(self, theta: Array) -> Array:
        return np.zeros(len(theta)) if self.levels is None else theta[:, 0] / theta[:, 1]

    def deviance(self, data: Rotated, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives in the variances."""
        c, ratio = self.criterion(data), self._ratio(theta)[:, None]
        zz, w, e = c.zz[of], 1 / (1 + ratio * c.d), c.det / (1 + ratio * c.det)
        Q = c.s0[of] + (w * zz).sum(axis=1)
        K = theta.shape[1] - 1
        dw = c.d * w
        y1, y2 = (dw * w * zz).sum(axis=1)[:, None], (dw * dw * w * zz).sum(axis=1)[:, None, None]
        trace = Traces((e @ c.det_count)[:, None][:, :K], ((e * e) @ c.det_count)[:, None, None][:, :K, :K])
        logdet = np.log1p(ratio * c.det) @ c.det_count
        return deviance_in_variances(c.dof, c.constant, theta, Q, trace, y1[:, :K], y2[:, :K, :K], logdet)

    def beta(self, data: Rotated, theta: Array) -> Array:
        """Generalised least squares at theta."""
        return means_at(self.rotation, data, self._ratio(theta))

    def pieces(self, theta: Array) -> Pieces:
        """Sums over bag sizes: with u = 1/(s(1 + l n)), P = sum u² xx, Q = sum n u³ xx, t = sum c (n u)²."""
        r, R, p = self.rotation, len(theta), self.design.p
        s = theta[:, -1:]
        xvx = information(r, self._ratio(theta)) / s[:, :, None]
        if self.levels is None:
            none = np.zeros((R, 0))
            return residual_pieces(
                xvx, np.zeros((R, 0, p, p)), np.zeros((R, 0, 0, p, p)), none, np.zeros((R, 0, 0)), theta,
                self.design.n + self._extra,
            )  # fmt: skip
        u = 1 / (s + theta[:, :1] * r.sizes)
        xx = r.class_xx.reshape(len(r.sizes), -1)
        P = ((u * u) @ xx).reshape(R, 1, p, p)
        Q = ((r.sizes * u**3) @ xx).reshape(R, 1, 1, p, p)
        nu = r.sizes * u
        t1, t2 = (nu @ r.class_count)[:, None], ((nu * nu) @ r.class_count)[:, None, None]
        return residual_pieces(xvx, P, Q, t1, t2, theta, self.design.n + self._extra)

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Rotated:
        """Independent coordinates, S0 and GLS means at the generating ratio: no burns are simulated."""
        r, s = self.rotation, theta[-1]
        ratio = float(self._ratio(theta[None])[0])
        z = rng.standard_normal((trials, len(r.d))) * np.sqrt(s * (1 + ratio * r.d))
        idle = rng.standard_gamma(np.broadcast_to(r.idle_count / 2, (trials, len(r.idle_d))))
        s0 = 2 * s * rng.standard_gamma((r.within_df + self._extra) / 2, trials)
        phi = np.linalg.inv(information(r, np.array([ratio]))[0] / s)
        gls = beta + rng.standard_normal((trials, self.design.p)) @ np.linalg.cholesky(phi).T
        back = (ratio * z / (1 + ratio * r.d)) @ r.G.T
        return Rotated(z, 2 * s * (1 + ratio * r.idle_d) * idle, s0, gls + back)

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of the term's levels, and their standard deviations given the means."""
        if self.levels is None:
            return {}
        ratio = self._ratio(theta)
        sd = np.sqrt(theta[:, :1] / (1 + ratio[:, None] * self.levels.sizes))
        return {self.names[0]: (blups(self.levels, values - beta @ self.design.X.T, ratio), sd)}


def nested_engine(design: Design, method: Method, borrowed: Borrowed | None = None) -> NestedEngine:
    """Return the engine of a design with at most one random term."""
    term = design.terms[0] if design.terms else None
    levels = None if term is None else term.levels
    names = ("burn",) if term is None else (term.name, "burn")
    return NestedEngine(design, rotation_of(design, term), levels, names, method, borrowed)


@dataclass(frozen=True)
class CrossedEngine:
    """Two random terms or more: kit.variance.crossed."""

    design: Design
    crossing: Crossing
    names: tuple[str, ...]
    method: Method
    borrowed: Borrowed | None = None
    grids: tuple[Array, tuple[int, ...]] = field(default=(np.zeros((0, 0)), ()))

    @property
    def _extra(self) -> float:
        return 0.0 if self.borrowed is None else self.borrowed.df

    @property
    def _dof(self) -> float:
        return dof_of(self.crossing, self.method, self.design.n) + self._extra

    @property
    def saturated(self) -> bool:
        """Whether nothing but the terms' levels tells of the burn variance."""
        return self.crossing.within_df == 0 and self.borrowed is None

    def rotate(self, values: Array) -> CrossedData:
        """Responses in the projected frame; a borrowed SD adds df sd² to S0."""
        data = cross(self.design, self.crossing, values)
        return (
            data if self.borrowed is None else replace(data, s0=data.s0 + self._extra * self.borrowed.sd**2)
        )

    def residual(self, data: CrossedData) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return np.asarray(data.s0 + np.vecdot(data.z, data.z))

    def deviance(self, data: CrossedData, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives in the variances."""
        if self.saturated and self.method == "REML":
            return saturated_deviance(self.crossing, data, theta, of)
        return crossed_deviance(self.crossing, data, theta, of, self.method, self._dof)

    def solve(self, data: CrossedData, enough: float = EXACT) -> Estimate:
        """Polish every local minimum of a grid within 3 units of the best (roughly: the best), keep the lowest."""
        points, shape = self.grids
        R, count = len(data.s0), len(points)
        table = np.concatenate([
            grid_deviance(self.crossing, _rows(data, rows), points, self.method, self._dof)
            for rows in np.array_split(np.arange(R), max(1, R * count // 400_000))
        ])  # fmt: skip
        if enough > EXACT:
            of, point = np.arange(R), table.argmin(axis=1)
        else:
            of, point = np.nonzero(_local_minima(table.reshape(R, *shape)).reshape(R, count))
        start = self.start(data, points[point], of)
        found = minimise(lambda theta, rows: self.deviance(data, theta, rows), start, of, enough=enough)
        order = np.lexsort((found.value, of))
        best = order[np.concatenate([[True], np.diff(of[order]) > 0])]
        theta = found.theta[best]
        beta = self.beta(data, theta)
        return Estimate(theta, beta, found.value[best], found.converged[best], count + found.steps)

    def start(self, data: CrossedData, ratio: Array, of: Codes) -> Array:
        """Return theta (rows, c) at given ratios (rows, terms), the burn variance as it suits them best."""
        inner = inner_of(self.crossing.projected, ratio)
        e, _ = pull(self.crossing.projected, inner, data.z[of])
        s = (data.s0[of] + (data.z[of] * e).sum(axis=1)) / self._dof
        return np.concatenate([ratio * s[:, None], s[:, None]], axis=1)

    def beta(self, data: CrossedData, theta: Array) -> Array:
        """Generalised least squares at theta."""
        if self.saturated:
            return saturated_means(self.crossing, data, theta)
        return crossed_means(self.crossing, data, theta[:, :-1] / theta[:, -1:])

    def pieces(self, theta: Array) -> Pieces:
        """O = A'V^-1A for A = [X Z W]: P_i = O_xi O_ix, Q_ij = O_xi O_ij O_jx, t_ij = |O_ij|²."""
        parts = [self._pieces_of(row) for row in theta]
        if len(parts) == 1:
            return parts[0]
        return Pieces(
            *(np.concatenate([getattr(part, name) for part in parts]) for name in ("phi", "P", "Q", "t"))
        )

    def _pieces_of(self, theta: Array) -> Pieces:
        if self.saturated and np.isfinite(theta).all():
            return direct_pieces(self.design, self.crossing.order, theta)
        return _pieces(self.crossing, theta[None], self.design.p, self.design.n + self._extra)

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> CrossedData:
        """Independent coordinates, S0 and GLS means at the generating ratios: no burns are simulated."""
        x, s, ratio = self.crossing, theta[-1], theta[:-1] / theta[-1]
        frame = x.projected
        z = rng.standard_normal((trials, len(frame.d))) * np.sqrt(s * (1 + ratio[0] * frame.d))
        z += (
            rng.standard_normal((trials, len(frame.block))) * np.sqrt(s * ratio[1:][frame.block])
        ) @ frame.F.T
        s0 = 2 * s * rng.standard_gamma((x.within_df + self._extra) / 2, trials)
        phi = self.pieces(theta[None]).phi[0]
        gls = beta + rng.standard_normal((trials, self.design.p)) @ np.linalg.cholesky(phi).T
        level = CrossedData(z, s0, np.zeros_like(gls))
        return replace(level, b_ols=gls - self.beta(level, np.broadcast_to(theta, (trials, len(theta)))))

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of each term's levels, and their standard deviations given the means."""
        found = crossed_blups(self.crossing, values - beta @ self.design.X.T, theta)
        sds: list[list[Array]] = [[] for _ in found]
        for row in theta:
            products, where = gram(self.crossing, row, self.design.p)
            for i, columns in enumerate(where):
                sds[i].append(np.sqrt(np.maximum(row[i] - row[i] ** 2 * np.diag(products)[columns], 0.0)))
        return {name: (found[i], np.array(sds[i])) for i, name in enumerate(self.names[:-1])}


def _rows(data: CrossedData, rows: Codes) -> CrossedData:
    return CrossedData(data.z[rows], data.s0[rows], data.b_ols[rows])


def _local_minima(table: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Points no higher than their neighbours, and the best without each term, if within 3 units of the lowest."""
    low = np.ones(table.shape, dtype=np.bool_)
    for axis in range(1, table.ndim):
        size = table.shape[axis]
        ahead, behind = np.take(table, range(1, size), axis), np.take(table, range(size - 1), axis)
        edge = np.full_like(np.take(table, [0], axis), np.inf)
        low &= (table <= np.concatenate([ahead, edge], axis)) & (
            table <= np.concatenate([edge, behind], axis)
        )
    for axis in range(1, table.ndim):
        on_edge = np.take(table, [0], axis)
        least = on_edge.min(axis=tuple(range(1, table.ndim)), keepdims=True)
        low |= (table == least) & _first(table.shape, axis)
    best = table.min(axis=tuple(range(1, table.ndim)), keepdims=True)
    return np.asarray(low & (table <= best + 3))


def _first(shape: tuple[int, ...], axis: int) -> Mask:
    """Mark the points at the start of an axis."""
    return np.asarray(
        np.arange(shape[axis]).reshape([-1 if i == axis else 1 for i in range(len(shape))]) == 0
    )


def _pieces(crossing: Crossing, theta: Array, p: int, n: float) -> Pieces:
    K = theta.shape[1] - 1
    whole, where = gram(crossing, theta[0], p)
    OX = [whole[:p, columns] for columns in where]
    OO = [[whole[np.ix_(a, b)] for b in where] for a in where]
    P = np.array([a @ a.T for a in OX])[None]
    Q = np.array([[OX[i] @ OO[i][j] @ OX[j].T for j in range(K)] for i in range(K)])[None]
    t1 = np.array([[np.trace(OO[i][i]) for i in range(K)]])
    t2 = np.array([[[(OO[i][j] ** 2).sum() for j in range(K)] for i in range(K)]])
    return residual_pieces(whole[None, :p, :p], P, Q, t1, t2, theta, n)


def crossed_engine(design: Design, method: Method, borrowed: Borrowed | None = None) -> CrossedEngine:
    """Return the engine of a design with two random terms or more."""
    crossing = crossing_of(design)
    names = (*(term.name for term in crossing.order), "burn")
    axes = []
    for term in crossing.order:
        size = design.n / term.levels.count
        steps = 11 if len(crossing.order) == 2 else 7
        axes.append(np.concatenate([[0.0], np.logspace(-1.5, 4, steps - 1) / size]))
    mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    grids = (mesh.reshape(-1, len(axes)), mesh.shape[:-1])
    return CrossedEngine(design, crossing, names, method, borrowed, grids)


def explained(engine: Engine) -> tuple[str, ...]:
    """Say where random terms leave no burns of their own, in a tester's words."""
    if not (isinstance(engine, CrossedEngine) and engine.saturated):
        return ()
    terms = " and ".join(f"{name}s" for name in engine.names[:-1])
    return (f"{terms} together explain every burn: little is known of how burns differ beside them",)
