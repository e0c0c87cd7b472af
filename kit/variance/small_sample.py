"""Small samples after Kenward and Roger: adjusted covariance of the means and information of the variances.

With P_i = X'V^-1V_iV^-1X, Q_ij = X'V^-1V_iV^-1V_jV^-1X and the expected information of the variances,

    I_ij = ½[tr(V^-1V_iV^-1V_j) - 2 tr(Φ Q_ij) + tr(Φ P_i Φ P_j)],  W = I^-1

(Kenward & Roger 1997, eqs. 5-7; V is linear in its parameters, so R_ij = 0), the adjusted covariance is

    Φ_A = Φ + 2 Φ { sum_ij W_ij (Q_ij - P_i Φ P_j) } Φ
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from kit.errors import KitError
from kit.variance.burn_arrays import Array
from kit.variance.engines import Engine, Pieces
from kit.variance.optimise import at_zero


@dataclass(frozen=True)
class SmallSample:
    """Kenward–Roger's pieces of every response.

    Attributes
    ----------
    pieces
        P, Q, t and Φ at the estimates.
    W
        (responses, c, c) inverse expected information.
    adjusted
        (responses, p, p) Φ_A.
    """

    pieces: Pieces
    W: Array
    adjusted: Array

    @cached_property
    def moved(self) -> Array:
        """(responses, c, p, p) Φ P_i Φ: minus the derivative of Φ in the variances."""
        phi = self.pieces.phi[:, None]
        return np.asarray(phi @ self.pieces.P @ phi)


def small_sample(pieces: Pieces) -> SmallSample:
    """Return Kenward–Roger's adjusted covariance and the information behind it."""
    phi, P, Q = pieces.phi, pieces.P, pieces.Q
    R, c, p = P.shape[:3]
    phiP = phi[:, None] @ P
    left, right = phiP.reshape(R, c, p * p), phiP.transpose(0, 1, 3, 2).reshape(R, c, p * p)
    traces = (Q.reshape(R, c, c, p * p) @ phi.reshape(R, 1, p * p, 1))[..., 0]
    info = 0.5 * (pieces.t - 2 * traces + left @ right.transpose(0, 2, 1))
    W = _inverse_information(info)
    inner = (W.reshape(R, 1, c * c) @ Q.reshape(R, c * c, p * p)).reshape(R, p, p)
    mixed = (W @ left).reshape(R, c, p, p)
    inner = inner - (P @ mixed).sum(axis=1)
    inner = (inner + inner.transpose(0, 2, 1)) / 2
    return SmallSample(pieces, W, phi + 2 * phi @ inner @ phi)


def _inverse_information(info: Array) -> Array:
    try:
        return np.asarray(np.linalg.inv(info), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        if (
            len(info) > 1
        ):  # one of many simulated trials: what its burns do not tell apart carries no information
            return np.asarray(np.linalg.pinv(info, hermitian=True), dtype=np.float64)
        raise KitError.refuse(
            "fit",
            "variances that these burns do not tell apart",
            "burns of one bag that differ by more than rounding",
            "Check that values were not copied from one burn to another.",
        ) from error


def observed_covariance(engine: Engine, data: Any, theta: Array) -> Array:
    """Return the covariance of the variance estimates (responses, c, c): 2 × inverse observed Hessian.

    Components estimated at zero are left out, with zero rows.
    """
    c = theta.shape[1]
    if np.isnan(theta).any():
        return np.full((len(theta), c, c), np.nan)
    H = engine.deviance(data, theta, np.arange(len(theta))).hessian
    zero = at_zero(theta)
    free = ~(zero[:, :, None] | zero[:, None, :])
    unit = np.einsum("ri,ij->rij", zero.astype(np.float64), np.eye(c))
    try:
        inverse = np.linalg.inv(np.where(free, H, 0.0) + unit)
    except np.linalg.LinAlgError:  # a direction in which the criterion is flat
        inverse = np.linalg.pinv(np.where(free, H, 0.0) + unit, hermitian=True)
    return np.asarray(2 * inverse * free)
