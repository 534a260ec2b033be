"""The training scripts: staircases equal the boosted model, cards are what the loader takes."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import roc_auc_score

from quietrun.evidence import BY_NAME
from quietrun.judge import load_model

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "scripts"))

from learning.additive import directions, fit_additive, unroll  # noqa: E402
from learning.cards import _merge, folds  # noqa: E402


@pytest.fixture
def problem():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(1500, 6))
    x[rng.random(x.shape) < 0.1] = np.nan
    hidden = np.nan_to_num(x[:, 0]) - 0.8 * np.nan_to_num(x[:, 3]) + 0.5 * rng.normal(size=1500)
    return x, (hidden > 0.3).astype(int), np.ones(1500)


def test_staircases_equal_the_boosted_stumps_they_come_from(problem):
    x, y, _ = problem
    model = HistGradientBoostingClassifier(max_leaf_nodes=2, max_iter=80, random_state=0).fit(x, y)
    assert unroll(model).log_odds(x) == pytest.approx(model.decision_function(x), abs=1e-9)


def test_every_staircase_is_monotone_in_its_direction(problem):
    x, y, w = problem
    signs = directions(x, y, w)
    assert signs[0] == 1
    assert signs[3] == -1
    card = fit_additive(x, y, w, signs=signs, rounds=120)
    for j, (_, points, _) in card.steps.items():
        assert (np.diff(points) * signs[j] >= -1e-12).all()
    assert roc_auc_score(y, card.log_odds(x)) > 0.85


def test_merging_steps_changes_no_score_by_more_than_its_bound(problem):
    x, y, w = problem
    card = fit_additive(x, y, w, signs=directions(x, y, w), rounds=120)
    for j, (edges, points, _) in card.steps.items():
        fewer, merged = _merge(edges, points)
        column = x[:, j][~np.isnan(x[:, j])]
        one = points[np.searchsorted(edges, column, side="right")]
        two = merged[np.searchsorted(fewer, column, side="right")]
        assert np.quantile(np.abs(one - two), 0.99) < 1e-3


def test_families_stay_whole_in_folds():
    group = np.repeat(np.arange(200), 3)
    fold = folds(group)
    assert set(fold) == {0, 1, 2, 3}
    assert all(len(set(fold[group == g])) == 1 for g in range(200))


def test_the_shipped_model_speaks_of_this_catalogue():
    model = load_model(ROOT / "models" / "general" / "model.json")
    assert set(model.features) == set(BY_NAME)
    training = json.loads((ROOT / "models" / "general" / "training.json").read_text())
    assert training["model_sha256"] == model.sha256
    for card in (*model.cards.values(), model.unknown):
        assert len(card.terms) >= 5
        assert 0.02 < card.limit < 0.98
