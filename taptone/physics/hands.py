"""What a hand does otherwise than planned: a row backwards, a row again, another tip, talk between the taps.

All work on the `Schedule` of `taptone.physics.scene` and tell what they did. They are for a schedule as
`tapping_times` lays it out; `damaged` comes after them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from taptone.errors import SettingError
from taptone.physics.scene import Schedule
from taptone.physics.yard import sounding_rms, spoken
from taptone.types import FloatArray

__all__ = [
    "Done",
    "Word",
    "another_tip_half_way",
    "microphone_moved_half_way",
    "row_again",
    "spoken_counting",
    "wrong_direction",
]


@dataclass(frozen=True, slots=True)
class Done:
    """What was done, and to which strikes.

    ``first`` and ``stop`` are indices into the schedule that came back (``stop`` is the first strike that
    is no longer concerned), ``from_s`` and ``to_s`` the times of the first and the last strike concerned.
    ``row`` is -1 where it is not about one row.
    """

    what: str
    row: int
    first: int
    stop: int
    from_s: float
    to_s: float


# -- rows -----------------------------------------------------------------------------------------------


def wrong_direction(schedule: Schedule, rng: np.random.Generator) -> tuple[Schedule, Done]:
    """Tap one row from its end to its start; the times stay.

    Parameters
    ----------
    schedule : Schedule
        From `tapping_times`.
    rng : numpy.random.Generator
        Source of which row, among those of two stations or more.

    Returns
    -------
    schedule : Schedule
        ``station`` and ``xy`` say where each strike truly lands.
    done : Done
        The row's strikes.

    Raises
    ------
    SettingError
        If no row has two stations.

    Examples
    --------
    >>> from taptone.physics.scene import tapping_times
    >>> rng = np.random.default_rng(0)
    >>> plan = tapping_times(np.zeros((3, 2)), [0, 0, 0], rng=rng)
    >>> wrong_direction(plan, rng)[0].station.tolist()
    [2, 1, 0]
    """
    rows = [
        row for row in np.unique(schedule.row) if len(np.unique(schedule.station[schedule.row == row])) > 1
    ]
    if not rows:
        raise SettingError("no row can be tapped backwards", hint="give a row of two stations or more")
    row = int(rng.choice(rows))
    order = np.arange(len(schedule.row))
    here = np.flatnonzero(schedule.row == row)
    order[here] = here[::-1]
    done = _done("wrong direction", schedule, row, int(here[0]), int(here[-1]) + 1)
    kind = tuple(schedule.kind[i] for i in order)
    return replace(schedule, xy=schedule.xy[order], station=schedule.station[order], kind=kind), done


def row_again(schedule: Schedule, rng: np.random.Generator, *, pause_s: float = 4.0) -> tuple[Schedule, Done]:
    """Tap one row a second time, after a pause; all that follows comes later.

    Parameters
    ----------
    schedule : Schedule
        From `tapping_times`.
    rng : numpy.random.Generator
        Source of which row, and of how long the pause is.
    pause_s : float, optional
        Mean pause before the repetition, in s; it varies by a quarter.

    Returns
    -------
    schedule : Schedule
        With more strikes, which have the station, row and kind of those they repeat.
    done : Done
        The strikes of the repetition.

    Raises
    ------
    SettingError
        If there is no row.

    Examples
    --------
    >>> from taptone.physics.scene import tapping_times
    >>> rng = np.random.default_rng(0)
    >>> plan = tapping_times(np.zeros((2, 2)), [0, 0], rng=rng)
    >>> again, done = row_again(plan, rng)
    >>> again.station.tolist(), (done.first, done.stop)
    ([0, 1, 0, 1], (2, 4))
    """
    if not len(schedule.row):
        raise SettingError("no row can be tapped again", hint="give a schedule of one row or more")
    row = int(rng.choice(np.unique(schedule.row)))
    here = np.flatnonzero(schedule.row == row)
    stop = int(here[-1]) + 1
    source = np.concatenate((np.arange(stop), here, np.arange(stop, len(schedule.row))))
    times = schedule.times_s[source]
    later = schedule.times_s[here[-1]] + pause_s * rng.uniform(0.75, 1.25) - schedule.times_s[here[0]]
    times[stop:] += later
    again = Schedule(
        times,
        schedule.xy[source],
        schedule.station[source],
        schedule.row[source],
        tuple(schedule.kind[i] for i in source),
    )
    return again, _done("row again", again, row, stop, stop + len(here))


# -- half way -------------------------------------------------------------------------------------------


def another_tip_half_way(schedule: Schedule, rng: np.random.Generator) -> Done:
    """Say from which strike on another tip is used: 40 to 60 % of the way, never within a station.

    Parameters
    ----------
    schedule : Schedule
        From `tapping_times`.
    rng : numpy.random.Generator
        Source of where.

    Returns
    -------
    Done
        The strikes after the change.

    Raises
    ------
    SettingError
        If there is only one station.

    Examples
    --------
    >>> from taptone.physics.scene import tapping_times
    >>> rng = np.random.default_rng(0)
    >>> plan = tapping_times(np.zeros((2, 2)), [0, 0], 3, rng=rng)
    >>> done = another_tip_half_way(plan, rng)
    >>> done.what, done.first, done.stop
    ('another tip', 3, 6)
    """
    return _half_way("another tip", schedule, rng)


def microphone_moved_half_way(schedule: Schedule, rng: np.random.Generator) -> Done:
    """Say from which strike on the microphone is elsewhere: 40 to 60 % of the way, never within a station.

    Parameters
    ----------
    schedule : Schedule
        From `tapping_times`.
    rng : numpy.random.Generator
        Source of where.

    Returns
    -------
    Done
        The strikes after the change.

    Raises
    ------
    SettingError
        If there is only one station.

    Examples
    --------
    >>> from taptone.physics.scene import tapping_times
    >>> rng = np.random.default_rng(0)
    >>> plan = tapping_times(np.zeros((10, 2)), [0] * 10, rng=rng)
    >>> 4 <= microphone_moved_half_way(plan, rng).first <= 6
    True
    """
    return _half_way("microphone moved", schedule, rng)


def _half_way(what: str, schedule: Schedule, rng: np.random.Generator) -> Done:
    starts = np.flatnonzero(np.diff(schedule.station)) + 1
    if not len(starts):
        raise SettingError("nothing can change half way", hint="give a schedule of two stations or more")
    wanted = rng.uniform(0.4, 0.6) * len(schedule.station)
    first = int(starts[np.argmin(np.abs(starts - wanted))])
    return _done(what, schedule, -1, first, len(schedule.station))


def _done(what: str, schedule: Schedule, row: int, first: int, stop: int) -> Done:
    return Done(what, row, first, stop, float(schedule.times_s[first]), float(schedule.times_s[stop - 1]))


# -- counting -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Word:
    """A spoken word, from its first sample to the one after its last."""

    text: str
    start: int
    stop: int


_VOICES = ("en-gb", "en-us+f3", "de", "fr-fr+f2", "es+m3", "nl+m2", "it+f4")
_COUNTED_TO = 20
#: Silence kept after a tap and before the next, in s.
_AFTER_S, _BEFORE_S = 0.25, 0.08


def spoken_counting(
    samples: int, rate_hz: int, onsets: ArrayLike, rng: np.random.Generator
) -> tuple[FloatArray, tuple[Word, ...]]:
    """Count aloud, each number spoken between two taps and over before the second.

    Parameters
    ----------
    samples : int
        Length.
    rate_hz : int
        Sample rate in Hz.
    onsets : array_like of int
        First sample of each tap; not of its bounces, which nobody counts.
    rng : numpy.random.Generator
        Source of the voice, the loudness and where between the taps each number falls.

    Returns
    -------
    sound : numpy.ndarray, shape (samples,)
        Speech alone, of unit RMS where it sounds.
    words : tuple of Word
        What was said when. A number that is too long for its gap is left out.

    Raises
    ------
    TaptoneError
        If espeak-ng is not installed.

    Examples
    --------
    >>> sound, words = spoken_counting(96000, 48000, [4800, 91200], np.random.default_rng(0))
    >>> [word.text for word in words], bool(np.all(sound[91200:] == 0.0))
    (['2'], True)
    """
    taps = np.unique(np.asarray(onsets, np.intp))
    voice = str(rng.choice(_VOICES))
    sound, words = np.zeros(samples), []
    # The first number comes before the first tap, where there is time for it.
    earliest = np.concatenate(([0], taps[:-1] + round(_AFTER_S * rate_hz)))
    for number, (low, tap) in enumerate(zip(earliest.tolist(), taps.tolist(), strict=False)):
        text = str(number % _COUNTED_TO + 1)
        said = spoken(text, voice, rate_hz)
        high = min(tap, samples) - round(_BEFORE_S * rate_hz) - len(said)
        level, share = 10.0 ** (rng.normal(0.0, 2.0) / 20.0), rng.uniform(0.3, 1.0)
        if high < low:
            continue
        at = low + round(share * (high - low))
        sound[at : at + len(said)] = level * said
        words.append(Word(text, at, at + len(said)))
    rms = sounding_rms(sound, rate_hz)
    return (sound / rms if rms else sound), tuple(words)
