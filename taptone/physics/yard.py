"""What else is heard in a boat yard, and the shed it is heard in.

Every source of `SOURCES` is made from a generator, ``source(samples, rate_hz, rng)``, and has unit RMS where
it sounds; `at_snr` says how loud it is beside the taps. What was chosen, and why, is in docs/scenes.md.
"""

from __future__ import annotations

import subprocess
import tempfile
import wave
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial
from math import gcd
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import butter, fftconvolve, oaconvolve, resample_poly, sosfilt

from taptone.errors import SettingError, TaptoneError
from taptone.types import FloatArray

__all__ = ["SOURCES", "Source", "at_snr", "in_shed", "mixed", "shed", "sounding_rms", "spoken"]

Source = Callable[[int, int, np.random.Generator], FloatArray]

# -- how loud -------------------------------------------------------------------------------------------


def mixed(samples: int, rate_hz: int, rng: np.random.Generator, *, names: Sequence[str]) -> FloatArray:
    """Several sources at once, each up to 6 dB below the loudest.

    Parameters
    ----------
    samples : int
        Length.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of everything random.
    names : sequence of str
        Which of `SOURCES`.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        Of unit RMS where it sounds.

    Raises
    ------
    SettingError
        If a name is unknown, or there is none.

    Examples
    --------
    >>> noise = mixed(48000, 48000, np.random.default_rng(1), names=["wind", "sander"])
    >>> print(f"{sounding_rms(noise, 48000):.3f}")
    1.000
    """
    unknown = sorted(set(names) - set(SOURCES))
    if unknown or not names:
        raise SettingError(
            f"there is no source {unknown[0]!r}" if unknown else "no source was named",
            hint=f"choose from {', '.join(SOURCES)}",
        )
    sound = np.zeros(samples)
    for name in names:
        sound += 10.0 ** (-rng.uniform(0.0, 6.0) / 20.0) * SOURCES[name](samples, rate_hz, rng)
    return _unit(sound, rate_hz)


def at_snr(
    sound: ArrayLike,
    noise: ArrayLike,
    snr_db: float,
    rate_hz: int,
    onsets: ArrayLike,
    *,
    while_sounding: bool = False,
) -> FloatArray:
    """Scale noise so that the median tap's first 20 ms stand `snr_db` above the noise's mean power.

    Parameters
    ----------
    sound : array_like, shape (n,)
        The taps without noise.
    noise : array_like, shape (m,)
        What is to be scaled.
    snr_db : float
        Power ratio in dB.
    rate_hz : int
        Sample rate in Hz.
    onsets : array_like of int
        First sample of each tap.
    while_sounding : bool, optional
        Take the noise's power only where it sounds, rather than over all of it. A source of short
        sounds far apart is much quieter so.

    Returns
    -------
    numpy.ndarray, shape (m,)
        The noise, to be added to `sound`.

    Raises
    ------
    SettingError
        If there is no tap, or one outside the sound.

    Examples
    --------
    >>> taps = np.zeros(48000)
    >>> taps[1000:1960] = 1.0
    >>> noise = at_snr(taps, np.random.default_rng(0).standard_normal(48000), 20.0, 48000, [1000])
    >>> print(f"{noise.std():.2f}")
    0.10
    """
    heard, scaled, first = np.asarray(sound, float), np.array(noise, float), np.asarray(onsets, np.intp)
    if not first.size or first.min() < 0 or first.max() >= len(heard):
        raise SettingError(
            "noise has no tap to be held against", hint="give the first sample of each tap within the sound"
        )
    window = round(0.02 * rate_hz)
    power = np.median([np.mean(heard[at : at + window] ** 2) for at in first])
    if while_sounding:
        mean = sounding_rms(scaled, rate_hz) ** 2
    else:
        mean = float(np.mean(scaled**2)) if scaled.size else 0.0
    scaled *= np.sqrt(power / mean / 10.0 ** (snr_db / 10.0)) if mean else 1.0
    return np.asarray(scaled)


def sounding_rms(sound: ArrayLike, rate_hz: int) -> float:
    """RMS over the frames of 20 ms that are within 40 dB of the loudest frame.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Any sound.
    rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    float
        0 for silence.

    Examples
    --------
    >>> sounding_rms([0.0] * 4800 + [2.0] * 4800, 48000)
    2.0
    """
    samples = np.asarray(sound, float)
    frame = min(round(0.02 * rate_hz), len(samples))
    if not frame:
        return 0.0
    whole = samples[: len(samples) // frame * frame].reshape(-1, frame)
    power = np.einsum("ij,ij->i", whole, whole) / frame
    if not power.max():
        return 0.0
    return float(np.sqrt(power[power >= 1e-4 * power.max()].mean()))


def _unit(sound: FloatArray, rate_hz: int) -> FloatArray:
    """Scale to unit RMS where it sounds; silence stays silent."""
    rms = sounding_rms(sound, rate_hz)
    return sound / rms if rms else sound


# -- sheds ----------------------------------------------------------------------------------------------

#: Octave centres, and what share of the mid-frequency RT60 (500 and 1000 Hz) each has: high notes die sooner.
_OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_SHARE_OF_RT60 = (0.9, 0.95, 1.0, 1.0, 1.0, 0.85, 0.65, 0.45, 0.3)


def shed(
    rt60_s: float, rng: np.random.Generator, rate_hz: int, *, direct_to_reverberant_db: float = 6.0
) -> FloatArray:
    """Impulse response of a hard shed: early reflections, flutter between two walls, a diffuse tail.

    Parameters
    ----------
    rt60_s : float
        Time to fall by 60 dB at 500 to 1000 Hz, in s, 0.2 to 4. High notes die sooner.
    rng : numpy.random.Generator
        Source of the reflections.
    rate_hz : int
        Sample rate in Hz.
    direct_to_reverberant_db : float, optional
        Energy of the direct sound over that of all the rest, in dB.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        The direct sound is 1 at sample 0; the rest comes at 2 ms or later.

    Raises
    ------
    SettingError
        If `rt60_s` is outside its limits.

    Examples
    --------
    >>> response = shed(1.0, np.random.default_rng(0), 48000)
    >>> print(response[0], f"{10.0 * np.log10((response[1:] ** 2).sum()):.1f}")
    1.0 -6.0
    """
    if not 0.2 <= rt60_s <= 4.0:
        raise SettingError(f"rt60_s is {rt60_s!r} s", hint="choose a value from 0.2 to 4 s")
    time = np.arange(round(1.2 * rt60_s * rate_hz)) / rate_hz
    rest = np.zeros(len(time))
    # A diffuse tail, octave by octave, 3 dB weaker at each octave up; it is complete after 25 ms.
    for centre, share in zip(_OCTAVES_HZ, _SHARE_OF_RT60, strict=True):
        if centre * np.sqrt(2.0) < 0.5 * rate_hz:
            noise = rng.standard_normal(len(time))
            octave = sosfilt(_band(centre / np.sqrt(2.0), centre * np.sqrt(2.0), rate_hz), noise)
            rest += octave / centre * _fading(time, share * rt60_s)
    rest *= np.clip((time - 0.002) / 0.023, 0.0, 1.0)
    loudness = np.sqrt(np.mean(rest[round(0.025 * rate_hz) :][: round(0.02 * rate_hz)] ** 2))
    # Single reflections, the more the later: of floor, roof, walls, the next hull.
    arrivals = 0.002 + 0.058 * rng.uniform(size=40) ** 0.6
    for at_s in arrivals:
        rest[round(at_s * rate_hz)] += (
            _sign(rng) * loudness * rng.uniform(3.0, 8.0) * _fading(at_s, rt60_s) * (0.004 / at_s) ** 0.3
        )
    # Slap: to and fro between two parallel walls, losing its top at every turn.
    period_s = rng.uniform(0.020, 0.060)
    slap, dulled = np.zeros(len(time)), _low_pass(5000.0, rate_hz, 1)
    for turn in range(1, int(0.5 * rt60_s / period_s) + 1):
        pulse = np.zeros(round(0.004 * rate_hz))
        pulse[0] = 1.0
        for _ in range(min(turn, 6)):
            pulse = np.asarray(sosfilt(dulled, pulse))
        at = round(turn * period_s * rate_hz)
        _add(slap, at, 40.0 * loudness * _fading(turn * period_s, rt60_s) * pulse)
    rest += slap
    rest[: round(0.002 * rate_hz)] = 0.0
    rest *= 10.0 ** (-direct_to_reverberant_db / 20.0) / np.sqrt((rest**2).sum())
    rest[0] = 1.0
    return rest


def in_shed(sound: ArrayLike, response: ArrayLike) -> FloatArray:
    """Sound as it is heard in a shed.

    Parameters
    ----------
    sound : array_like, shape (n,)
        Direct sound.
    response : array_like, shape (m,)
        From `shed`.

    Returns
    -------
    numpy.ndarray, shape (n,)
        As long as `sound`, on the same time axis.

    Examples
    --------
    >>> print(in_shed([1.0, 0.0, 0.0], [1.0, 0.5]).round(6) + 0.0)
    [1.  0.5 0. ]
    """
    dry, echo = np.asarray(sound, float), np.asarray(response, float)
    return np.asarray(oaconvolve(dry, echo)[: len(dry)], np.float64)


def _fading(time_s: ArrayLike, rt60_s: float) -> FloatArray:
    return np.asarray(np.exp(-np.log(1000.0) * np.asarray(time_s) / rt60_s))


# -- machines -------------------------------------------------------------------------------------------


def _wind(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Turbulence at the microphone, falling 6 dB an octave, dying above 300 Hz; gusts; thumps."""
    sound = sosfilt(_low_pass(20.0, rate_hz, 1), rng.standard_normal(samples))
    sound = _unit(np.asarray(sosfilt(_low_pass(300.0, rate_hz, 2), sound)), rate_hz)
    sound *= np.exp(0.5 * _slow(samples, rate_hz, rng, 0.3))
    for at in _at_random(samples, rate_hz, rng, 0.25):
        pulse = np.hanning(round(rng.uniform(0.015, 0.060) * rate_hz))
        _add(sound, at, _sign(rng) * rng.uniform(3.0, 8.0) * pulse)
    return _through_microphone(sound, rate_hz)


def _sander(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A motor of 9000 to 12000 turns a minute that sags when pressed down, and the paper's hiss."""
    load = _by_turns(samples, rate_hz, rng, (1.0, 5.0), (0.3, 2.0), 0.25)
    load *= np.exp(0.25 * _slow(samples, rate_hz, rng, 1.0))
    turns_hz = rng.uniform(150.0, 200.0) * (1.0 - rng.uniform(0.10, 0.20) * load)
    harmonics = _harmonics(220.0, rate_hz, 24)
    levels = harmonics**-0.6 * 10.0 ** (rng.normal(0.0, 4.0, len(harmonics)) / 20.0)
    motor = _unit(_wave(turns_hz, levels, rate_hz, rng), rate_hz)
    hiss = _unit(_noise(samples, rng, _band(800.0, 7000.0, rate_hz)), rate_hz)
    return _through_microphone(motor + (0.15 + 0.9 * load) * hiss, rate_hz)


def _engine(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A four-cylinder diesel, 800 to 1800 turns a minute: harmonics of half a turn, firing the strongest."""
    turns_hz = rng.uniform(800.0, 1800.0) / 60.0 * np.exp(0.05 * _slow(samples, rate_hz, rng, 0.1))
    harmonics = _harmonics(0.65 * float(turns_hz.max(initial=1.0)), rate_hz, 80)
    levels = np.where(harmonics % 4 == 0, 1.0, 0.15) * harmonics**-0.7
    levels *= 10.0 ** (rng.normal(0.0, 3.0, len(harmonics)) / 20.0)
    sound = _unit(_wave(0.5 * turns_hz, levels, rate_hz, rng), rate_hz)
    clatter = _noise(samples, rng, _band(500.0, 3000.0, rate_hz))
    firing = 0.5 + 0.5 * np.cos(2.0 * np.pi * _cycles(2.0 * turns_hz, rate_hz))
    return _through_microphone(sound + 0.3 * _unit(clatter * firing**4, rate_hz), rate_hz)


def _pressure_washer(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """The jet's hiss, on and off by the trigger, over a pump of three pistons at 2800 turns a minute."""
    jet = _by_turns(samples, rate_hz, rng, (3.0, 15.0), (0.5, 3.0), 0.06)
    pump_hz = 3.0 * rng.uniform(2700.0, 2900.0) / 60.0 * (1.03 - 0.03 * jet)
    harmonics = _harmonics(160.0, rate_hz, 20)
    levels = harmonics**-0.8 * 10.0 ** (rng.normal(0.0, 3.0, len(harmonics)) / 20.0)
    pump = _unit(_wave(pump_hz, levels, rate_hz, rng), rate_hz)
    hiss = _unit(_noise(samples, rng, _band(1000.0, 12000.0, rate_hz, 1)), rate_hz)
    hiss *= np.exp(0.15 * _slow(samples, rate_hz, rng, 2.0))
    return _through_microphone((0.05 + jet) * hiss + (0.1 + 0.3 * jet) * pump, rate_hz)


def _reversing_beeps(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A tone near 1 kHz with weak harmonics, half a second on and half off, for as long as it reverses."""
    tone_hz = np.full(samples, rng.uniform(900.0, 1300.0))
    levels = np.array([1.0, 0.05, 0.25, 0.02, 0.1])[: len(_harmonics(1300.0, rate_hz, 5))]
    beep = np.convolve(np.ones(round(0.495 * rate_hz)), np.hanning(round(0.005 * rate_hz) + 2), "full")
    beep /= beep.max()
    on = np.zeros(samples)
    start_s = _first_s(samples, rate_hz, rng)
    while start_s * rate_hz < samples:
        beeps = int(rng.integers(6, 20))
        for number in range(beeps):
            _add(on, round((start_s + number) * rate_hz), beep)
        start_s += beeps + rng.uniform(3.0, 20.0)
    return on * _wave(tone_hz, levels, rate_hz, rng)


# -- impacts --------------------------------------------------------------------------------------------


def _clanks(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Things of metal let fall and knocked: six of them, each with its own inharmonic modes."""
    things = []
    for _ in range(6):
        modes_hz = _inharmonic(rng.uniform(300.0, 1500.0), 14, (0.2, 1.3), rng)
        things.append(_ringing(modes_hz, rng.uniform(0.15, 1.2), rate_hz, 1.0, rng))
    sound = np.zeros(samples)
    for at in _at_random(samples, rate_hz, rng, 0.5):
        thing = things[int(rng.integers(len(things)))]
        hit = rng.standard_normal(len(thing)) @ thing
        level = 10.0 ** (rng.normal(0.0, 6.0) / 20.0)
        for _ in range(int(rng.integers(1, 4))):  # and falls back once or twice
            _add(sound, at, level * hit)
            at += round(rng.uniform(0.05, 0.25) * rate_hz)
            level *= rng.uniform(0.2, 0.6)
    return sound


def _halyard(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A rope that swings against a hollow aluminium pole: bending modes of a free beam, (2n + 1)^2."""
    n = np.arange(4.0, 40.0)
    modes_hz = np.asarray(rng.uniform(5.0, 12.0) * ((2.0 * n + 1.0) / 3.0) ** 2, np.float64)
    pole = _ringing(modes_hz, rng.uniform(0.4, 1.0), rate_hz, 0.8, rng)
    soft = 1.0 / (1.0 + (modes_hz[: len(pole)] / 1500.0) ** 2)
    hits = (soft * (1.0 + 0.4 * rng.standard_normal((12, len(pole))))) @ pole
    sound = np.zeros(samples)
    period_s = rng.uniform(0.45, 0.95)
    swing_s, at_s = rng.uniform(8.0, 20.0), _first_s(samples, rate_hz, rng)
    while at_s * rate_hz < samples:
        level = 10.0 ** (rng.normal(0.0, 2.0) / 20.0) * (0.6 + 0.4 * np.cos(2.0 * np.pi * at_s / swing_s))
        hit = level * hits[int(rng.integers(len(hits)))]
        if rng.random() > 0.08:  # now and then it swings wide
            _add(sound, round(at_s * rate_hz), hit)
        if rng.random() < 0.2:  # or slaps twice
            _add(sound, round((at_s + rng.uniform(0.05, 0.12)) * rate_hz), 0.5 * hit)
        at_s += period_s * max(0.3, 1.0 + 0.08 * rng.standard_normal())
    return sound


def _other_hammer(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Someone sounding two boats away, in a rhythm and rows of their own: dull, and with echoes."""
    modes_hz = _inharmonic(rng.uniform(140.0, 260.0), 10, (0.2, 0.9), rng)
    skin = _ringing(modes_hz, rng.uniform(0.06, 0.2), rate_hz, 0.25, rng)
    echo = shed(rng.uniform(0.4, 0.8), rng, rate_hz, direct_to_reverberant_db=-3.0)
    skin = np.asarray(sosfilt(_low_pass(1500.0, rate_hz, 2), skin))  # round two hulls
    skin = np.asarray(fftconvolve(skin, echo[None, :], axes=1))
    sound = np.zeros(samples)
    at_s = _first_s(samples, rate_hz, rng)
    gap_s, left = rng.uniform(0.6, 1.4), int(rng.integers(8, 20))
    while at_s * rate_hz < samples:
        level = 10.0 ** (rng.normal(0.0, 3.0) / 20.0)
        hit = (level * (1.0 + 0.4 * rng.standard_normal(len(skin)))) @ skin
        _add(sound, round(at_s * rate_hz), hit)
        at_s += gap_s * max(0.3, 1.0 + 0.12 * rng.standard_normal())
        left -= 1
        if not left:
            at_s += rng.uniform(2.0, 5.0)
            left = int(rng.integers(8, 20))
    return sound


def _inharmonic(
    lowest_hz: float, modes: int, steps: tuple[float, float], rng: np.random.Generator
) -> FloatArray:
    """Modes that go up by random steps, given as shares of the lowest."""
    return lowest_hz * np.cumsum(np.append(1.0, rng.uniform(*steps, modes - 1)))


def _ringing(
    modes_hz: FloatArray, t60_s: float, rate_hz: int, length_s: float, rng: np.random.Generator
) -> FloatArray:
    """Decaying modes that the sample rate holds, a row each; T60 is that at 1 kHz, higher ones die sooner."""
    modes_hz = modes_hz[modes_hz < min(0.45 * rate_hz, 12000.0)]
    time = np.arange(round(length_s * rate_hz)) / rate_hz
    t60 = t60_s * np.clip(1000.0 / modes_hz, 0.0, 4.0) ** 0.5
    level = 10.0 ** (rng.normal(0.0, 4.0, len(modes_hz)) / 20.0)
    fade_out = np.clip((length_s - time) / (0.1 * length_s), 0.0, 1.0)
    decay = np.exp(-np.log(1000.0) * time / t60[:, None]) * level[:, None]
    return np.asarray(decay * np.sin(2.0 * np.pi * modes_hz[:, None] * time) * fade_out)


# -- speech ---------------------------------------------------------------------------------------------

_SENTENCES: Mapping[str, tuple[str, ...]] = {
    "en-gb": (
        "The wind will go round to the west by noon, with rain behind it.",
        "Somebody has left a red bicycle in front of the crane.",
        "And now a slow song for everyone who is still painting.",
    ),
    "en-us+f3": (
        "Traffic is slow on the bridge this morning, so take the ferry.",
        "Two eggs, a loaf of bread, and whatever fruit looks good.",
    ),
    "en-gb-scotland+m3": ("High water is at ten past four, and it is a big one.", "Mind the ladder!"),
    "de+f2": (
        "Morgen wird es kühler, und am Abend zieht Nebel auf.",
        "Hast du den langen Pinsel gesehen? Er lag gerade noch hier.",
    ),
    "fr-fr+m2": (
        "La mer sera belle demain, avec un peu de brume au lever du jour.",
        "On mange à midi, et après on remet le bateau à l'eau.",
    ),
    "es+m4": ("Esta tarde llega el camión con la madera nueva.", "Sube la radio, que me gusta esta canción."),
    "it+f4": ("Domani mattina il vento gira, e poi torna il sole.", "Dammi la scala, per favore."),
    "nl": ("De boot gaat om drie uur het water in.", "Wie heeft er nog koffie over?"),
    "pl+f1": ("Jutro będzie padać cały dzień.", "Podaj mi ten mały klucz."),
    "sv+m5": ("Det blir sol hela veckan, säger de på radion.", "Vi ses vid bryggan klockan fem."),
}


def _speech(samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A radio and the talk beside it: made-up sentences, several voices and languages, pauses between."""
    phrases = [(voice, text) for voice, texts in _SENTENCES.items() for text in texts]
    sound, at = np.zeros(samples), round(_first_s(samples, rate_hz, rng) * rate_hz)
    while at < samples:
        voice, text = phrases[int(rng.integers(len(phrases)))]
        said = spoken(text, voice, rate_hz)
        _add(sound, at, said * 10.0 ** (rng.normal(0.0, 2.0) / 20.0))
        at += len(said) + round(rng.uniform(0.1, 1.5) * rate_hz)
    return sound


@lru_cache(maxsize=256)
def spoken(text: str, voice: str, rate_hz: int) -> FloatArray:
    """Speak a text, by the speech synthesiser espeak-ng.

    Parameters
    ----------
    text : str
        Words in the voice's language.
    voice : str
        A voice of espeak-ng, such as ``en-gb`` or ``de+f2``.
    rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        Of unit RMS where it sounds, without silence before and after; read-only, for it is kept.

    Raises
    ------
    TaptoneError
        If espeak-ng is not installed, or cannot speak this.

    Examples
    --------
    >>> 0.2 < len(spoken("seven", "en-gb", 48000)) / 48000 < 1.0
    True
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "said.wav")
        try:
            subprocess.run(
                ["espeak-ng", "-v", voice, "-w", str(path), "--", text], check=True, capture_output=True
            )
            with wave.open(str(path)) as file:
                own_hz = file.getframerate()
                said = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
        except FileNotFoundError as error:
            raise TaptoneError(
                "no speech can be made without espeak-ng", hint="apt-get install espeak-ng"
            ) from error
        except (subprocess.CalledProcessError, wave.Error, EOFError) as error:
            raise TaptoneError(
                f"espeak-ng cannot say {text!r} with the voice {voice!r}",
                hint="choose a voice that espeak-ng --voices lists",
            ) from error
    common = gcd(own_hz, rate_hz)
    said = np.asarray(resample_poly(said, rate_hz // common, own_hz // common))
    loud = np.flatnonzero(np.abs(said) > 0.01 * np.abs(said).max(initial=0.0))
    if not len(loud):
        raise TaptoneError(f"espeak-ng says nothing for {text!r}", hint="give it words")
    said = _unit(said[loud[0] : loud[-1] + 1], rate_hz)
    said.setflags(write=False)
    return said


# -- parts ----------------------------------------------------------------------------------------------


def _add(sound: FloatArray, at: int, piece: FloatArray) -> None:
    """Lay a piece over the sound, as far as the sound goes."""
    place = sound[at : at + len(piece)]
    place += piece[: len(place)]


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice((-1.0, 1.0)))


def _first_s(samples: int, rate_hz: int, rng: np.random.Generator) -> float:
    """When it is first heard: within half a second, and within half of what there is."""
    return float(rng.uniform(0.0, min(0.5, 0.5 * samples / rate_hz)))


def _at_random(samples: int, rate_hz: int, rng: np.random.Generator, per_s: float) -> list[int]:
    """Samples at which something happens, as raindrops fall."""
    gaps_s = rng.exponential(1.0 / per_s, int(2.0 * per_s * samples / rate_hz) + 20)
    gaps_s[0] = _first_s(samples, rate_hz, rng)
    times = np.cumsum(gaps_s) * rate_hz
    return [int(at) for at in times[times < samples]]


def _slow(samples: int, rate_hz: int, rng: np.random.Generator, hz: float) -> FloatArray:
    """Slow change of unit variance, up to about `hz`: normal deviates joined by straight lines."""
    step = rate_hz / (2.0 * hz)
    knots = rng.standard_normal(int(samples / step) + 2) * np.sqrt(1.5)
    return np.asarray(np.interp(np.arange(samples), np.arange(len(knots)) * step, knots))


def _by_turns(
    samples: int,
    rate_hz: int,
    rng: np.random.Generator,
    on_s: tuple[float, float],
    off_s: tuple[float, float],
    ramp_s: float,
) -> FloatArray:
    """1 and 0 by turns, lasting what the two ranges say, joined by ramps."""
    times, values, at = [0.0], [1.0], 0.0
    while at * rate_hz < samples:
        for value, (low, high) in ((1.0, on_s), (0.0, off_s)):
            at += ramp_s
            times += [at, at + (stay := rng.uniform(low, high))]
            values += [value, value]
            at += stay
    return np.asarray(np.interp(np.arange(samples) / rate_hz, times, values))


def _cycles(frequency_hz: FloatArray, rate_hz: int) -> FloatArray:
    return np.asarray(np.cumsum(frequency_hz) / rate_hz)


def _harmonics(highest_hz: float, rate_hz: int, most: int) -> FloatArray:
    """Numbers of the harmonics that stay below 0.45 of the sample rate."""
    return np.arange(1.0, max(1, min(most, int(0.45 * rate_hz / highest_hz))) + 1.0)


def _wave(frequency_hz: FloatArray, levels: FloatArray, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Harmonics of a changing frequency, with random phases, read from a table of one cycle."""
    size = 16384
    spectrum = np.zeros(size // 2 + 1, complex)
    spectrum[1 : len(levels) + 1] = levels * np.exp(2j * np.pi * rng.random(len(levels)))
    table = np.fft.irfft(spectrum) * size
    return np.asarray(table[(_cycles(frequency_hz, rate_hz) * size).astype(np.int64) % size])


def _noise(samples: int, rng: np.random.Generator, sos: FloatArray) -> FloatArray:
    return np.asarray(sosfilt(sos, rng.standard_normal(samples)))


def _low_pass(high_hz: float, rate_hz: int, order: int) -> FloatArray:
    return np.asarray(butter(order, min(high_hz, 0.45 * rate_hz), fs=rate_hz, output="sos"))


def _band(low_hz: float, high_hz: float, rate_hz: int, order: int = 2) -> FloatArray:
    high_hz = min(high_hz, 0.45 * rate_hz)
    return np.asarray(butter(order, (min(low_hz, 0.5 * high_hz), high_hz), "band", fs=rate_hz, output="sos"))


def _through_microphone(sound: FloatArray, rate_hz: int) -> FloatArray:
    """Take off what lies below the 60 Hz from which the microphone of a recording hears."""
    return np.asarray(sosfilt(butter(2, 60.0, "high", fs=rate_hz, output="sos"), sound))


def _made(make: Source, samples: int, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    return _unit(make(samples, rate_hz, rng), rate_hz) if samples else np.zeros(0)


#: Name → source: ``SOURCES[name](samples, rate_hz, rng)``, of unit RMS where it sounds.
SOURCES: Mapping[str, Source] = {
    "wind": partial(_made, _wind),
    "sander": partial(_made, _sander),
    "engine": partial(_made, _engine),
    "pressure_washer": partial(_made, _pressure_washer),
    "reversing_beeps": partial(_made, _reversing_beeps),
    "clanks": partial(_made, _clanks),
    "halyard": partial(_made, _halyard),
    "speech": partial(_made, _speech),
    "other_hammer": partial(_made, _other_hammer),
}
