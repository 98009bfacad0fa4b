"""Verdict metrics against scikit-learn's on data with and without ties."""

import numpy as np
import pytest
from sklearn import metrics

from taptone.evaluation.verdicts import (
    auc,
    average_precision,
    evaluate,
    false_flags,
    hits,
    hits_at_false_flags,
    not_assessed,
    validate,
)


@pytest.fixture(params=["smooth", "tied"])
def ranked(request, rng):
    loose = rng.random(2000) < 0.1
    score = rng.normal(0.0, 1.0, 2000) + 1.5 * loose
    return loose, np.round(score) if request.param == "tied" else score


def test_auc(ranked):
    assert auc(*ranked) == pytest.approx(metrics.roc_auc_score(*ranked), abs=1e-12)


def test_average_precision(ranked):
    assert average_precision(*ranked) == pytest.approx(metrics.average_precision_score(*ranked), abs=1e-12)


@pytest.mark.parametrize("most", [0.0, 0.01, 0.2, 1.0])
def test_hits_at_false_flags(ranked, most):
    false, true, _ = metrics.roc_curve(*ranked, drop_intermediate=False)
    assert hits_at_false_flags(*ranked, most) == pytest.approx(true[false <= most].max(), abs=1e-12)


def test_hits_and_false_flags(ranked):
    loose, score = ranked
    flagged = score > 1.0
    assert hits(loose, flagged) == pytest.approx(metrics.recall_score(loose, flagged), abs=1e-12)
    missed = metrics.recall_score(loose, flagged, pos_label=False)
    assert false_flags(loose, flagged) == pytest.approx(1.0 - missed, abs=1e-12)


def test_not_assessed_is_no_hit_and_is_not_ranked(ranked):
    loose, score = ranked
    unknown = np.arange(len(loose)) % 4 == 0
    partly = np.where(unknown, np.nan, score)
    flagged = (score > 1.0) & ~unknown
    scores = evaluate(loose, flagged, partly)
    assert scores["not_assessed"] == 0.25
    assert scores["hits"] == flagged[loose].sum() / loose.sum()
    assert scores["auc"] == pytest.approx(metrics.roc_auc_score(loose[~unknown], score[~unknown]), abs=1e-12)


def test_share_of_nothing_is_missing():
    scores = evaluate([False, False], [False, True], [0.1, 0.2])
    assert scores["false_flags"] == 0.5
    for name in ("hits", "auc", "average_precision", "hits_at_1_percent"):
        assert np.isnan(scores[name])
    assert np.isnan(not_assessed([]))
    assert np.isnan(average_precision(np.zeros(0, bool), []))


def test_refuses_what_does_not_belong_together():
    with pytest.raises(ValueError, match=r"shape \(1,\), values \(2,\)"):
        validate([True], [0.1, 0.2])
    with pytest.raises(ValueError, match="truth is of type int64"):
        validate(np.array([0, 1]), [0.1, 0.2])
