"""Crossed terms that leave no burns within their levels: deviance and means written out in the residual space.

With z the coordinates of kit.variance.crossed and M = s I + s_1 diag(d) + sum s_j F_j F_j' (k × k),

    D = nu log(2 pi) + log|M| + z'M^-1z + log|X'X|

(Patterson & Thompson 1971). The burn variance may well be zero here, where what V leaves beside the other terms has
lost all digits: its derivatives are those of the identity, as for any other term.
"""

from __future__ import annotations

import numpy as np

from kit.variance.columns import Array, Codes
from kit.variance.crossed import CrossedData, Crossing
from kit.variance.optimise import Derivatives

AT_ONCE = 1_000_000
"""Elements of the matrices of one pass."""


def saturated_deviance(crossing: Crossing, data: CrossedData, theta: Array, of: Codes) -> Derivatives:
    """Return the restricted deviance and its derivatives at theta (rows, terms + burn), terms in Crossing.order."""
    V = _relationships(crossing, theta.shape[1] - 1)
    parts = [
        _deviance(V, crossing.logdet_xx, theta[some], data.z[of[some]]) for some in _portions(V, len(theta))
    ]
    names = ("value", "gradient", "hessian", "expected")
    return Derivatives(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def saturated_means(crossing: Crossing, data: CrossedData, theta: Array) -> Array:
    """Return beta (responses, p) at theta (responses, terms + burn): kit.variance.crossed's, e = M^-1 z solved for."""
    frame, core, K = crossing.projected, crossing.GZ.shape[1], theta.shape[1] - 1
    V = _relationships(crossing, K)
    e = np.concatenate([
        np.linalg.solve(np.tensordot(theta[some], V, axes=1), data.z[some][:, :, None])[:, :, 0]
        for some in _portions(V, len(theta))
    ])  # fmt: skip
    small = theta[:, 1:K][:, frame.block] * (e @ frame.F)
    return np.asarray(data.b_ols - (theta[:, :1] * e[:, :core]) @ crossing.GZ.T - small @ crossing.GW.T)


def _relationships(crossing: Crossing, terms: int) -> Array:
    """V_i of each component in the coordinates z: (c, k, k), the burns' identity last."""
    frame = crossing.projected
    small = [frame.F[:, frame.block == j] for j in range(terms - 1)]
    return np.array([np.diag(frame.d), *(F @ F.T for F in small), np.eye(len(frame.d))])


def _portions(V: Array, rows: int) -> list[slice]:
    size = max(1, AT_ONCE // max(1, V[0].size))
    return [slice(start, start + size) for start in range(0, rows, size)]


def _deviance(V: Array, logdet_xx: float, theta: Array, z: Array) -> Derivatives:
    M = np.tensordot(theta, V, axes=1)
    inverse = np.linalg.inv(M)
    e = (inverse @ z[:, :, None])[:, :, 0]
    Ve = e @ V  # (c, rows, k)
    along = np.stack([inverse @ V_i for V_i in V], axis=1)
    trace = np.einsum("ricc->ri", along)
    expected = np.einsum("rikl,rjlk->rij", along, along, optimize=True)
    two = np.einsum("irk,rkl,jrl->rij", Ve, inverse, Ve, optimize=True)
    value = z.shape[1] * np.log(2 * np.pi) + np.linalg.slogdet(M)[1] + np.vecdot(z, e) + logdet_xx
    return Derivatives(value, trace - np.vecdot(Ve, e).T, 2 * two - expected, expected)
