"""One recording: its taps found, what the recorder and the room did to it, and the taps measured.

What is pooled, and which contacts are strikes, is the same wherever taps are taken together: in a baseline,
at a station, at a reference place struck again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from taptone.pipeline import pick
from taptone.pipeline.clipping import flagged
from taptone.pipeline.decay import Room
from taptone.pipeline.detect import offset
from taptone.pipeline.ends import BAND_ENDS
from taptone.pipeline.faults import end_hz
from taptone.pipeline.health import START_S, find_health
from taptone.pipeline.listening import Overheard
from taptone.pipeline.measure import find_room, measure
from taptone.settings import Settings
from taptone.types import (
    BAND_CENTRES_HZ,
    Finding,
    FloatArray,
    HammerSound,
    Measured,
    Rejected,
    Sound,
    Tap,
)

__all__ = ["Listened", "hear", "listen", "medians", "pool", "strikes", "within_band"]


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """A recording's taps with their sound, not yet measured; what else was sudden; what was done to it."""

    taps: tuple[Tap, ...]
    room: Room | None
    rejected: tuple[Rejected, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def listen(sound: Sound, settings: Settings = Settings(), hammer: HammerSound | None = None) -> Listened:
    """Find the taps of one recording, and what the recorder and the room did to it.

    Parameters
    ----------
    sound : Sound
        The recording.
    settings : Settings, optional
        Of every stage.
    hammer : HammerSound, optional
        How known-good taps of the same boat and hammer begin.

    Returns
    -------
    Listened
        Taps with their sound.

    Examples
    --------
    >>> from taptone.types import Recording
    >>> class Quiet:
    ...     recording = Recording("quiet.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         yield np.random.default_rng(0).normal(0, 1e-3, 48000)
    >>> listen(Quiet()).taps
    ()
    """
    overheard = Overheard(sound)
    found = pick.listen(overheard, settings.detect, hammer)
    taps = flagged(found, settings.health)
    room = find_room(taps, settings.measure)
    notes = list(sound.recording.notes)
    doubtful = sum("doubtful" in tap.flags for tap in taps)
    if doubtful:
        notes.append(
            f"{doubtful} sudden sounds have neither a sound nor a rhythm in common: without a panel to count "
            "them by they are doubtful, and not used"
        )
    level = float(np.median([offset(tap.noise) for tap in taps])) if taps else 0.0
    if level:
        notes.append(f"silence stands at {level:+.4f} of full scale; taken off")
    findings = find_health(overheard.gathered(), found, sound.recording, settings.health, room=room)
    spiked = any(f.name == "start spike" for f in findings)
    knock = [t for t in taps if spiked and t.time_s < START_S]
    rejected = [r for r in found if isinstance(r, Rejected)]
    rejected += [Rejected(t.recording, t.sample, t.rate_hz, "") for t in knock]
    if spiked:
        why = "the recording's own start, not to be trusted"
        rejected = [replace(r, reason=why) if r.time_s < START_S else r for r in rejected]
    return Listened(
        taps=tuple(taps[len(knock) :]),
        room=room if any(f.name == "room" for f in findings) else None,
        rejected=tuple(sorted(rejected, key=lambda r: r.sample)),
        findings=findings,
        notes=tuple(f"{sound.recording.name}: {note}" for note in notes),
    )


def hear(
    sound: Sound, settings: Settings = Settings(), hammer: HammerSound | None = None
) -> tuple[list[Measured], list[Rejected], list[Finding], list[str]]:
    """Find and measure the taps of one recording.

    Parameters
    ----------
    sound : Sound
        The recording.
    settings : Settings, optional
        Of every stage.
    hammer : HammerSound, optional
        How known-good taps of the same boat and hammer begin.

    Returns
    -------
    taps : list of Measured
        Bounces among them, flagged.
    rejected : list of Rejected
        Sudden sounds that were not taken for taps.
    findings : list of Finding
        What the recorder and the room did to it.
    notes : list of str
        What else was noticed about the recording.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.types import Recording
    >>> class OneTap:
    ...     recording = Recording("one.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         t = np.arange(1, 12001) / 48000
    ...         ring = np.exp(-t / 0.006) * np.sin(2 * np.pi * 900 * t)
    ...         yield np.concatenate([np.zeros(24000), ring, np.zeros(12000)])
    >>> [tap], rejected, findings, notes = hear(OneTap())
    >>> round(tap["mode_hz"], -1), round(tap["decay_ms"], -1)
    (900.0, 40.0)
    """
    heard = listen(sound, settings, hammer)
    taps = measure(heard.taps, settings.measure, room=heard.room)
    return taps, list(heard.rejected), list(heard.findings), list(heard.notes)


def within_band(taps: Sequence[Measured], findings: Sequence[Finding]) -> list[Measured]:
    """Taps without the third-octaves that their recordings do not really hold.

    Parameters
    ----------
    taps : sequence of Measured
        Of recordings that will be compared with each other.
    findings : sequence of Finding
        Where one of them says that the spectrum ends, it ends there for all.

    Returns
    -------
    list of Measured
        Levels of what lies above are ``nan``.

    Examples
    --------
    >>> end = Finding("row.wav", "low-pass", "", 3400.0, "Hz")
    >>> [tap] = within_band([Measured("row.wav", 0, 48000, {}, (-20.0,) * 23)], [end])
    >>> int(np.isfinite(tap.bands_db).sum())
    15
    """
    if not taps or not BAND_ENDS & {f.name for f in findings}:
        return list(taps)
    end = end_hz(max(tap.rate_hz for tap in taps) * 2, findings)
    held = [centre * 10**0.05 <= end for centre in BAND_CENTRES_HZ]
    return [
        replace(t, bands_db=tuple(b if h else math.nan for b, h in zip(t.bands_db, held, strict=False)))
        for t in taps
    ]


def strikes(taps: Sequence[Measured]) -> list[int]:
    """Indices of first contacts: a bounce is never a station.

    Parameters
    ----------
    taps : sequence of Measured
        All contacts.

    Returns
    -------
    list of int
        Without the bounces.

    Examples
    --------
    >>> strikes([])
    []
    """
    return [k for k, tap in enumerate(taps) if "bounce" not in tap.flags]


def pool(taps: Sequence[Measured]) -> tuple[FloatArray, dict[str, float], float]:
    """Pool the strikes of one place: medians, and how far they lie apart.

    Parameters
    ----------
    taps : sequence of Measured
        At least one.

    Returns
    -------
    bands_db : ndarray, shape (bands,)
        Median third-octave levels, each strike about its own mean.
    measures : dict
        Median of every measure; ``nan`` where none was had.
    spread : float
        Root mean square distance of a strike from the median, in dB; ``nan`` of one strike.

    Examples
    --------
    >>> tap = Measured("row.wav", 0, 48000, {"decay_ms": 40.0}, (-20.0, -30.0))
    >>> bands_db, measures, spread = pool([tap, tap])
    >>> bands_db, measures, spread
    (array([ 5., -5.]), {'decay_ms': 40.0}, 0.0)
    """
    levels = np.array([tap.bands_db for tap in taps])
    mean = np.array([np.nanmean(row) if np.isfinite(row).any() else 0.0 for row in levels])
    levels = levels - mean[:, None]
    if len(taps) == 1:
        return levels[0], dict(taps[0].values), math.nan
    middle = medians(levels)
    held = np.isfinite(levels) & np.isfinite(middle)
    spread = float(np.sqrt(np.mean(((levels - middle)[held]) ** 2))) if held.any() else math.nan
    values = np.array([list(tap.values.values()) for tap in taps])
    return middle, dict(zip(taps[0].values, map(float, medians(values)), strict=True)), spread


def medians(rows: FloatArray) -> FloatArray:
    """Median of each column over the values that are there.

    Parameters
    ----------
    rows : ndarray, shape (rows, columns)
        ``nan`` where a value is missing.

    Returns
    -------
    ndarray, shape (columns,)
        ``nan`` where all are.

    Examples
    --------
    >>> medians(np.array([[1.0, np.nan], [3.0, np.nan]]))
    array([ 2., nan])
    """
    out = np.full(rows.shape[1], np.nan)
    some = np.isfinite(rows).any(axis=0)
    out[some] = np.nanmedian(rows[:, some], axis=0)
    return out
