"""The colour of a tap: power spectra of many taps at once, and what is read off them.

The window is flat from just before the onset and fades only at its end: a window that begins to rise at the
onset would erase the attack, where a bonded and a loose skin differ most. Weights are power, because the
magnitude of a decaying tone falls so slowly that a magnitude-weighted centroid follows the sample rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.types import BAND_CENTRES_HZ, FloatArray

__all__ = ["Shape", "band_energies", "power_spectra", "shape"]

_ATTACK_S = 0.001  # the window starts this long before the onset
_ROLLED_OFF = 0.90  # of the energy
_SMOOTH_BINS = 9  # one short stretch of noise is a rough guess of its spectrum; neighbours steady it


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Centroid, bandwidth and 90 % roll-off of many spectra, in Hz, each of shape (taps,)."""

    centroid_hz: FloatArray
    bandwidth_hz: FloatArray
    rolloff_hz: FloatArray


def power_spectra(
    clips: Sequence[NDArray[np.floating]],
    onsets: Sequence[int],
    ends: Sequence[int],
    noises: Sequence[NDArray[np.floating]],
    rate_hz: int,
    *,
    window_ms: float,
) -> tuple[FloatArray, FloatArray]:
    """Power spectra of the start of taps, with the noise spectrum taken off.

    Parameters
    ----------
    clips : sequence of ndarray
        Sound around each tap.
    onsets, ends : sequence of int
        Where each tap starts and stops within its clip, in samples.
    noises : sequence of ndarray
        A quiet stretch near each tap.
    rate_hz : int
        Samples a second.
    window_ms : float
        Length of the window after the onset; its last third fades.

    Returns
    -------
    power : ndarray, shape (taps, bins)
        One-sided; never negative.
    frequency_hz : ndarray, shape (bins,)
        Centres of the bins.

    Examples
    --------
    >>> import numpy as np
    >>> click = np.zeros(4800); click[480] = 1.0
    >>> power, hz = power_spectra([click], [480], [4800], [np.zeros(1920)], 48000, window_ms=30.0)
    >>> bool(np.allclose(power, power[0, 0]))
    True
    """
    before, length = round(_ATTACK_S * rate_hz), round(window_ms * rate_hz / 1000)
    n_fft = 1 << (before + length - 1).bit_length()
    window = np.concatenate([np.ones(before), _fade(length, length // 3)])
    power = np.empty((len(clips), n_fft // 2 + 1))
    for k, (clip, onset, end, noise) in enumerate(zip(clips, onsets, ends, noises, strict=True)):
        start, stop = max(onset - before, 0), min(onset + length, end)
        frame = np.zeros(before + length)
        at = before - (onset - start)
        frame[at : at + stop - start] = clip[start:stop]
        shaped = frame * window
        if stop - onset < length:  # a bounce follows: fade out before it, not across it
            shaped[before : before + stop - onset] *= _fade(stop - onset, min(stop - onset, length // 10))
        quiet = _noise_power(np.asarray(noise, float), window, n_fft)
        power[k] = np.maximum(np.abs(np.fft.rfft(shaped, n_fft)) ** 2 - quiet, 0.0)
    return power, np.asarray(np.fft.rfftfreq(n_fft, 1 / rate_hz), float)


def shape(power: FloatArray, frequency_hz: FloatArray, *, low_hz: float, high_hz: float) -> Shape:
    """Centroid, bandwidth and roll-off within a band, power-weighted.

    Parameters
    ----------
    power : ndarray, shape (taps, bins)
        Power spectra.
    frequency_hz : ndarray, shape (bins,)
        Centres of the bins.
    low_hz, high_hz : float
        The band; bins outside it do not count.

    Returns
    -------
    Shape
        ``nan`` where a spectrum is empty within the band.

    Examples
    --------
    >>> import numpy as np
    >>> hz = np.arange(0, 4001, 1000.0)
    >>> shape(np.array([[0, 1, 0, 1, 0.0]]), hz, low_hz=500, high_hz=4000).centroid_hz.round(6)
    array([2000.])
    """
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    hz = frequency_hz[inside]
    spectra = power[:, inside]
    empty = ~(spectra.sum(axis=1) > 0)
    share = np.where(empty[:, None], 1.0, spectra)
    share = share / share.sum(axis=1, keepdims=True)
    centroid = share @ hz
    bandwidth = np.sqrt((share * (hz - centroid[:, None]) ** 2).sum(axis=1))
    rolloff = hz[(np.cumsum(share, axis=1) >= _ROLLED_OFF).argmax(axis=1)]
    return Shape(*(np.where(empty, np.nan, row) for row in (centroid, bandwidth, rolloff)))


def band_energies(power: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Energy in each third-octave of :data:`~taptone.types.BAND_CENTRES_HZ` (IEC 61260-1).

    Parameters
    ----------
    power : ndarray, shape (taps, bins)
        Power spectra.
    frequency_hz : ndarray, shape (bins,)
        Centres of the bins, evenly spaced.

    Returns
    -------
    ndarray, shape (taps, bands)
        Linear energy; bins across an edge are shared. ``nan`` where a band is not wholly below the
        highest bin.

    Examples
    --------
    >>> import numpy as np
    >>> hz = np.arange(0, 24001, 10.0)
    >>> flat = band_energies(np.ones((1, len(hz))), hz)
    >>> round(float(flat[0, 10]), 3)  # 1 kHz: 230.768 Hz wide
    23.077
    """
    step = frequency_hz[1] - frequency_hz[0]
    centres = np.array(BAND_CENTRES_HZ)
    low, high = centres * 10**-0.05, centres * 10**0.05
    left, right = frequency_hz - step / 2, frequency_hz + step / 2
    overlap = np.minimum(right, high[:, None]) - np.maximum(left, low[:, None])
    share = np.clip(overlap / step, 0.0, 1.0)
    energy = np.asarray(power @ share.T)
    energy[:, high > frequency_hz[-1]] = np.nan
    return energy


def _fade(n: int, over: int) -> FloatArray:
    """Ones that fall to zero as half a cosine over the last `over` samples."""
    window = np.ones(n)
    if over > 0:
        window[n - over :] = 0.5 * (1 + np.cos(np.pi * (np.arange(over) + 1) / (over + 1)))
    return window


def _noise_power(noise: FloatArray, window: FloatArray, n_fft: int) -> FloatArray:
    """Noise power to be expected under the window, from one quiet stretch."""
    from scipy.ndimage import uniform_filter1d

    n = min(len(noise), n_fft)
    if n == 0:
        return np.zeros(n_fft // 2 + 1)
    hann = np.hanning(n + 2)[1:-1]
    power = np.abs(np.fft.rfft(noise[:n] * hann, n_fft)) ** 2 / (hann @ hann) * (window @ window)
    return np.asarray(uniform_filter1d(power, _SMOOTH_BINS, mode="nearest"))
