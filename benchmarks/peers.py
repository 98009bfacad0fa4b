"""What other methods would make of the same panel: plain outlier detectors, and a rule of two lines.

All learn from the same known-good places, with default settings and a fixed seed, after scaling. None of them
knows where a station lies.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptone.types import BAND_CENTRES_HZ, Reference, Result

__all__ = ["OURS", "TWO_LINES", "scores"]

OWN_MEASURES = ("decay_ms", "decay_bend_db", "mode_decay_ms", "mode_hz", "centroid_hz")
OWN_MEASURES += ("bandwidth_hz", "balance_db", "contact_ms")
OURS, TWO_LINES = "taptone, chance_if_good", "two-line rule: largest robust z of decay and centroid"


def scores(
    reference: Reference,
    reference_samples: NDArray[np.float32],
    reference_strikes: Sequence[tuple[int, ...]],
    result: Result,
    samples: NDArray[np.float32],
    strikes: Sequence[tuple[int, ...]],
    rate_hz: int,
) -> dict[str, NDArray[np.float64]]:
    """Score every station with each method, larger = more different, all learnt from the same places.

    ``strikes`` holds the true first samples of each station, ``reference_strikes`` those of each place: the
    methods on librosa's features need not find them.
    """
    by_tap = {t.sample: t for t in result.taps}
    here = [by_tap[p.samples[0]].values if p.samples else {} for p in result.points]
    bands = [by_tap[p.samples[0]].bands_db if p.samples else () for p in result.points]
    features = {
        "librosa features": (
            librosa_features(reference_samples, reference_strikes, rate_hz),
            librosa_features(samples, strikes, rate_hz),
        ),
        "own measures": (table(reference.measures, OWN_MEASURES), table(here, OWN_MEASURES)),
        "own measures and bands": (
            np.hstack([table(reference.measures, OWN_MEASURES), shapes(reference.bands_db)]),
            np.hstack([table(here, OWN_MEASURES), shapes(padded(bands))]),
        ),
    }
    # No chance below 1e-6 is given: the score ranks those.
    found = {OURS: -np.array([p.chance_if_good - 1e-9 * p.score for p in result.points])}
    for what, (known, new) in features.items():
        known, new = filled(known, known), filled(new, known)
        for name, model in rivals().items():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # 20 places are few for some of them, and they say so
                found[f"{name}, {what}"] = -model.fit(known).score_samples(new)
    two = ("decay_ms", "centroid_hz")
    known, new = table(reference.measures, two), table(here, two)
    known = filled(known, known)
    middle = np.median(known, axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(known - middle), axis=0), 1e-9)
    found[TWO_LINES] = np.max(np.abs((filled(new, known) - middle) / spread), axis=1)
    return found


def rivals() -> dict[str, Any]:
    """Default settings; features are scaled first, without which some of them would be worthless."""
    from sklearn.covariance import EllipticEnvelope
    from sklearn.ensemble import IsolationForest
    from sklearn.neighbors import LocalOutlierFactor
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler
    from sklearn.svm import OneClassSVM

    models = {
        "IsolationForest": IsolationForest(random_state=0),
        "EllipticEnvelope": EllipticEnvelope(random_state=0),
        "LocalOutlierFactor": LocalOutlierFactor(novelty=True),
        "OneClassSVM": OneClassSVM(),
    }
    return {name: make_pipeline(StandardScaler(), model) for name, model in models.items()}


def librosa_features(
    samples: NDArray[np.float32], strikes: Sequence[tuple[int, ...]], rate_hz: int
) -> NDArray[np.float64]:
    """13 cepstral coefficients, centroid and fall of the level of each place's clips, their median."""
    import librosa

    length = round(0.25 * rate_hz)
    padded = np.concatenate([samples, np.zeros(length, samples.dtype)])
    starts = [s for place in strikes for s in place or (len(samples),)]
    clips = np.array([padded[s : s + length] for s in starts], float)
    clips /= np.maximum(np.sqrt(np.mean(clips**2, axis=1, keepdims=True)), 1e-9)  # people strike unevenly
    n_fft = 2048 if rate_hz > 16_000 else 512
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of mel bands that are empty at low rates
        cepstra = librosa.feature.mfcc(y=clips, sr=rate_hz, n_mfcc=13, n_fft=n_fft, n_mels=40).mean(axis=-1)
    centroid = librosa.feature.spectral_centroid(y=clips, sr=rate_hz, n_fft=n_fft).mean(axis=-1)
    hop = round(0.005 * rate_hz)
    level = librosa.feature.rms(y=clips, frame_length=4 * hop, hop_length=hop, center=False)[:, 0, :]
    level_db = 20.0 * np.log10(np.maximum(level, 1e-9))
    fall = np.polyfit(np.arange(level.shape[1]) * hop / rate_hz, level_db.T, 1)[0]
    rows = np.column_stack([cepstra, centroid, fall])
    ends = np.cumsum([max(len(place), 1) for place in strikes])[:-1]
    return np.array([np.median(part, axis=0) for part in np.split(rows, ends)])


def table(values: Sequence[Mapping[str, float]], names: Sequence[str]) -> NDArray[np.float64]:
    return np.array([[row.get(name, math.nan) for name in names] for row in values])


def padded(bands: Sequence[tuple[float, ...]]) -> NDArray[np.float64]:
    return np.array([row or (math.nan,) * len(BAND_CENTRES_HZ) for row in bands])


def shapes(bands_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Third octaves from 200 Hz to 8 kHz about their mean."""
    levels = np.asarray(bands_db)[:, 3:20]
    rows = [row - np.nanmean(row) if np.isfinite(row).any() else row for row in levels]
    return np.array(rows)


def filled(rows: NDArray[np.float64], known: NDArray[np.float64]) -> NDArray[np.float64]:
    """What could not be measured is taken as usual: these methods know no missing values."""
    usual = np.array([np.nanmedian(c) if np.isfinite(c).any() else 0.0 for c in known.T])
    return np.where(np.isfinite(rows), rows, usual)
