"""One face for every form of the model: solve, differentiate, draw; theta holds variances, the burn's last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from kit.variance.columns import Array, Codes
from kit.variance.design import Design
from kit.variance.nested import Method
from kit.variance.optimise import Derivatives


@dataclass(frozen=True)
class Estimate:
    """Estimates of every response.

    Attributes
    ----------
    theta
        (responses, components) variances in the engine's order.
    beta
        (responses, p).
    criterion, converged
        (responses,).
    evaluations
        Evaluations of the criterion a response.
    """

    theta: Array
    beta: Array
    criterion: Array
    converged: npt.NDArray[np.bool_]
    evaluations: int


@dataclass(frozen=True)
class Pieces:
    """What small-sample inference needs of V = sum theta_i V_i (Kenward & Roger 1997).

    Attributes
    ----------
    phi
        (responses, p, p) inverse of X'V^-1X.
    P
        (responses, c, p, p) X'V^-1 V_i V^-1X.
    Q
        (responses, c, c, p, p) X'V^-1 V_i V^-1 V_j V^-1X.
    t
        (responses, c, c) tr(V^-1 V_i V^-1 V_j).
    """

    phi: Array
    P: Array
    Q: Array
    t: Array


class Engine(Protocol):
    """A form of the model for one design."""

    @property
    def design(self) -> Design:
        """The design."""

    @property
    def names(self) -> tuple[str, ...]:
        """Components in theta's order: 'bag', 'day', 'fuel', then 'burn' or 'burn:GROUP'."""

    @property
    def method(self) -> Method:
        """REML or ML."""

    def rotate(self, values: Array) -> Any:
        """Responses (responses, burns) in the engine's own space."""

    def solve(self, data: Any) -> Estimate:
        """Return the estimates."""

    def deviance(self, data: Any, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion at theta (rows, c) for the responses `of` (rows,)."""

    def beta(self, data: Any, theta: Array) -> Array:
        """Generalised least squares (responses, p) at theta (responses, c)."""

    def pieces(self, theta: Array) -> Pieces:
        """Return the pieces of small-sample inference at theta (responses, c)."""

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Any:
        """Simulated responses in the engine's own space, at theta (c,) and beta (p,)."""

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of each random term's levels (responses, levels), and their SDs given the means."""


def residual_pieces(
    xvx: Array, P: Array, Q: Array, t1: Array, t2: Array, theta: Array, n: float
) -> Pieces:
    """Append the burn variance to the pieces of the other terms: V_e = (V - sum s_i V_i)/s.

    Parameters
    ----------
    xvx
        (responses, p, p) X'V^-1X.
    P, Q, t1, t2
        Pieces of the other terms, t1 = tr(V^-1 V_i).
    n
        tr(V^-1 V): burns, and degrees of freedom of a borrowed SD.
    """
    K = theta.shape[1] - 1
    s, others = theta[:, -1], theta[:, :K]
    s1, s2 = s[:, None], s[:, None, None]
    Pe = (xvx - np.einsum("ri,ripq->rpq", others, P)) / s2
    Qie = (P - np.einsum("rj,rijpq->ripq", others, Q)) / s2[:, None]
    Qei = (P - np.einsum("rj,rjipq->ripq", others, Q)) / s2[:, None]
    Qee = (Pe - np.einsum("rj,rjpq->rpq", others, Qie)) / s2
    te = (n - (others * t1).sum(axis=1)) / s
    tie = (t1 - np.einsum("rj,rij->ri", others, t2)) / s1
    tee = (te - (others * tie).sum(axis=1)) / s
    R, p = len(theta), xvx.shape[1]
    allP = np.concatenate([P, Pe[:, None]], axis=1)
    allQ = np.empty((R, K + 1, K + 1, p, p))
    allQ[:, :K, :K], allQ[:, :K, K], allQ[:, K, :K], allQ[:, K, K] = Q, Qie, Qei, Qee
    t = np.empty((R, K + 1, K + 1))
    t[:, :K, :K], t[:, :K, K], t[:, K, :K], t[:, K, K] = t2, tie, tie, tee
    return Pieces(np.linalg.inv(xvx), allP, allQ, t)
