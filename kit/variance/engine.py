"""One face for every form of the model: solve, differentiate, draw; theta holds variances, the burn's last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from kit.variance.columns import Array, Codes
from kit.variance.design import Design, Term
from kit.variance.nested import Method
from kit.variance.optimise import EXACT, Derivatives


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

    def residual(self, data: Any) -> Array:
        """Residual sum of squares of ordinary least squares (responses,)."""

    def solve(self, data: Any, enough: float = EXACT) -> Estimate:
        """Return the estimates; `enough` as in kit.variance.optimise.minimise, for engines that search."""

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


def residual_pieces(xvx: Array, P: Array, Q: Array, t1: Array, t2: Array, theta: Array, n: float) -> Pieces:
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
    R, K, p = len(theta), theta.shape[1] - 1, xvx.shape[1]
    s1, others = theta[:, -1:], theta[:, None, :K]
    s2 = s1[:, :, None]
    flatP, flatQ = P.reshape(R, K, p * p), Q.reshape(R, K, K * p * p)
    allP, allQ, t = np.empty((R, K + 1, p, p)), np.empty((R, K + 1, K + 1, p, p)), np.empty((R, K + 1, K + 1))
    allP[:, :K], allQ[:, :K, :K], t[:, :K, :K] = P, Q, t2
    Pe = (xvx - (others @ flatP).reshape(R, p, p)) / s2
    from_left = (others @ flatQ).reshape(R, K, p, p)  # sum_j s_j Q_ji
    Qei = (P - from_left) / s2[:, None]
    allP[:, K], allQ[:, K, :K], allQ[:, :K, K] = Pe, Qei, Qei.transpose(0, 1, 3, 2)
    allQ[:, K, K] = (Pe - (others @ Qei.reshape(R, K, p * p)).reshape(R, p, p)) / s2
    te = (n - np.vecdot(others[:, 0], t1)) / s1[:, 0]
    tie = (t1 - (others @ t2)[:, 0]) / s1
    t[:, :K, K] = t[:, K, :K] = tie
    t[:, K, K] = (te - np.vecdot(others[:, 0], tie)) / s1[:, 0]
    return Pieces(np.asarray(np.linalg.inv(xvx), dtype=np.float64), allP, allQ, t)


def direct_pieces(design: Design, terms: tuple[Term, ...], theta: Array) -> Pieces:
    """Return the pieces at theta (c,) written out, V = LL': for designs whose terms leave no burns within their levels.

    There a burn variance near zero is no remainder of V that a subtraction could find.
    """
    roots = [*(term.levels.indicators for term in terms), np.eye(design.n)]
    V = sum(variance * (Z @ Z.T) for variance, Z in zip(theta, roots, strict=True))
    L = np.linalg.cholesky(V)
    whole = np.linalg.solve(L, np.hstack([design.X, *roots]))
    a, *halves = np.split(whole, np.cumsum([design.p, *(Z.shape[1] for Z in roots[:-1])]), axis=1)
    H = np.stack([half @ half.T for half in halves])
    Ha = H @ a
    t = np.einsum("ikl,jkl->ij", H, H)
    phi = np.asarray(np.linalg.inv(a.T @ a), dtype=np.float64)
    return Pieces(phi[None], (a.T @ Ha)[None], np.einsum("ikp,jkq->ijpq", Ha, Ha)[None], t[None])
