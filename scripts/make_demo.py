"""Write the demo's recordings: `.venv/bin/python scripts/make_demo.py [FOLDER]`.

A made-up catamaran of 10 m, three constructions, each with taps on places known to be good and with one
panel. The sounds are computed by `taptone.physics.scene`; no boat was recorded. Every seed below is the first
that was tried, so the demo shows what comes, hits and misses alike. The same versions of the libraries write
the same bytes again. The baselines in models/ are copies of what `scripts/demo.py` learns into out/demo/.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import av
import numpy as np
import soundfile

from taptone.physics.scene import (
    DAGGERBOARD,
    FOAM_DECK,
    HULL_SIDE,
    Build,
    Frame,
    Patch,
    Scene,
    Schedule,
    Taper,
    local,
    recording,
    tapping_times,
)
from taptone.survey.panel import parse_panel
from taptone.types import Panel

DEMO = Path(__file__).resolve().parent.parent / "recordings" / "demo"
RATE_HZ = 44_100
PLACES, STRIKES = 24, 2
BOAT, HAMMER, RECORDER, SURFACE_TEMP_C = "Lantern", "60 g steel", "phone at 0.5 m", 14.0


@dataclass(frozen=True)
class Case:
    """One panel: what its file says, and what is really there.

    ``good_m``: low and high corner of the good laminate beside the panel, where the reference is taken.
    """

    stem: str
    construction: str
    layout: str
    build: Build
    seed: int
    good_m: tuple[tuple[float, float], tuple[float, float]]
    patches: tuple[Patch, ...] = ()
    frames: tuple[Frame, ...] = ()
    taper: Taper = Taper()  # noqa: RUF009

    def scene(self) -> Scene:
        """The panel as it is."""
        return Scene(
            build=self.build,
            patches=self.patches,
            frames=self.frames,
            taper=self.taper,
            snr_db=55.0,
            seed=self.seed,
        )

    def good_scene(self) -> Scene:
        """The same laminate where nothing is loose, nothing stands behind it and nothing tapers."""
        return replace(self.scene(), patches=(), frames=(), taper=Taper())


CASES = (
    Case(
        stem="daggerboard",
        construction="skins_over_foam",
        layout="""\
name = "daggerboard port"
side = "port"
face = "outside"
datum = "lower leading corner, x aft, y up the board"
outline = [[0.0, 0.02], [0.45, 0.0], [0.45, 0.9], [0.02, 0.9]]
grid = { spacing = 0.075, path = "serpentine rows" }
""",
        build=DAGGERBOARD,
        seed=1,
        good_m=((0.05, 1.0), (0.4, 1.8)),
        patches=(Patch(0.27, 0.55, 0.09),),
    ),
    Case(
        stem="foredeck",
        construction="cored_foam",
        layout="""\
name = "foredeck round the windlass"
side = "centre"
face = "outside"
datum = "aft face of the anchor locker on the port side, x aft, y to starboard"
outline = [[0.0, 0.0], [1.2, 0.0], [1.2, 0.9], [0.0, 0.9], [0.0, 0.6], [0.2, 0.6], [0.2, 0.3], [0.0, 0.3]]
grid = { spacing = 0.1, path = "serpentine rows" }

[[structure]]
kind = "frame"
line = [[0.35, 0.0], [0.35, 0.9]]
width = 0.06
declared = "owner"
evidence = "seen inside"

[[structure]]
kind = "frame"
line = [[0.95, 0.0], [0.95, 0.9]]
width = 0.06
declared = "owner"
evidence = "seen inside"
""",
        build=FOAM_DECK,
        seed=2,
        good_m=((1.4, 0.05), (2.4, 0.85)),
        patches=(Patch(0.63, 0.62, 0.1, damping="dead"),),
        frames=(Frame(0.35, 0.0, 0.35, 0.9, 0.06), Frame(0.95, 0.0, 0.95, 0.9, 0.06)),
    ),
    Case(
        stem="hull-side",
        construction="cored_foam thin core",
        layout="""\
name = "hull side starboard"
side = "starboard"
face = "outside"
datum = "lower forward corner 0.3 m above the waterline, x aft, y up"
outline = [[0.0, 0.0], [1.2, 0.0], [1.2, 0.7], [0.0, 0.7]]
grid = { spacing = 0.1, path = "serpentine rows" }
""",
        build=HULL_SIDE,
        seed=3,
        good_m=((-1.4, 0.05), (-0.2, 0.65)),
        taper=Taper(along_x=0.25),
    ),
)


def main() -> None:
    """Write the panels, the recordings and the truth into a folder."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO
    out.mkdir(parents=True, exist_ok=True)
    truth: dict[str, object] = {"boat": BOAT, "references": {}, "panels": {}}
    for case in CASES:
        text = panel_text(case)
        (out / f"{case.stem}.toml").write_text(text, encoding="utf-8", newline="\n")
        panel = parse_panel(text, source=f"{case.stem}.toml")
        truth["references"][case.stem] = reference(case, out)  # type: ignore[index]
        truth["panels"] |= tapped(case, panel, out)  # type: ignore[operator]
    text = json.dumps(truth, indent=1) + "\n"
    (out / "truth.json").write_text(text, encoding="utf-8", newline="\n")


def panel_text(case: Case) -> str:
    """Head, layout and conditions of a panel file."""
    head, table, structure = case.layout.partition("\n[[structure]]")
    return (
        f'boat = "{BOAT}"\n'
        f'construction = "{case.construction}"\n'
        f'hammer = "{HAMMER}"\n'
        f'recorder = "{RECORDER}"\n'
        f"surface_temp_c = {SURFACE_TEMP_C:g}\n"
        f'{head}conditions = {{ weather = "dry, overcast", days_ashore = 6, frozen_within_72h = false }}\n'
        f"{table}{structure}"
    )


def reference(case: Case, out: Path) -> dict[str, object]:
    """Strike known-good places, each a few times; return how to learn from them."""
    rng = np.random.default_rng([case.seed, 0])
    places = rng.uniform(*case.good_m, (PLACES, 2))
    plan = tapping_times(places, np.zeros(PLACES, int), STRIKES, rng=rng, gap_s=0.8, within_gap_s=0.5)
    name = f"{case.stem}-reference.flac"
    write(out / name, record(case.good_scene(), plan, rng))
    return {
        "recordings": [name],
        "construction": case.construction,
        "hammer": HAMMER,
        "recorder": RECORDER,
        "surface_temp_c": SURFACE_TEMP_C,
        "taps_per_place": STRIKES,
        "baseline": f"lantern-{case.stem}.json",
    }


def tapped(case: Case, panel: Panel, out: Path) -> dict[str, object]:
    """Tap a panel in its order; return what is really at its stations."""
    rng = np.random.default_rng([case.seed, 1])
    xy = np.array([[s.x_m, s.y_m] for s in panel.stations])
    rows = [s.row for s in panel.stations]
    plan = tapping_times(xy, rows, rng=rng, gap_s=0.7, row_pause_s=2.5)
    sound = record(case.scene(), plan, rng)
    here = local(case.scene(), xy)
    labels = np.array([s.label for s in panel.stations])
    facts: dict[str, object] = {
        "panel": f"{case.stem}.toml",
        "recording": f"{case.stem}.flac",
        "reference": case.stem,
        "bad_stations": labels[here.loose & (here.ratio <= 0.5)].tolist(),
        "edge_stations": labels[here.loose & (here.ratio > 0.5)].tolist(),
        "patches": [
            {"x_m": p.x_m, "y_m": p.y_m, "radius_m": p.radius_m, "damping": p.damping} for p in case.patches
        ],
    }
    write(out / f"{case.stem}.flac", sound)
    if case.stem != "daggerboard":
        return {case.stem: facts}
    write_as_phone(out / f"{case.stem}-phone.m4a", sound)
    return {case.stem: facts, f"{case.stem}-phone": facts | {"recording": f"{case.stem}-phone.m4a"}}


def record(scene: Scene, plan: Schedule, rng: np.random.Generator) -> np.ndarray:
    """Return the recording in 16 bits."""
    # Followed until the ring is below the noise: cut off sooner, its end is a click of its own.
    sound, _ = recording(scene, plan, rate_hz=RATE_HZ, rng=rng, clip_s=0.8)
    return np.rint(np.asarray(sound, float) * 32767).astype(np.int16)


def write(path: Path, sound: np.ndarray) -> None:
    soundfile.write(path, sound, RATE_HZ, "PCM_16", format="FLAC")


def write_as_phone(path: Path, sound: np.ndarray) -> None:
    """Write the sound as a phone's memo: AAC at 96 kbit/s, without date or encoder's name."""
    with av.open(str(path), "w", format="ipod", options={"fflags": "+bitexact"}) as container:
        stream = container.add_stream("aac", rate=RATE_HZ, layout="mono")
        stream.bit_rate = 96_000
        stream.codec_context.flags |= av.codec.context.Flags.bitexact
        frame = av.AudioFrame.from_ndarray((sound / np.float32(32768))[None], format="fltp", layout="mono")
        frame.sample_rate, frame.pts = RATE_HZ, 0
        size = stream.codec_context.frame_size or 1024
        fifo = av.AudioFifo()
        fifo.write(frame)
        for piece in fifo.read_many(size, partial=True):
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))


if __name__ == "__main__":
    main()
