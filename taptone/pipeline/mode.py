"""The struck mode: its frequency and its damping, told apart from its neighbours, the room and the noise.

What a struck body sends out after the contact is a sum of damped sines, of which the one with the most energy
is the struck mode. About each of the strongest peaks of the spectrum the sound is brought down to frequency
zero, smoothed and thinned out, by kernels that look forward only: seen through such a kernel a damped sine
keeps its damping to the last digit, from its first sample on. Each halving of the band gives one more look,
twice as long. In every look ESPRIT [1]_ finds one, two and three damped sines, and least squares their levels
and the standard error of each damping, from what is left over [2]_. The look whose error is smallest decides
which mode it is, for a short one is upset by close neighbours and a long one by the room; the damping is the
mean over all looks that saw that mode about as surely.

References
----------
.. [1] R. Roy and T. Kailath, "ESPRIT: estimation of signal parameters via rotational invariance techniques",
   IEEE Trans. Acoust. Speech Signal Process. 37 (1989) 984-995.
.. [2] Y. X. Yao and S. M. Pandit, "Cramér-Rao lower bounds for a damped sinusoidal process", IEEE Trans.
   Signal Process. 43 (1995) 878-885: the error of the damping where what is left over is white noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from taptone.types import FloatArray

__all__ = ["Mode", "struck_modes"]

ComplexArray = NDArray[np.complexfloating]

_LN_60DB = 6.0 * math.log(10.0)  # energy falls by exp(-_LN_60DB) in one decay time
_SEARCHED_S = 0.08  # peaks are looked for in the spectrum of this much sound
_OVER_NOISE = 4.0  # a peak rises over the noise by this factor of power
_WITHIN = 10**-0.8  # peaks whose energy may turn out to be the largest
_BAND = 1.05  # its energy is that from this factor below to this factor above
_PEAKS = 3
_APART = 1.13  # frequencies nearer than this factor are seen in one look
_EDGE = 1.03  # a mode may lie this far outside the band
_PERIODS = 4.0  # of the mode, in the shortest kernel
_KERNEL = 8  # samples of a look that a kernel spans
_SAMPLES = 32  # of a look
_PENCIL = 16
_SINES = (1, 2, 3)
_AS_SURE = 2.0  # looks whose error is up to this many times the least are averaged
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class Mode:
    """Frequency, time to fall by 60 dB, and the standard error of that time as a share of it.

    All are ``nan`` where no peak stands clear of the noise or the sound is too short.
    """

    hz: float
    decay_ms: float
    error: float


def struck_modes(
    sounds: Sequence[FloatArray],
    noises: Sequence[FloatArray],
    rate_hz: int,
    *,
    low_hz: float,
    high_hz: float,
) -> list[Mode]:
    """Find the mode of most energy in each of many dying sounds.

    Parameters
    ----------
    sounds : sequence of ndarray
        Each from after the contact on, to where it is cut off.
    noises : sequence of ndarray
        A quiet stretch near each.
    rate_hz : int
        Samples a second.
    low_hz, high_hz : float
        Band in which modes are looked for.

    Returns
    -------
    list of Mode
        In the order of `sounds`.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(9600) / 48000
    >>> ring = 10 ** (-3 * t / 0.050) * np.sin(2 * np.pi * 2000 * t)
    >>> [mode] = struck_modes([ring], [np.zeros(0)], 48000, low_hz=200.0, high_hz=8000.0)
    >>> round(mode.hz, 1), round(mode.decay_ms, 2)
    (2000.0, 50.0)
    """
    looks = [
        look
        for number, (sound, noise) in enumerate(zip(sounds, noises, strict=True))
        for peak_hz in _peaks(sound, noise, rate_hz, low_hz, high_hz)
        for look in _looks(number, sound, rate_hz, peak_hz)
    ]
    modes = [Mode(math.nan, math.nan, math.nan)] * len(sounds)
    if not looks:
        return modes
    hz, damping, error, energy = _resolved(looks, low_hz / _EDGE, high_hz * _EDGE)
    seen: dict[tuple[int, float], list[int]] = {}
    for k, look in enumerate(looks):
        seen.setdefault((look.sound, look.about_hz), []).append(k)
    most = np.zeros(len(sounds))
    for (number, _), group in seen.items():
        own = np.array(group)
        surest = own[np.argmin(error[own])]
        if energy[surest] > most[number]:
            most[number] = energy[surest]
            alike = own[error[own] <= _AS_SURE * error[surest]]
            alike = alike[np.abs(hz[alike] - hz[surest]) <= damping[surest] / math.pi]
            mean = np.exp(np.average(np.log(damping[alike]), weights=(error[alike] + _TINY) ** -2.0))
            modes[number] = Mode(float(hz[surest]), 500 * _LN_60DB / float(mean), float(error[surest]))
    return modes


# -- where to look -------------------------------------------------------------------------------------


def _peaks(sound: FloatArray, noise: FloatArray, rate_hz: int, low_hz: float, high_hz: float) -> list[float]:
    """Peaks of the spectrum about which the most energy lies, in Hz, the strongest first.

    Modes of one body have about the same loss factor, hence a width in proportion to their frequency: the
    energy is summed over such a band.
    """
    n = min(len(sound), round(_SEARCHED_S * rate_hz))
    if n < _SAMPLES:
        return []
    n_fft = 1 << (2 * n - 1).bit_length()
    fade = _falling(n)
    power = np.abs(np.fft.rfft(sound[:n] * fade, n_fft)) ** 2
    quiet = _noise_spectrum(noise, n, n_fft) * float(fade @ fade)
    power = np.where(power > _OVER_NOISE * quiet, power - quiet, 0.0)
    per_bin = rate_hz / n_fft
    first, last = (round(hz / per_bin) for hz in (low_hz / _EDGE, min(high_hz * _EDGE, 0.45 * rate_hz)))
    bins = np.arange(first, last + 1)
    from_bin, to_bin = (bins / _BAND).astype(int), np.ceil(bins * _BAND).astype(int) + 1
    total = np.concatenate([[0.0], np.cumsum(power)])
    energy = total[np.minimum(to_bin, len(power))] - total[from_bin]
    inner = power[first : last + 1]
    tops = np.flatnonzero((inner > power[first - 1 : last]) & (inner >= power[first + 1 : last + 2]))
    if not len(tops):
        return []
    tops = tops[energy[tops] >= _WITHIN * energy[tops].max()]
    chosen: list[float] = []
    for top in tops[np.argsort(-energy[tops], kind="stable")]:
        strongest = from_bin[top] + int(np.argmax(power[from_bin[top] : to_bin[top]]))
        hz = float(strongest * per_bin)
        if all(max(hz / other, other / hz) > _APART for other in chosen):
            chosen.append(hz)
        if len(chosen) == _PEAKS:
            break
    return chosen


@lru_cache(maxsize=64)
def _falling(n: int) -> FloatArray:
    return np.asarray(np.hanning(2 * n)[n:])


def _noise_spectrum(noise: FloatArray, most: int, n_fft: int) -> FloatArray:
    """Power of a stretch of noise, a sample, steadied over neighbouring bins."""
    from scipy.ndimage import uniform_filter1d

    n = min(len(noise), most)
    if n < 2:
        return np.zeros(n_fft // 2 + 1)
    window = _hann(n)
    power = np.abs(np.fft.rfft(noise[:n] * window, n_fft)) ** 2 / float(window @ window)
    return np.asarray(uniform_filter1d(power, max(3, 8 * n_fft // n), mode="nearest"))


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """A stretch of one sound about one frequency, brought down to zero, and how it was made."""

    sound: int
    about_hz: float
    samples: ComplexArray  # shape (_SAMPLES,)
    step_s: float
    kernel: int  # of the first thinning, in samples of the sound
    halvings: int
    rate_hz: int
    lasts_s: float  # of the whole sound


def _looks(number: int, sound: FloatArray, rate_hz: int, about_hz: float) -> Iterator[_Look]:
    """Looks of growing length and narrowing band, as far as the sound goes."""
    kernel = max(round(_PERIODS * rate_hz / about_hz), _KERNEL)
    step = min(round(kernel / _KERNEL), (len(sound) - kernel) // (_SAMPLES - 1))
    if step < 1:
        return
    turning = -2j * np.pi * about_hz / rate_hz
    down = _hann(kernel) * np.exp(turning * np.arange(kernel))
    framed = np.lib.stride_tricks.sliding_window_view(sound, kernel)[::step]
    parts = framed @ np.stack([down.real, down.imag], axis=1)
    seen = (parts[:, 0] + 1j * parts[:, 1]) * np.exp(turning * step * np.arange(len(parts)))
    halvings = 0
    while len(seen) >= _SAMPLES:
        step_s = step * 2**halvings / rate_hz
        yield _Look(
            number, about_hz, seen[:_SAMPLES], step_s, kernel, halvings, rate_hz, len(sound) / rate_hz
        )
        seen = np.lib.stride_tricks.sliding_window_view(seen, _KERNEL)[::2] @ _hann(_KERNEL)
        halvings += 1


@lru_cache(maxsize=4096)
def _hann(n: int) -> FloatArray:
    """Hann's window without its zeros, of unit sum."""
    window = np.hanning(n + 2)[1:-1]
    return np.asarray(window / window.sum())


# -- what is seen --------------------------------------------------------------------------------------


def _resolved(
    looks: Sequence[_Look], low_hz: float, high_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Of each look: the strongest sine's frequency, damping in nepers a second, its error, and energy."""
    samples = np.array([look.samples for look in looks])
    step_s = np.array([look.step_s for look in looks])[:, None]
    about_hz = np.array([look.about_hz for look in looks])[:, None]
    subspace = _subspace(samples)
    best = np.full((4, len(looks)), np.nan)
    best[2] = np.inf
    with np.errstate(all="ignore"):  # what cannot be seen comes out as nan and is passed over
        for sines in _SINES:
            poles = _poles(subspace[:, :, -sines:], step_s)
            level, variance = _least_squares(samples, poles, step_s)
            damping, hz = -poles.real, about_hz + poles.imag / (2 * np.pi)
            inside = (damping > 0) & (hz > low_hz) & (hz < high_hz)
            inside &= np.abs(hz - about_hz) < 2 / (_KERNEL * step_s)  # within the kernel's band
            power = np.abs(level / _gain(poles, looks)) ** 2 / (4 * damping)
            shown = np.where(inside, power * -np.expm1(-2 * damping * _SAMPLES * step_s), -1.0)
            chosen = np.argmax(np.nan_to_num(shown, nan=-1.0), axis=1)
            each = np.arange(len(looks))
            found = np.stack([hz, damping, np.sqrt(variance) / damping, power])[:, each, chosen]
            found[3] *= -np.expm1(-2 * found[1] * [look.lasts_s for look in looks])
            better = (found[2] < best[2]) & inside[each, chosen]
            best[:, better] = found[:, better]
    return best[0], best[1], best[2], np.nan_to_num(best[3], nan=0.0)


def _subspace(samples: ComplexArray) -> ComplexArray:
    """Directions of each look's windows that hold the most power, the strongest last."""
    rows = np.lib.stride_tricks.sliding_window_view(samples, _PENCIL, axis=1)
    return np.linalg.eigh(np.swapaxes(rows, 1, 2) @ rows.conj())[1]


def _poles(subspace: ComplexArray, step_s: FloatArray) -> ComplexArray:
    """ESPRIT: the turn from one sample to the next that carries the subspace over into itself."""
    first, second = subspace[:, :-1], subspace[:, 1:]
    turned = np.swapaxes(first.conj(), 1, 2)
    eye = np.eye(first.shape[2])
    turns = np.linalg.eigvals(np.linalg.solve(turned @ first + _TINY * eye, turned @ second))
    return np.asarray(np.log(turns) / step_s)


def _least_squares(
    samples: ComplexArray, poles: ComplexArray, step_s: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """Levels of damped sines, and variance of their dampings by what they leave over."""
    time_s = np.arange(_SAMPLES) * step_s
    exponent = poles[:, None, :] * time_s[:, :, None]
    sine = np.exp(np.minimum(exponent.real, 50.0) + 1j * exponent.imag)
    level = np.linalg.solve(_gram(sine), np.swapaxes(sine.conj(), 1, 2) @ samples[:, :, None])
    left = samples - (sine @ level)[:, :, 0]
    level = level[:, :, 0]
    sines = poles.shape[1]
    # A kernel spans several samples: so many fewer tell something new (1.5: Hann's noise bandwidth).
    power = (np.abs(left) ** 2).sum(axis=1) / (_SAMPLES - 2 * sines) * _KERNEL / 1.5
    slopes = np.concatenate([sine * time_s[:, :, None] * level[:, None, :], sine], axis=2)
    size = np.sqrt((np.abs(slopes) ** 2).sum(axis=1))
    inverse = np.linalg.inv(_gram(slopes / size[:, None, :]))
    variance = np.diagonal(inverse, axis1=1, axis2=2).real[:, :sines] / size[:, :sines] ** 2
    return level, variance * power[:, None] / 2


def _gram(columns: ComplexArray) -> ComplexArray:
    """Products of all pairs of columns, kept from being singular."""
    # A turn of nothing has no logarithm: its column counts as nothing, before what keeps it apart is added.
    gram = np.nan_to_num(np.swapaxes(columns.conj(), 1, 2) @ columns)
    trace = np.trace(gram, axis1=1, axis2=2).real[:, None, None]
    return np.asarray(gram + (_TINY * trace + 1e-300) * np.eye(columns.shape[2]))


def _gain(poles: ComplexArray, looks: Sequence[_Look]) -> ComplexArray:
    """What the kernels of a look made of a damped sine's level."""
    rate_hz = looks[0].rate_hz
    gain = _hann_gain(poles / rate_hz, np.array([[look.kernel] for look in looks]))
    halvings = np.array([look.halvings for look in looks])
    step_s = np.array([look.step_s / 2**look.halvings for look in looks])[:, None]
    for k in range(int(halvings.max())):
        more = _hann_gain(poles * step_s * 2**k, np.array([[_KERNEL]]))
        gain = np.where(halvings[:, None] > k, gain * more, gain)
    return gain


def _hann_gain(turn: ComplexArray, n: NDArray[np.intp]) -> ComplexArray:
    """Sum of exp(k·turn) under Hann's window of unit sum: three geometric series."""
    total = np.zeros(turn.shape, complex)
    for share, times in ((1.0, 0), (-0.5, 1), (-0.5, -1)):
        aside = times * 2j * np.pi / (n + 1)
        total += share * np.exp(aside) * np.expm1(n * (turn + aside)) / np.expm1(turn + aside + _TINY)
    return np.asarray(total / (n + 1))
