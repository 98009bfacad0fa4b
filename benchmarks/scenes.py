"""The panels of the benchmark: what is built, what is wrong with it, how it is tapped and recorded.

A case is one panel with its reference; the same case gives the same sound. What is random about a panel
comes from its seed alone, so that the same panel can be asked for at other spreads of good laminate.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptone.physics import hands, recorder, yard
from taptone.physics import scene as physics
from taptone.survey.panel import parse_panel
from taptone.types import FloatArray, Panel, Recording

__all__ = ["POOR_REFERENCE", "SPREADS", "Case", "Made", "Sound", "cases", "make"]

RATE_HZ = 48000
FOLLOWED_S = 0.6  # of each tap
SPREADS = (
    "thickness sd 8 % over 0.3 m, skin modulus 8 %, core modulus 15 %, loss factor times or over 1.5 between "
    "places, strike speed times or over 2, tip hardness times or over 1.3, aim to ±15 mm, angle to 20°"
)
USUAL = physics.Spread(aim_sd_m=0.0075, angle_sd_deg=10.0)

PATCHES = (
    "round",
    "two apart",
    "long",
    "at the edge",
    "dead",
    "hollow above dead",
    "rattles",
    "blisters",
    "wet",
)
NOISES = ("20", "10", "5", "0")
SHEDS = ("0.5", "1.2", "2.0")
HANDS = (
    *("bounces", "missed and extra", "row again", "wrong direction", "spoken counting"),
    *("another tip half way", "microphone moved half way"),
)
REFERENCES = ("10 % poor places", "few places", "wrong construction", "wrong hammer")

#: Scenes whose reference is not what it is said to be: not counted where chances are checked.
POOR_REFERENCE = frozenset(f"reference: {what}" for what in REFERENCES) | {
    "hands: another tip half way",
    "hands: microphone moved half way",
}


@dataclass(frozen=True)
class Case:
    """One panel to be made."""

    index: int
    seed: int
    scene: str
    build: str
    fault: str = ""  # one of PATCHES or "a third bad"; empty: a clean panel
    declared: bool = True  # structure stands in the panel file
    spread: float = 1.0
    simulator: str = "first"
    peers: bool = True


class Sound:
    """Samples in memory that can be listened to like a file."""

    def __init__(self, name: str, samples: NDArray[np.float32], rate_hz: int) -> None:
        self.samples = samples
        self.recording = Recording(name=name, sha256="0" * 64, rate_hz=rate_hz, samples=len(samples))

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Yield a second at a time."""
        for start in range(0, len(self.samples), self.recording.rate_hz):
            yield self.samples[start : start + self.recording.rate_hz]


@dataclass(frozen=True)
class Truth:
    """What is really at each station, where it was struck."""

    kind: tuple[str, ...]
    behind: tuple[str, ...]
    ratio: FloatArray
    rho: FloatArray
    radius_m: FloatArray
    to_edge_m: FloatArray


@dataclass(frozen=True)
class Made:
    """A panel and its reference, recorded, with the truth."""

    panel: Panel
    sound: Sound
    truth: Truth
    strikes_s: FloatArray  # every strike that sounded, bounces left out
    strike_station: NDArray[np.intp]
    station_strikes: tuple[tuple[int, ...], ...]  # first samples at each station
    reference_panel: Panel
    reference: Sound
    place_strikes: dict[str, tuple[int, ...]]

    def reference_strikes(self, labels: Sequence[str]) -> list[tuple[int, ...]]:
        """First samples of the places that a baseline holds."""
        return [self.place_strikes[label] for label in labels]


def cases(first_seed: int, *, quick: bool = False) -> list[Case]:
    """Every scene with faults and clean; a quarter of the panels again at half and at double spreads.

    Parameters
    ----------
    first_seed : int
        Seeds run on from here, 10 a panel.
    quick : bool, optional
        A few panels only.

    Returns
    -------
    list of Case
        In an order in which every part of the list holds something of everything.
    """
    wanted: list[tuple[str, str, bool, str]] = []  # scene, fault, declared, simulator
    wanted += [("quiet", fault, True, "first") for fault in PATCHES for _ in range(3)]
    wanted += [("structure not declared", fault, False, "first") for fault in PATCHES]
    wanted += [("a third bad", "a third bad", True, "first")] * 12
    for scene, n in (
        *((f"noise {snr} dB", 10) for snr in NOISES),
        *((f"shed {rt60} s", 8) for rt60 in SHEDS),
        *((f"recorder: {what}", 5) for what in recorder.ALTERATIONS),
        *((f"hands: {what}", 6) for what in HANDS),
        *((f"reference: {what}", 6) for what in REFERENCES),
        ("second simulator", 6),
    ):
        simulator = "second" if scene == "second simulator" else "first"
        choice = ("round", "dead") if simulator == "second" else PATCHES
        wanted += [(scene, choice[k % len(choice)], True, simulator) for k in range(n)]
    clean: list[tuple[str, str, bool, str]] = [("quiet", "", True, "first")] * 70
    clean += [("structure not declared", "", False, "first")] * 30
    for scene, n in (
        *((f"noise {snr} dB", 6) for snr in NOISES),
        *((f"shed {rt60} s", 6) for rt60 in SHEDS),
        *((f"recorder: {what}", 3) for what in recorder.ALTERATIONS),
        *((f"hands: {what}", 2) for what in HANDS),
        *((f"reference: {what}", 3) for what in REFERENCES),
        ("second simulator", 4),
    ):
        clean += [(scene, "", True, "second" if scene == "second simulator" else "first")] * n
    wanted += clean
    order = np.random.default_rng(0).permutation(len(wanted))
    builds = list(physics.BUILDS)
    made = []
    for k, n in enumerate(order):
        scene, fault, declared, simulator = wanted[n]
        build = builds[k % 3] if simulator == "second" else builds[k % len(builds)]
        made.append(Case(k, first_seed + 10 * k, scene, build, fault, declared, 1.0, simulator))
    again = [c for c in made if c.simulator == "first"][::4]
    for by in (0.5, 2.0):
        made += [replace(c, index=len(made) + k, spread=by) for k, c in enumerate(again)]
    # One more, so that 240 have faults; at the end, so that the others stay what they were.
    made.append(Case(len(made), first_seed + 10 * len(made), "quiet", "balsa deck", "round"))
    if quick:
        some = [
            c for c in made if c.scene in ("quiet", "noise 10 dB", "recorder: aac_64") and c.spread == 1.0
        ]
        return [replace(c, index=k) for k, c in enumerate(some[:8])]
    return made


# -- a panel --------------------------------------------------------------------------------------------


def make(case: Case) -> Made:
    """Make the sound of a panel and of its reference.

    Parameters
    ----------
    case : Case
        Which.

    Returns
    -------
    Made
        The same for the same case.
    """
    rng = np.random.default_rng([case.seed, 1])
    spacing_m = float(rng.choice([0.05, 0.075, 0.1]))
    columns, rows = int(rng.integers(8, 17)), int(rng.integers(8, 13))
    width_m, height_m = columns * spacing_m, rows * spacing_m
    built = _built(case, rng, width_m, height_m)
    built = _faulty(case, built, rng, width_m, height_m, spacing_m)
    text = _panel_text(width_m, height_m, spacing_m, 1, built if case.declared else None)
    panel = parse_panel(text, source="panel.toml")
    good = _reference_scene(case, built, rng)
    each = 9 if case.scene == "reference: few places" else 20
    across = 3 if each == 9 else 5
    text = _panel_text(across * 0.1, each // across * 0.1, 0.1, 2, None)
    reference_panel = parse_panel(text, source="reference.toml")
    if case.scene == "reference: 10 % poor places":
        poor = [reference_panel.stations[k] for k in (4, 13)]
        good = replace(good, patches=tuple(physics.Patch(s.x_m, s.y_m, 0.045, "rings") for s in poor))
    sound, told = _recorded(case, good, reference_panel, [case.seed, 3], spoil=False)
    place_strikes = {
        s.label: tuple(_at(t, sound) for t in told if t.station == k and t.kind == "tap")
        for k, s in enumerate(reference_panel.stations)
    }
    recorded, truths = _recorded(case, built, panel, [case.seed, 2], spoil=True)
    first: dict[int, physics.TapTruth] = {}
    for t in truths:
        if t.kind in ("tap", "missed"):
            first.setdefault(t.station, t)
    here = [first[k] for k in range(len(panel.stations))]
    struck = sorted(
        (t for t in truths if t.kind in ("tap", "extra") and t.sample >= 0), key=lambda t: t.sample
    )
    return Made(
        panel=panel,
        sound=recorded,
        truth=Truth(
            kind=tuple(t.fault for t in here),
            behind=tuple(t.behind for t in here),
            ratio=np.array([t.ratio for t in here]),
            rho=np.array([t.rho for t in here]),
            radius_m=np.array([t.radius_m for t in here]),
            to_edge_m=np.array([t.to_edge_m for t in here]),
        ),
        strikes_s=np.array([t.sample / RATE_HZ for t in struck]),
        strike_station=np.array([t.station for t in struck], int),
        station_strikes=tuple(
            tuple(_at(t, recorded) for t in truths if t.station == k and t.kind == "tap")[:1]
            for k in range(len(panel.stations))
        ),
        reference_panel=reference_panel,
        reference=sound,
        place_strikes=place_strikes,
    )


def _at(truth: physics.TapTruth, sound: Sound) -> int:
    """First sample of a tap at the rate that was delivered."""
    return round(truth.sample * sound.recording.rate_hz / RATE_HZ)


def _built(case: Case, rng: np.random.Generator, width_m: float, height_m: float) -> physics.Scene:
    """The panel before anything is wrong with it: build, hammer, place of the microphone, structure."""
    build = replace(
        physics.BUILDS[case.build],
        anisotropy=float(rng.uniform(1.0, 1.5)),
        curvature_1_m=float(rng.choice([0.0, 0.3, 0.8])),
        fixity=float(rng.uniform(0.0, 1.0)),
    )
    hammers = list(physics.HAMMERS)
    if build.skin_m < 2.5e-3:  # nobody takes a heavy hammer to a thin skin
        hammers = [name for name in hammers if physics.HAMMERS[name].mass_kg < 0.1]
    if case.simulator == "second":
        build, hammers = physics.BUILDS[case.build], ["60 g steel"]
    name = str(rng.choice(hammers))
    hammer = replace(physics.HAMMERS[name], ring_db=float(rng.uniform(-50.0, -30.0)))
    distance_m, moving_m = float(rng.uniform(0.3, 1.5)), float(rng.choice([0.0, 0.1]))
    damping = float(rng.choice([0.0, 0.0, 0.1]))
    kinds = [k for k in physics.BEHIND_KINDS if k != "armature"]
    wanted = int(rng.choice([0, 1, 2], p=[0.4, 0.4, 0.2]))
    if case.scene == "structure not declared":
        wanted = 2
    behind: list[physics.Behind] = []
    for kind in rng.choice(kinds, wanted, replace=False):
        behind += _behind(str(kind), rng, width_m, height_m)
    if case.build == "rudder":
        behind += physics.armature(width_m * 0.3, 0.0, height_m, tangs=2, tang_m=0.3 * width_m)
    if case.simulator == "second":
        behind = []
        hammer, distance_m, moving_m, damping = physics.HAMMERS[name], 0.5, 0.0, 0.0
    return physics.Scene(
        build,
        hammer,
        behind=tuple(behind),
        taper=physics.Taper(along_x=float(rng.choice([0.0, 0.0, 0.15, -0.15])), x_m=width_m / 2),
        spread=USUAL.scaled(case.spread),
        room=physics.Room() if not case.scene.startswith("shed") else None,
        snr_db=45.0 if not case.scene.startswith("noise") else None,
        distance_m=distance_m,
        seed=case.seed,
        hand_damping=damping,
        moving_m=moving_m,
        temperature_c=float(rng.uniform(12.0, 24.0)),
    )


def _behind(kind: str, rng: np.random.Generator, width_m: float, height_m: float) -> list[physics.Behind]:
    """Structure across the panel, or under a corner of it."""
    if kind in ("frame", "bulkhead", "thickness step"):
        x = float(rng.uniform(0.2, 0.8)) * width_m
        return [physics.Behind(kind, line=((x, 0.0), (x, height_m)), width_m=float(rng.uniform(0.04, 0.08)))]
    x, y = (float(rng.uniform(0.55, 0.75)) * side for side in (width_m, height_m))
    corner = ((x, y), (width_m, y), (width_m, height_m), (x, height_m))
    return [physics.Behind(kind, outline=corner)]


def _faulty(
    case: Case,
    built: physics.Scene,
    rng: np.random.Generator,
    width_m: float,
    height_m: float,
    spacing_m: float,
) -> physics.Scene:
    """The same panel with its faults, where stations can meet them."""
    reach = min(width_m, height_m)

    def place(radius_m: float) -> tuple[float, float]:
        x, y = (
            float(rng.uniform(min(radius_m, s / 2), max(s - radius_m, s / 2))) for s in (width_m, height_m)
        )
        return x, y

    def radius(low: float = 0.02, high: float = 0.15) -> float:
        """Evenly over the logarithm: small ones are the usual ones."""
        return min(float(np.exp(rng.uniform(math.log(low), math.log(high)))), 0.35 * reach)

    def station() -> tuple[float, float]:
        return (
            (int(rng.integers(1, round(width_m / spacing_m) - 1)) + 0.5) * spacing_m,
            (int(rng.integers(1, round(height_m / spacing_m) - 1)) + 0.5) * spacing_m,
        )

    patches: list[physics.Patch] = []
    wet: list[physics.WetZone] = []
    if case.fault in ("round", "dead", "hollow above dead", "rattles"):
        damping = "rings" if case.fault == "round" else case.fault
        r = radius(max(0.02, 0.6 * spacing_m))
        patches = [physics.Patch(*place(r), r, damping)]
    elif case.fault == "two apart":
        for left in (0.0, 0.5):
            r = min(radius(max(0.02, 0.6 * spacing_m)), 0.2 * width_m)
            x = float(rng.uniform(left * width_m + r, (left + 0.5) * width_m - r))
            patches.append(physics.Patch(x, place(r)[1], r, str(rng.choice(["rings", "dead"]))))
    elif case.fault == "long":
        r = min(float(rng.uniform(0.02, 0.05)), 0.2 * reach)
        length = min(float(rng.uniform(4.0, 8.0)) * r, 0.7 * reach)
        angle = float(rng.uniform(0.0, 180.0))
        patches = [physics.Patch(*place(length / 2), r, length_m=length, angle_deg=angle)]
    elif case.fault == "at the edge":
        r = radius(max(0.03, 0.6 * spacing_m))
        patches = [physics.Patch(0.3 * r, place(r)[1], r, str(rng.choice(["rings", "dead"])))]
    elif case.fault == "blisters":
        for _ in range(5):
            r, depth = float(rng.uniform(0.0075, 0.02)), float(rng.uniform(0.7e-3, 2e-3))
            patches.append(physics.Patch(*station(), r, depth_m=min(depth, 0.8 * built.build.skin_m)))
    elif case.fault == "wet":
        r = radius(max(0.05, spacing_m), 0.2)
        wet = [physics.WetZone(*place(r), r)]
    elif case.fault == "a third bad":
        area, aim = 0.0, 0.36 * width_m * height_m
        while area < aim:
            r = min(float(rng.uniform(0.08, 0.15)), 0.3 * reach)
            patches.append(physics.Patch(*place(0.5 * r), r, str(rng.choice(["rings", "dead"]))))
            area += math.pi * r**2
    return replace(built, patches=tuple(patches), wet=tuple(wet))


def _reference_scene(case: Case, built: physics.Scene, rng: np.random.Generator) -> physics.Scene:
    """Good laminate of the same build elsewhere on the boat."""
    build, hammer = built.build, built.hammer
    if case.scene == "reference: wrong construction":
        others = [b for b in physics.BUILDS.values() if b.name != case.build]
        build = others[int(rng.integers(len(others)))]
    if case.scene == "reference: wrong hammer":
        others = [h for h in physics.HAMMERS.values() if h.mass_kg != hammer.mass_kg]
        hammer = replace(others[int(rng.integers(len(others)))], ring_db=hammer.ring_db)
    return replace(
        built,
        build=build,
        hammer=hammer,
        patches=(),
        wet=(),
        behind=(),
        seed=case.seed + 5,
        taper=physics.Taper(),
    )


def _panel_text(
    width_m: float, height_m: float, spacing_m: float, taps: int, scene: physics.Scene | None
) -> str:
    corners = [[0.0, 0.0], [width_m, 0.0], [width_m, height_m], [0.0, height_m]]
    text = f"""
        name = "panel"
        boat = "Kettle"
        side = "port"
        face = "outside"
        construction = "as built"
        hammer = "as used"
        datum = "lower left corner"
        outline = {corners}
        [grid]
        spacing = {spacing_m}
        path = "serpentine rows"
        taps_per_station = {taps}
    """
    for table in physics.declared(scene) if scene else ():
        lines = [f"{key} = {_toml(value)}" for key, value in table.items()]
        text += "\n[[structure]]\n" + "\n".join([*lines, 'declared = "owner"', 'evidence = "drawing"']) + "\n"
    return text


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


# -- its recording --------------------------------------------------------------------------------------


def _recorded(
    case: Case, scene: physics.Scene, panel: Panel, seed: Sequence[int], *, spoil: bool
) -> tuple[Sound, list[physics.TapTruth]]:
    """Tap a panel in order and record it, with all that the scene adds."""
    rng = np.random.default_rng(seed)
    xy = [(s.x_m, s.y_m) for s in panel.stations]
    plan = physics.tapping_times(xy, [s.row for s in panel.stations], panel.taps_per_station, rng=rng)
    what = case.scene.partition(": ")[2]
    parts = [(scene, plan)]
    if spoil and case.scene.startswith("hands"):
        parts = _by_hand(what, scene, plan, rng)
    samples, truths = np.zeros(0, np.float32), []
    for part, some in parts:
        extra = {}
        if case.simulator == "second":
            from taptone.physics import fieldwise

            extra = {"listen": fieldwise.listen}
        sound, told = physics.recording(part, some, rate_hz=RATE_HZ, rng=rng, clip_s=FOLLOWED_S, **extra)
        truths += [_later(t, len(samples)) for t in told]
        samples = np.concatenate([samples, sound])
    onsets = np.array([t.sample for t in truths if t.sample >= 0 and t.kind != "bounce"])
    mixed = np.asarray(samples, float)
    if case.scene.startswith("shed"):
        mixed = yard.in_shed(mixed, yard.shed(float(case.scene.split()[1]), rng, RATE_HZ))
    if case.scene.startswith("noise"):
        names = [str(n) for n in rng.choice(list(yard.SOURCES), 3, replace=False)]
        noise = yard.mixed(len(mixed), RATE_HZ, rng, names=names)
        # Known-good places can be tapped when it is quieter: 10 dB better.
        snr_db = float(case.scene.split()[1]) + (0.0 if spoil else 10.0)
        mixed = mixed + yard.at_snr(mixed, noise, snr_db, RATE_HZ, onsets, while_sounding=True)
    if what == "spoken counting" and spoil:
        words, _ = hands.spoken_counting(len(mixed), RATE_HZ, onsets, rng)
        mixed = mixed + yard.at_snr(mixed, words, 10.0, RATE_HZ, onsets, while_sounding=True)
    rate_hz = RATE_HZ
    if case.scene.startswith("recorder"):
        mixed, rate_hz = recorder.ALTERATIONS[what](mixed, RATE_HZ, rng)
    elif (loudest := float(np.abs(mixed).max(initial=0.0))) > 0.9:
        mixed = mixed * (0.9 / loudest)
    return Sound("panel.wav", np.asarray(mixed, np.float32), rate_hz), truths


def _by_hand(
    what: str, scene: physics.Scene, plan: physics.Schedule, rng: np.random.Generator
) -> list[tuple[physics.Scene, physics.Schedule]]:
    """What a hand does wrong; a tip or a place of the microphone that changes makes two recordings of one."""
    if what == "bounces":
        return [(replace(scene, bounce_chance=0.05, loose_bounce_chance=0.3), plan)]
    if what == "missed and extra":
        return [(scene, physics.damaged(plan, rng=rng, kinds=("missed", "extra")))]
    if what == "row again":
        return [(scene, hands.row_again(plan, rng)[0])]
    if what == "wrong direction":
        return [(scene, hands.wrong_direction(plan, rng)[0])]
    if what == "another tip half way":
        done = hands.another_tip_half_way(plan, rng)
        others = [h for h in physics.HAMMERS.values() if h.tip_modulus_pa != scene.hammer.tip_modulus_pa]
        other = others[int(rng.integers(len(others)))]
        changed = replace(
            scene, hammer=replace(other, mass_kg=scene.hammer.mass_kg, ring_db=scene.hammer.ring_db)
        )
        return _halves(plan, done.first, scene, changed)
    if what == "microphone moved half way":
        done = hands.microphone_moved_half_way(plan, rng)
        away = float(rng.uniform(0.3, 1.5))
        return _halves(plan, done.first, scene, replace(scene, distance_m=away))
    return [(scene, plan)]


def _halves(
    plan: physics.Schedule, first: int, one: physics.Scene, two: physics.Scene
) -> list[tuple[physics.Scene, physics.Schedule]]:
    def part(which: slice, from_s: float) -> physics.Schedule:
        return physics.Schedule(
            plan.times_s[which] - from_s,
            plan.xy[which],
            plan.station[which],
            plan.row[which],
            plan.kind[which],
        )

    # The first half ends half a second after its last tap (as `recording` has it); the gap must stay a gap.
    begins = float(plan.times_s[first - 1]) + FOLLOWED_S + 0.5
    later = part(slice(first, None), min(begins, float(plan.times_s[first]) - 0.05))
    return [(one, part(slice(0, first), 0.0)), (two, later)]


def _later(truth: physics.TapTruth, by: int) -> physics.TapTruth:
    return replace(truth, sample=truth.sample + by) if truth.sample >= 0 else truth
