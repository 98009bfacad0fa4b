"""How often strikes are tied to the right stations when tapping went wrong, and whether errors go untold.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/placing.py
    .venv/bin/python benchmarks/placing.py --seeds report --write

Panels are tapped in time only: rows, pace, jitter, pauses or marks are drawn, then one thing goes wrong, or
two or three (`DAMAGES`). The truth of each strike is known. Where the program asks how the strikes sounded,
because one row more was heard than planned, they are struck on a made-up panel of one of the ten builds and
heard. Twenty more panels go through sound, half of them counted aloud. Paces, pauses and the ways to lose
one's place: common practice, no source. The reporting seeds are for the table in docs/ only: nothing may be
tuned on them.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scenes import USUAL, Sound

from taptone.physics import hands, yard
from taptone.physics import scene as physics
from taptone.pipeline import hear, strikes
from taptone.pipeline.compare import shapes
from taptone.pipeline.place import place
from taptone.types import Panel, Place, Station

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "placing.md"
SEEDS = {
    "development": 90_000,
    "report": 760_000,
}  # 710 000 to 750 000 were looked at before the last changes
STRAY, MARK = -1, -2


@dataclass
class Strike:
    """One strike: how long after the one before, for which station, whether heard as a bounce, a new file."""

    gap_s: float
    station: int
    row: int
    bounce: bool = False
    new_file: bool = False


@dataclass
class Tapping:
    """A panel as it was tapped, and what went wrong; `again`: strikes of a row tapped again."""

    panel: Panel
    strikes: list[Strike]
    damages: list[str] = field(default_factory=list)
    damaged: set[int] = field(default_factory=set)
    twice: set[int] = field(default_factory=set)
    again: dict[int, list[Strike]] = field(default_factory=dict)

    def row(self, r: int) -> list[int]:
        """Where the strikes of a row's stations are."""
        return [k for k, s in enumerate(self.strikes) if s.row == r and s.station >= 0]


# -- tapping --------------------------------------------------------------------------------------------


def board(rows: int, columns: int, each: int, *, marks: bool, every: int) -> Panel:
    """Rows A, B, C … of equal length, which is the hardest to tell."""
    stations = tuple(
        Station(f"{chr(65 + r)}{c + 1}", c / 10, r / 10, r) for r in range(rows) for c in range(columns)
    )
    outline = ((-0.1, -0.1), (columns / 10, -0.1), (columns / 10, rows / 10), (-0.1, rows / 10))
    return Panel(
        *("blade", "port", "outside", "foam", "top of stock", outline, stations),
        taps_per_station=each,
        row_marks=marks,
        mark_every=every,
    )


def tapped(rng: np.random.Generator, way: str) -> Tapping:
    """Tap a panel as planned: 0.7 to 1.4 s a station, 12 % jitter, pauses of 2.5 to 5 s or marks."""
    rows, columns, each = int(rng.integers(3, 11)), int(rng.integers(6, 17)), int(rng.integers(1, 4))
    panel = board(rows, columns, each, marks=way != "pauses", every=5 if way == "marks every 5" else 0)
    base = rng.uniform(0.7, 1.4)
    within = base * rng.uniform(0.35, 0.8)
    out: list[Strike] = []
    for r in range(rows):
        for c in range(columns):
            for k in range(each):
                gap = (within if k else base) * max(0.4, 1 + 0.12 * rng.standard_normal())
                first = c == k == 0
                out.append(Strike(rng.uniform(2.5, 5.0) if first else gap, r * columns + c, r))
            if panel.row_marks and (
                c == columns - 1 or (panel.mark_every and (c + 1) % panel.mark_every == 0)
            ):
                out += mark(rng, r, base)
                rest = rng.uniform(1.6, 4.0)
                if c < columns - 1:
                    out.append(Strike(rest, -9, r))  # makes the next gap a rest
    return Tapping(panel, rested(out))


def mark(rng: np.random.Generator, row: int, base: float) -> list[Strike]:
    """Two quick strikes; the second may be heard as a bounce."""
    quick_s = rng.uniform(0.12, 0.20)
    return [
        Strike(base * rng.uniform(0.6, 1.2), MARK, row),
        Strike(quick_s, MARK, row, bounce=bool(quick_s < 0.13)),
    ]


def rested(strikes: list[Strike]) -> list[Strike]:
    """Put the rests after marks into the gap of the strike that follows."""
    out: list[Strike] = []
    rest = 0.0
    for strike in strikes:
        if strike.station == -9:
            rest = strike.gap_s
        else:
            out.append(replace(strike, gap_s=max(strike.gap_s, rest)))
            rest = 0.0
    return out


# -- what goes wrong ------------------------------------------------------------------------------------


def take_out(t: Tapping, k: int) -> None:
    """Take a strike away; the next comes when it would have come."""
    gone = t.strikes.pop(k)
    if k < len(t.strikes):
        t.strikes[k].gap_s += gone.gap_s
        t.strikes[k].new_file |= gone.new_file


def missed(t: Tapping, rng: np.random.Generator) -> None:
    """A strike was never made, or not heard."""
    r = some_row(t, rng)
    take_out(t, int(rng.choice(t.row(r))))
    t.damaged.add(r)


def extra(t: Tapping, rng: np.random.Generator) -> None:
    """A station was struck once too often; all that follows comes later."""
    r = some_row(t, rng)
    k = int(rng.choice(t.row(r)))
    t.strikes.insert(k + 1, Strike(t.strikes[k].gap_s and rng.uniform(0.35, 1.2), STRAY, r))
    t.damaged.add(r)


def bounced(t: Tapping, rng: np.random.Generator) -> None:
    """The hammer bounced; one bounce in five is taken for a strike."""
    r = some_row(t, rng)
    k = int(rng.choice(t.row(r)))
    gap_s, heard = rng.uniform(0.02, 0.1), bool(rng.random() < 0.8)
    if k + 1 < len(t.strikes):
        t.strikes[k + 1].gap_s = max(t.strikes[k + 1].gap_s - gap_s, 0.05)
    t.strikes.insert(k + 1, Strike(gap_s, STRAY, r, bounce=heard))
    if not heard:
        t.damaged.add(r)


def doubled(t: Tapping, rng: np.random.Generator) -> None:
    """A row was tapped twice, and nobody says so."""
    r = some_row(t, rng)
    own = [k for k, s in enumerate(t.strikes) if s.row == r]
    copy = [replace(t.strikes[k], new_file=False) for k in own]
    copy[0].gap_s = rng.uniform(2.5, 6.0)
    t.strikes[own[-1] + 1 : own[-1] + 1] = copy
    t.damaged.add(r)


def doubled_and_named(t: Tapping, rng: np.random.Generator) -> None:
    """A row was tapped wrongly or given up, tapped again at once, and named."""
    r = some_row(t, rng)
    if r in t.twice:
        return
    own = [k for k, s in enumerate(t.strikes) if s.row == r]
    copy = [replace(t.strikes[k], new_file=False) for k in own]
    copy[0].gap_s = rng.uniform(2.5, 6.0)
    t.strikes[own[-1] + 1 : own[-1] + 1] = copy
    for k in own:
        t.strikes[k].station = STRAY if t.strikes[k].station >= 0 else t.strikes[k].station
    wrong = [k for k in own if t.strikes[k].station == STRAY]
    if rng.random() < 0.5 and not t.panel.row_marks:
        for k in wrong[: len(wrong) // 3 : -1]:
            take_out(t, k)
    else:
        take_out(t, int(rng.choice(wrong)))
    t.twice.add(r)
    t.damaged.add(r)


def pause_misplaced(t: Tapping, rng: np.random.Generator) -> None:
    """A row's end (its pause or its mark) came up to four strikes too early or too late."""
    r = int(rng.integers(t.panel.stations[-1].row))
    by = int(rng.integers(1, 5)) * int(rng.choice([-1, 1]))
    if t.panel.row_marks:
        here = [k for k, s in enumerate(t.strikes) if s.row == r and s.station == MARK][-2:]
        if len(here) < 2:
            return
        two = [t.strikes.pop(here[0]) for _ in here]
        rest, usual = (t.strikes[here[0]].gap_s if here[0] < len(t.strikes) else 3.0), two[0].gap_s
        if here[0] < len(t.strikes):
            t.strikes[here[0]].gap_s = usual
        at = int(np.clip(here[0] + by, 1, len(t.strikes) - 1))
        t.strikes[at].gap_s = rest
        t.strikes[at:at] = two
    else:
        k = t.row(r + 1)[0] if t.row(r + 1) else -1
        if not 0 < k + by < len(t.strikes) or k < 0:
            return
        a, b = t.strikes[k], t.strikes[k + by]
        a.gap_s, b.gap_s = b.gap_s, a.gap_s
    t.damaged |= {r, r + 1}


def file_cut(t: Tapping, rng: np.random.Generator) -> None:
    """A call ended the recording; some strikes were lost, then the row went on in the next recording."""
    k = int(rng.integers(1, len(t.strikes) - 1))
    lost = int(rng.choice([0, 0, 1, 2, 3, 5, 8, 12]))
    gone = t.strikes[k : k + lost]
    t.damaged |= {s.row for s in (t.strikes[k - 1], *gone)} | {t.strikes[min(k, len(t.strikes) - 1)].row}
    del t.strikes[k : k + lost]
    if k < len(t.strikes):
        t.strikes[k].new_file = True
        t.damaged.add(t.strikes[k].row)


def begun_anew(t: Tapping, rng: np.random.Generator) -> None:
    """A call ended the recording within a row; it was tapped anew from its start in the next one."""
    r = some_row(t, rng)
    own = [k for k, s in enumerate(t.strikes) if s.row == r]
    k = int(rng.choice(own[1:]))
    copy = [replace(t.strikes[n]) for n in own if n < k]
    for n in own:
        if n < k and t.strikes[n].station >= 0:
            t.strikes[n].station = STRAY
    copy[0].new_file = True
    t.strikes[k:k] = copy
    t.damaged.add(r)


def row_again(t: Tapping, rng: np.random.Generator) -> None:
    """A row that went wrong was tapped again in a recording of its own, and named."""
    r = some_row(t, rng)
    if r in t.again:
        return
    t.again[r] = [replace(s, new_file=False) for s in t.strikes if s.row == r]
    for s in t.strikes:
        if s.row == r and s.station >= 0:
            s.station = STRAY
    own = [k for k, s in enumerate(t.strikes) if s.row == r and s.station == STRAY]
    take_out(t, int(rng.choice(own)))
    t.damaged.add(r)


def some_row(t: Tapping, rng: np.random.Generator) -> int:
    """A row of which there is still something to spoil."""
    return int(rng.choice([r for r in range(t.panel.stations[-1].row + 1) if len(t.row(r)) > 2]))


DAMAGES: dict[str, Callable[[Tapping, np.random.Generator], None]] = {
    "missed": missed,
    "extra": extra,
    "bounced": bounced,
    "row doubled": doubled,
    "row doubled, named": doubled_and_named,
    "pause or mark misplaced": pause_misplaced,
    "recording cut": file_cut,
    "cut, row begun anew": begun_anew,
    "row again": row_again,
}
WAYS = ("pauses", "marks", "marks every 5")


# -- what came of it ------------------------------------------------------------------------------------


@dataclass
class Outcome:
    """Of one panel: undamaged rows, those tied; stations tied wrongly without a flag, by whether it shows."""

    way: str
    damages: tuple[str, ...]
    whole: int
    tied: int
    untold: int
    unheard: int
    flagged: int


def heard(strikes: list[Strike]) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]:
    """File and time of strikes, and which were heard as bounces."""
    file = np.cumsum([s.new_file for s in strikes]).astype(int)
    return file, np.cumsum([s.gap_s for s in strikes]), np.array([s.bounce for s in strikes], bool)


def tie(panel: Panel, own: list[Strike], twice: set[int], seed: int = 0) -> list[tuple[Place, list[int]]]:
    """Places of a panel, and the true stations of their strikes."""
    file, time_s, bounce = heard(own)
    kept = np.flatnonzero(~bounce)
    spots, _ = place(
        *(file[kept], time_s[kept], panel),
        bounces=np.column_stack([file[bounce], time_s[bounce]]),
        twice=twice,
        shape=lambda: sounding(panel, [own[k] for k in kept], seed),
    )
    return [(spot, [own[kept[k]].station for k in spot.taps]) for spot in spots]


def sounding(panel: Panel, own: list[Strike], seed: int) -> NDArray[np.float64]:
    """How strikes sound on a made-up panel, without a fault, which is the hardest to tell rows by."""
    rng, rate_hz = np.random.default_rng([seed, 5]), 48_000
    build, hammer = drawn(rng)
    scene = physics.Scene(build, hammer, snr_db=float(rng.choice([20, 30, 40])), seed=seed, spread=USUAL)
    columns = sum(s.row == panel.stations[0].row for s in panel.stations)
    xy = np.array([divmod(max(s.station, 0), columns)[::-1] for s in own]) / 10  # as on the board
    time_s = 1.0 + np.cumsum([min(s.gap_s, 1.0) for s in own])  # a pause makes no sound
    plan = physics.Schedule(
        *(time_s, xy, np.arange(len(own)), np.array([s.row for s in own])), ("tap",) * len(own)
    )
    made, told = physics.recording(scene, plan, rate_hz=rate_hz, rng=rng, clip_s=0.4)
    taps, _, _, _ = hear(Sound("rows.wav", made, rate_hz))
    when = np.array([tap.time_s for tap in taps])
    nearest = [int(np.abs(when - truth.sample / rate_hz).argmin()) for truth in told if truth.kind == "tap"]
    return shapes(np.array([taps[k].bands_db for k in nearest]))


def drawn(rng: np.random.Generator) -> tuple[physics.Build, physics.Hammer]:
    """One of the builds, and a hammer that suits it."""
    build = physics.BUILDS[str(rng.choice(list(physics.BUILDS)))]
    hammers = [n for n, h in physics.HAMMERS.items() if build.skin_m >= 2.5e-3 or h.mass_kg < 0.1]
    return build, physics.HAMMERS[str(rng.choice(hammers))]


def outcome(t: Tapping, way: str, seed: int) -> Outcome:
    """Tie what was heard, and hold it against the truth."""
    tied = tie(t.panel, t.strikes, t.twice, seed)
    for r, own in t.again.items():
        alone = replace(t.panel, stations=tuple(s for s in t.panel.stations if s.row == r))
        first = next(k for k, s in enumerate(t.panel.stations) if s.row == r)
        new = tie(alone, own, set(), seed)
        tied[first : first + len(new)] = [
            (replace(s, flags=(*s.flags, "row again")), truth) for s, truth in new
        ]
    untold = unheard = flagged = 0
    good: dict[int, bool] = {}
    for k, (spot, truth) in enumerate(tied):
        wrong = any(station != k for station in truth)
        r = spot.station.row
        good[r] = good.get(r, True) and bool(truth)
        told = set(spot.flags) - {"row again"}
        flagged += wrong and bool(told)
        if wrong and not told:
            unheard += keeps_count(t, r)
            untold += not keeps_count(t, r)
    whole = [r for r in good if r not in t.damaged]
    return Outcome(way, tuple(t.damages), len(whole), sum(good[r] for r in whole), untold, unheard, flagged)


def keeps_count(t: Tapping, r: int) -> bool:
    """Whether a row lost and won as many strikes, and nothing else happened to it: nobody can hear that."""
    own = [s for s in t.strikes if s.row == r and s.station != MARK and not s.bounce]
    planned = sum(s.row == r for s in t.panel.stations) * t.panel.taps_per_station
    strays = sum(s.station == STRAY for s in own)
    return len(own) == planned and strays > 0 and r not in t.twice | set(t.again)


def on_onsets(seed: int, *, many: bool) -> Outcome:
    """One panel, damaged once, or two or three times."""
    rng = np.random.default_rng([seed, many])
    way = str(rng.choice(WAYS, p=[0.6, 0.2, 0.2]))
    t = tapped(rng, way)
    for name in rng.choice(list(DAMAGES), int(rng.integers(2, 4)) if many else 1):
        DAMAGES[name](t, rng)
        t.damages.append(str(name))
    return outcome(t, way, seed)


# -- the story of the trade -----------------------------------------------------------------------------


def story(seed: int) -> str:
    """Four rows of 12, C one short, one extra in D; then C tapped again."""
    rng = np.random.default_rng(seed)
    t = tapped(rng, "pauses")
    t.panel = board(4, 12, 1, marks=False, every=0)
    t.strikes = [Strike(3.5 if k % 12 == 0 else rng.uniform(0.8, 1.1), k, k // 12) for k in range(48)]
    again = [replace(s) for s in t.strikes if s.row == 2]
    take_out(t, int(rng.choice(t.row(2))))
    k = int(rng.choice(t.row(3)[:-1]))
    t.strikes.insert(k + 1, Strike(0.5, STRAY, 3))
    said = []
    for name, rows in (("", {}), (", then C again", {2: again})):
        t.again = rows
        tied = tie(t.panel, t.strikes, set())
        if rows:
            alone = replace(t.panel, stations=t.panel.stations[24:36])
            tied[24:36] = tie(alone, again, set())
        words = []
        for r in range(4):
            own = tied[12 * r : 12 * r + 12]
            exact = all(truth == [12 * r + n] for n, (_, truth) in enumerate(own))
            words.append(f"{'ABCD'[r]} {'exact' if exact else ', '.join(own[0][0].flags)}")
        said.append(f"C one short, one extra in D{name}: {'; '.join(words)}")
    return "\n".join(f"- {line}" for line in said)


# -- through sound --------------------------------------------------------------------------------------


def through_sound(seed: int) -> Outcome:
    """Four rows of eight, one row in three spoilt, half of them counted aloud, a third with marks."""
    rng, rate_hz, columns = np.random.default_rng([seed, 3]), 44_100, 8
    way = "marks" if seed % 3 == 0 else "pauses"
    t = Tapping(board(4, columns, 1, marks=way == "marks", every=0), [])
    for r in range(4):
        for c in range(columns):
            gap_s = rng.uniform(2.5, 4.0) if c == 0 else rng.uniform(0.8, 1.2)
            t.strikes.append(Strike(gap_s, r * columns + c, r))
        if way == "marks":
            t.strikes += [replace(s, bounce=False) for s in mark(rng, r, 1.0)]
    for name in rng.choice(["missed", "extra"], int(rng.integers(0, 3))):
        DAMAGES[name](t, rng)
        t.damages.append(str(name))
    time_s = 1.0 + np.cumsum([s.gap_s for s in t.strikes])
    near = [max(s.station, 0) if s.station >= 0 else s.row * columns for s in t.strikes]
    xy = np.array([[0.05 + 0.1 * (k % columns), 0.05 + 0.1 * (k // columns)] for k in near])
    plan = physics.Schedule(
        *(time_s, xy, np.arange(len(near)), np.array([s.row for s in t.strikes])), ("tap",) * len(near)
    )
    build, hammer = drawn(rng)
    scene = physics.Scene(build, hammer, snr_db=30.0, seed=seed)
    made, told = physics.recording(scene, plan, rate_hz=rate_hz, rng=rng, clip_s=0.4)
    sound = np.asarray(made, float)
    if seed % 2:
        onsets = [truth.sample for truth in told if truth.kind != "bounce"]
        words, _ = hands.spoken_counting(len(sound), rate_hz, onsets, rng)
        sound = sound + yard.at_snr(sound, words, 15.0, rate_hz, onsets, while_sounding=True)
    taps, others, _, _ = hear(Sound("rows.wav", sound.astype(np.float32), rate_hz))
    first = strikes(taps)
    spots, _ = place(
        *(np.zeros(len(first), int), np.array([taps[k].time_s for k in first]), t.panel),
        faint=np.array(["faint" in taps[k].flags for k in first], bool),
        left_out=np.array([(0, o.time_s) for o in others if o.perhaps], float).reshape(-1, 2),
        bounces=np.array([(0, x.time_s) for x in taps if "bounce" in x.flags], float).reshape(-1, 2),
    )
    when = np.array([truth.sample / rate_hz for truth in told])
    good: dict[int, bool] = {}
    untold = unheard = flagged = 0
    for k, spot in enumerate(spots):
        near_by = [int(np.abs(when - taps[first[n]].time_s).argmin()) for n in spot.taps]
        late = [abs(when[n] - taps[first[i]].time_s) for n, i in zip(near_by, spot.taps, strict=True)]
        right = all(t.strikes[told[n].station].station == k for n in near_by) and max(late, default=0) < 0.01
        good[spot.station.row] = good.get(spot.station.row, True) and bool(spot.taps)
        flagged += not right and bool(spot.flags)
        unheard += not right and not spot.flags and keeps_count(t, spot.station.row)
        untold += not right and not spot.flags and not keeps_count(t, spot.station.row)
    whole = [r for r in good if r not in t.damaged]
    tied = sum(good[r] for r in whole)
    return Outcome(
        way, ("counted aloud",) if seed % 2 else ("quiet",), len(whole), tied, untold, unheard, flagged
    )


# -- the table ------------------------------------------------------------------------------------------


def line(name: str, some: list[Outcome]) -> str:
    """One row of the table."""
    whole, tied = sum(o.whole for o in some), sum(o.tied for o in some)
    share = f"{100 * tied / whole:.1f} %" if whole else ""
    cells = [
        len(some),
        whole,
        share,
        *(sum(getattr(o, n) for o in some) for n in ("untold", "unheard", "flagged")),
    ]
    return f"| {name} | " + " | ".join(map(str, cells)) + " |"


def table(once: list[Outcome], often: list[Outcome], sounds: list[Outcome]) -> str:
    """All rows of the table."""
    columns = ["panels", "undamaged rows", "of these tied", "untold", "cannot be heard", "flagged"]
    lines = ["| | " + " | ".join(columns) + " |", "|---" * 7 + "|"]
    for said, some in (("one mishap", once), ("two or three mishaps", often)):
        lines.append(line(f"**{said}**", some))
        named = [o for o in some if "row doubled" not in o.damages]
        lines.append(line(f"{said}, no row doubled without a word", named))
        if some is once:
            lines += [line(name, [o for o in some if name in o.damages]) for name in DAMAGES]
        lines += [line(f"{said}, {way}", [o for o in some if o.way == way]) for way in WAYS]
    lines += [
        line(f"**through sound**, {name}", [o for o in sounds if name in o.damages])
        for name in ("quiet", "counted aloud")
    ]
    return "\n".join(lines)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--panels", type=int, default=500)
    parser.add_argument("--sounds", type=int, default=20)
    parser.add_argument("--show", action="store_true", help="list the seeds with an untold error")
    parser.add_argument("--write", action="store_true", help="put the table into docs/placing.md")
    given = parser.parse_args()
    start = SEEDS[given.seeds]
    once, often = (
        [on_onsets(seed, many=many) for seed in range(start, start + given.panels)] for many in (False, True)
    )
    if given.show:
        for some in (once, often):
            print(*((start + k, o) for k, o in enumerate(some) if o.untold), sep="\n")
    sounds = [through_sound(seed) for seed in range(start, start + given.sounds)]
    text = f"{story(start)}\n\n{table(once, often, sounds)}"
    print(text)
    if given.write:
        parts = PAGE.read_text(encoding="utf-8").split("<!-- table -->")
        ends = [n for n, _ in pairwise([*parts, ""])]
        PAGE.write_text(f"<!-- table -->\n{text}\n<!-- table -->".join([ends[0], ends[-1]]), encoding="utf-8")


if __name__ == "__main__":
    main()
