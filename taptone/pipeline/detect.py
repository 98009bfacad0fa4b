"""Samples to onsets: taps, their bounces, and loud things that are not taps.

A tap is sudden and then dies away; that, and nothing learnt, is what tells it from speech, hum, wind and
beeps. A sound that dies slowly among others that are no taps (the burst of a consonant) goes with these.
The signal is split at 1.5 kHz, because a bounce on a ringing skin shows in the upper half only and a soft
blow in the lower half only; in each half the energy of the next milliseconds is compared with the greatest
of the milliseconds before. The onset itself is then read to the sample off the unfiltered signal with
Akaike's criterion for two stretches of different variance [1]_. What each sudden sound was like is kept, and
where a fainter one may be; `pick.py` tells by that which are the taps of a recording.

Sound may arrive in blocks of any size. It is cut anew into stretches of fixed length, and a stretch is
searched once its surroundings are known, so that the same recording gives the same taps however it came.

References
----------
.. [1] N. Maeda, "A method for reading and checking phase times in auto-processing system of seismic wave
   data", Zisin 38 (1985) 365-379.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptone.settings import DetectSettings
from taptone.types import FloatArray, Rejected, Sound, Tap

__all__ = ["EDGES_HZ", "FAINT", "Detector", "Traits", "begins_db", "cut_out", "detect", "offset"]

_HOP_S = 0.0005  # frame of the energy curves
_STRETCH_S = 2.0  # searched at a time
_AROUND_S = 2.0  # known on both sides before a stretch is searched
_SPLIT_HZ = 1500.0
_STEP_S = 0.004  # step in which a sound is seen to swell or to die away
_NEAR_S = 0.7  # sounds this near tell what a doubtful one belongs to
_TALK = 2  # so many of them that swell or do not die away are talk, or a machine at work
_LEAST_DB_S = 20.0  # a hall of 3 s
_UNEVEN_DB = 3.0  # of 20 ms steps about a straight fall
#: Why a sound is no tap by itself that was not even sudden enough to be looked at.
FAINT = "faint"
#: Bands in which a sudden sound is described, and in which a faint one is listened for.
EDGES_HZ = (150.0, 300.0, 450.0, 700.0, 1000.0, 1500.0, 2200.0, 3300.0, 5000.0, 7500.0, 11000.0)
_BEGINS_S = 0.015  # in which a sudden sound is described
_BEFORE_S = 0.002  # by which what was there before it is kept clear of it
_WINDOW_S = 0.005  # of the spectra in which faint sounds are listened for
_APART_FRAMES = 24  # a faint sound this near a sudden one is the same
_STEP_FRAMES = 4  # frames from one such spectrum to the next
_FAINT_DB = 12.0  # rise, summed over the bands and at most 10 dB in each, of a sound worth remembering
_FLOOR = (2.0**-15) ** 2 / 12.0  # power of 16-bit rounding: no noise is taken to be lower


def detect(sound: Sound, settings: DetectSettings = DetectSettings()) -> Iterator[Tap | Rejected]:
    """Hear the taps of a recording, in order.

    Parameters
    ----------
    sound : Sound
        The recording; its blocks may be of any size.
    settings : DetectSettings, optional
        What counts as a tap.

    Yields
    ------
    Tap or Rejected
        A contact (second contacts of one swing carry the flag ``bounce``), or something sudden that was
        not taken for one, with the reason.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.types import Recording
    >>> class Three:
    ...     recording = Recording("three.wav", "", 48000, 144000)
    ...     def blocks(self):
    ...         x = np.zeros(144000)
    ...         t = np.arange(1, 4801) / 48000
    ...         for start in (20000, 68000, 116000):
    ...             x[start : start + 4800] = np.exp(-t / 0.006) * np.sin(2 * np.pi * 900 * t)
    ...         yield x
    >>> [tap.sample for tap in detect(Three())]
    [20000, 68000, 116000]
    """
    detector = Detector(sound.recording.rate_hz, sound.recording.name, settings)
    for block in sound.blocks():
        yield from detector.feed(block)
    yield from detector.finish()


def cut_out(
    sound: Sound, samples: Mapping[int, int | None], settings: DetectSettings = DetectSettings()
) -> dict[int, Tap]:
    """Cut taps out of a recording whose place is known.

    Parameters
    ----------
    sound : Sound
        The recording.
    samples : mapping of int to int or None
        First sample of each, and that of the contact after it.
    settings : DetectSettings, optional
        How much sound is kept.

    Returns
    -------
    dict of int to Tap
        By first sample, in order.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.types import Recording
    >>> class Ramp:
    ...     recording = Recording("ramp.wav", "", 8000, 16000)
    ...     def blocks(self):
    ...         yield np.linspace(0, 1, 16000)
    >>> cut_out(Ramp(), {8000: None})[8000].clip_start
    7920
    """
    ear = Detector(sound.recording.rate_hz, sound.recording.name, settings)
    todo, taps = sorted(samples), {}
    around = round((_AROUND_S + settings.clip_after_ms / 1000) * ear.rate_hz)

    def cut(known: float) -> None:
        while todo and todo[0] + around <= known:
            sample = todo.pop(0)
            taps[sample] = ear._shape(sample, samples[sample]).tap

    held: list[NDArray[np.float32]] = []
    held_n = 0
    for block in sound.blocks():
        held.append(np.asarray(block, np.float32))
        held_n += len(block)
        if held_n >= around:
            ear._hold(np.concatenate(held), todo[0] - around if todo else None)
            held, held_n = [], 0
            cut(ear._raw_start + len(ear._raw))
    ear._hold(np.concatenate([*held, np.zeros(0, np.float32)]), todo[0] - around if todo else None)
    cut(math.inf)
    return taps


def begins_db(tap: Tap) -> tuple[FloatArray, FloatArray]:
    """Levels in which a tap begins, and of what was there before it, in the bands between :data:`EDGES_HZ`.

    Parameters
    ----------
    tap : Tap
        With its sound.

    Returns
    -------
    now_db, before_db : ndarray, shape (bands,)
        In dB of full scale.

    Examples
    --------
    >>> clip = np.zeros(12480, np.float32)
    >>> clip[480:1200] = np.random.default_rng(0).normal(size=720)
    >>> now_db, before_db = begins_db(Tap("one.wav", 48000, 48000, 47520, clip, 12480, clip[600:2520]))
    >>> bool((now_db > before_db + 40).all())
    True
    """
    start, before = tap.sample - tap.clip_start, round(_BEFORE_S * tap.rate_hz)
    piece = tap.clip[start : start + round(_BEGINS_S * tap.rate_hz)]
    # What sounds on is louder than the quietest moments nearby.
    past = tap.clip[: start - before] if start > 2 * before else tap.noise
    return _levels_db(piece, tap.rate_hz), _levels_db(past, tap.rate_hz)


def _after(tap: Tap, last: float, settings: DetectSettings) -> Tap:
    """The tap, a bounce if it follows the contact at sample `last` closely enough, and only then."""
    flags = tuple(flag for flag in tap.flags if flag != "bounce")
    bounce = (tap.sample - last) * 1000 / tap.rate_hz <= settings.bounce_to_ms
    return replace(tap, flags=("bounce", *flags) if bounce else flags)


@dataclass(frozen=True, slots=True, eq=False)
class Traits:
    """What is remembered of a sudden sound, taken for a tap or not: spectra after it began and before.

    Levels are in dB of full scale in each band, ``nan`` above what the recording holds. ``by_itself`` is why
    it is no tap by itself, empty where it is one.
    """

    sample: int
    now_db: FloatArray
    before_db: FloatArray
    by_itself: str = ""


@dataclass(slots=True)
class _Candidate:
    frame: int
    sample: int


@dataclass(frozen=True, slots=True)
class _SuddenSound:
    """A sound cut out; why it is no tap by itself (empty: it may be one), and whether it dies slowly."""

    tap: Tap
    reason: str
    slow: bool

    @property
    def swells(self) -> bool:
        return bool(self.reason) and self.slow


class Detector:
    """Hears taps in sound that arrives bit by bit.

    Parameters
    ----------
    rate_hz : int
        Samples a second, 8 000 to 192 000.
    recording : str, optional
        Name that the taps will carry.
    settings : DetectSettings, optional
        What counts as a tap.

    Examples
    --------
    >>> import numpy as np
    >>> ear = Detector(48000)
    >>> ear.feed(np.zeros(48000)), ear.finish()
    ([], [])
    """

    def __init__(
        self, rate_hz: int, recording: str = "", settings: DetectSettings = DetectSettings()
    ) -> None:
        self.rate_hz = rate_hz
        self.recording = recording
        self.settings = settings
        self._hop = max(1, round(rate_hz * _HOP_S))
        self._stretch = round(_STRETCH_S / _HOP_S)  # in frames
        self._around = round(_AROUND_S / _HOP_S)
        self._filters, self._states = _band_filters(rate_hz, settings)
        self._voice = _voice_filter(rate_hz)
        self._bands = _bands(rate_hz, max(8, round(_WINDOW_S * rate_hz)))
        self._waiting: list[NDArray[np.float32]] = []
        self._waiting_n = 0
        self._raw = np.zeros(0, np.float32)  # samples from self._raw_start on
        self._raw_start = 0
        self._energy = np.zeros((2, 0))  # frames from self._energy_start on
        self._energy_start = 0
        self._searched = 0  # frames searched so far
        self._pending: list[_Candidate] = []
        self._sounds: list[_SuddenSound] = []  # the last ones, and those that wait for what follows
        self._decided = 0  # how many of them are
        self._last_contact = -math.inf  # sample of the last contact, for bounces
        self._spectra = np.zeros((len(EDGES_HZ) - 1, 0))  # from self._spectra_start on, in steps
        self._spectra_start = 0
        self._ahead = np.zeros(0, np.float32)  # sound that belongs to the next spectra
        #: Every sudden sound, and every faint one that may be a tap among noise: by sample, in order.
        self.traits: dict[int, Traits] = {}

    def feed(self, block: NDArray[np.floating]) -> list[Tap | Rejected]:
        """Take the next samples; return what is settled by now.

        Parameters
        ----------
        block : ndarray, shape (n,)
            Mono samples, full scale ±1.

        Returns
        -------
        list of Tap or Rejected
            In order; their surroundings (2 s to either side) have been heard.
        """
        settled: list[Tap | Rejected] = []
        self._waiting.append(np.asarray(block, np.float32))
        self._waiting_n += len(block)
        size = self._stretch * self._hop
        if self._waiting_n >= size:
            joined = np.concatenate(self._waiting)
            whole = len(joined) // size * size
            for start in range(0, whole, size):
                self._append(joined[start : start + size])
                settled += self._search(final=False)
            self._waiting, self._waiting_n = [joined[whole:]], len(joined) - whole
        return settled

    def finish(self) -> list[Tap | Rejected]:
        """Say that no more sound will come; return what was still open.

        Returns
        -------
        list of Tap or Rejected
            In order.
        """
        rest = np.concatenate(self._waiting) if self._waiting else np.zeros(0, np.float32)
        self._waiting, self._waiting_n = [], 0
        if len(rest):
            self._append(rest)
        return self._search(final=True)

    # -- curves ----------------------------------------------------------------------------------------

    def _append(self, samples: NDArray[np.float32]) -> None:
        from scipy.signal import sosfilt

        short = -len(samples) % self._hop
        padded = np.concatenate([samples, np.zeros(short, np.float32)]).astype(float)
        rows = []
        if not self._raw_start and not len(self._raw) and len(samples):
            self._begin_at(float(samples[0]))
        for k, filter_ in enumerate(self._filters):
            if filter_ is None:  # nothing of this half fits below the Nyquist frequency
                rows.append(np.zeros(len(padded) // self._hop))
                continue
            filtered, self._states[k] = sosfilt(filter_, padded, zi=self._states[k])
            rows.append((filtered.reshape(-1, self._hop) ** 2).mean(axis=1))
        self._add_spectra(padded.astype(np.float32))
        self._raw = np.concatenate([self._raw, samples])
        self._energy = np.concatenate([self._energy, np.array(rows)], axis=1)

    def _add_spectra(self, padded: NDArray[np.float32]) -> None:
        step, width = _STEP_FRAMES * self._hop, max(8, round(_WINDOW_S * self.rate_hz))
        sound = np.concatenate([self._ahead, padded])
        n = max((len(sound) - width) // step + 1, 0)
        self._ahead = sound[n * step :]
        if n:
            pieces = np.lib.stride_tricks.sliding_window_view(sound, width)[::step][:n]
            power = _spectrum(pieces, self._bands)
            self._spectra = np.concatenate([self._spectra, power.T], axis=1)

    def _begin_at(self, level: float) -> None:
        """Let the filters rest at the first sample: a recorder's offset is no blow at the start."""
        from scipy.signal import sosfilt_zi

        for k, filter_ in enumerate(self._filters):
            if filter_ is not None:
                self._states[k] = sosfilt_zi(filter_) * level

    def _search(self, *, final: bool) -> list[Tap | Rejected]:
        settled: list[Tap | Rejected] = []
        known = self._energy_start + self._energy.shape[1]
        while self._searched + self._stretch + self._around <= known or (final and self._searched < known):
            first, last = self._searched, min(self._searched + self._stretch, known)
            left, right = max(first - self._around, 0), min(last + self._around, known)
            energy = self._energy[:, left - self._energy_start : right - self._energy_start]
            sudden = _rises(energy, self.settings) + left
            for frame in sudden:
                if first <= frame < last:
                    self._pending.append(_Candidate(int(frame), self._onset(int(frame))))
            for frame in self._faint(left, right):
                if first <= frame < last and not (np.abs(sudden - frame) < _APART_FRAMES).any():
                    self._remember(self._onset(frame), FAINT)
            self._searched = last
            settled += self._settle(final=final and last == known)
            self._forget()
        return settled

    def _faint(self, left: int, right: int) -> list[int]:
        """Frames where many bands rise a little together, each against its own noise."""
        low = max(left // _STEP_FRAMES, self._spectra_start)
        power = self._spectra[:, low - self._spectra_start : right // _STEP_FRAMES - self._spectra_start]
        return [(low + int(k)) * _STEP_FRAMES for k in _rises_together(power)]

    def _remember(self, sample: int, by_itself: str) -> None:
        """Describe the sound from `sample` on, and what was there before it."""
        rate = self.rate_hz
        spans = [(0.0, _BEGINS_S), (-0.025, -_BEFORE_S)]
        levels = [
            _levels_db(self._cut(sample + round(start_s * rate), sample + round(stop_s * rate)), rate)
            for start_s, stop_s in spans
        ]
        self.traits[sample] = Traits(sample, levels[0], levels[1], by_itself)

    def _forget(self) -> None:
        """Let go of sound that no later decision can need."""
        keep = max(self._searched - 2 * self._around, self._energy_start)
        self._energy = self._energy[:, keep - self._energy_start :]
        self._energy_start = keep
        spectra = keep // _STEP_FRAMES
        self._spectra = self._spectra[:, max(spectra - self._spectra_start, 0) :]
        self._spectra_start = max(spectra, self._spectra_start)
        raw = max(keep * self._hop, self._raw_start)
        self._raw = self._raw[raw - self._raw_start :]
        self._raw_start = raw

    def _hold(self, samples: NDArray[np.float32], first: int | None) -> None:
        """Take sound without searching it, and let go of what lies before sample `first`, or of all."""
        self._raw = np.concatenate([self._raw, samples])
        end = self._raw_start + len(self._raw)
        start = min(max(end if first is None else first, self._raw_start), end)
        self._raw = self._raw[start - self._raw_start :]
        self._raw_start = start

    # -- decisions -------------------------------------------------------------------------------------

    def _onset(self, frame: int) -> int:
        """First sample of the rise that begins near `frame`."""
        start = frame * self._hop - round(0.008 * self.rate_hz)
        stop = frame * self._hop + round(0.008 * self.rate_hz)
        return start + _first_sample(self._cut(start, stop), self.rate_hz)

    def _cut(self, start: int, stop: int) -> NDArray[np.float32]:
        """Samples `start` to `stop`; outside the recording there is silence."""
        low, high = max(start, self._raw_start), min(stop, self._raw_start + len(self._raw))
        inside = self._raw[low - self._raw_start : max(high - self._raw_start, low - self._raw_start)]
        before, after = min(max(low - start, 0), stop - start), max(stop - max(high, low), 0)
        return np.concatenate([np.zeros(before, np.float32), inside, np.zeros(after, np.float32)])

    def _settle(self, *, final: bool) -> list[Tap | Rejected]:
        clip_after = round(self.settings.clip_after_ms * self.rate_hz / 1000)
        while self._pending:
            this = self._pending[0]
            if len(self._pending) > 1:
                following: int | None = self._pending[1].sample
            elif final or self._searched * self._hop > this.sample + clip_after + self._stretch // 4:
                following = None
            else:
                break
            self._sounds.append(self._shape(this.sample, following))
            self._pending.pop(0)
        # What is around a doubtful sound decides: wait until it is known.
        known = (
            math.inf if final else self._pending[0].sample if self._pending else self._searched * self._hop
        )
        near = round(_NEAR_S * self.rate_hz)
        settled: list[Tap | Rejected] = []
        while self._decided < len(self._sounds) and self._sounds[self._decided].tap.sample + near < known:
            settled.append(self._tap_or_not(self._decided, near))
            self._decided += 1
        while self._sounds and self._decided:
            if self._sounds[0].tap.sample + near >= self._sounds[self._decided - 1].tap.sample:
                break
            self._sounds.pop(0)
            self._decided -= 1
        return settled

    def _shape(self, sample: int, following: int | None) -> _SuddenSound:
        """Cut a sudden sound out, and see whether it looks like a tap by itself."""
        s, rate = self.settings, self.rate_hz
        before = round(s.clip_before_ms * rate / 1000)
        known = self._raw_start + len(self._raw)
        stop = min(sample + round(s.clip_after_ms * rate / 1000), known)
        # A few hop lengths early: the next contact must not leak into this one.
        end = stop if following is None else min(stop, following - self._hop)
        start = max(sample - before, 0)
        clip = self._cut(start, max(stop, sample + 1))
        noise = self._quiet(sample)
        reason, slow = self._not_a_tap(clip, sample - start, end - start, noise)
        self._remember(sample, reason)
        flags = []
        if np.abs(clip).max(initial=0.0) >= s.clipped_at:
            flags.append("clipped")
        if stop - sample < round(s.whole_ms * rate / 1000):
            flags.append("cut short")
        next_ms = math.nan if following is None else (following - sample) * 1000 / rate
        for array in (clip, noise):
            array.setflags(write=False)
        tap = Tap(
            self.recording,
            sample,
            rate,
            start,
            clip,
            end - start,
            noise,
            tuple(flags),
            next_ms if next_ms <= s.bounce_to_ms else math.nan,
        )
        return _SuddenSound(tap, reason, slow)

    def _tap_or_not(self, k: int, near: int) -> Tap | Rejected:
        this = self._sounds[k]
        tap, reason = this.tap, this.reason
        if not reason and this.slow:
            others = [s for s in self._sounds if s.swells and abs(s.tap.sample - tap.sample) <= near]
            if len(others) >= _TALK:
                reason = f"dies slowly among {len(others)} sounds that are no taps: talk, or a machine"
        if reason:
            return Rejected(self.recording, tap.sample, self.rate_hz, reason)
        tap = _after(tap, self._last_contact, self.settings)
        self._last_contact = tap.sample
        return tap

    def _not_a_tap(
        self, clip: NDArray[np.float32], onset: int, end: int, noise: NDArray[np.float32]
    ) -> tuple[str, bool]:
        """Why the sound from an onset on is no tap, empty where it is one; and whether it dies slowly."""
        from scipy.signal import sosfilt

        s, step = self.settings, max(1, round(_STEP_S * self.rate_hz))
        level = offset(noise)
        clip, noise = clip - level, noise - level
        power = _mean_square(sosfilt(self._voice, clip)[onset : onset + round(0.12 * self.rate_hz)], step)
        if len(power) < 4:
            return f"too short: {1000 * (len(clip) - onset) / self.rate_hz:.0f} ms of sound", False
        quiet = float(_mean_square(sosfilt(self._voice, noise), max(len(noise), 1)).sum()) + _FLOOR
        early = float(power[:3].max())
        above_db = 10 * math.log10((early + _FLOOR) / quiet)
        if above_db < s.snr_db:
            return f"too weak: {above_db:.0f} dB above the noise", False
        if power[3:].max() > early * 10 ** (s.swell_db / 10):
            at_ms = 1000 * _STEP_S * (3 + int(power[3:].argmax()))
            return f"slow attack: loudest {at_ms:.0f} ms after it began", True
        # Differencing leaves the low notes of a large body out of this: they may ring on.
        power = _mean_square(np.diff(clip[onset:end].astype(float), prepend=0.0), step)
        quiet = float(np.square(np.diff(noise.astype(float))).mean()) + _FLOOR
        early = float(power[:3].mean()) + _FLOOR

        def fallen_db(part: FloatArray) -> float:
            left = max(float(part.mean()) - quiet, _FLOOR) if len(part) >= 4 else 0.0
            return 10 * math.log10(early / left) if left else math.inf

        fall_db = fallen_db(power[12:25])  # 48 to 100 ms, or to the next contact
        if fall_db < s.fall_db and not _rings_out(power - quiet):
            return f"does not die away: {fall_db:.0f} dB down after 50 to 100 ms", True
        return "", fallen_db(power[3:12]) < s.soon_db

    def _quiet(self, sample: int) -> NDArray[np.float32]:
        """Samples of a quiet 40 ms near `sample`: the fifth-lowest of every twenty-five."""
        step = round(0.04 * self.rate_hz)
        around = round(1.5 * self.rate_hz)
        low = max(sample - around, self._raw_start)
        high = min(sample + around, self._raw_start + len(self._raw))
        pieces = self._raw[low - self._raw_start : high - self._raw_start]
        n = len(pieces) // step
        if n == 0:
            return pieces.copy()
        rows = pieces[: n * step].reshape(n, step)
        power = rows.var(axis=1, dtype=float)
        return np.array(rows[np.argsort(power, kind="stable")[n // 5]])


def offset(noise: NDArray[np.floating]) -> float:
    """The level that a recorder's silence stands at, where it is plainly not zero.

    Parameters
    ----------
    noise : ndarray, shape (n,)
        A quiet stretch.

    Returns
    -------
    float
        Full scale 1; 0 where the mean is within what low notes of the noise explain.

    Examples
    --------
    >>> import numpy as np
    >>> offset(np.full(1920, 0.005)), offset(np.sin(np.arange(1920) / 100))
    (0.005, 0.0)
    """
    mean = float(noise.mean()) if len(noise) else 0.0
    return mean if abs(mean) > 5 * float(noise.std()) else 0.0


def _band_filters(
    rate_hz: int, settings: DetectSettings
) -> tuple[list[FloatArray | None], list[FloatArray | None]]:
    from scipy.signal import butter

    low, top = settings.low_hz, 0.45 * rate_hz
    filters: list[FloatArray | None] = [
        butter(2, [low, min(_SPLIT_HZ, top)], "bandpass", fs=rate_hz, output="sos"),
        butter(2, [_SPLIT_HZ, top], "bandpass", fs=rate_hz, output="sos") if top > _SPLIT_HZ else None,
    ]
    # Started from rest; the first sample says at which level (see `_begin_at`).
    return filters, [None if f is None else np.zeros((len(f), 2)) for f in filters]


def _voice_filter(rate_hz: int) -> FloatArray:
    """250 Hz to 4 kHz: where speech swells after the click of a consonant."""
    from scipy.signal import butter

    return np.asarray(butter(2, [250.0, min(4000.0, 0.45 * rate_hz)], "bandpass", fs=rate_hz, output="sos"))


def _rises(energy: FloatArray, settings: DetectSettings) -> NDArray[np.intp]:
    """Frames where energy rises suddenly in either half of the spectrum, above the noise."""
    from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d

    if energy.shape[1] < 8:
        return np.zeros(0, np.intp)
    best = np.full(energy.shape[1], -np.inf)
    # The lower half is held against twice as much: wind comes and goes there by itself, slower than a tap.
    for row, span_ms, longer in zip(energy, (5.0, 2.0), (2.0, 1.0), strict=True):
        span = round(span_ms / 1000 / _HOP_S)
        back = round(longer * settings.before_ms / 1000 / _HOP_S)
        mean = uniform_filter1d(row, span, mode="constant", origin=-(span // 2) + (span % 2 == 0))
        # mean[i] covers frames i .. i+span-1; the past is the greatest such mean that ends before i.
        past = np.full_like(mean, 0.0)
        behind = maximum_filter1d(mean, back, mode="constant", origin=(back - 1) // 2)
        past[span:] = behind[:-span]
        coarse = row[: len(row) // 40 * 40].reshape(-1, 40).mean(axis=1)
        if len(coarse):
            floor = percentile_filter(coarse, 20, size=151, mode="nearest")
            floor = np.repeat(floor, 40)
            floor = np.concatenate([floor, np.full(len(row) - len(floor), floor[-1])])
        else:
            floor = np.zeros(len(row))
        rise = 10 * np.log10((mean + _FLOOR) / (past + _FLOOR))
        loud = mean > (floor + _FLOOR) * 10 ** (settings.above_noise_db / 10)
        best = np.maximum(best, np.where(loud, rise, -np.inf))
    near = 2 * round(settings.apart_ms / 1000 / _HOP_S) + 1
    peak = (best == maximum_filter1d(best, near, mode="constant", cval=-np.inf)) & (best >= settings.rise_db)
    frames = np.flatnonzero(peak)
    return frames[np.diff(frames, prepend=-near) > near // 2]


def _rises_together(power: FloatArray) -> NDArray[np.intp]:
    """Steps at which the bands together rise over their past and their noise."""
    from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d

    coarse = 10  # steps of the noise's course: 20 ms
    n = power.shape[1] // coarse * coarse
    if n < 8 * coarse:
        return np.zeros(0, np.intp)
    level = power[:, :n] + _FLOOR / 100
    middle = level.reshape(len(level), -1, coarse).mean(axis=2)
    noise = np.repeat(percentile_filter(middle, 50, size=(1, 151), mode="nearest"), coarse, axis=1)
    now = uniform_filter1d(level, 2, axis=1, origin=-1, mode="nearest")
    behind = maximum_filter1d(level, 10, axis=1, origin=4, mode="nearest")
    past = np.empty_like(behind)
    past[:, 3:], past[:, :3] = behind[:, :-3], behind[:, :1]
    rise = 10 * np.log10(now / np.maximum(past, 2 * noise))
    together = np.clip(rise, 0.0, 10.0).sum(axis=0)
    peak = (together == maximum_filter1d(together, 15)) & (together > _FAINT_DB)
    return np.flatnonzero(peak)


def _bands(rate_hz: int, width: int) -> FloatArray:
    """Which lines of a spectrum of `width` samples belong to which band, shape (lines, bands)."""
    hz = np.fft.rfftfreq(width, 1 / rate_hz)
    lines = [(hz >= low) & (hz < high) for low, high in pairwise(EDGES_HZ)]
    return np.array([line / max(line.sum(), 1) for line in lines]).T


def _spectrum(pieces: NDArray[np.float32], bands: FloatArray) -> FloatArray:
    """Power in each band of each piece, shape (pieces, bands); of white noise the same for any length."""
    width = pieces.shape[1]
    window = np.hanning(width + 2)[1:-1]
    lines = (
        np.abs(np.fft.rfft(pieces * (window / np.sqrt((window**2).sum())).astype(np.float32), axis=1)) ** 2
    )
    return np.asarray(lines @ bands, float)


def _levels_db(piece: NDArray[np.float32], rate_hz: int) -> FloatArray:
    """Level of one piece of sound in each band."""
    power = _spectrum(piece[None, :], _bands(rate_hz, len(piece)))[0]
    return np.asarray(10 * np.log10(power + 1e-3 * _FLOOR))


def _first_sample(samples: NDArray[np.float32], rate_hz: int) -> int:
    """Akaike's criterion: where one variance ends and a greater one begins."""
    # Differenced over an eighth of a millisecond: lifts the click above a ringing skin, not the hiss.
    lag = max(1, round(rate_hz / 8000))
    x = samples.astype(float)
    x = x - np.concatenate([np.full(lag, x[0]), x[:-lag]])
    peak = int(np.abs(x).argmax())
    n = min(peak + max(2, round(0.0003 * rate_hz)), len(x))
    if n < 4:
        return peak
    k = np.arange(1, n)
    below = np.cumsum(x[:n] ** 2)
    first = below[:-1] / k
    rest = (below[-1] - below[:-1]) / (n - k)
    score = k * np.log(first + _FLOOR) + (n - k) * np.log(np.maximum(rest, 0) + _FLOOR)
    return int(k[np.argmin(score)])


def _rings_out(power: FloatArray) -> bool:
    """Whether sound dies as a room does after a blow: evenly, from 20 ms on for as long as is known.

    A shed may hold a tap up so much that it hardly falls within 100 ms; talk is uneven, a beep does not fall.
    """
    per = round(0.02 / _STEP_S)
    n = min(len(power) // per, 12)
    if n < 6:
        return False
    level = 10 * np.log10(np.maximum(power[per : n * per].reshape(-1, per).mean(axis=1), _FLOOR))
    time_s = np.arange(len(level)) * per * _STEP_S
    slope, start = np.polyfit(time_s, level, 1)
    uneven_db = float(np.std(level - start - slope * time_s))
    return bool(slope < -_LEAST_DB_S and uneven_db < _UNEVEN_DB)


def _mean_square(samples: FloatArray, step: int) -> FloatArray:
    n = len(samples) // step
    return np.asarray((samples[: n * step].reshape(n, step) ** 2).mean(axis=1))
