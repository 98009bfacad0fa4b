"""Onset metrics against mir_eval (values printed by 0.8.2, and the library itself run beside ours)."""

import mir_eval
import numpy as np
import pytest

from taptone.evaluation.onsets import error_ms, evaluate, f_measure, match, validate

REFERENCE, ESTIMATED = [0.5, 1.0, 1.5, 2.0], [0.51, 1.049, 1.56, 2.0, 3.0]


@pytest.mark.parametrize(
    ("window_s", "expected"),
    [(0.05, (0.6667, 0.6, 0.75)), (0.02, (0.4444, 0.4, 0.5)), (0.005, (0.2222, 0.2, 0.25))],
)
def test_published_values(window_s, expected):
    assert f_measure(REFERENCE, ESTIMATED, window_s) == pytest.approx(expected, abs=1e-4)  # as printed


# mir_eval.onset 0.8.2: the boundary itself is a hit; one estimate between two onsets pairs with one only.
@pytest.mark.parametrize(
    ("reference", "estimated", "expected"),
    [
        ([1.0], [1.05], (1.0, 1.0, 1.0)),
        ([1.0], [1.0500001], (0.0, 0.0, 0.0)),
        ([1.00, 1.04], [1.02], (2 / 3, 1.0, 0.5)),
        ([1.0], [0.98, 1.02], (2 / 3, 0.5, 1.0)),
    ],
)
def test_boundary_and_pairing(reference, estimated, expected):
    assert f_measure(reference, estimated, 0.05) == pytest.approx(expected, abs=1e-12)
    ours = mir_eval.onset.f_measure(np.array(reference), np.array(estimated), window=0.05)
    assert ours == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("window_s", [0.005, 0.02, 0.05])
def test_same_as_mir_eval_on_crowded_onsets(rng, window_s):
    for _ in range(30):
        reference = np.sort(rng.uniform(0.0, 2.0, rng.integers(1, 60)))
        moved = reference[rng.random(len(reference)) < 0.8] + rng.normal(0.0, 0.02)
        estimated = np.sort(np.abs(np.append(moved, rng.uniform(0.0, 2.0, rng.integers(1, 20)))))
        theirs = mir_eval.onset.f_measure(reference, estimated, window=window_s)
        assert f_measure(reference, estimated, window_s) == pytest.approx(theirs, abs=1e-12)


def test_nearest_of_two_is_paired():
    assert match([1.0], [0.99, 1.001]).tolist() == [[0, 1]]


def test_most_pairs_come_before_small_errors():
    # Taking the nearest first (1.010 with 1.009) would leave 1.000 alone.
    assert match([1.000, 1.010], [1.009, 1.025], 0.02).tolist() == [[0, 0], [1, 1]]


def test_errors_are_numpys_median_and_percentile(rng):
    reference = np.arange(1.0, 101.0)
    error = rng.normal(0.0, 0.001, 100)
    assert error_ms(reference, reference + error) == pytest.approx(error * 1000.0, abs=1e-9)
    scores = evaluate(reference, reference + error)
    assert scores["error_median_ms"] == pytest.approx(np.median(np.abs(error)) * 1000.0, abs=1e-9)
    assert scores["error_p95_ms"] == pytest.approx(np.percentile(np.abs(error), 95) * 1000.0, abs=1e-9)
    assert scores["f_measure"] == 1.0


def test_nothing_found_is_zero_and_has_no_error():
    scores = evaluate([1.0], [])
    assert (scores["f_measure"], scores["precision"], scores["recall"]) == (0.0, 0.0, 0.0)
    assert np.isnan(scores["error_median_ms"])
    assert np.isnan(scores["error_p95_ms"])


@pytest.mark.parametrize(
    ("reference", "estimated", "words"),
    [
        ([[1.0]], [], "reference onsets have 2 dimensions"),
        ([1.0], [np.nan], "estimated onsets are not all finite"),
        ([-1.0], [], "reference onsets are not all finite and from 0 s up"),
        ([1.0], [2.0, 1.0], "estimated onsets do not rise"),
    ],
)
def test_refuses_what_cannot_be_onsets(reference, estimated, words):
    with pytest.raises(ValueError, match=words):
        validate(reference, estimated)
