"""A tap without what lies under the band that is measured: hum, wind, traffic, and a recorder's offset.

Whole-band numbers (power over the noise, decay, ring) would else be those of a machine's hum or of wind on
the microphone, which outdoors may be as loud as a tap. Struck skin sounds above ``low_hz``, but a low note
that dies soon reaches below it: where nothing lies there but the tap itself, nothing is taken off.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.detect import offset
from taptone.types import FloatArray, Tap

__all__ = ["without_rumble"]

#: From such a share of the power of a tap's first 20 ms on, rumble is taken off; under the first, taking its
#: power off is enough. Then an order, and an edge in shares of `low_hz`: a steep filter rings by itself and
#: lengthens low notes, so it is taken only where the rumble would do worse.
_TAKEN_OFF = ((1e-3, 2, 0.6), (1e-2, 4, 0.75))
_FIRST_S, _LAST_S = 0.020, 0.100
_MEAN_S, _SURELY = 0.002, 0.8
_AHEAD_S = 0.02  # turned about its first sample and set before a stretch, for the filter to swing in


def without_rumble(tap: Tap, low_hz: float) -> Tap:
    """The tap and the quiet near it about zero, and where there is rumble from a little under `low_hz` up.

    Parameters
    ----------
    tap : Tap
        With its sound.
    low_hz : float
        Lower edge of the band that is measured.

    Returns
    -------
    Tap
        The same in all else.

    Examples
    --------
    >>> t = np.arange(-480, 12000) / 48000
    >>> hum = 0.1 * np.sin(2 * np.pi * 50 * t)
    >>> tap = Tap("one.wav", 48000, 48000, 47520, hum, len(hum), hum[:1920])
    >>> bool(np.abs(without_rumble(tap, 200.0).clip[480:]).max() < 0.002)
    True
    """
    level = offset(tap.noise)
    if level:
        tap = replace(tap, clip=tap.clip - level, noise=tap.noise - level)
    first = tap.clip[tap.onset : min(tap.onset + round(_FIRST_S * tap.rate_hz), tap.end)]
    # A gust is over in the quiet near by: it is asked as well what is left once the tap has died.
    late = slice(max(len(tap.clip) - round(_LAST_S * tap.rate_hz), tap.onset), None)
    told, power = tap, _power(first)
    if max(_low_power(tap.noise, tap.rate_hz), _low_power(tap.clip[late], tap.rate_hz)) < (
        _SURELY * _TAKEN_OFF[0][0] * power
    ):
        return told  # most taps: nothing has to be filtered to know
    for share, order, under in _TAKEN_OFF:
        less = _from(under * low_hz, order, tap)
        taken = max(_power(tap.noise) - _power(less.noise), _power(tap.clip[late]) - _power(less.clip[late]))
        if not taken > share * power:
            break
        told = less
    return told


def _low_power(sound: NDArray[np.floating], rate_hz: int) -> float:
    """Power of the means over 2 ms: all that lies far under 250 Hz, and some of what lies above."""
    per = max(1, round(_MEAN_S * rate_hz))
    n = len(sound) // per
    return _power(sound[: n * per].reshape(n, per).mean(axis=1, dtype=float))


@cache
def _high_pass(order: int, low_hz: float, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Sections of a filter, and the state in which a level of 1 leaves it."""
    from scipy.signal import butter, sosfilt_zi

    sections = np.asarray(butter(order, low_hz, "highpass", fs=rate_hz, output="sos"))
    return sections, np.asarray(sosfilt_zi(sections))


def _from(low_hz: float, order: int, tap: Tap) -> Tap:
    """The tap and its quiet from `low_hz` up."""
    high = _high_pass(order, low_hz, tap.rate_hz)
    ahead = round(_AHEAD_S * tap.rate_hz)
    clip = _filtered(high, tap.clip, min(ahead, max(tap.onset - 1, 0)))
    noise = _filtered(high, tap.noise, min(ahead, max(len(tap.noise) - 1, 0)))
    return replace(tap, clip=clip, noise=noise)


def _power(sound: NDArray[np.floating]) -> float:
    return float(np.square(sound, dtype=float).mean()) if len(sound) else 0.0


def _filtered(
    high: tuple[FloatArray, FloatArray], sound: NDArray[np.floating], ahead: int
) -> NDArray[np.float32]:
    """The sound after the filter, which comes to rest on `ahead` samples of it, turned about the first."""
    from scipy.signal import sosfilt

    sections, at_rest = high
    if not len(sound):
        return np.asarray(sound, np.float32)
    exact = sound.astype(float)
    before = 2 * exact[0] - exact[ahead:0:-1]
    whole = np.concatenate([before, exact])
    out, _ = sosfilt(sections, whole, zi=at_rest * whole[0])
    return np.asarray(out[len(before) :], np.float32)
