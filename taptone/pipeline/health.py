"""What the recorder and the room did to the sound, told from the sound itself, with the numbers it rests on.

Every finding compares the recording with itself: noise before the taps with noise after them, the spectrum
of its quiet moments with that of its loud ones. `docs/health.md` defines each in numbers and says what cannot
be told. A finding is a note; whether it stands in the way of a comparison is another question (`faults`).

==================  =======  ===============================================================================
``gain control``    dB       how far the noise sinks after a tap, in all bands alike
``gate``            ms       after a tap, when all bands are turned down at once
``noise             dB       how much more ragged than even noise the pauses are, over eight neighbouring
suppression``                bins of a frame of 20 ms
``clipping``        %        share of the first 5 ms of the middle tap that is flat
``low-pass``,       Hz       where the spectrum ends
``lossy copy``,
``delivered rate``
``start spike``     share    of full scale, that the start is pushed off zero
``wind``            dB       noise of 60 to 200 Hz over noise of 0.5 to 2 kHz, a bin
``room``            ms       its decay by 60 dB
==================  =======  ===============================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from taptone.pipeline.clipping import find_clipping
from taptone.pipeline.decay import Room
from taptone.pipeline.ends import find_end
from taptone.pipeline.gain import find_gain
from taptone.pipeline.gate import find_gate
from taptone.pipeline.listening import Gathered
from taptone.pipeline.pauses import BEFORE_S, Heard, Said
from taptone.pipeline.suppression import find_suppression
from taptone.settings import HealthSettings
from taptone.types import Finding, Recording, Rejected, Tap

__all__ = ["START_S", "find_health"]

#: A start that is not to be trusted lasts this long.
START_S = 0.42
_SPEECH_CODECS = ("amr", "gsm", "speex", "evs")


def find_health(
    gathered: Gathered,
    found: Sequence[Tap | Rejected],
    recording: Recording,
    settings: HealthSettings = HealthSettings(),
    *,
    room: Room | None = None,
) -> tuple[Finding, ...]:
    """Name what was done to a recording.

    Parameters
    ----------
    gathered : Gathered
        Its numbers, frame by frame.
    found : sequence of Tap or Rejected
        All its sudden sounds, in order.
    recording : Recording
        Its name and sample rate.
    settings : HealthSettings, optional
        From where on something is said.
    room : Room, optional
        The place's own decay, where it was heard.

    Returns
    -------
    tuple of Finding
        In the order of the table above; none of a recording without anything to say.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> ear = Listener(8000)
    >>> ear.feed(np.random.default_rng(0).normal(0, 0.01, 80000))
    >>> [finding] = find_health(ear.finish(), [], Recording("note.amr", "", 8000, 80000))
    >>> finding.name, finding.evidence
    ('delivered rate', '8000 samples a second: nothing above 4.0 kHz can be in it')
    """
    said: list[Said] = []
    heard = Heard.of(gathered, found)
    if len(gathered.zeros):
        ends = find_end(gathered, settings, recording.codec)
        # A codec for speech turns noise up and down as it likes.
        if not recording.codec.startswith(_SPEECH_CODECS):
            said += find_gain(heard, settings, ends)
            shut = list(find_gate(heard, settings, ends))
            # A gate takes the noise out too: what is left of it tells nothing more.
            said += shut or find_suppression(heard, settings, ends, recording.codec)
        said += find_clipping([t for t in found if isinstance(t, Tap)])
        said += ends
        said += _spike(gathered, settings)
        said += _wind(heard, settings)
        if not any(name == "gate" for name, *_ in said):  # which ends all taps alike, as a room does
            said += _room(heard, settings, room)
    return tuple(Finding(recording.name, *one) for one in said)


def _spike(g: Gathered, s: HealthSettings) -> Iterator[Said]:
    """The button's knock: sound pushed off zero at the start, as nothing after it is."""
    first = int(START_S * g.rate_hz / g.frame)
    if len(g.mean) < 4 * first or not first:
        return
    level = float(np.median(g.mean))
    start = float(np.abs(g.mean[:first] - level).max())
    later = float(np.percentile(np.abs(g.mean[first:] - level), 99.5))
    if start >= s.spike and start >= 4 * later:
        yield (
            "start spike",
            f"within the first {START_S:.1f} s the sound is pushed off zero by {start:.2f} of full scale, "
            f"later by {later:.3f}: the start of the recording is not to be trusted",
            start,
            "of full scale",
        )


_STRAIGHT_DB = 3.5  # two octaves of a tail, 20 ms at a time, stray by 2 to 3 dB by themselves


def _room(h: Heard, s: HealthSettings, room: Room | None) -> Iterator[Said]:
    """What all taps end in; what the measures could not take off is told from the tails as they fall."""
    if room is not None:
        told = f"the place rings on for {room.decay_ms:.0f} ms; taken off before decays were read"
        yield "room", told, room.decay_ms, "ms"
        return
    level = h.g.level_db[:, 2:4].mean(axis=1)
    floor_db = float(np.percentile(level[h.pause], 5)) if h.pause.any() else h.floor_db
    decays = []
    for t, after in zip(h.onset_s, h.next_tap_s, strict=True):
        own = h.frames(t + 0.08, min(after - BEFORE_S, t + 1.2))
        if own.stop - own.start < 6:
            continue
        tail = level[own]
        under = np.flatnonzero(tail < floor_db + 8.0)
        tail = tail[: under[0]] if len(under) else tail
        if len(tail) * 2 * h.half_s < 0.13:
            continue
        time = h.time_s[own][: len(tail)]
        slope, start = np.polyfit(time, tail, 1)
        if slope < -15.0 and float(np.std(tail - start - slope * time)) < _STRAIGHT_DB:
            decays.append(-60_000.0 / slope)
    if len(decays) < max(s.least_taps, 0.4 * len(h.onset_s)):
        return
    low, middle, high = np.percentile(decays, [25, 50, 75])
    if middle >= s.room_ms and high - low < 0.5 * middle:
        told = f"{len(decays)} of {len(h.onset_s)} taps end in a tail of {middle:.0f} ms; not taken off"
        yield "room", told, float(middle), "ms"


_APART, _FILLED_DB = 0.5, 7.0


def _wind(h: Heard, s: HealthSettings) -> Iterator[Said]:
    """Strong low noise that comes and goes."""
    if h.pause.sum() < 20:
        return
    level = h.g.level_db[h.pause]
    over_db = float(np.median(level[:, 0] - level[:, 2:4].mean(axis=1)))
    low = level[:, 0]
    # What dies away after every tap is a room; wind over one dies away by less.
    early, late = (
        h.g.level_db[(h.since_tap_s > start_s) & (h.since_tap_s < stop_s), 0]
        for start_s, stop_s in ((0.2, 0.45), (0.55, 0.9))
    )
    dying_db_s = float(np.median(early) - np.median(late)) / 0.4 if len(early) and len(late) else 0.0
    per = round(0.17 / (2 * h.half_s))
    gusts, middle = (
        x[: len(x) // per * per].reshape(-1, per).mean(axis=1) for x in (low, level[:, 2:4].mean(axis=1))
    )
    # An engine or a sander fills the middle, and the gusts go by themselves below it; a voice or a room's
    # tail takes both along.
    vary = len(gusts) > 2 and np.ptp(gusts) > 0 and np.ptp(middle) > 0
    apart = bool(vary) and float(np.corrcoef(gusts, middle)[0, 1]) < _APART
    least_db = s.wind_db - _FILLED_DB * apart
    gusts_db = float(np.subtract(*np.percentile(gusts, [84, 16])) / 2)
    rounding = h.floor_db + 20.0
    heard = float(np.median(low)) > rounding and dying_db_s < 12.0
    if over_db >= least_db and s.gusts_db <= gusts_db <= 6.5 and heard:
        yield (
            "wind",
            f"between the taps 60 to 200 Hz lies {over_db:.0f} dB above 0.5 to 2 kHz and comes and goes by "
            f"{gusts_db:.0f} dB",
            over_db,
            "dB",
        )
