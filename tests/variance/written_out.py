"""The model with every matrix written out, n × n: what any shorter form of it must agree with."""

import numpy as np


def relationships(fit):
    """Z Z' of each component in the fit's order; the burns' are diagonal."""
    terms = {term.name: term.levels.indicators @ term.levels.indicators.T for term in fit.design.terms}
    groups = fit.design.spread.indicators.T
    burns = [np.diag(own) for own in (groups if len(groups) > 1 else np.ones((1, fit.design.n)))]
    return np.array([*(terms[name] for name in fit.names if name in terms), *burns])


def criterion(fit, theta, method="REML"):
    """Return -2 log (restricted) likelihood of the first response at theta (c,), and its generalised least squares."""
    X, y = fit.design.X, fit.columns.values[0]
    L = np.linalg.cholesky(np.einsum("i,ikl->kl", theta, relationships(fit)))
    a, b = np.linalg.solve(L, X), np.linalg.solve(L, y - y.mean())
    Q, R = np.linalg.qr(a)
    left = b - Q @ (Q.T @ b)
    value = 2 * np.log(L.diagonal()).sum() + left @ left
    dof = len(y) if method == "ML" else fit.design.nu
    if method == "REML":
        value += 2 * np.log(np.abs(R.diagonal())).sum()
    means = np.linalg.solve(R, Q.T @ b)
    means[: len(fit.labels)] += y.mean()
    return value + dof * np.log(2 * np.pi), means


def kenward_roger(fit, theta):
    """Return Φ_A and W from P_i, Q_ij and traces, each a product of n × n matrices."""
    V, X = relationships(fit), fit.design.X
    inverse = np.linalg.inv(np.einsum("i,ikl->kl", theta, V))
    along, Xi = np.array([inverse @ each for each in V]), inverse @ X
    phi = np.linalg.inv(X.T @ Xi)
    P = np.array([Xi.T @ each @ Xi for each in V])
    Q = np.array([[Xi.T @ a @ inverse @ b @ Xi for b in V] for a in V])
    t = np.einsum("ikl,jlk->ij", along, along)
    mixed = np.einsum("pq,iqr,rs,jsp->ij", phi, P, phi, P)
    W = np.linalg.inv(0.5 * (t - 2 * np.einsum("pq,ijqp->ij", phi, Q) + mixed))
    inner = np.einsum("ij,ijpq->pq", W, Q) - np.einsum("ij,ipq,qr,jrs->ps", W, P, phi, P)
    return phi + 2 * phi @ ((inner + inner.T) / 2) @ phi, W
