"""Tables and pictures from what became of the panels.

Every interval holds 95 % of draws of the panels with replacement. A loose station that was not assessed
counts as missed; the ranking figures look at assessed stations off declared structure only, for all methods
alike.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import peers
import scenes
from numpy.typing import NDArray

from taptone.evaluation import verdicts
from taptone.pipeline.judge import CHARACTERS

if TYPE_CHECKING:
    from accuracy import Found

DRAWS = 100
START, END = "<!-- tables: written by benchmarks/accuracy.py -->", "<!-- end of tables -->"
SAME_PANEL = ("noise 20 dB", "noise 5 dB")
RATIOS = (0.0, 0.1, 0.2, 0.35, 0.5, 0.7, 1.0)
RHOS = (0.0, 0.3, 0.6, 0.8, 1.0)
RADII_MM = (0.0, 22.0, 40.0, 75.0, 150.0, 1000.0)


# -- figures --------------------------------------------------------------------------------------------


def told(found: Iterable[Found]) -> list[Found]:
    """Those that got a log at all."""
    return [f for f in found if not f.refused]


def pooled(found: Sequence[Found], name: str) -> NDArray[Any]:
    parts = [getattr(f, name) for f in found]
    return np.concatenate(parts) if parts else np.zeros(0)


def flagged(f: Found) -> NDArray[np.bool_]:
    return np.asarray(f.verdict == "suspect")


def every_station(f: Found) -> NDArray[np.bool_]:
    return np.ones(len(f.verdict), bool)


def off_declared(f: Found) -> NDArray[np.bool_]:
    """Stations with no declared structure under them, of which only taptone is told."""
    return np.array([not (f.case.declared and behind) for behind in f.behind], bool)


def share(
    metric: Callable[[NDArray[np.bool_], NDArray[np.bool_]], float],
    where: Callable[[Found], NDArray[np.bool_]] = every_station,
) -> Callable[[Sequence[Found]], float]:
    """A metric of flags over good and loose stations of all panels together."""

    def over(found: Sequence[Found]) -> float:
        if not found:
            return math.nan
        counted = [(f.good | f.loose) & where(f) for f in found]
        truth = np.concatenate([f.loose[c] for f, c in zip(found, counted, strict=True)])
        return metric(truth, np.concatenate([flagged(f)[c] for f, c in zip(found, counted, strict=True)]))

    return over


hits, false_flags = share(verdicts.hits), share(verdicts.false_flags)
hits_off = share(verdicts.hits, off_declared)


def not_assessed(found: Sequence[Found]) -> float:
    return verdicts.not_assessed(pooled(found, "chance"))


def any_flag(found: Sequence[Found]) -> float:
    return float(np.mean([bool((flagged(f) & f.good).any()) for f in found])) if found else math.nan


def taps_f(found: Sequence[Found]) -> float:
    true, heard, paired = (sum(f.strikes[k] for f in found) for k in range(3))
    return 2 * paired / (true + heard) if true + heard else math.nan


def ranking(
    metric: Callable[[NDArray[np.bool_], NDArray[np.float64]], float], name: str
) -> Callable[[Sequence[Found]], float]:
    """A ranking metric of one method over good and loose stations of all panels together."""

    kept: dict[int, tuple[NDArray[np.bool_], NDArray[np.float64]]] = {}

    def of(f: Found) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
        if id(f) not in kept:
            counted = ranked(f)
            kept[id(f)] = f.loose[counted], f.ranking[name][counted]
        return kept[id(f)]

    def over(found: Sequence[Found]) -> float:
        some = [of(f) for f in found if name in f.ranking]
        if not some:
            return math.nan
        return metric(np.concatenate([t for t, _ in some]), np.concatenate([s for _, s in some]))

    return over


def ranked(f: Found) -> NDArray[np.bool_]:
    """Stations that are ranked: good or loose, off declared structure."""
    return np.asarray((f.good | f.loose) & off_declared(f))


def below(cut: float) -> Callable[[Sequence[Found]], float]:
    """Share of good stations off structure whose chance_if_good lies below a cut."""

    kept: dict[int, NDArray[np.float64]] = {}

    def share(found: Sequence[Found]) -> float:
        for f in found:
            if id(f) not in kept:
                kept[id(f)] = _good_chance(f)
        chance = np.concatenate([kept[id(f)] for f in found]) if found else np.zeros(0)
        return float(np.mean(chance < cut)) if len(chance) else math.nan

    return share


def _good_chance(f: Found) -> NDArray[np.float64]:
    plain = np.array([not b for b in f.behind], bool)
    chance = f.chance[f.good & plain]
    return chance[np.isfinite(chance)]


def interval(
    found: Sequence[Found], figure: Callable[[Sequence[Found]], float]
) -> tuple[float, float, float]:
    """A figure over panels, and where 95 % of it lies when the panels are drawn anew."""
    value = figure(found)
    if len(found) < 2 or math.isnan(value):
        return value, math.nan, math.nan
    rng = np.random.default_rng(0)
    drawn = [figure([found[k] for k in rng.integers(0, len(found), len(found))]) for _ in range(DRAWS)]
    if np.isnan(drawn).all():
        return value, math.nan, math.nan
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    return value, float(low), float(high)


# -- as text --------------------------------------------------------------------------------------------


def in_short(f: Found) -> str:
    """One line on one panel."""
    head = f"{f.case.scene}, {f.case.build}, {f.case.fault or 'clean'}"
    if f.refused:
        return f"{head}: {f.refused}"
    return (
        f"{head}: hits {hits([f]):.2f}, false {false_flags([f]):.3f}, not assessed {not_assessed([f]):.2f}, "
        f"taps {taps_f([f]):.3f}"
    )


def percent(values: tuple[float, float, float], digits: int = 1) -> str:
    if math.isnan(values[0]):
        return "–"
    value, low, high = (f"{100 * v:.{digits}f}" for v in values)
    return f"{value}" if math.isnan(values[1]) else f"{value} ({low} to {high})"


def three(values: tuple[float, float, float]) -> str:
    if math.isnan(values[0]):
        return "–"
    return (
        f"{values[0]:.3f}"
        if math.isnan(values[1])
        else f"{values[0]:.3f} ({values[1]:.3f} to {values[2]:.3f})"
    )


def four(values: tuple[float, float, float]) -> str:
    if math.isnan(values[0]):
        return "–"
    value, low, high = (f"{v:.4f}" for v in values)
    return value if math.isnan(values[1]) else f"{value} ({low} to {high})"


def rows_of(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    lines = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
    return lines + [f"| {' | '.join(row)} |" for row in rows]


def tables(found: Sequence[Found], said: str, spread: float = 1.0, *, louder: Sequence[Found] = ()) -> str:
    """All tables at one spread as markdown; `louder` holds some of the panels again in more noise."""
    usual = [f for f in found if f.case.spread == spread]
    first = [f for f in told(usual) if f.case.simulator == "first"]
    faulty = [f for f in first if f.case.fault]
    clean = [f for f in first if not f.case.fault]
    stations = sum(len(f.verdict) for f in first)
    text = [
        f"{len(usual)} panels ({sum(bool(f.case.fault) for f in usual)} with faults), {said}. {stations} "
        f"stations at {spread:g} times these spreads: {scenes.SPREADS}. Intervals hold 95 % of draws of the "
        "panels.",
        "",
        "### Taps, scene by scene",
        "",
        *rows_of(
            (
                "scene",
                "panels",
                "refused",
                "taps F",
                "onset error ms, median",
                "95th",
                "wrong stations unmarked",
            ),
            [tap_row(*part) for part in scenes_of(usual)],
        ),
        "",
        "### Verdicts, scene by scene",
        "",
        *rows_of(
            (
                *("scene", "stations", "loose", "hits %", "loose off declared structure", "hits there %"),
                *("false flags %", "not assessed %"),
            ),
            [verdict_row(*part) for part in scenes_of(usual)],
        ),
        "",
        "### Ranking and chance, scene by scene",
        "",
        *rows_of(
            (
                *("scene", "AUC", "average precision", "hits at 1 % false flags, %", "best peer there, %"),
                *("good stations off structure below 0.1, %", "below 0.05", "below 0.01"),
            ),
            [rank_row(*part) for part in scenes_of(usual)],
        ),
        "",
        "All peers scene by scene are in [accuracy-peers.md](accuracy-peers.md), all tables at half and "
        "double spreads in [accuracy-spreads.md](accuracy-spreads.md).",
        "",
        "### What was hit",
        "",
        *rows_of(("loose : bonded stiffness", "stations", "hits %"), by_bin(faulty, "ratio", RATIOS)),
        "",
        *rows_of(("r/a", "stations", "hits %"), by_bin(faulty, "rho", RHOS)),
        "",
        *rows_of(("radius, mm", "stations", "hits %"), by_bin(faulty, "radius_mm", RADII_MM)),
        "",
        *rows_of(
            ("fault", "stations", "hits %"),
            [
                (kind, str(n), percent(interval(faulty, kind_hits(kind))))
                for kind in sorted({k for f in faulty for k in f.kind if k})
                if (n := sum(k == kind for f in faulty for k in f.kind))
            ],
        ),
        "",
        "### Character",
        "",
        *character_table(first),
        "",
        "Suspects only; `none`: no character was printed. `good`: no fault there, a false flag.",
        *([] if not louder else ["", "### The same panels in more noise", "", *louder_table(found, louder)]),
        "",
        "### False flags",
        "",
        *rows_of(
            ("panels", "good stations", "false flags %", "panels with any flag %"),
            [
                (
                    name,
                    str(sum(int(f.good.sum()) for f in some)),
                    percent(interval(some, false_flags), 2),
                    percent(interval(some, any_flag)),
                )
                for name, some in (
                    ("clean, structure declared", [f for f in clean if f.case.declared]),
                    ("clean, structure not declared", [f for f in clean if not f.case.declared]),
                    ("with faults, structure declared", [f for f in faulty if f.case.declared]),
                    ("with faults, structure not declared", [f for f in faulty if not f.case.declared]),
                    ("a third bad", [f for f in faulty if f.case.scene == "a third bad"]),
                )
            ],
        ),
        "",
        *rows_of(
            ("what lies behind, not declared", "good stations", "false flags %"),
            [
                (kind, str(n), percent(interval(first, behind_flags(kind)), 2))
                for kind in sorted({b for f in first for b in f.behind if b})
                if (
                    n := sum(
                        b == kind and g
                        for f in first
                        if not f.case.declared
                        for b, g in zip(f.behind, f.good, strict=True)
                    )
                )
            ],
        ),
        "",
        "### Chance checked",
        "",
        *rows_of(
            ("good stations off structure with `chance_if_good` below", "found %", "5 to 95 % of references"),
            [
                (f"{cut:g}", percent(interval(calm(first), below(cut))), reference_range(calm(first), cut))
                for cut in (0.1, 0.05, 0.01)
            ],
        ),
        "",
        f"Over the {len(calm(first))} panels whose reference is whole and of the right construction and "
        "hammer.",
        "",
        "### Beside plain methods",
        "",
        *peer_table(first),
        "",
        *spread_table(found),
    ]
    return "\n".join(text)


def names(found: Iterable[Found]) -> list[str]:
    return list(dict.fromkeys(f.case.scene for f in found))


def calm(found: Sequence[Found]) -> list[Found]:
    """Panels with a whole reference of their own construction and hammer."""
    return [f for f in found if f.case.scene not in scenes.POOR_REFERENCE]


def spread_page(found: Sequence[Found], said: str) -> str:
    """All tables at half and at double spreads."""
    parts = [f"## {by:g} times the usual spreads\n\n{tables(found, said, by)}\n" for by in (0.5, 2.0)]
    head = "The tables of [accuracy.md](accuracy.md) on a quarter of the panels (`benchmarks/accuracy.py`)."
    return "\n".join(["# With better and with worse laminate", "", head, "", *parts])


def best_peer(found: Sequence[Found]) -> tuple[str, float]:
    methods = sorted({name for f in found for name in f.ranking if name != peers.OURS})
    scored = [(ranking(verdicts.hits_at_false_flags, name)(found), name) for name in methods]
    scored = [(value, name) for value, name in scored if not math.isnan(value)]
    return (max(scored)[1], max(scored)[0]) if scored else ("", math.nan)


def scenes_of(found: Sequence[Found]) -> list[tuple[str, list[Found]]]:
    """Every scene with its panels, and all of the first simulator together."""
    parts = [(name, [f for f in found if f.case.scene == name]) for name in sorted(names(found))]
    return [*parts, ("**all, first simulator**", [f for f in found if f.case.simulator == "first"])]


def tap_row(name: str, every: Sequence[Found]) -> list[str]:
    some = told(every)
    return [
        name,
        str(len(every)),
        str(len(every) - len(some)),
        four(interval(some, taps_f)),
        three(interval(some, onset_error(50))),
        three(interval(some, onset_error(95))),
        str(sum(f.wrong for f in some)),
    ]


def verdict_row(name: str, every: Sequence[Found]) -> list[str]:
    some = told(every)
    faulty = [f for f in some if f.case.fault]
    return [
        name,
        str(sum(len(f.verdict) for f in some)),
        str(sum(int(f.loose.sum()) for f in some)),
        percent(interval(faulty, hits)),
        str(sum(int((f.loose & off_declared(f)).sum()) for f in some)),
        percent(interval(faulty, hits_off)),
        percent(interval(some, false_flags), 2),
        percent(interval(some, not_assessed)),
    ]


def rank_row(name: str, every: Sequence[Found]) -> list[str]:
    some = told(every)
    peer, best = best_peer(some)
    return [
        name,
        three(interval(some, ranking(verdicts.auc, peers.OURS))),
        three(interval(some, ranking(verdicts.average_precision, peers.OURS))),
        percent(interval(some, ranking(verdicts.hits_at_false_flags, peers.OURS))),
        f"{100 * best:.1f}, {peer}" if peer else "–",
        *(percent(interval(some, below(cut))) for cut in (0.1, 0.05, 0.01)),
    ]


def onset_error(share: float) -> Callable[[Sequence[Found]], float]:
    def over(found: Sequence[Found]) -> float:
        errors = np.abs(pooled(found, "errors_ms"))
        return float(np.percentile(errors, share)) if len(errors) else math.nan

    return over


def peer_page(found: Sequence[Found], said: str) -> str:
    """Every method in every scene."""
    usual = [f for f in found if f.case.spread == 1.0]
    methods = sorted({name for f in usual for name in f.ranking}, key=lambda n: (n != peers.OURS, n))
    text = [
        "# Every method, scene by scene",
        "",
        "Written by `benchmarks/accuracy.py`; what the panels, the methods and the figures are stands in",
        f"[accuracy.md](accuracy.md). {said[0].upper()}{said[1:]}.",
    ]
    for title, metric, write in (
        ("AUC", verdicts.auc, three),
        ("Average precision", verdicts.average_precision, three),
        ("Hits at 1 % false flags, %", verdicts.hits_at_false_flags, percent),
    ):
        text += ["", f"## {title}", ""]
        text += rows_of(
            ("scene", *methods),
            [
                [name, *(write(interval(told(some), ranking(metric, method))) for method in methods)]
                for name, some in scenes_of(usual)
            ],
        )
    return "\n".join(text) + "\n"


def by_bin(found: Sequence[Found], what: str, edges: Sequence[float]) -> list[list[str]]:
    rows = []
    for low, high in pairwise(edges):
        n = sum(int(_inside(f, what, low, high).sum()) for f in found)
        share = percent(interval(found, binned(what, low, high))) if n else "–"
        rows.append([f"{low:g} to {high:g}", str(n), share])
    return rows


def binned(what: str, low: float, high: float) -> Callable[[Sequence[Found]], float]:
    return counted(lambda f: _inside(f, what, low, high))


def counted(where: Callable[[Found], NDArray[np.bool_]]) -> Callable[[Sequence[Found]], float]:
    """Share of some stations that were flagged."""
    kept: dict[int, tuple[int, int]] = {}

    def share(found: Sequence[Found]) -> float:
        for f in found:
            if id(f) not in kept:
                here = where(f)
                kept[id(f)] = int((flagged(f) & here).sum()), int(here.sum())
        n = sum(kept[id(f)][1] for f in found)
        return sum(kept[id(f)][0] for f in found) / n if n else math.nan

    return share


def _inside(f: Found, what: str, low: float, high: float) -> NDArray[np.bool_]:
    """Stations over loose skin (not wet zones, which are bonded) whose figure lies in a bin."""
    fault = np.array([bool(k) and k != "wet" for k in f.kind], bool)
    value = f.radius_m * 1000 if what == "radius_mm" else getattr(f, what)
    if what != "ratio":
        fault = fault & (f.ratio <= 0.5)
    return np.asarray(fault & (value >= low) & ((value < high) | (high == 1.0) & (value <= high)))


def kind_hits(kind: str) -> Callable[[Sequence[Found]], float]:
    return counted(lambda f: np.array([k == kind for k in f.kind], bool))


def character_table(found: Sequence[Found]) -> list[str]:
    """Printed character of suspects against what is really there."""
    kinds = sorted({k for f in found for k in f.kind if k})
    printed = (*CHARACTERS, "")
    rows = []
    for kind in (*kinds, ""):
        said = [
            str(c)
            for f in found
            for k, c, g, s in zip(f.kind, f.character, f.good, flagged(f), strict=True)
            if s and k == kind and (k or g)
        ]
        counts = [said.count(c) for c in printed]
        rows.append([kind or "good", str(len(said)), *map(str, counts)])
    return rows_of(("really there", "suspects", *(f"`{c}`" for c in CHARACTERS), "none"), rows)


def louder_table(found: Sequence[Found], louder: Sequence[Found]) -> list[str]:
    """What became of the same stations when the noise rose."""
    by_seed = {f.case.seed: f for f in found if f.case.scene == SAME_PANEL[0] and f.case.spread == 1.0}
    pairs = [(by_seed[f.case.seed], f) for f in louder if f.case.seed in by_seed]
    both = [(quiet, loud) for quiet, loud in pairs if not (quiet.refused or loud.refused)]

    def turned(one: str, two: str, which: Callable[[Found], NDArray[np.bool_]]) -> str:
        return str(sum(int(((q.verdict == one) & (v.verdict == two) & which(q)).sum()) for q, v in both))

    stations: tuple[tuple[str, Callable[[Found], NDArray[np.bool_]]], ...] = (
        ("loose", lambda f: f.loose),
        ("good", lambda f: f.good),
        ("all", lambda f: np.ones(len(f.verdict), bool)),
    )
    suspect, fine, unknown = "suspect", "no difference", "not assessed"
    changes = ((suspect, fine), (fine, suspect), (suspect, unknown), (fine, unknown))
    rows = []
    for name, which in stations:
        here = [sum(int(which(q).sum()) for q, _ in both)]
        here += [sum(int((f[k].verdict[which(f[0])] == unknown).sum()) for f in both) for k in (0, 1)]
        n, *silent = here
        share = [f"{100 * part / n:.1f}" if n else "–" for part in silent]
        rows.append([name, str(n), *(turned(*change, which) for change in changes), *share])
    refused = [sum(bool(pair[k].refused) for pair in pairs) for k in (0, 1)]
    gone = [q for q, v in pairs if v.refused and not q.refused]
    lost = sum(int(flagged(q).sum()) for q in gone), sum(len(q.verdict) for q in gone)
    return [
        *rows_of(
            (
                "stations",
                "number",
                *(f"{one} → {two}" for one, two in changes),
                "not assessed at 20 dB, %",
                "at 5 dB, %",
            ),
            rows,
        ),
        "",
        f"{len(pairs)} panels heard twice, the same blows and the same noises, 20 and 5 dB below the taps; "
        f"{refused[0]} refused at 20 dB, {refused[1]} at 5 dB; counted on the {len(both)} with a log of "
        f"both. {lost[0]} suspects among {lost[1]} stations lay on panels that got a log at 20 dB only.",
    ]


def behind_flags(kind: str) -> Callable[[Sequence[Found]], float]:
    """Share of good stations over undeclared structure that were flagged."""
    return counted(lambda f: f.good & np.array([b == kind and not f.case.declared for b in f.behind], bool))


def reference_range(found: Sequence[Found], cut: float) -> str:
    each = [float(np.mean(c < cut)) for f in found if len(c := _good_chance(f)) >= 30]
    low, high = np.percentile(each, [5, 95]) if each else (math.nan, math.nan)
    return f"{100 * low:.1f} to {100 * high:.1f}"


def peer_table(found: Sequence[Found]) -> list[str]:
    some = [f for f in found if f.ranking]
    methods = sorted({name for f in some for name in f.ranking})
    at_one = {name: ranking(verdicts.hits_at_false_flags, name) for name in methods}
    order = sorted(methods, key=lambda n: (n != peers.OURS, -at_one[n](some)))

    def ahead(name: str) -> Callable[[Sequence[Found]], float]:
        return lambda f: at_one[peers.OURS](f) - at_one[name](f)

    rows = [
        [
            name,
            three(interval(some, ranking(verdicts.auc, name))),
            three(interval(some, ranking(verdicts.average_precision, name))),
            percent(interval(some, at_one[name])),
            "" if name == peers.OURS else percent(interval(some, ahead(name))),
        ]
        for name in order
    ]
    head = ("ranked by", "AUC", "average precision", "hits at 1 % false flags, %", "taptone ahead by, points")
    return rows_of(head, rows)


def spread_table(found: Sequence[Found]) -> list[str]:
    """The same panels at other spreads of good laminate; nothing where none was made again."""
    spreads = sorted({f.case.spread for f in found} | {1.0})
    if spreads == [1.0]:
        return []
    head = (
        "spreads",
        "panels",
        "hits %",
        "false flags %",
        "AUC",
        "hits at 1 % false flags, %",
        "best peer, %",
    )
    return [
        "### Spreads of good laminate",
        "",
        *rows_of(head, [spread_row(found, by) for by in spreads]),
        "",
        "The row of 1 holds the same panels as the others, at the usual spreads.",
    ]


def spread_row(found: Sequence[Found], by: float) -> list[str]:
    wide = {f.case.seed for f in found if f.case.spread != 1.0}
    some = told(f for f in found if f.case.spread == by and f.case.seed in wide)
    _, best = best_peer(some)
    return [
        f"times {by:g}",
        str(len(some)),
        percent(interval([f for f in some if f.case.fault], hits)),
        percent(interval(some, false_flags), 2),
        three(interval(some, ranking(verdicts.auc, peers.OURS))),
        percent(interval(some, ranking(verdicts.hits_at_false_flags, peers.OURS))),
        "–" if math.isnan(best) else f"{100 * best:.1f}",
    ]


# -- as pictures ----------------------------------------------------------------------------------------


def write(text: str, found: Sequence[Found], said: str, docs: Path) -> None:
    """Put the tables into accuracy.md, the peers beside it, and draw the pictures."""
    (docs / "accuracy-peers.md").write_text(peer_page(found, said), encoding="utf-8")
    (docs / "accuracy-spreads.md").write_text(spread_page(found, said), encoding="utf-8")
    page = docs / "accuracy.md"
    before, _, rest = page.read_text(encoding="utf-8").partition(START)
    after = rest.partition(END)[2]
    page.write_text(f"{before}{START}\n\n{text}\n\n{END}{after}", encoding="utf-8")
    folder = docs / "pictures"
    folder.mkdir(exist_ok=True)
    first = [f for f in told(found) if f.case.spread == 1.0 and f.case.simulator == "first"]
    for name, draw in (("hits", draw_hits), ("calibration", draw_calibration), ("ranking", draw_ranking)):
        figure = draw(first)
        figure.savefig(folder / f"{name}.png", dpi=110, metadata={"Software": None})
    usual = [f for f in told(found) if f.case.spread == 1.0]
    for name in names(usual):
        some = [f for f in usual if f.case.scene == name]
        for panel in sorted(some, key=lambda f: not f.case.fault)[:1]:
            plain = re.sub(r"[^A-Za-z0-9.]+", "-", name)
            (folder / f"map-{plain}.png").write_bytes(map_of(panel.case))


def map_of(case: scenes.Case) -> bytes:
    """The map of one panel, as the program draws it, made smaller."""
    import io

    from PIL import Image

    from taptone.edges.analysing import analyse_sounds
    from taptone.edges.learning import learn_reference
    from taptone.edges.pictures import draw_map

    made = scenes.make(case)
    reference, _ = learn_reference(
        [made.reference],
        boat="Kettle",
        construction="as built",
        hammer="as used",
        panel=made.reference_panel,
    )
    result = analyse_sounds([made.sound], panel=made.panel, reference=reference)
    picture = Image.open(io.BytesIO(draw_map(result)["map.png"])).convert("L")
    picture.thumbnail((1000, 1000))
    file = io.BytesIO()
    picture.quantize(16).save(file, "PNG", optimize=True)
    return file.getvalue()


def _figure(width: float = 6.0, height: float = 4.2) -> tuple[Any, Any]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure, axes


def draw_hits(found: Sequence[Found]) -> Any:
    """Hit rate against the ratio of loose to bonded stiffness."""
    figure, axes = _figure()
    faulty = [f for f in found if f.case.fault]
    edges = np.linspace(0.0, 1.0, 11)
    for low, high in pairwise(edges):
        value, least, most = interval(faulty, binned("ratio", float(low), float(high)))
        if not math.isnan(value):
            middle = (low + high) / 2
            axes.plot([middle], [100 * value], "ko")
            axes.plot([middle, middle], [100 * least, 100 * most], "k-", lw=1)
    axes.set(
        xlabel="loose skin's stiffness over bonded skin's", ylabel="flagged, %", ylim=(-2, 102), xlim=(0, 1)
    )
    return figure


def draw_calibration(found: Sequence[Found]) -> Any:
    """Share of good stations below each chance."""
    figure, axes = _figure()
    cuts = np.logspace(-4, 0, 41)
    chance = np.concatenate([_good_chance(f) for f in calm(found)])
    axes.loglog(cuts, cuts, color="0.6", lw=1, label="as it should be")
    axes.loglog(cuts, [np.mean(chance <= c) for c in cuts], "k-", label="all panels")
    each = np.array(
        [[np.mean(c <= cut) for cut in cuts] for f in calm(found) if len(c := _good_chance(f)) >= 30]
    )
    low, high = np.percentile(each, [5, 95], axis=0)
    axes.fill_between(cuts, np.maximum(low, 1e-5), high, color="0.85", label="90 % of the references")
    axes.set(
        xlabel="chance_if_good", ylabel="share of good stations below it", xlim=(1e-4, 1), ylim=(1e-5, 1)
    )
    axes.legend(frameon=False)
    return figure


def draw_ranking(found: Sequence[Found]) -> Any:
    """Hits over false flags, beside the best of each kind of peer."""
    figure, axes = _figure()
    some = [f for f in found if f.ranking]
    methods = sorted({n for f in some for n in f.ranking if n != peers.OURS})
    best = sorted(methods, key=lambda n: -ranking(verdicts.hits_at_false_flags, n)(some))[:3]
    shown = [peers.OURS, *best, peers.TWO_LINES]
    for name, dashes in zip(dict.fromkeys(shown), ("-", "--", "-.", ":", (0, (1, 3))), strict=False):
        counted = [ranked(f) for f in some]
        truth = np.concatenate([f.loose[c] for f, c in zip(some, counted, strict=True)])
        score = np.concatenate([f.ranking[name][c] for f, c in zip(some, counted, strict=True)])
        held = np.isfinite(score)
        order = np.argsort(-score[held], kind="stable")
        true = np.cumsum(truth[held][order])
        false = np.cumsum(~truth[held][order])
        axes.semilogx(
            np.maximum(100 * false / false[-1], 0.01),
            100 * true / true[-1],
            color="k",
            ls=dashes,
            lw=1.2,
            label=name,
        )
    axes.set(xlabel="false flags, %", ylabel="hits, %", xlim=(0.01, 100), ylim=(0, 102))
    axes.legend(frameon=False, fontsize=7)
    return figure
