"""What recorders do to a recording before anybody hears it.

Each alteration takes a sound (full scale 1) and its sample rate and gives both back; a tap stays where it was
in time, as it does where the delay of a filter or a codec has been taken off by whoever reads the file.
`ALTERATIONS` lists them all, under one signature. What was chosen, and why, is in docs/scenes.md.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from functools import partial
from math import gcd
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import firwin, istft, oaconvolve, resample_poly, stft

from taptone.errors import SettingError, SoundError
from taptone.types import FloatArray

__all__ = [
    "ALTERATIONS",
    "Alteration",
    "Altered",
    "aac",
    "amr_nb",
    "clipped",
    "delivered_8khz",
    "gain_control",
    "gate",
    "low_pass_7khz",
    "noise_suppression",
    "start_spike",
]

#: A sound and its sample rate in Hz.
Altered = tuple[FloatArray, int]
Alteration = Callable[[FloatArray, int, np.random.Generator], Altered]

# -- level ----------------------------------------------------------------------------------------------


def gain_control(
    sound: ArrayLike,
    rate_hz: int,
    *,
    target_db: float = -9.0,
    most_db: float = 24.0,
    attack_ms: float = 2.0,
    release_ms: float = 400.0,
) -> Altered:
    """Automatic gain control: down at once when it is loud, up slowly when it is quiet.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.
    target_db : float, optional
        Peak level it works towards, in dB of full scale.
    most_db : float, optional
        Most gain it gives, in dB.
    attack_ms, release_ms : float, optional
        Time constants of the level it follows, rising and falling.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        Cut off at full scale where the gain was too slow.
    rate_hz : int
        As it was.

    Examples
    --------
    >>> sound, rate_hz = gain_control(np.full(48000, 0.05), 48000)
    >>> print(f"{sound[-1]:.2f}")
    0.35
    """
    samples = np.asarray(sound, float)
    levels, at = _levels(samples, rate_hz)
    rise, fall = 1.0 - np.exp(-1.0 / attack_ms), 1.0 - np.exp(-1.0 / release_ms)
    followed, level = np.empty(len(levels)), 0.0
    for i, now in enumerate(levels.tolist()):
        level += (rise if now > level else fall) * (now - level)
        followed[i] = level
    target = 10.0 ** (target_db / 20.0)
    gain = target / np.maximum(followed, target * 10.0 ** (-most_db / 20.0))
    return np.clip(samples * np.interp(np.arange(len(samples)), at, gain), -1.0, 1.0), rate_hz


def gate(
    sound: ArrayLike,
    rate_hz: int,
    *,
    above_noise_db: float = 10.0,
    hold_ms: float = 60.0,
    fade_ms: float = 20.0,
) -> Altered:
    """Noise gate: exact silence wherever nothing stands out of the noise.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.
    above_noise_db : float, optional
        It opens this far above the noise (the peaks of the quietest fifth of all milliseconds), but not
        below 40 dB under the loudest peak.
    hold_ms, fade_ms : float, optional
        How long it stays open after the last loud millisecond, and how long it takes to close.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        Zero where the gate is shut.
    rate_hz : int
        As it was.

    Examples
    --------
    >>> noise = 0.001 * np.random.default_rng(0).standard_normal(48000)
    >>> noise[24000] = 0.5
    >>> sound, rate_hz = gate(noise, 48000)
    >>> int(np.flatnonzero(sound)[0]) // 48, int(np.flatnonzero(sound)[-1]) // 48
    (499, 580)
    """
    samples = np.asarray(sound, float)
    levels, at = _levels(samples, rate_hz)
    noise = np.percentile(levels, 20.0) if len(levels) else 0.0
    opens = max(noise * 10.0 ** (above_noise_db / 20.0), 0.01 * levels.max(initial=0.0))
    block = np.arange(len(levels))
    last_loud = np.maximum.accumulate(np.where((levels >= opens) & (levels > 0.0), block, -(10**9)))
    gain = np.clip(1.0 - (block - last_loud - hold_ms) / fade_ms, 0.0, 1.0)
    return samples * np.interp(np.arange(len(samples)), at, gain), rate_hz


def clipped(sound: ArrayLike, rate_hz: int, *, over_db: float = 12.0) -> Altered:
    """Recorded with too much gain: the loudest peak would be `over_db` above full scale.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Any scale.
    rate_hz : int
        Sample rate in Hz.
    over_db : float, optional
        How far the loudest peak overshoots, in dB.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        Flat at full scale.
    rate_hz : int
        As it was.

    Examples
    --------
    >>> clipped([0.1, -0.2, 0.4], 48000, over_db=6.0206)[0].round(3).tolist()
    [0.5, -1.0, 1.0]
    """
    samples = np.asarray(sound, float)
    loudest = np.abs(samples).max(initial=0.0)
    gain = 10.0 ** (over_db / 20.0) / loudest if loudest else 1.0
    return np.clip(gain * samples, -1.0, 1.0), rate_hz


def start_spike(sound: ArrayLike, rate_hz: int, rng: np.random.Generator) -> Altered:
    """Start with the finger on the button: a click, a thump, and an offset that dies away.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of its strength and place.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        Altered in its first 0.4 s only.
    rate_hz : int
        As it was.

    Examples
    --------
    >>> sound, rate_hz = start_spike(np.zeros(48000), 48000, np.random.default_rng(0))
    >>> bool(abs(sound[:9600]).max() > 0.4), bool(abs(sound[19200:]).max() == 0.0)
    (True, True)
    """
    samples = np.array(sound, float)
    time = np.arange(round(0.4 * rate_hz)) / rate_hz - rng.uniform(0.0, 0.08)
    after = np.where(time >= 0.0, time, np.inf)  # nothing before it
    click_hz = rng.uniform(1500.0, 3500.0)
    ringing = np.sin(2.0 * np.pi * click_hz * np.where(time >= 0.0, time, 0.0))
    spike = 0.6 * np.exp(-after / 0.003) * ringing + 0.5 * np.exp(-after / 0.020)
    spike *= rng.choice((-1.0, 1.0)) * rng.uniform(0.6, 1.2) / np.abs(spike).max()
    spike *= np.clip((0.4 * rate_hz - np.arange(len(spike))) / (0.1 * rate_hz), 0.0, 1.0)
    samples[: len(spike)] += spike[: len(samples)]
    return np.clip(samples, -1.0, 1.0), rate_hz


def _levels(samples: FloatArray, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Peak of every millisecond, and the sample in its middle."""
    edges = np.rint(np.arange(0.0, len(samples), rate_hz / 1000.0)).astype(np.intp)
    if not len(edges):
        return np.zeros(1), np.zeros(1)
    return np.maximum.reduceat(np.abs(samples), edges), edges + 0.5 * rate_hz / 1000.0


# -- noise suppression ----------------------------------------------------------------------------------


def noise_suppression(
    sound: ArrayLike, rate_hz: int, *, over: float = 3.0, floor_db: float = -20.0
) -> Altered:
    """Spectral subtraction with over-subtraction, in frames of 20 ms, half overlapping.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.
    over : float, optional
        How many times the noise's power is taken off.
    floor_db : float, optional
        Least gain, in dB.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        With what is left of the noise twittering in it.
    rate_hz : int
        As it was.

    Notes
    -----
    Subtraction and floor after Berouti, Schwartz and Makhoul (1979); the noise is the least power of the
    last 1.5 s in each band, in the manner of Martin (2001).

    Examples
    --------
    >>> noise = np.random.default_rng(0).normal(0.0, 0.01, 96000)
    >>> sound, rate_hz = noise_suppression(noise, 48000)
    >>> bool(sound[48000:].std() < 0.3 * noise.std())
    True
    """
    samples = np.asarray(sound, np.float32)
    frame = 2 * round(0.010 * rate_hz)
    whole = np.pad(samples, (0, max(0, frame - len(samples))))
    options: dict[str, Any] = {"window": np.sqrt(np.hanning(frame + 1)[:-1]), "nperseg": frame}
    _, _, spectrum = stft(whole, rate_hz, **options)
    power = (np.abs(spectrum) ** 2).astype(np.float32)
    smooth = uniform_filter1d(power, 20, axis=1)
    # The window of the minimum ends at the frame itself: a recorder cannot look ahead.
    noise = 1.5 * minimum_filter1d(smooth, 150, axis=1, origin=74)
    kept = 1.0 - over * noise / np.maximum(power, np.finfo(np.float32).tiny)
    gain = np.sqrt(np.maximum(kept, np.float32(10.0 ** (floor_db / 10.0))))
    _, out = istft(spectrum * gain, rate_hz, **options)
    return np.asarray(out[: len(samples)], np.float64), rate_hz


# -- bandwidth ------------------------------------------------------------------------------------------


def low_pass_7khz(sound: ArrayLike, rate_hz: int) -> Altered:
    """Wideband speech: nothing above 7 kHz, by a filter of linear phase whose delay is taken off.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        As it was where the sample rate is 14 kHz or less.
    rate_hz : int
        As it was.

    Examples
    --------
    >>> hiss = np.sin(2 * np.pi * 9000 * np.arange(4800) / 48000)
    >>> bool(abs(low_pass_7khz(hiss, 48000)[0][1000:-1000]).max() < 0.001)
    True
    """
    samples = np.asarray(sound, float)
    if rate_hz <= 14_000 or not len(samples):
        return samples, rate_hz
    half = round(0.004 * rate_hz)
    taps = firwin(2 * half + 1, 7000.0, window=("kaiser", 8.0), fs=rate_hz)
    return np.asarray(oaconvolve(samples, taps)[half : half + len(samples)], np.float64), rate_hz


def delivered_8khz(sound: ArrayLike, rate_hz: int) -> Altered:
    """Sent on at 8 kHz.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    sound : numpy.ndarray
        On the same time axis.
    rate_hz : int
        8000, or as it was if lower.

    Examples
    --------
    >>> sound, rate_hz = delivered_8khz(np.zeros(48000), 48000)
    >>> len(sound), rate_hz
    (8000, 8000)
    """
    samples, out_hz = np.asarray(sound, float), min(rate_hz, 8000)
    common = gcd(rate_hz, out_hz)
    if out_hz == rate_hz or not len(samples):
        return samples, out_hz
    return np.asarray(resample_poly(samples, out_hz // common, rate_hz // common)), out_hz


# -- codecs ---------------------------------------------------------------------------------------------

_AAC_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 64000, 88200, 96000)

#: What the first frame of AAC holds before the sound, and how far an encoder of AMR looks ahead
#: (5 ms, 3GPP TS 26.090): taken off, as a reader of the file does.
_AAC_DELAY, _AMR_DELAY = 1024, 40


def aac(sound: ArrayLike, rate_hz: int, *, kbit_s: int = 64) -> Altered:
    """There and back through AAC-LC, one channel.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz, one of those of AAC.
    kbit_s : int, optional
        Bit rate in kbit/s.

    Returns
    -------
    sound : numpy.ndarray, shape (n,)
        The start delay taken off.
    rate_hz : int
        As it was.

    Raises
    ------
    SettingError
        If AAC has no such sample rate.
    SoundError
        If this FFmpeg has no such encoder.

    Examples
    --------
    >>> sound, rate_hz = aac(np.zeros(48000), 48000, kbit_s=32)
    >>> len(sound), rate_hz
    (48000, 48000)
    """
    if rate_hz not in _AAC_RATES_HZ:
        raise SettingError(
            f"AAC has no sample rate of {rate_hz} Hz",
            hint=f"choose from {', '.join(map(str, _AAC_RATES_HZ))}",
        )
    samples = np.clip(np.asarray(sound, np.float32), -1.0, 1.0)
    highest_hz = round(min(469 * kbit_s - 5500, 12_000 + 62 * kbit_s, rate_hz / 2))
    out = _coded(
        samples, rate_hz, "aac", "aac", "fltp", 1000 * kbit_s, _AAC_DELAY, cutoff=str(max(highest_hz, 4000))
    )
    return out, rate_hz


def amr_nb(sound: ArrayLike, rate_hz: int) -> Altered:
    """There and back through AMR-NB at 12.2 kbit/s, as in a telephone's voice notes.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Full scale 1.
    rate_hz : int
        Sample rate in Hz, 8000 or more.

    Returns
    -------
    sound : numpy.ndarray
        The codec's delay taken off.
    rate_hz : int
        8000.

    Raises
    ------
    SettingError
        If the sample rate is below 8000 Hz.
    SoundError
        If this FFmpeg has no such encoder.

    Examples
    --------
    >>> sound, rate_hz = amr_nb(np.zeros(48000), 48000)
    >>> len(sound), rate_hz
    (8000, 8000)
    """
    if rate_hz < 8000:
        raise SettingError(f"AMR-NB cannot be made of {rate_hz} Hz", hint="give a sound of 8000 Hz or more")
    low, low_hz = delivered_8khz(sound, rate_hz)
    whole = np.rint(np.clip(low, -1.0, 1.0) * 32767.0).astype(np.int16)
    return _coded(whole, low_hz, "libopencore_amrnb", "amrnb", "s16", 12_200, _AMR_DELAY), low_hz


def _coded(
    samples: np.ndarray,
    rate_hz: int,
    encoder: str,
    decoder: str,
    form: str,
    bit_s: int,
    delay: int,
    **options: str,
) -> FloatArray:
    """Encode, decode, and take the delay off; `samples` in the encoder's own form."""
    import av  # loads FFmpeg

    try:
        writer: Any = av.CodecContext.create(encoder, "w")
        reader: Any = av.CodecContext.create(decoder, "r")
    except av.FFmpegError as error:
        raise SoundError(
            f"this FFmpeg has no {encoder}", hint="install PyAV's own build, which has it: pip install av"
        ) from error
    writer.sample_rate, writer.layout, writer.format, writer.bit_rate = rate_hz, "mono", form, bit_s
    writer.time_base, writer.options = Fraction(1, rate_hz), options
    writer.open()
    size = writer.frame_size
    # Whole frames, with one to spare for what the delay pushes out at the end.
    frames = -(-(len(samples) + delay) // size) + 1
    padded = np.zeros(frames * size, samples.dtype)
    padded[: len(samples)] = samples

    packets = []
    for number, part in enumerate(padded.reshape(frames, size)):
        frame = av.AudioFrame.from_ndarray(part[None, :], format=form, layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, number * size, writer.time_base
        packets += writer.encode(frame)
    packets += writer.encode(None)

    if writer.extradata:
        reader.extradata = writer.extradata
    reader.sample_rate, reader.layout = rate_hz, "mono"
    decoded = [frame.to_ndarray().ravel() for packet in packets for frame in reader.decode(packet)]
    decoded += [frame.to_ndarray().ravel() for frame in reader.decode(None)]
    out = np.concatenate(decoded)
    scale = 32768.0 if np.issubdtype(out.dtype, np.integer) else 1.0
    return np.asarray(out[delay : delay + len(samples)] / scale, np.float64)


# -- all ------------------------------------------------------------------------------------------------


def _fixed(alter: Callable[..., Altered], **options: float) -> Alteration:
    """Give an alteration in which nothing is random the signature of those in which something is."""
    return partial(_without_rng, partial(alter, **options))


def _without_rng(
    alter: Callable[..., Altered], sound: FloatArray, rate_hz: int, _rng: np.random.Generator
) -> Altered:
    return alter(sound, rate_hz)


#: Name → alteration: ``sound, rate_hz = ALTERATIONS[name](sound, rate_hz, rng)``.
ALTERATIONS: Mapping[str, Alteration] = {
    "gain_control": _fixed(gain_control),
    "gate": _fixed(gate),
    "noise_suppression": _fixed(noise_suppression),
    "clipping": _fixed(clipped),
    "low_pass_7khz": _fixed(low_pass_7khz),
    "delivered_8khz": _fixed(delivered_8khz),
    "start_spike": start_spike,
    "aac_32": _fixed(aac, kbit_s=32),
    "aac_64": _fixed(aac, kbit_s=64),
    "aac_128": _fixed(aac, kbit_s=128),
    "amr_nb": _fixed(amr_nb),
}
