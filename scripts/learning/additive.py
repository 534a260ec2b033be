"""Additive monotone scorecards from boosted stumps, and the rivals they are compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression


@dataclass
class Additive:
    """base + sum of staircases; ``steps[j]`` is (edges, points, missing)."""

    base: float
    steps: dict[int, tuple[np.ndarray, np.ndarray, float]]

    def log_odds(self, x: np.ndarray) -> np.ndarray:
        """Log-odds of each row of ``x`` (clips, features), NaN where missing."""
        total = np.full(x.shape[0], self.base)
        for j, (edges, points, missing) in self.steps.items():
            column = x[:, j]
            known = ~np.isnan(column)
            total[known] += points[np.searchsorted(edges, column[known], side="right")]
            total[~known] += missing
        return total


def directions(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> np.ndarray:
    """+1 or -1 a feature: the sign of its rank correlation with the label."""
    signs = np.zeros(x.shape[1], dtype=int)
    for j in range(x.shape[1]):
        known = ~np.isnan(x[:, j])
        if known.sum() < 50:
            continue
        rank = np.argsort(np.argsort(x[known, j])) / known.sum()
        yk, wk = y[known], w[known]
        signs[j] = 1 if np.cov(rank, yk, aweights=wk)[0, 1] >= 0 else -1
    return signs


def fit_additive(
    x: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    *,
    signs: np.ndarray,
    rounds: int = 500,
    rate: float = 0.06,
    seed: int = 0,
    l2: float = 5.0,
    leaf: int = 40,
    share: float = 0.1,
) -> Additive:
    """Boosted stumps (two leaves a tree: additive by construction), monotone a feature."""
    model = HistGradientBoostingClassifier(
        max_leaf_nodes=2,
        learning_rate=rate,
        max_iter=rounds,
        monotonic_cst=signs,
        l2_regularization=l2,
        min_samples_leaf=leaf,
        max_bins=63,
        early_stopping=False,
        max_features=share,
        random_state=seed,
    )
    model.fit(_binnable(x), y, sample_weight=w)
    return unroll(model)


def _binnable(x: np.ndarray) -> np.ndarray:
    """The same with zeros in columns that hold nothing at all: those cannot be binned."""
    empty = np.isnan(x).all(axis=0)
    return np.where(empty[None, :], 0.0, x) if empty.any() else x


def unroll(model: HistGradientBoostingClassifier) -> Additive:
    """Sum all stumps of a feature into one staircase."""
    cuts: dict[int, list[tuple[float, float, float, bool]]] = {}
    base = float(np.ravel(model._baseline_prediction)[0])
    for (tree,) in model._predictors:
        nodes = tree.nodes
        if len(nodes) == 1:
            base += float(nodes[0]["value"])
            continue
        root = nodes[0]
        left, right = nodes[root["left"]]["value"], nodes[root["right"]]["value"]
        cuts.setdefault(int(root["feature_idx"]), []).append(
            (
                float(root["num_threshold"]),
                float(left),
                float(right),
                bool(root["missing_go_to_left"]),
            )
        )
    steps = {}
    for j, found in cuts.items():
        # sklearn sends x <= threshold left; ours sends x >= edge up: nextafter makes them equal
        edges = np.unique([np.nextafter(t, np.inf) if np.isfinite(t) else t for t, *_ in found])
        finite = edges[np.isfinite(edges)]
        points = np.zeros(finite.size + 1)
        missing = 0.0
        for threshold, left, right, go_left in found:
            at = (
                np.searchsorted(finite, np.nextafter(threshold, np.inf))
                if np.isfinite(threshold)
                else finite.size
            )
            points[: at + 1 if np.isfinite(threshold) else None] += left
            points[at + 1 :] += right
            missing += left if go_left else right
        steps[j] = (finite, points, float(missing))
    return centre(Additive(base, steps))


def centre(model: Additive) -> Additive:
    """Nothing to do but keep: points are shown as learned."""
    return model


def fit_forest(x: np.ndarray, y: np.ndarray, w: np.ndarray, seed: int = 0) -> Any:
    """Unconstrained boosted trees: what explainability costs."""
    return HistGradientBoostingClassifier(
        max_leaf_nodes=12,
        learning_rate=0.06,
        max_iter=300,
        l2_regularization=5.0,
        min_samples_leaf=30,
        max_features=0.3,
        random_state=seed,
    ).fit(_binnable(x), y, sample_weight=w)


def binned(x: np.ndarray, edges: list[np.ndarray]) -> np.ndarray:
    """One-hot quantile bins a feature, with one for missing."""
    parts = []
    for j, cut in enumerate(edges):
        index = np.where(
            np.isnan(x[:, j]), cut.size + 1, np.searchsorted(cut, x[:, j], side="right")
        )
        parts.append(np.eye(cut.size + 2)[index])
    return np.concatenate(parts, axis=1)


def fit_logistic(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[Any, list[np.ndarray]]:
    """L2 logistic regression on binned features."""
    edges = []
    for j in range(x.shape[1]):
        known = x[~np.isnan(x[:, j]), j]
        edges.append(
            np.unique(np.quantile(known, np.linspace(0, 1, 9)[1:-1])) if known.size else np.zeros(1)
        )
    model = LogisticRegression(C=0.02, max_iter=300)
    return model.fit(binned(x, edges), y, sample_weight=w), edges
