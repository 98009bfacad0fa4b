"""How often an altered recording is named for what was done to it, and a clean one left in peace.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/health.py --recordings 40
    .venv/bin/python benchmarks/health.py --seeds report --write

Each recording is made up (build, hammer, distance, pace, noise, shed, level, sample rate), written at 16 bits
and altered once in every way of `FAULTS`, at a strength drawn anew. Beside the simulator's own alterations
stand others of the same kinds that share no code with it, and the codecs of FFmpeg, there and back through
the program's own reader. What was said of each is kept in ``out/health/``, so that a run that was stopped
goes on where it was. The reporting seeds are for the table in docs/ only: nothing may be tuned on them.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import hashlib
import json
import math
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, ellip, firwin, istft, lfilter, oaconvolve, resample_poly, sosfiltfilt, stft

from taptone.physics import hands, recorder, yard
from taptone.physics import scene as physics
from taptone.pipeline import listen
from taptone.settings import HealthSettings
from taptone.types import FloatArray, Recording

ROOT = Path(__file__).parents[1]
SEEDS = {"development": 1000, "check": 300_000, "report": 880_000}
KEPT = ROOT / "out" / "health"
FOLLOWED_S = 0.6
PLACES, STRIKES = 18, 2

Altered = tuple[FloatArray, int]
Fault = Callable[[FloatArray, int, np.random.Generator], Altered]


class Sound:
    """Samples in memory that can be listened to like a file."""

    def __init__(self, samples: NDArray[np.float32], rate_hz: int, codec: str = "") -> None:
        self.samples = samples
        self.recording = Recording("row.wav", "0" * 64, rate_hz, len(samples), codec=codec)

    def blocks(self):
        """Yield a second at a time."""
        for start in range(0, len(self.samples), self.recording.rate_hz):
            yield self.samples[start : start + self.recording.rate_hz]


# -- recordings -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Made:
    """A clean recording: what was drawn for it, and its sound."""

    seed: int
    what: Mapping[str, Any]
    sound: FloatArray
    rate_hz: int


def made(seed: int) -> Made:
    """Make the clean recording of a seed; wind and sheds are in it, as they are on a good day's work."""
    rng = np.random.default_rng([seed, 7])
    rate_hz = int(rng.choice([44100, 48000]))
    build = physics.BUILDS[str(rng.choice(list(physics.BUILDS)))]
    names = [n for n, h in physics.HAMMERS.items() if build.skin_m >= 2.5e-3 or h.mass_kg < 0.1]
    name = str(rng.choice(names))
    noise = str(rng.choice(["quiet", "very quiet", "yard", "counting"], p=[0.5, 0.1, 0.3, 0.1]))
    snr_db = float(rng.choice([12.0, 20.0, 30.0]))
    sources = [str(s) for s in rng.choice(list(yard.SOURCES), int(rng.integers(1, 3)), replace=False)]
    rt60_s = float(rng.choice([0.0, 0.5, 1.2, 2.0], p=[0.7, 0.1, 0.1, 0.1]))
    scene = physics.Scene(
        build,
        replace(physics.HAMMERS[name], ring_db=float(rng.uniform(-50.0, -30.0))),
        spread=physics.Spread(aim_sd_m=0.0075, angle_sd_deg=10.0),
        room=None if rt60_s else physics.Room(),
        snr_db={"quiet": 45.0, "very quiet": 60.0}.get(noise, 45.0),
        distance_m=float(rng.uniform(0.2, 1.5)),
        seed=seed,
    )
    xy = [(0.05 + 0.1 * (k % 6), 0.05 + 0.1 * (k // 6)) for k in range(PLACES)]
    gap_s = float(rng.uniform(0.7, 1.6))
    plan = physics.tapping_times(
        xy, [k // 6 for k in range(PLACES)], STRIKES, rng=rng, gap_s=gap_s, within_gap_s=0.6 * gap_s
    )
    sound, told = physics.recording(scene, plan, rate_hz=rate_hz, rng=rng, clip_s=FOLLOWED_S)
    mixed = np.asarray(sound, float)
    onsets = np.array([t.sample for t in told if t.sample >= 0 and t.kind != "bounce"])
    if rt60_s:
        mixed = yard.in_shed(mixed, yard.shed(rt60_s, rng, rate_hz))
    if noise == "yard":
        other = yard.mixed(len(mixed), rate_hz, rng, names=sources)
        mixed = mixed + yard.at_snr(mixed, other, snr_db, rate_hz, onsets, while_sounding=True)
    if noise == "counting":
        words, _ = hands.spoken_counting(len(mixed), rate_hz, onsets, rng)
        mixed = mixed + yard.at_snr(mixed, words, 15.0, rate_hz, onsets, while_sounding=True)
    peak_dbfs = float(rng.uniform(-14.0, -1.0))
    mixed *= 10 ** (peak_dbfs / 20) / np.abs(mixed).max()
    what = {
        "build": build.name,
        "hammer": name,
        "noise": noise if noise != "yard" else f"yard {snr_db:.0f} dB ({', '.join(sources)})",
        "wind": noise == "yard" and "wind" in sources and snr_db < 25.0,
        "rt60_s": rt60_s,
        "peak_dbfs": peak_dbfs,
        "rate_hz": rate_hz,
    }
    return Made(seed, what, _rounded(mixed), rate_hz)


def _rounded(sound: FloatArray) -> FloatArray:
    """As a recorder of 16 bits writes it."""
    return np.clip(np.rint(sound * 32768.0), -32768, 32767) / 32768.0


# -- faults ---------------------------------------------------------------------------------------------
# The simulator's own, at drawn strength, and others of the same kind.


def _acting(alter):
    """Draw again until the gain really moves: 3 dB between its 5th and 95th percentile, 20 ms at a time."""

    def drawn(sound, rate_hz, rng):
        step = round(0.02 * rate_hz)
        for _ in range(30):
            out, _ = alter(sound, rate_hz, rng)
            n = len(sound) // step * step
            before, after = (np.square(x[:n].reshape(-1, step)).mean(axis=1) + 1e-12 for x in (sound, out))
            low, high = np.percentile(10 * np.log10(after / before), [5, 95])
            if high - low >= 3.0:
                break
        return out, rate_hz

    return drawn


def _follower(sound, rate_hz, rng):
    return recorder.gain_control(
        sound,
        rate_hz,
        target_db=float(rng.uniform(-14, -4)),
        most_db=float(rng.uniform(12, 30)),
        attack_ms=float(np.exp(rng.uniform(math.log(1), math.log(30)))),
        release_ms=float(np.exp(rng.uniform(math.log(120), math.log(1500)))),
    )


def _leveller(sound, rate_hz, rng):
    """Another gain control: root mean square, in decibels, held before it recovers at an even rate."""
    step = round(0.005 * rate_hz)
    rows = np.pad(sound, (0, -len(sound) % step)).reshape(-1, step)
    level_db = 10 * np.log10(np.square(rows).mean(axis=1) + 1e-10)
    threshold, ratio = float(np.percentile(level_db, 90)) - rng.uniform(0, 12), rng.uniform(2, 8)
    hold, back_db = round(rng.uniform(0.0, 0.2) / 0.005), rng.uniform(4, 40) * 0.005
    attack = 1 - math.exp(-5 / rng.uniform(5, 50))
    gain, wait, out = 0.0, 0, []
    for now in level_db.tolist():
        wanted = min((threshold - now) * (1 - 1 / ratio), 0.0)
        if wanted < gain:
            gain += attack * (wanted - gain)
            wait = hold
        elif wait:
            wait -= 1
        else:
            gain = min(gain + back_db, wanted, 0.0)
        out.append(gain)
    at = (np.arange(len(out)) + 0.5) * step
    return sound * 10 ** (np.interp(np.arange(len(sound)), at, out) / 20), rate_hz


def _gate(sound, rate_hz, rng):
    return recorder.gate(
        sound,
        rate_hz,
        above_noise_db=float(rng.uniform(6, 20)),
        hold_ms=float(rng.uniform(20, 250)),
        fade_ms=float(rng.uniform(5, 80)),
    )


def _expander(sound, rate_hz, rng):
    """Another gate: it turns the pauses down, by 12 to 40 dB, and not off."""
    step = round(0.002 * rate_hz)
    rows = np.pad(sound, (0, -len(sound) % step)).reshape(-1, step)
    level = np.abs(rows).max(axis=1)
    opens = np.percentile(level, 30) * 10 ** (rng.uniform(8, 16) / 20)
    closed = 10 ** (-rng.uniform(12, 40) / 20)
    hold = round(rng.uniform(20, 250) / 2)
    since = np.arange(len(level)) - np.maximum.accumulate(
        np.where(level >= opens, np.arange(len(level)), -(10**6))
    )
    wanted = np.where(since <= hold, 1.0, closed)
    smooth = lfilter([1 - (a := math.exp(-2 / rng.uniform(5, 40)))], [1, -a], wanted)
    gain = np.maximum(smooth, np.where(wanted == 1.0, 1.0, 0.0))  # opens at once
    at = (np.arange(len(gain)) + 0.5) * step
    return sound * np.interp(np.arange(len(sound)), at, gain), rate_hz


def _suppression(sound, rate_hz, rng):
    return recorder.noise_suppression(
        sound, rate_hz, over=float(rng.uniform(1.5, 6)), floor_db=float(rng.uniform(-30, -10))
    )


def _subtraction(sound, rate_hz, rng):
    """Another suppressor: amplitudes subtracted, other frames, noise from the first half second."""
    n = 2 * round(rng.uniform(0.008, 0.016) * rate_hz)
    _, _, z = stft(sound, rate_hz, nperseg=n, noverlap=3 * n // 4)
    amount, floor = rng.uniform(1.0, 2.5), 10 ** (-rng.uniform(12, 30) / 20)
    size = np.abs(z)
    noise = np.median(size[:, : max(8, round(0.5 * rate_hz / (n // 4)))], axis=1, keepdims=True)
    gain = np.maximum(1 - amount * noise / np.maximum(size, 1e-12), floor)
    _, out = istft(z * gain, rate_hz, nperseg=n, noverlap=3 * n // 4)
    return out[: len(sound)], rate_hz


def _wiener(sound, rate_hz, rng):
    """A third: Wiener gain, decision-directed: hardly twitters (Ephraim and Malah 1984, from memory)."""
    n = 2 * round(0.010 * rate_hz)
    window = np.sqrt(np.hanning(n + 1)[:-1])
    _, _, z = stft(sound, rate_hz, window=window, nperseg=n)
    power = np.abs(z) ** 2
    noise = np.percentile(power, 40, axis=1) * 1.4 + 1e-20
    floor, keep = 10 ** (-rng.uniform(10, 20) / 20), rng.uniform(0.9, 0.98)
    before = np.zeros(len(power))
    gain = np.empty_like(power)
    for k in range(power.shape[1]):
        prior = keep * before + (1 - keep) * np.maximum(power[:, k] / noise - 1, 0)
        gain[:, k] = np.maximum(prior / (1 + prior), floor)
        before = gain[:, k] ** 2 * power[:, k] / noise
    _, out = istft(z * gain, rate_hz, window=window, nperseg=n)
    return out[: len(sound)], rate_hz


def _clipped(sound, rate_hz, rng):
    return recorder.clipped(sound, rate_hz, over_db=float(rng.uniform(4, 20)))


def _clipped_below(sound, rate_hz, rng):
    """Cut off before the level was turned down: flat below full scale."""
    out, _ = recorder.clipped(sound, rate_hz, over_db=float(rng.uniform(4, 20)))
    return out * rng.uniform(0.2, 0.95), rate_hz


def _low_pass(sound, rate_hz, rng, *, edge_hz):
    """One of three filters, all steep."""
    kind = int(rng.integers(3))
    if kind == 0:
        half = round(0.004 * rate_hz)
        taps = firwin(2 * half + 1, edge_hz, window=("kaiser", 8.0), fs=rate_hz)
        return oaconvolve(sound, taps)[half : half + len(sound)], rate_hz
    if kind == 1:
        return sosfiltfilt(butter(8, edge_hz, fs=rate_hz, output="sos"), sound), rate_hz
    return sosfiltfilt(ellip(7, 0.5, 30, edge_hz, fs=rate_hz, output="sos"), sound), rate_hz


def _low_pass_3400(sound, rate_hz, rng):
    return _low_pass(sound, rate_hz, rng, edge_hz=3400.0)


def _low_pass_7000(sound, rate_hz, rng):
    return _low_pass(sound, rate_hz, rng, edge_hz=7000.0)


def _low_pass_12000(sound, rate_hz, rng):
    return _low_pass(sound, rate_hz, rng, edge_hz=12000.0)


def _low_pass_recorder(sound, rate_hz, _rng):
    return recorder.low_pass_7khz(sound, rate_hz)


def _resampled(sound, rate_hz, _rng, *, by_hz):
    """Delivered at a lower rate, and written at the old one."""
    share = Fraction(by_hz, rate_hz)
    low = _rounded(resample_poly(sound, share.numerator, share.denominator))
    return resample_poly(low, share.denominator, share.numerator)[: len(sound)], rate_hz


def _delivered(sound, rate_hz, _rng):
    return recorder.delivered_8khz(sound, rate_hz)


def _start_spike(sound, rate_hz, rng):
    return recorder.start_spike(sound, rate_hz, rng)


def _amr(sound, rate_hz, _rng):
    return recorder.amr_nb(sound, rate_hz)


def _coded(sound, rate_hz, _rng, *, codec, kind, kbit_s, suffix):
    """Through a file, read back by the program's own reader."""
    import av

    from taptone.edges.soundfiles import open_sound

    to_hz = 48000 if codec == "libopus" else rate_hz
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "row" + suffix)
        with av.open(str(path), "w", format=kind) as file:
            stream = file.add_stream(codec, rate=to_hz, layout="mono")
            stream.bit_rate = 1000 * kbit_s
            frame = av.AudioFrame.from_ndarray(sound[None].astype(np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts, frame.time_base = rate_hz, 0, Fraction(1, rate_hz)
            turn = av.AudioResampler(format=stream.codec_context.format, layout="mono", rate=to_hz)
            for piece in turn.resample(frame) + turn.resample(None):
                file.mux(stream.encode(piece))
            file.mux(stream.encode(None))
        read = open_sound(path)
        return np.concatenate(list(read.blocks())).astype(float), read.recording.rate_hz


def _aac(kbit_s):
    return partial(_coded, codec="aac", kind="ipod", kbit_s=kbit_s, suffix=".m4a")


def _mp3(kbit_s):
    return partial(_coded, codec="libmp3lame", kind="mp3", kbit_s=kbit_s, suffix=".mp3")


def _opus(kbit_s):
    return partial(_coded, codec="libopus", kind="ogg", kbit_s=kbit_s, suffix=".opus")


def _loudness(sound, rate_hz):
    """What a tap's first 20 ms come to: the loud twentieth of all stretches of 20 ms, as a mean power."""
    step = round(0.02 * rate_hz)
    power = np.square(sound[: len(sound) // step * step].reshape(-1, step)).mean(axis=1)
    return float(np.percentile(power, 97.5))


def _windy(sound, rate_hz, rng):
    noise = yard.mixed(len(sound), rate_hz, rng, names=["wind"])
    level = _loudness(sound, rate_hz) * 10 ** (-rng.uniform(8, 20) / 10)
    both = sound + noise * math.sqrt(level / np.square(noise).mean())
    return both * min(1.0, 0.9 / np.abs(both).max()), rate_hz


def _in_a_shed(sound, rate_hz, rng):
    both = yard.in_shed(sound, yard.shed(float(rng.uniform(0.5, 2.5)), rng, rate_hz))
    return both * min(1.0, 0.9 / np.abs(both).max()), rate_hz


def _own(name):
    """The simulator's own, as the scenes have it."""
    return lambda sound, rate_hz, rng: recorder.ALTERATIONS[name](sound, rate_hz, rng)


BAND = frozenset({"low-pass", "delivered rate", "lossy copy"})

#: Name → what is done, and the names of findings of which one must be given.
FAULTS: Mapping[str, tuple[Fault | None, frozenset[str]]] = {
    "clean": (None, frozenset()),
    "gain control": (_acting(_follower), frozenset({"gain control"})),
    "gain control, another": (_acting(_leveller), frozenset({"gain control"})),
    "gate": (_gate, frozenset({"gate"})),
    "gate, turned down only": (_expander, frozenset({"gate"})),
    "suppression": (_suppression, frozenset({"noise suppression"})),
    "suppression, another": (_subtraction, frozenset({"noise suppression"})),
    "suppression, a third": (_wiener, frozenset({"noise suppression"})),
    "clipping": (_clipped, frozenset({"clipping"})),
    "clipping, turned down": (_clipped_below, frozenset({"clipping"})),
    "low-pass 3.4 kHz": (_low_pass_3400, BAND),
    "low-pass 7 kHz": (_low_pass_7000, BAND),
    "low-pass 7 kHz, simulator's": (_low_pass_recorder, BAND),
    "low-pass 12 kHz": (_low_pass_12000, BAND),
    "8 kHz, written at 48": (partial(_resampled, by_hz=8000), frozenset({"delivered rate"})),
    "16 kHz, written at 48": (partial(_resampled, by_hz=16000), frozenset({"delivered rate"})),
    "delivered at 8 kHz": (_delivered, frozenset({"delivered rate"})),
    "amr_nb": (_amr, BAND),
    "aac 24": (_aac(24), BAND),
    "aac 32": (_aac(32), BAND),
    "aac 64": (_aac(64), BAND),
    "aac 96": (_aac(96), BAND),
    "aac 128": (_aac(128), BAND),
    "aac 64, simulator's": (_own("aac_64"), BAND),
    "mp3 32": (_mp3(32), BAND),
    "mp3 64": (_mp3(64), BAND),
    "mp3 128": (_mp3(128), BAND),
    "opus 16": (_opus(16), BAND),
    "opus 32": (_opus(32), BAND),
    "opus 64": (_opus(64), BAND),
    "start spike": (_start_spike, frozenset({"start spike"})),
    "gain_control, as in scenes": (_own("gain_control"), frozenset({"gain control"})),
    "gate, as in scenes": (_own("gate"), frozenset({"gate"})),
    "noise_suppression, as in scenes": (_own("noise_suppression"), frozenset({"noise suppression"})),
    "clipping, as in scenes": (_own("clipping"), frozenset({"clipping"})),
    "wind 8 to 20 dB": (_windy, frozenset({"wind"})),
    "shed 0.5 to 2.5 s": (_in_a_shed, frozenset({"room"})),
}


def altered(clean: Made, name: str) -> Sound:
    """The recording with one fault, rounded to 16 bits where it was not coded."""
    fault, _ = FAULTS[name]
    number = list(FAULTS).index(name)
    sound, rate_hz = clean.sound, clean.rate_hz
    last = math.floor(len(sound) * 1000 / rate_hz) * rate_hz / 1000
    if last < len(sound) == round(last):
        sound = sound[:-1]  # the simulator's recorder cannot count a last millisecond that rounds to nothing
    if fault is not None:
        rng = np.random.default_rng([clean.seed, 8, number])
        sound, rate_hz = fault(sound, rate_hz, rng)
        if not any(codec in name for codec in ("aac", "mp3", "opus", "amr")):
            sound = _rounded(sound)
    return Sound(np.asarray(sound, np.float32), rate_hz, "amrnb" if name == "amr_nb" else "")


# -- the run --------------------------------------------------------------------------------------------

CLEAN_TOO = 4  # clean recordings for each that is altered: one in a hundred must show
NAMES = (
    *("gain control", "gate", "noise suppression", "clipping", "low-pass", "lossy copy", "delivered rate"),
    *("start spike", "wind", "room"),
)
#: Files of the program that the names depend on.
HEARING = (
    *("health", "pauses", "gain", "gate", "suppression", "clipping", "ends", "framing", "listening"),
    *("detect", "pick", "measure", "decay"),
)
OF_THE_DAY = {"wind", "room"}  # a clean recording may hold these


def state() -> str:
    """Hash of what the results depend on."""
    names = [f"taptone/pipeline/{name}.py" for name in HEARING]
    names += sorted(str(path) for path in (ROOT / "taptone/physics").glob("*.py"))
    text = b"".join((ROOT / name).read_bytes() for name in names)
    own = Path(__file__).read_text(encoding="utf-8").partition("# -- the run ---")[0]
    limits = repr(HealthSettings()).encode()
    return hashlib.sha256(text + own.encode() + limits).hexdigest()[:12]


def run(first: int, recordings: int, longest_s: float) -> list[dict[str, Any]]:
    """Names given to each recording and each of its altered copies; goes on where it was stopped."""
    kept = KEPT / state()
    kept.mkdir(parents=True, exist_ok=True)
    began, rows = time.monotonic(), []
    for k in range(CLEAN_TOO * recordings):
        path = kept / f"{first + k}.json"
        if not path.exists():
            if time.monotonic() - began > longest_s:
                print(f"stopped at recording {k} of {CLEAN_TOO * recordings}: run it again to go on")
                break
            clean = made(first + k)
            names = {}
            for fault in FAULTS if k < recordings else ("clean",):
                names[fault] = sorted({f.name for f in listen(altered(clean, fault)).findings})
            path.write_text(json.dumps({"what": clean.what, "names": names}))
        rows.append(json.loads(path.read_text()))
    return rows


def table(rows: list[dict[str, Any]]) -> list[str]:
    """The confusion table, in Markdown: share of recordings that were given each name, in per cent."""
    head = ["what was done", "recordings", "named rightly", *NAMES]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for fault, (_, wanted) in FAULTS.items():
        given = [set(r["names"][fault]) for r in rows if fault in r["names"]]
        if not given:
            continue
        right = sum(bool(g & wanted) if wanted else not g - OF_THE_DAY for g in given)
        cells = [fault, str(len(given)), f"{100 * right / len(given):.1f} %"]
        shares = [100 * sum(name in g for g in given) / len(given) for name in NAMES]
        lines.append("| " + " | ".join(cells + [f"{share:.0f}" if share else "" for share in shares]) + " |")
    clean = [(r["what"], set(r["names"]["clean"])) for r in rows]
    for name, there in (
        ("room", lambda what: what["rt60_s"] > 0),
        ("wind", lambda what: "wind" in what["noise"]),
    ):
        false = [name in names for what, names in clean if not there(what)]
        lines += ["", f"`{name}` was said of {sum(false)} of {len(false)} clean recordings made without it."]
    return lines


def main() -> None:
    """Run, print, and on request write the table into docs/health.md."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", choices=SEEDS, default="development")
    words.add_argument("--recordings", type=int, default=60)
    words.add_argument("--longest-s", type=float, default=1e9, help="stop after this, to go on another time")
    words.add_argument("--write", action="store_true")
    given = words.parse_args()
    rows = run(SEEDS[given.seeds], given.recordings, given.longest_s)
    lines = table(rows)
    print("\n".join(lines))
    if given.write:
        page = ROOT / "docs" / "health.md"
        before, start, rest = page.read_text(encoding="utf-8").partition("<!-- table -->\n")
        _, end, after = rest.partition("<!-- end of table -->")
        page.write_text(before + start + "\n".join(["", *lines, ""]) + end + after, encoding="utf-8")


if __name__ == "__main__":
    main()
