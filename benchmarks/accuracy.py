"""How often the program is right on panels whose truth is known, and how that compares with plain methods.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/accuracy.py --seeds development --quick
    .venv/bin/python benchmarks/accuracy.py --seeds report --write

Every panel is made up by ``taptone.physics.scene``, recorded, and goes the way of a real recording. The
reporting seeds are for the table in docs/accuracy.md only: nothing may be tuned on them.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: two processes share two cores
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import math
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.evaluation import onsets, verdicts
from taptone.physics import scene as physics
from taptone.pipeline.detect import detect
from taptone.pipeline.place import place
from taptone.survey.panel import parse_panel
from taptone.types import BAND_CENTRES_HZ, Panel, Recording, Reference, Result, Tap

RATE_HZ = 48000
SEEDS = {"development": 90_000, "report": 600_000}
PAGE = Path(__file__).parents[1] / "docs" / "accuracy.md"
START, END = "<!-- table: written by benchmarks/accuracy.py -->", "<!-- end of table -->"

LOOSE_RATIO = 0.5  # at or below this share of the bonded stiffness a station ought to be found
CLEAR_M = 0.015  # a good station lies at least this far outside every patch
FOLLOWED_S = 0.8  # of each tap; cut off sooner, its ring ends in a step that is heard as a tap of its own
DRAWS = 1000  # of panels, for the intervals


# -- what is tapped -------------------------------------------------------------------------------------


class Sound:
    """Samples in memory that can be listened to like a file."""

    def __init__(self, name: str, samples: NDArray[np.float32]) -> None:
        self.samples = samples
        self.recording = Recording(name=name, sha256="0" * 64, rate_hz=RATE_HZ, samples=len(samples))

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Yield a second at a time."""
        for start in range(0, len(self.samples), RATE_HZ):
            yield self.samples[start : start + RATE_HZ]


@dataclass(frozen=True)
class Case:
    """One panel to be made: its seed, how it is built, and what is wrong with it."""

    seed: int
    build: str
    damping: str = ""  # "rings" or "dead"; empty: a clean panel
    taper: bool = False

    @property
    def scene(self) -> physics.Scene:
        """The panel as it is."""
        rng = np.random.default_rng([self.seed, 1])
        patches = []
        for left in (0.15, 0.65) if self.damping else ():
            x, y, radius = rng.uniform(left, left + 0.4), rng.uniform(0.15, 0.75), rng.uniform(0.04, 0.12)
            patches.append(physics.Patch(float(x), float(y), float(radius), self.damping))
        taper = physics.Taper(along_x=0.15, x_m=0.6) if self.taper else physics.Taper()
        return physics.Scene(physics.BUILDS[self.build], patches=tuple(patches), taper=taper, seed=self.seed)


def planned(width_m: float, height_m: float, taps_per_station: int = 1) -> Panel:
    """A right-angled panel, tapped every 75 mm in serpentine rows."""
    corners = [[0.0, 0.0], [width_m, 0.0], [width_m, height_m], [0.0, height_m]]
    text = f"""
        name = "panel"
        boat = "Kettle"
        side = "port"
        face = "outside"
        construction = "sandwich"
        hammer = "60 g steel"
        datum = "lower left corner"
        outline = {corners}
        [grid]
        spacing = 0.075
        path = "serpentine rows"
        taps_per_station = {taps_per_station}
    """
    return parse_panel(text, source="panel.toml")


def tapped(
    scene: physics.Scene, panel: Panel, seed: Sequence[int], *, damage: bool = False
) -> tuple[Sound, list[physics.TapTruth]]:
    """Record the panel while it is tapped in order."""
    rng = np.random.default_rng(seed)
    xy = [(s.x_m, s.y_m) for s in panel.stations]
    rows = [s.row for s in panel.stations]
    plan = physics.tapping_times(xy, rows, panel.taps_per_station, rng=rng)
    if damage:
        plan = physics.damaged(plan, rng=rng)
    samples, truths = physics.recording(scene, plan, rate_hz=RATE_HZ, rng=rng, clip_s=FOLLOWED_S)
    return Sound("panel.wav", samples), truths


def learnt(case: Case) -> tuple[Reference, Sound, list[tuple[int, ...]]]:
    """20 good places of the same build elsewhere on the boat, two strikes each, and where they were heard."""
    good = physics.Scene(physics.BUILDS[case.build], seed=case.seed + 50)
    panel = planned(0.375, 0.3, taps_per_station=2)
    sound, truths = tapped(good, panel, [case.seed, 2])
    reference, _ = learn_reference(
        [sound],
        boat="Kettle",
        construction="sandwich",
        hammer="60 g steel",
        panel=panel,
    )
    held = [n for n, s in enumerate(panel.stations) if s.label in reference.labels]
    samples = {n: tuple(t.sample for t in truths if t.station == n and t.kind == "tap") for n in held}
    return reference, sound, [samples[n] for n in held]


# -- what is looked at ----------------------------------------------------------------------------------


@dataclass
class Found:
    """What became of one panel: a row a station that is loose enough or clearly good."""

    case: Case
    loose: NDArray[np.bool_]
    flagged: NDArray[np.bool_]
    chance: NDArray[np.float64]
    ranking: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    wrong: int = 0


def panel_found(case: Case) -> Found:
    """Record, learn, analyse, and hold the verdicts against the truth."""
    reference, reference_sound, reference_samples = learnt(case)
    panel = planned(1.2, 0.9)
    sound, truths = tapped(case.scene, panel, [case.seed, 3])
    result = analyse_sounds([sound], panel=panel, reference=reference)
    truth = {t.station: t for t in truths if t.kind == "tap"}
    here = [truth[k] for k in range(len(panel.stations))]
    loose = np.array([t.ratio <= LOOSE_RATIO for t in here])
    good = np.array([t.to_edge_m >= CLEAR_M for t in here])
    counted = loose | good
    points = result.points
    chance = np.array([p.chance_if_good for p in points])
    found = Found(
        case,
        loose=loose[counted],
        flagged=np.array([p.verdict == "suspect" for p in points])[counted],
        chance=chance[counted],
        wrong=sum(
            bool(p.samples) and abs(p.samples[0] - t.sample) > onsets.WINDOW_S * RATE_HZ
            for p, t in zip(points, here, strict=True)
        ),
    )
    for name, score in rival_scores(
        reference, reference_sound, reference_samples, result, sound, [(t.sample,) for t in here]
    ).items():
        found.ranking[name] = np.where(np.isnan(chance), np.nan, score)[counted]
    return found


def heard_exactly(case: Case) -> dict[str, NDArray[np.float64]]:
    """Taps of a panel recorded in quiet: true and heard strikes and contacts, in s."""
    scene = physics.replace(case.scene, snr_db=None)
    sound, truths = tapped(scene, planned(0.9, 0.6), [case.seed, 4])
    taps = [t for t in detect(sound) if isinstance(t, Tap)]
    return {
        "true strikes": np.array([t.sample for t in truths if t.kind == "tap"]) / RATE_HZ,
        "heard strikes": np.array([t.time_s for t in taps if "bounce" not in t.flags]),
        "true contacts": np.array([t.sample for t in truths]) / RATE_HZ,
        "heard contacts": np.array([t.time_s for t in taps]),
    }


def rows_tied(case: Case) -> dict[str, int]:
    """Tie a panel of which 30 % of the rows are spoilt; count what went wrong without a mark."""
    panel = planned(0.9, 0.75)
    sound, truths = tapped(case.scene, panel, [case.seed, 5], damage=True)
    taps = [t for t in detect(sound) if isinstance(t, Tap)]
    first = [t for t in taps if "bounce" not in t.flags]
    spots, _ = place(np.zeros(len(first), int), np.array([t.time_s for t in first]), panel)
    struck = [t for t in truths if t.sample >= 0 and t.kind != "bounce"]
    at = np.array([t.sample for t in struck])
    count = {"stations": 0, "wrong": 0, "whole rows": 0, "whole rows tied": 0}
    for k, spot in enumerate(spots):
        if spot.reason or spot.flags:
            continue
        count["stations"] += 1
        for tap in spot.taps:
            nearest = int(np.argmin(np.abs(at - first[tap].sample)))
            off = abs(at[nearest] - first[tap].sample) > onsets.WINDOW_S * RATE_HZ
            count["wrong"] += bool(off or struck[nearest].station != k)
    bounced = {t.row for t in truths if t.kind == "bounce"}
    spoilt = {t.row for t in truths if t.kind in ("missed", "extra")} | bounced
    for row in {s.row for s in panel.stations} - spoilt:
        count["whole rows"] += 1
        count["whole rows tied"] += all(not spot.reason for spot in spots if spot.station.row == row)
    return count


# -- what others would make of it -----------------------------------------------------------------------

OWN_MEASURES = ("decay_ms", "decay_bend_db", "mode_decay_ms", "mode_hz", "centroid_hz")
OWN_MEASURES += ("bandwidth_hz", "balance_db", "contact_ms")
OURS, TWO_LINES = "taptone, chance_if_good", "two-line rule: largest robust z of decay and centroid"


def rival_scores(
    reference: Reference,
    reference_sound: Sound,
    reference_samples: Sequence[tuple[int, ...]],
    result: Result,
    sound: Sound,
    samples: Sequence[tuple[int, ...]],
) -> dict[str, NDArray[np.float64]]:
    """Score every station with each method, larger = more different, all learnt from the same places."""
    by_tap = {t.sample: t for t in result.taps}
    here = [by_tap[p.samples[0]].values if p.samples else {} for p in result.points]
    bands = [by_tap[p.samples[0]].bands_db if p.samples else () for p in result.points]
    features = {
        "librosa features": (
            librosa_features(reference_sound, reference_samples),
            librosa_features(sound, samples),
        ),
        "own measures": (table(reference.measures, OWN_MEASURES), table(here, OWN_MEASURES)),
        "own measures and bands": (
            np.hstack([table(reference.measures, OWN_MEASURES), shapes(reference.bands_db)]),
            np.hstack([table(here, OWN_MEASURES), shapes(padded(bands))]),
        ),
    }
    # No chance below 1e-6 is given: the score ranks those.
    scores = {OURS: -np.array([p.chance_if_good - 1e-9 * p.score for p in result.points])}
    for what, (known, new) in features.items():
        known, new = filled(known, known), filled(new, known)
        for name, model in rivals().items():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # 20 places are few for some of them, and they say so
                scores[f"{name}, {what}"] = -model.fit(known).score_samples(new)
    two = ("decay_ms", "centroid_hz")
    known, new = table(reference.measures, two), table(here, two)
    middle = np.nanmedian(known, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(known - middle), axis=0)
    scores[TWO_LINES] = np.max(np.abs((filled(new, known) - middle) / spread), axis=1)
    return scores


def rivals() -> dict[str, object]:
    """Default settings; features are scaled first, without which some of them would be worthless."""
    from sklearn.covariance import EllipticEnvelope
    from sklearn.ensemble import IsolationForest
    from sklearn.neighbors import LocalOutlierFactor
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler
    from sklearn.svm import OneClassSVM

    models = {
        "IsolationForest": IsolationForest(random_state=0),
        "EllipticEnvelope": EllipticEnvelope(random_state=0),
        "LocalOutlierFactor": LocalOutlierFactor(novelty=True),
        "OneClassSVM": OneClassSVM(),
    }
    return {name: make_pipeline(StandardScaler(), model) for name, model in models.items()}


def librosa_features(sound: Sound, samples: Sequence[tuple[int, ...]]) -> NDArray[np.float64]:
    """13 cepstral coefficients, centroid and fall of the level of each place's clips, their median."""
    import librosa

    length = round(0.25 * RATE_HZ)
    starts = [s for place in samples for s in place]
    clips = np.array([sound.samples[s : s + length] for s in starts], float)
    clips /= np.sqrt(np.mean(clips**2, axis=1, keepdims=True))  # people strike unevenly
    cepstra = librosa.feature.mfcc(y=clips, sr=RATE_HZ, n_mfcc=13).mean(axis=-1)
    centroid = librosa.feature.spectral_centroid(y=clips, sr=RATE_HZ).mean(axis=-1)
    level = librosa.feature.rms(y=clips, frame_length=1024, hop_length=256, center=False)[:, 0, :]
    level_db = 20.0 * np.log10(np.maximum(level, 1e-9))
    fall = np.polyfit(np.arange(level.shape[1]) * 256 / RATE_HZ, level_db.T, 1)[0]
    rows = np.column_stack([cepstra, centroid, fall])
    ends = np.cumsum([len(place) for place in samples])[:-1]
    return np.array([np.median(part, axis=0) for part in np.split(rows, ends)])


def table(values: Sequence[Mapping[str, float]], names: Sequence[str]) -> NDArray[np.float64]:
    return np.array([[row.get(name, math.nan) for name in names] for row in values])


def padded(bands: Sequence[tuple[float, ...]]) -> NDArray[np.float64]:
    return np.array([row or (math.nan,) * len(BAND_CENTRES_HZ) for row in bands])


def shapes(bands_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Third octaves from 200 Hz to 8 kHz about their mean."""
    levels = np.asarray(bands_db)[:, 3:20]
    rows = [row - np.nanmean(row) if np.isfinite(row).any() else row for row in levels]
    return np.array(rows)


def filled(rows: NDArray[np.float64], known: NDArray[np.float64]) -> NDArray[np.float64]:
    """What could not be measured is taken as usual: these methods know no missing values."""
    usual = np.array([np.nanmedian(c) if np.isfinite(c).any() else 0.0 for c in known.T])
    return np.where(np.isfinite(rows), rows, usual)


# -- the table ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    figure: str
    target: str
    value: str


def interval(
    cases: Sequence[Found], figure: Callable[[Sequence[Found]], float]
) -> tuple[float, float, float]:
    """A figure over panels, and where 95 % of it lies when the panels are drawn anew."""
    rng = np.random.default_rng(0)
    drawn = [figure([cases[k] for k in rng.integers(0, len(cases), len(cases))]) for _ in range(DRAWS)]
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    return figure(cases), float(low), float(high)


def joined(cases: Sequence[Found], name: str) -> NDArray[np.float64]:
    return np.concatenate([getattr(c, name) for c in cases])


def percent(values: tuple[float, float, float], digits: int = 1) -> str:
    value, low, high = (f"{100 * v:.{digits}f}" for v in values)
    return f"{value} % ({low} to {high})"


def hit_share(cases: Sequence[Found]) -> float:
    return verdicts.hits(joined(cases, "loose"), joined(cases, "flagged"))


def false_share(cases: Sequence[Found]) -> float:
    return verdicts.false_flags(joined(cases, "loose"), joined(cases, "flagged"))


def ranked(name: str) -> Callable[[Sequence[Found]], float]:
    def pooled(cases: Sequence[Found]) -> float:
        score = np.concatenate([c.ranking[name] for c in cases])
        return verdicts.hits_at_false_flags(joined(cases, "loose"), score)

    return pooled


def ranked_each(name: str) -> Callable[[Sequence[Found]], float]:
    def by_panel(cases: Sequence[Found]) -> float:
        each = [verdicts.hits_at_false_flags(c.loose, c.ranking[name]) for c in cases if c.loose.any()]
        return float(np.mean(each)) if each else math.nan

    return by_panel


def ahead(name: str) -> Callable[[Sequence[Found]], float]:
    return lambda cases: ranked(OURS)(cases) - ranked(name)(cases)


def tables(
    panels: Sequence[Found], exact: Sequence[dict[str, NDArray[np.float64]]], tied: Sequence[dict[str, int]]
) -> str:
    """All figures as markdown."""
    strikes_heard = pooled_onsets(exact, "strikes")
    contacts_heard = pooled_onsets(exact, "contacts")
    sums = {name: sum(t[name] for t in tied) for name in tied[0]}
    clean = [p for p in panels if not p.case.damping]
    patched = [p for p in panels if p.case.damping]
    rows = [
        Row(
            f"taps found in quiet, F-measure within 20 ms ({len(strikes_heard[0])} strikes)",
            "0.995",
            f"{onsets.f_measure(*strikes_heard)[0]:.4f}",
        ),
        Row(
            f"the same with every bounce as a contact of its own ({len(contacts_heard[0])})",
            "",
            f"{onsets.f_measure(*contacts_heard)[0]:.4f}",
        ),
        Row("onset error in quiet, median", "0.5 ms", f"{error(strikes_heard, 'median'):.3f} ms"),
        Row("onset error in quiet, 95th percentile", "2 ms", f"{error(strikes_heard, 'p95'):.3f} ms"),
        Row(
            f"30 % of rows spoilt: wrong stations without a mark, of {sums['stations']}",
            "0",
            str(sums["wrong"]),
        ),
        Row(
            f"30 % of rows spoilt: undamaged rows tied, of {sums['whole rows']}",
            "90 %",
            f"{100 * sums['whole rows tied'] / max(sums['whole rows'], 1):.1f} %",
        ),
        Row(
            f"suspects hit, local stiffness at most half ({int(joined(patched, 'loose').sum())} stations)",
            "95 %",
            percent(interval(patched, hit_share)),
        ),
    ]
    for damping in ("rings", "dead"):
        some = [p for p in patched if p.case.damping == damping]
        rows.append(Row(f"… where the loose skin {_SAID[damping]}", "", percent(interval(some, hit_share))))
    for build in physics.BUILDS:
        some = [p for p in patched if p.case.build == build]
        rows.append(Row(f"… {build}", "", percent(interval(some, hit_share))))
    for name, some, target in (
        ("clean panels", clean, "0.5 %"),
        ("… of them with an even thickness", [p for p in clean if not p.case.taper], ""),
        ("… of them with a thickness taper of 15 % a metre", [p for p in clean if p.case.taper], ""),
        ("panels with patches", patched, ""),
    ):
        good = int((~joined(some, "loose").astype(bool)).sum())
        rows.append(
            Row(
                f"false flags, {name} ({good} good stations)", target, percent(interval(some, false_share), 2)
            )
        )
    rows.append(
        Row(
            "not assessed, all panels",
            "",
            f"{100 * verdicts.not_assessed(joined(panels, 'chance')):.2f} %",
        )
    )
    rows.append(Row("stations of whole panels tied to another's tap", "0", str(sum(p.wrong for p in panels))))
    for cut in (0.1, 0.05, 0.01):
        value = interval(panels, below(cut))
        rows.append(
            Row(f"good stations with chance_if_good below {cut:g}", f"{100 * cut:g} %", percent(value))
        )
    text = ["| figure | target | found |", "|---|---|---|"]
    text += [f"| {r.figure} | {r.target} | {r.value} |" for r in rows]

    text += ["", "Hits at 1 % false flags, over all panels together:", ""]
    text += [
        "| ranked by | hits | taptone ahead by (points) | more? | with each panel's own cut |",
        "|---|---|---|---|---|",
    ]
    names = sorted(panels[0].ranking, key=lambda n: (n != OURS, -ranked(n)(panels)))
    for name in names:
        hit = percent(interval(panels, ranked(name)))
        each = percent(interval(panels, ranked_each(name)))
        lead = interval(panels, ahead(name))
        told = "" if name == OURS else " to ".join(f"{100 * v:.1f}" for v in lead[1:])
        more = "" if name == OURS else "yes" if lead[1] > 0 else "not surely" if lead[0] > 0 else "no"
        led = "" if name == OURS else f"{100 * lead[0]:.1f} ({told})"
        text.append(f"| {name} | {hit} | {led} | {more} | {each} |")
    return "\n".join(text)


_SAID = {"rings": "rings (air behind it)", "dead": "is dead (water or mush behind it)"}


def below(cut: float) -> Callable[[Sequence[Found]], float]:
    def share(cases: Sequence[Found]) -> float:
        chance = joined(cases, "chance")[~joined(cases, "loose").astype(bool)]
        return float(np.mean(chance[np.isfinite(chance)] < cut))

    return share


def pooled_onsets(
    exact: Sequence[dict[str, NDArray[np.float64]]], what: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """All recordings behind one another, 1000 s apart."""
    true = [e[f"true {what}"] + 1000.0 * k for k, e in enumerate(exact)]
    heard = [e[f"heard {what}"] + 1000.0 * k for k, e in enumerate(exact)]
    return np.concatenate(true), np.concatenate(heard)


def error(heard: tuple[NDArray[np.float64], NDArray[np.float64]], which: str) -> float:
    return onsets.evaluate(*heard)[f"error_{which}_ms"]


# -- the run --------------------------------------------------------------------------------------------


def cases(first_seed: int, *, quick: bool) -> list[Case]:
    """Half the panels clean, half with two patches; every build, both kinds of patch."""
    each = 1 if quick else 2
    made = []
    for build in physics.BUILDS:
        for damping in ("rings", "dead"):
            made += [(build, damping, False)] * each
        made += [(build, "", k % 2 == 1) for k in range(2 * each)]
    return [Case(first_seed + 100 * k, *one) for k, one in enumerate(made)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--quick", action="store_true", help="half the panels")
    parser.add_argument("--write", action="store_true", help="put the table into docs/accuracy.md")
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    begun = time.monotonic()
    todo = cases(SEEDS[chosen.seeds], quick=chosen.quick)
    parts: list[list] = []
    with ProcessPoolExecutor(chosen.processes) as pool:
        for what, work in (("panel", panel_found), ("quiet", heard_exactly), ("rows", rows_tied)):
            parts.append([])
            for k, (case, done) in enumerate(zip(todo, pool.map(work, todo), strict=True), start=1):
                parts[-1].append(done)
                took = time.monotonic() - begun
                print(f"{took:4.0f} s  {what} {k}/{len(todo)}  {case}{_short(done)}", file=sys.stderr)
    text = tables(*parts)
    text += f"\n\n{len(todo)} panels, {chosen.seeds} seeds from {SEEDS[chosen.seeds]}."
    print(text)
    print(f"{time.monotonic() - begun:.0f} s", file=sys.stderr)
    if chosen.write:
        before, _, rest = PAGE.read_text(encoding="utf-8").partition(START)
        after = rest.partition(END)[2]
        PAGE.write_text(f"{before}{START}\n\n{text}\n\n{END}{after}", encoding="utf-8")


def _short(done: object) -> str:
    if isinstance(done, Found):
        return f"  hits {hit_share([done]):.3f}  false {false_share([done]):.4f}"
    return f"  {done}" if isinstance(done, dict) and "wrong" in done else ""


if __name__ == "__main__":
    main()
