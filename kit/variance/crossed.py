"""Several random terms: the largest is rotated away, the others (days, fuels) stay as a small Woodbury step.

In a space where V/s = I + l diag(d) + F D F', D = diag of the small terms' ratios m, with w = 1/(1 + l d):

    C = F' diag(w) F,  q = F' diag(w) z,  A = (D^-1 + C)^-1,  e = w (z - F A q) = Pz,  Q = S0 + z'e
    log|V/s| = sum log(1 + l d) + log|I + D C|

(Woodbury; Bates et al. 2015, section 2.3, in rotated coordinates). Where burns vary hardly at all, coordinates outside
the largest term weigh l times those inside; one small term is therefore turned so that its first columns alone reach
outside: C is then graded, and keeps its digits. For REML the space is that of residuals from
X, so that the same determinant holds log|X'V^-1X| - log|X'X| too; for ML it is that of the data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.errors import Faults
from kit.variance.columns import Array, Codes
from kit.variance.design import Design, Term
from kit.variance.nested import Method, bag_sums, check_size
from kit.variance.optimise import Derivatives

SMALL = 300
"""Levels of a term beside the largest one."""


@dataclass(frozen=True)
class Frame:
    """A space in which the largest term is diagonal.

    Attributes
    ----------
    d
        (k,) eigenvalues of the largest term, 0 for coordinates outside it.
    F
        (k, D) the small terms in it, turned; FF (k, D²) its rows' outer products.
    block
        (D,) which small term a column belongs to.
    turn
        (D, D) orthonormal, from levels to columns; the identity where there are several small terms.
    """

    d: Array
    F: Array
    FF: Array
    block: Codes
    turn: Array


@dataclass(frozen=True)
class Crossing:
    """The design's part: both frames and the way back to the means.

    Attributes
    ----------
    order
        The random terms, largest first.
    projected, whole
        Frames on the residual space (REML) and on the data (ML).
    lift
        (bags, k1) U d^-1/2.
    outside
        (D, k2): coordinates of the small terms outside the largest, from columns of the projected frame.
    GZ, GW
        (p, k1) and (p, D): beta = b_ols - GZ (l e1) - GW (m a), GW turned as the projected frame.
    sums
        (p + bags + D, bags) bag sums of [X Z W], W turned as the whole frame, and `cross` their products.
    """

    order: tuple[Term, ...]
    W: Array
    projected: Frame
    whole: Frame
    lift: Array
    outside: Array
    GZ: Array
    GW: Array
    sums: Array
    cross: Array
    within_df: int
    logdet_xx: float


@dataclass(frozen=True)
class CrossedData:
    """Responses in the projected frame: z (responses, k), s0, b_ols."""

    z: Array
    s0: Array
    b_ols: Array


def crossing_of(design: Design) -> Crossing:
    """Return the design's part for two or more random terms.

    Raises
    ------
    KitError
        Where the largest term has more levels than can be diagonalised.
    """
    order = design.by_size
    core, small = order[0].levels, order[1:]
    _check_size(order)
    W = np.hstack([term.levels.indicators for term in small])
    block = np.concatenate([np.full(term.levels.count, i) for i, term in enumerate(small)]).astype(np.int64)
    ZX, ZW = bag_sums(np.ascontiguousarray(design.X.T), core).T, bag_sums(np.ascontiguousarray(W.T), core).T
    sizes = core.sizes.astype(np.float64)
    hx, hw = np.linalg.solve(design.R.T, ZX.T), design.Q.T @ W
    d, U = np.linalg.eigh(np.diag(sizes) - hx.T @ hx)
    keep = d > 1e-9 * sizes.max()
    d, U = d[keep], U[:, keep]
    lift = U / np.sqrt(d)
    PW = W - design.Q @ hw
    projected, outside = _frame(d, lift.T @ (ZW - hx.T @ hw), PW, block)
    whole, _ = _frame(sizes, ZW / np.sqrt(sizes)[:, None], W, block)
    GZ = np.linalg.solve(design.R, hx @ (U * np.sqrt(d)))
    GW = np.asarray(np.linalg.solve(design.R, hw @ projected.turn), dtype=np.float64)
    sums = np.vstack([ZX.T, np.diag(sizes), (ZW @ whole.turn).T])
    return Crossing(
        order, W, projected, whole, lift, outside, GZ, GW, sums,
        _products(design, ZX, ZW @ whole.turn, sizes, W @ whole.turn), design.nu - len(projected.d),
        2 * float(np.log(np.abs(np.diag(design.R))).sum()),
    )  # fmt: skip


def _products(design: Design, ZX: Array, ZW: Array, sizes: Array, W: Array) -> Array:
    """A'A for A = [X Z W]."""
    XW = design.X.T @ W
    return np.block(
        [[design.X.T @ design.X, ZX.T, XW], [ZX, np.diag(sizes), ZW], [XW.T, ZW.T, W.T @ W]]
    )  # fmt: skip


def _check_size(order: tuple[Term, ...]) -> None:
    check_size(order[0].levels.count, order[0].name)
    faults = Faults()
    for term in order[1:]:
        if term.levels.count > SMALL:
            faults.refuse(
                "table", f"{term.levels.count} {term.name}s beside {order[0].levels.count} {order[0].name}s",
                f"at most {SMALL} of the smaller", "Fit part of the burns, or leave one of these terms out.",
            )  # fmt: skip
    faults.settle()


def _frame(d: Array, F1: Array, PW: Array, block: Codes) -> tuple[Frame, Array]:
    """Append to the rotated coordinates those of W outside them: W'PW - F1'F1 = E diag(g) E'."""
    inner = PW.T @ PW
    g, E = (part[..., ::-1] for part in np.linalg.eigh(inner - F1.T @ F1))
    size = np.sqrt(g[g > 1e-9 * max(float(np.trace(inner)) / len(g), 1e-300)])
    k, several, same = len(size), block.any(), np.eye(len(g))
    turn, reach = (same, E[:, :k]) if several else (E, same[:, :k])
    F = np.vstack([F1 @ turn, size[:, None] * reach.T])
    FF = (F[:, :, None] * F[:, None, :]).reshape(len(F), -1)
    return Frame(np.concatenate([d, np.zeros(k)]), F, FF, block, turn), reach / size


def cross(design: Design, crossing: Crossing, values: Array) -> CrossedData:
    """Return responses (responses, burns) in the projected frame; centred on a value of their own first."""
    centre = values[:, :1]
    y = values - centre
    level = y.mean(axis=1, keepdims=True)
    centre, y = centre + level, y - level
    b = np.linalg.solve(design.R, design.Q.T @ y.T).T
    left = y - b @ design.X.T
    left -= (left @ design.Q) @ design.Q.T
    z1 = bag_sums(left, crossing.order[0].levels) @ crossing.lift
    k1 = z1.shape[1]
    frame = crossing.projected
    z2 = (left @ crossing.W @ frame.turn - z1 @ frame.F[:k1]) @ crossing.outside
    s0 = (left**2).sum(axis=1) - (z1**2).sum(axis=1) - (z2**2).sum(axis=1)
    b[:, : len(design.labels)] += centre
    s0 = np.maximum(s0, 0.0) if crossing.within_df else np.zeros(len(y))
    return CrossedData(np.hstack([z1, z2]), s0, b)


@dataclass(frozen=True)
class Inner:
    """One frame at given ratios: w (rows, k), C and A (rows, D, D), logdet (rows,)."""

    w: Array
    C: Array
    A: Array
    logdet: Array


def inner_of(frame: Frame, ratios: Array) -> Inner:
    """Return the Woodbury pieces at ratios (rows, terms), the largest term first."""
    w = 1 / (1 + ratios[:, :1] * frame.d)
    D = frame.F.shape[1]
    C = (w @ frame.FF).reshape(-1, D, D)
    root = np.sqrt(ratios[:, 1:][:, frame.block])
    inside = np.eye(D) + root[:, :, None] * C * root[:, None, :]
    half = _inverse(inside)
    logdet = np.log1p(ratios[:, :1] * frame.d).sum(axis=1) + np.linalg.slogdet(inside)[1]
    return Inner(w, C, root[:, :, None] * half * root[:, None, :], logdet)


def _inverse(inside: Array) -> Array:
    """Return the inverse of I + a positive matrix, the pseudo-inverse where ratios are so large that I is lost."""
    try:
        return np.asarray(np.linalg.inv(inside), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(inside, hermitian=True), dtype=np.float64)


def pull(frame: Frame, inner: Inner, z: Array) -> tuple[Array, Array]:
    """Return e = Pz (rows, k) and A q (rows, D)."""
    q = (inner.w * z) @ frame.F
    Aq = np.einsum("rij,rj->ri", inner.A, q)
    return np.asarray(inner.w * (z - Aq @ frame.F.T)), Aq


def grid_deviance(crossing: Crossing, data: CrossedData, ratios: Array, method: Method, dof: float) -> Array:
    """Return the profiled criterion (responses, points) at common ratios (points, terms)."""
    frame = crossing.projected
    inner = inner_of(frame, ratios)
    logdet = inner.logdet if method == "REML" else inner_of(crossing.whole, ratios).logdet
    q = (data.z * inner.w[:, None]) @ frame.F  # (points, responses, D)
    Q = data.s0[:, None] + data.z**2 @ inner.w.T - np.vecdot(q @ inner.A, q).T
    constant = crossing.logdet_xx if method == "REML" else 0.0
    return np.asarray(dof * (np.log(2 * np.pi * Q / dof) + 1) + logdet + constant)


def dof_of(crossing: Crossing, method: Method, n: int) -> int:
    """Return nu for REML, n for ML."""
    return n if method == "ML" else crossing.within_df + len(crossing.projected.d)


@dataclass(frozen=True)
class Traces:
    """tr(P V_i) (rows, K) and tr(P V_i P V_j) (rows, K, K), with P of unit residual variance."""

    one: Array
    two: Array


def traces(frame: Frame, inner: Inner, K: int) -> Traces:
    """Return the traces of a frame; terms in Crossing.order."""
    D, block = frame.F.shape[1], frame.block
    w, A, d = inner.w, inner.A, frame.d
    C2, C3 = ((v @ frame.FF).reshape(-1, D, D) for v in (w * w * d, w**3 * d * d))
    T = np.eye(D) - inner.C @ A
    S, S2 = T @ inner.C, T @ C2 @ T.transpose(0, 2, 1)  # F'PF and F'P V_1 PF
    AC2 = A @ C2
    one, two = np.empty((len(w), K)), np.empty((len(w), K, K))
    one[:, 0] = (d * w).sum(axis=1) - np.einsum("rii->r", AC2)
    two[:, 0, 0] = ((d * w) ** 2).sum(axis=1) - 2 * np.einsum("rij,rji->r", A, C3)
    two[:, 0, 0] += np.einsum("rij,rji->r", AC2, AC2)
    for j in range(1, K):
        of_j = block == j - 1
        one[:, j] = np.einsum("rii->r", S[:, of_j][:, :, of_j])
        two[:, 0, j] = two[:, j, 0] = np.einsum("rii->r", S2[:, of_j][:, :, of_j])
        for i in range(1, j + 1):
            part = S[:, block == i - 1][:, :, of_j]
            two[:, i, j] = two[:, j, i] = (part**2).sum(axis=(1, 2))
    return Traces(one, two)


def products(frame: Frame, inner: Inner, z: Array, K: int) -> tuple[Array, Array, Array]:
    """Return z'Pz less S0 (rows,), y_i = z'P V_i P z (rows, K), y_ij = z'P V_i P V_j P z (rows, K, K)."""
    e, _ = pull(frame, inner, z)
    de = frame.d * e
    T = np.eye(frame.F.shape[1]) - inner.C @ inner.A
    qe = e @ frame.F  # F'Pz
    S = T @ inner.C
    h = (inner.w * de) @ frame.F
    Th = np.einsum("rij,rj->ri", T, h)
    one, two = np.empty((len(z), K)), np.empty((len(z), K, K))
    one[:, 0] = (de * e).sum(axis=1)
    two[:, 0, 0] = (inner.w * de**2).sum(axis=1) - np.einsum("ri,rij,rj->r", h, inner.A, h)
    for j in range(1, K):
        of_j = frame.block == j - 1
        one[:, j] = (qe[:, of_j] ** 2).sum(axis=1)
        two[:, 0, j] = two[:, j, 0] = (Th[:, of_j] * qe[:, of_j]).sum(axis=1)
        for i in range(1, j + 1):
            of_i = frame.block == i - 1
            both = np.einsum("ri,rij,rj->r", qe[:, of_i], S[:, of_i][:, :, of_j], qe[:, of_j])
            two[:, i, j] = two[:, j, i] = both
    return (z * e).sum(axis=1), one, two


def deviance_in_variances(
    dof: float, constant: float, theta: Array, Q: Array, trace: Traces, one: Array, two: Array, logdet: Array
) -> Derivatives:
    """Return deviance and derivatives in (variances of the terms…, s) from unit-variance pieces.

    The residual part follows from V_e = (V - sum s_i V_i)/s: with x = (l, 1), tr(PV) = dof and y'Py = Q.
    """
    s, K = theta[:, -1], theta.shape[1] - 1
    ratio = theta[:, :K] / s[:, None]
    t1, t2 = _with_residual(ratio, trace.one, trace.two, np.full(len(s), float(dof)))
    y1, y2 = _with_residual(ratio, one, two, Q)
    inv = 1 / s[:, None]
    value = dof * np.log(2 * np.pi * s) + logdet + Q / s + constant
    gradient = inv * t1 - inv**2 * y1
    expected = inv[:, :, None] ** 2 * t2
    hessian = -expected + 2 * inv[:, :, None] ** 3 * y2
    return Derivatives(np.asarray(value), np.asarray(gradient), np.asarray(hessian), np.asarray(expected))


def _with_residual(ratio: Array, one: Array, two: Array, total: Array) -> tuple[Array, Array]:
    """Append the residual term to first- and second-order pieces of the others."""
    K = ratio.shape[1]
    last = total - (ratio * one).sum(axis=1)
    mixed = one - np.einsum("rj,rij->ri", ratio, two)
    own = last - (ratio * mixed).sum(axis=1)
    first = np.concatenate([one, last[:, None]], axis=1)
    second = np.empty((len(one), K + 1, K + 1))
    second[:, :K, :K] = two
    second[:, :K, K] = second[:, K, :K] = mixed
    second[:, K, K] = own
    return first, second


def crossed_deviance(
    crossing: Crossing, data: CrossedData, theta: Array, of: Codes, method: Method, dof: float
) -> Derivatives:
    """Return the deviance and its derivatives at theta (rows, terms + burn), terms in Crossing.order."""
    K = theta.shape[1] - 1
    ratio = theta[:, :K] / theta[:, K:]
    inner = inner_of(crossing.projected, ratio)
    Q, one, two = products(crossing.projected, inner, data.z[of], K)
    det_frame, det = crossing.projected, inner
    if method == "ML":
        det_frame, det = crossing.whole, inner_of(crossing.whole, ratio)
    constant = crossing.logdet_xx if method == "REML" else 0.0
    trace = traces(det_frame, det, K)
    return deviance_in_variances(dof, constant, theta, Q + data.s0[of], trace, one, two, det.logdet)


def crossed_means(crossing: Crossing, data: CrossedData, ratios: Array) -> Array:
    """Return beta (responses, p) at each response's ratios, terms in Crossing.order."""
    e, Aq = pull(crossing.projected, inner_of(crossing.projected, ratios), data.z)
    k1 = crossing.GZ.shape[1]
    return np.asarray(data.b_ols - (ratios[:, :1] * e[:, :k1]) @ crossing.GZ.T - Aq @ crossing.GW.T)


def gram(crossing: Crossing, theta: Array, p: int) -> tuple[Array, list[Codes]]:
    """Return A'V^-1A for A = [X Z W] at theta (c,), and where each term's columns stand in it."""
    s, K = theta[-1], len(theta) - 1
    ratio, core, block = theta[:K] / s, crossing.order[0].levels, crossing.projected.block
    weight, start = ratio[0] / (1 + ratio[0] * core.sizes), p + core.count
    whole = crossing.cross - (crossing.sums * weight) @ crossing.sums.T
    root = np.sqrt(ratio[1:][block])
    inside = np.linalg.inv(np.eye(len(root)) + root[:, None] * whole[start:, start:] * root)
    half = whole[:, start:] * root
    where = [np.arange(p, start), *(start + np.flatnonzero(block == j) for j in range(K - 1))]
    found = (whole - half @ inside @ half.T) / s
    found[:, start:] = found[:, start:] @ crossing.whole.turn.T
    found[start:] = crossing.whole.turn @ found[start:]
    return np.asarray(found), where


def crossed_blups(crossing: Crossing, left: Array, theta: Array) -> list[Array]:
    """Return the effects of each term's levels from residuals y - X beta: s_i Z_i'V^-1(y - X beta)."""
    K = theta.shape[1] - 1
    ratio = theta[:, :K] / theta[:, K:]
    core = crossing.order[0].levels
    shrink = ratio[:, :1] / (1 + ratio[:, :1] * core.sizes)
    first = left - (shrink * bag_sums(left, core))[:, core.codes]
    frame = crossing.whole
    inner = inner_of(frame, ratio)
    Aq = np.einsum("rij,rj->ri", inner.A, first @ crossing.W @ frame.turn) @ frame.turn.T
    rest = left - Aq @ crossing.W.T
    parts = [np.asarray(shrink * bag_sums(rest, core))]
    return [*parts, *(np.asarray(Aq[:, frame.block == j]) for j in range(K - 1))]
