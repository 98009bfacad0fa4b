"""One station close up: its sound, how it dies, and its colour, beside its neighbours and the reference.

In black, white and greys only: what is the station, what a neighbour and what was expected is told by the
width and the dashes of a line. A level is never judged, so every strike is drawn at its own height.

Import this module late: it loads matplotlib.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter

from taptone.edges.explaining import Explained, foremost
from taptone.edges.pictures import repeatable_style
from taptone.pipeline import listen, pool
from taptone.pipeline.compare import band_name_hz, part_columns, shapes
from taptone.pipeline.decay import Decay, Room
from taptone.pipeline.judge import CHARACTERS, off_together, usual_ring_db
from taptone.pipeline.measure import attack, whole_decay
from taptone.pipeline.ringing import LATE_MS
from taptone.pipeline.spectrum import power_spectra
from taptone.settings import Settings
from taptone.survey.lengths import in_units
from taptone.survey.worded import worded_of
from taptone.types import FloatArray, Measured, Sound, Tap

__all__ = ["draw_station"]

_SIZE_IN = (10.7, 7.3)
_DPI = 200
_BEFORE_MS, _AFTER_MS = 5.0, 100.0
_LEAST_DB = -60.0

_ONE: dict[str, Any] = {"color": "0.25", "lw": 0.7, "zorder": 4}
_POOLED: dict[str, Any] = {"color": "black", "lw": 2.0, "zorder": 5}
_NEAR: dict[str, Any] = {"color": "0.62", "lw": 0.6, "zorder": 2}
_EXPECTED: dict[str, Any] = {"color": "black", "lw": 1.0, "ls": (0, (5, 2)), "zorder": 3}
_SPREAD: dict[str, Any] = {"fc": "0.88", "ec": "none", "zorder": 0.5}
_RANGE: dict[str, Any] = {"fc": "none", "ec": "0.55", "lw": 0.5, "hatch": "////", "zorder": 0.6}


def draw_station(explained: Explained, sounds: Sequence[Sound], units: str = "m") -> bytes:
    """Draw one station of an analysis.

    Parameters
    ----------
    explained : Explained
        The station, taken apart; with at least one strike.
    sounds : sequence of Sound
        The recordings of the log.
    units : str, optional
        What lengths are shown in, one of :data:`taptone.survey.lengths.UNITS`.

    Returns
    -------
    bytes
        A PNG of 200 dots an inch, the same on every run.

    Examples
    --------
    >>> draw_station.__name__
    'draw_station'
    """
    heard = _heard(explained, sounds)
    with repeatable_style():
        figure = _figure(explained, heard, units)
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=_DPI, metadata={"Software": None})
    return file.getvalue()


# -- the sound again -------------------------------------------------------------------------------------

_Heard = Mapping[tuple[str, int], tuple[Tap, Room | None]]


def _heard(explained: Explained, sounds: Sequence[Sound]) -> _Heard:
    """The taps of the station and of its neighbours with their sound, found as the analysis found them."""
    wanted = {(tap.recording, tap.sample) for k in _all(explained) for tap in _strikes(explained, k)}
    names = {name for name, _ in wanted}
    settings: Settings = explained.log.settings
    hammer = explained.reference.strikes if explained.reference is not None else None
    out: dict[tuple[str, int], tuple[Tap, Room | None]] = {}
    for sound in sounds:
        if sound.recording.name not in names:
            continue
        heard = listen(sound, settings, hammer)
        out |= {
            (t.recording, t.sample): (t, heard.room) for t in heard.taps if (t.recording, t.sample) in wanted
        }
    return out


def _all(explained: Explained) -> list[int]:
    return [explained.k, *explained.judging.compared.neighbours[explained.k]]


def _strikes(explained: Explained, k: int) -> list[Any]:
    """Measured strikes of a station, bounces left out."""
    point, result = explained.result.points[k], explained.result
    return [
        tap
        for tap, station in zip(result.taps, result.tap_station, strict=True)
        if station == point.station and tap.sample in point.samples
    ]


def _of(explained: Explained, heard: _Heard, k: int) -> list[tuple[Tap, Room | None]]:
    keys = [(tap.recording, tap.sample) for tap in _strikes(explained, k)]
    return [heard[key] for key in keys if key in heard]


# -- the page --------------------------------------------------------------------------------------------


def _figure(explained: Explained, heard: _Heard, units: str) -> Figure:
    figure = Figure(figsize=_SIZE_IN, dpi=_DPI)
    FigureCanvasAgg(figure)
    point, panel = explained.point, explained.result.panel
    name = f"{point.station}" if panel else f"tap {point.station}"
    of = "".join(f"; {text}" for text in (panel.boat, panel.name) if text) if panel else ""
    score = f", score {point.score:.1f}" if math.isfinite(point.score) else ""
    cut = f" (suspect from {explained.cut:.1f})" if math.isfinite(explained.cut) else ""
    top = _write(figure, _shown(f"{name}: {point.verdict}{score}{cut}{of}"), 12, 0.975, most=1, weight="bold")
    sounds = f"{CHARACTERS[point.character]}; " if point.character else ""
    reason = in_units(point.reason, units, worded_of(explained.result))
    top = _write(figure, _shown(sounds + reason), 7.5, top - 0.004, most=4)
    bottom, gap = 0.145, 0.085
    high = (top - 0.03 - bottom - gap) / 2
    upper = bottom + high + gap
    own, near = _of(explained, heard, explained.k), explained.judging.compared.neighbours[explained.k]
    others = [_of(explained, heard, k) for k in near]
    _waveform(
        _axes(figure, (0.06, upper, 0.41, high), "waveform, each strike at its own height"), own, explained
    )
    _decay(_axes(figure, (0.55, upper, 0.42, high), "how it dies, dB"), own, others, explained)
    _bands(
        _axes(figure, (0.06, bottom, 0.36, high), "third-octaves about their mean, dB"),
        _axes(figure, (0.44, bottom, 0.03, high), "ring, dB"),
        explained,
    )
    _fine(
        _axes(
            figure,
            (0.55, bottom, 0.42, high),
            f"spectrum of the first {explained.log.settings.measure.window_ms:g} ms, dB about its mean",
        ),
        own,
        others,
        explained,
    )
    _legend(figure, explained)
    return figure


def _axes(figure: Figure, place: tuple[float, float, float, float], title: str) -> Axes:
    axes = figure.add_axes(place)
    axes.set_title(title, size=8, loc="left", pad=3)
    axes.tick_params(labelsize=7, width=0.5, length=2.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def _write(figure: Figure, text: str, size: float, top: float, most: int, **style: Any) -> float:
    letter = 0.68 if style.get("weight") == "bold" else 0.55  # width of a usual one over the size of type
    letters = int(_SIZE_IN[0] * 0.94 * 72 / (size * letter))
    for line in textwrap.wrap(text, letters, max_lines=most, placeholder=" …"):
        figure.text(0.03, top, line, size=size, va="top", **style)
        top -= size * 1.35 / 72 / _SIZE_IN[1]
    return top


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


# -- waveform and decay ----------------------------------------------------------------------------------


def _waveform(axes: Axes, own: Iterable[tuple[Tap, Room | None]], explained: Explained) -> None:
    bands_ms = explained.log.settings.measure.bands_ms
    strikes = list(own)
    for tap, _ in strikes:
        start = max(tap.onset - round(_BEFORE_MS * tap.rate_hz / 1000), 0)
        stop = min(tap.onset + round(_AFTER_MS * tap.rate_hz / 1000), tap.end)
        time_ms = (np.arange(start, stop) - tap.onset) * 1000 / tap.rate_hz
        sound = tap.clip[start:stop]
        style = _ONE | {"lw": 0.7 if len(strikes) == 1 else 0.4}
        axes.plot(time_ms, sound / max(float(np.abs(sound).max()), 1e-9), **style)
    axes.set_xlim(-_BEFORE_MS, _AFTER_MS)
    axes.set_ylim(-1.15, 1.15)
    axes.set_yticks([])
    starts_ms = [(attack(tap) - tap.onset) * 1000 / tap.rate_hz for tap, _ in strikes]
    start_ms = float(np.median(starts_ms)) if starts_ms else 0.0
    axes.axvspan(start_ms, start_ms + bands_ms, **_RANGE)
    words: dict[str, Any] = {
        "size": 6.5,
        "va": "bottom",
        "bbox": {"fc": "white", "ec": "none", "pad": 0.6},
        "zorder": 6,
    }
    axes.text(start_ms + bands_ms + 1, -1.12, "hatched: what the third-octaves are taken of", **words)
    axes.set_xlabel("ms from the first sample of the tap", size=7.5, labelpad=1)


def _decay(
    axes: Axes,
    own: Iterable[tuple[Tap, Room | None]],
    others: Sequence[Sequence[tuple[Tap, Room | None]]],
    explained: Explained,
) -> None:
    settings = explained.log.settings.measure
    mine = [whole_decay(tap, settings, room=room) for tap, room in own]
    for neighbour in others:
        pooled = _pooled([whole_decay(tap, settings, room=room) for tap, room in neighbour])
        axes.plot(*pooled, **_NEAR)
    for decay in mine:
        axes.plot(*_pooled([decay]), **_ONE)
    longest_ms = 60.0
    time_ms, curve_db = _pooled(mine)
    if len(curve_db):
        axes.plot(time_ms, curve_db, **_POOLED)
        fallen = np.flatnonzero(curve_db <= -30)
        longest_ms = float(np.clip(time_ms[fallen[0] if len(fallen) else -1], 20.0, 200.0))
    known = _good_decays_ms(explained)
    time_ms = np.linspace(0, 2 * longest_ms, 50)
    if known:
        low, middle, high = np.percentile(known, [10, 50, 90])
        axes.fill_between(time_ms, -60 * time_ms / low, -60 * time_ms / high, **_SPREAD)
        axes.plot(time_ms, -60 * time_ms / middle, **_EXPECTED)
    axes.axhspan(settings.decay_to_db, settings.decay_from_db, **_RANGE)
    axes.set_xlim(0, 1.3 * longest_ms)
    axes.set_ylim(-35, 2)
    values = [f"{d.decay_ms:.0f} ms" for d in mine if math.isfinite(d.decay_ms)]
    more = " …" if len(values) > 4 else ""
    read = f"read as {', '.join(values[:4])}{more} for 60 dB" if values else "no single decay could be read"
    axes.set_title(f"how it dies, dB: {read}", size=8, loc="left", pad=3)
    start = f"ms from {settings.decay_start_ms:g} ms after the first sample"
    axes.set_xlabel(f"{start}; hatched: the range that is fitted", size=7.5, labelpad=1)


def _good_decays_ms(explained: Explained) -> list[float]:
    """Decays of the reference places, or of the good stations where the panel is its own reference."""
    compared, reference = explained.judging.compared, explained.reference
    if compared.own:
        good = zip(explained.result.points, compared.good, strict=True)
        known = [point.decay_ms for point, own in good if own]
    else:
        known = [m["decay_ms"] for m in reference.measures] if reference is not None else []
    return [ms for ms in known if math.isfinite(ms)]


def _pooled(decays: Sequence[Decay]) -> tuple[FloatArray, FloatArray]:
    """Times in ms and the median of the curves, as far as all of them reach; empty where none was read."""
    curves = [decay.curve_db for decay in decays if len(decay.curve_db)]
    if not curves:
        return np.zeros(0), np.zeros(0)
    shortest = min(map(len, curves))
    step_ms = next(decay.step_ms for decay in decays if len(decay.curve_db))
    return np.asarray(np.arange(shortest) * step_ms, float), np.asarray(
        np.median([c[:shortest] for c in curves], axis=0)
    )


# -- spectra ---------------------------------------------------------------------------------------------


def _bands(axes: Axes, ring: Axes, explained: Explained) -> None:
    judging, k, reference = explained.judging, explained.k, explained.reference
    compared = judging.compared
    strikes = _strikes(explained, k)
    bands, measures, _ = pool(strikes)
    pooled, shape, known = judging.shape[k], judging.shape, judging.known
    if not np.isfinite(pooled).all():  # not assessed: never compared, but heard
        features = shapes(bands[None]).shape[1] + 1
        pooled = _columns([bands], [measures["ring_db"]], features)[0]
        shape = np.zeros((0, features))
        known = (
            _columns(list(reference.bands_db), [m["ring_db"] for m in reference.measures], features)
            if reference is not None
            else None
        )
    features = len(pooled)
    own = _columns([tap.bands_db for tap in strikes], [tap["ring_db"] for tap in strikes], features)
    x = np.arange(features - 1)
    near = shape[list(compared.neighbours[k])] if len(shape) else shape
    good = known if known is not None and not compared.own else judging.shape[compared.good]
    expected = None
    if compared.heard is not None and np.isfinite(compared.heard[k]).all():
        expected = judging.shape[k] - compared.heard[k]
    if len(good) and good.shape[1] == features:
        low, high = np.nanpercentile(good, [10, 90], axis=0)
        axes.fill_between(x, low[:-1], high[:-1], **_SPREAD)
    for row in near:
        axes.plot(x, row[:-1], **_NEAR)
    for row in own:
        axes.plot(x, row[:-1], **_ONE)
    axes.plot(x, pooled[:-1], **_POOLED, marker="s", ms=3)
    if expected is not None and compared.usual is not None:
        axes.errorbar(x, expected[:-1], compared.usual[:-1], capsize=1.5, elinewidth=0.7, **_EXPECTED)
    _ring(ring, explained, strikes, float(pooled[-1]))
    _told_as_one(axes, features)
    _numbered(axes, ring, explained)
    _third_octave_ticks(axes, features)
    axes.set_xlim(-0.6, features - 1.4)
    axes.set_xlabel("middle of the band, Hz", size=7.5, labelpad=1)


def _ring(ring: Axes, explained: Explained, strikes: Sequence[Measured], pooled_db: float) -> None:
    """Draw the ring that is asked by itself: after 20 ms, where it is a feature as well, or after 5."""
    judging, k, reference = explained.judging, explained.k, explained.reference
    compared, law = judging.compared, judging.compared.ringing
    after_ms = LATE_MS if law is None else law.after_ms
    late = after_ms == LATE_MS
    name = "ring_db" if late else "early_ring_db"
    stations_db = np.array([heard.ring_db for heard in judging.heard])
    if reference is not None and not compared.own:
        good_db = np.array([place[name] for place in reference.measures])
    else:
        good_db = stations_db[compared.good]
    off_db = usual_db = np.nan
    if late and compared.heard is not None and compared.usual is not None:
        off_db, usual_db = compared.heard[k, -1], compared.usual[-1]
    elif law is not None and compared.ring_off_db is not None:
        pooled_db, off_db, usual_db = stations_db[k], compared.ring_off_db[k], usual_ring_db(compared, k)
    if np.isfinite(good_db).any():
        ring.fill_between([-0.5, 0.5], *np.nanpercentile(good_db, [10, 90]), **_SPREAD)
    for own in stations_db[list(compared.neighbours[k])]:
        ring.plot([-0.3, 0.3], [own] * 2, **_NEAR)
    for strike in strikes:
        ring.plot([-0.3, 0.3], [strike[name]] * 2, **_ONE)
    ring.plot([-0.35, 0.35], [pooled_db] * 2, **_POOLED)
    if together := off_together(compared, k):
        area_db = float(np.mean(stations_db[together.areas[k]]))
        ring.plot([-0.5, 0.5], [area_db] * 2, color=_POOLED["color"], ls=":", lw=1.2)
    if np.isfinite(off_db):
        ring.errorbar([0.0], [pooled_db - off_db], [usual_db], capsize=3, marker="_", ms=9, **_EXPECTED)
    ring.set_xlim(-0.6, 0.6)
    ring.set_xticks([])
    ring.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    ring.set_xlabel(f"{after_ms:.0f} ms on", size=7, labelpad=2)


def _columns(bands: Sequence[Any], ring_db: Sequence[float], features: int) -> FloatArray:
    """Features of single strikes, in the bands that were compared."""
    flat = shapes(np.array(bands, float))[:, : features - 1]
    short = features - 1 - flat.shape[1]
    flat = np.pad(
        flat - flat.mean(axis=1, keepdims=True), ((0, 0), (0, max(short, 0))), constant_values=np.nan
    )
    return np.column_stack([flat, np.array(ring_db, float)])


def _numbered(axes: Axes, ring: Axes, explained: Explained) -> None:
    """Put 1, 2 and 3 over the features that make up most of the score."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.12 * (high - low))
    last = max((n for part in explained.parts for n in part.columns), default=0)
    law = explained.judging.compared.ringing
    late = law is None or law.after_ms == LATE_MS
    for rank, part in enumerate(foremost(explained.parts), start=1):
        if last in part.columns and not late:  # the ring that is drawn is another
            continue
        on, at = (ring, 0.0) if last in part.columns else (axes, float(np.mean(part.columns)))
        on.text(
            at,
            0.99,
            str(rank),
            size=9,
            weight="bold",
            ha="center",
            va="top",
            transform=on.get_xaxis_transform(),
        )


def _told_as_one(axes: Axes, features: int) -> None:
    """Shade the bands that a short piece of sound does not tell apart."""
    low = part_columns(features)[0]
    if len(low) > 1:
        axes.axvspan(low[0] - 0.5, low[-1] + 0.5, color="0.93", lw=0, zorder=0)
        axes.text(
            float(np.mean(low)),
            0.01,
            "told as one",
            size=6,
            color="0.35",
            ha="center",
            va="bottom",
            transform=axes.get_xaxis_transform(),
        )


def _third_octave_ticks(axes: Axes, features: int) -> None:
    """Name every second band: all of them would touch."""
    shown = range(0, features - 1, 2)
    axes.set_xticks(list(shown), [_hz(band_name_hz(n)) for n in shown])


def _hz(value: float) -> str:
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


def _fine(
    axes: Axes,
    own: Sequence[tuple[Tap, Room | None]],
    others: Sequence[Sequence[tuple[Tap, Room | None]]],
    explained: Explained,
) -> None:
    settings = explained.log.settings.measure
    mine, hz = _spectra([tap for tap, _ in own], settings.window_ms)
    if not len(mine):
        return
    high_hz = min(settings.high_hz, 0.45 * own[0][0].rate_hz)
    inside = (hz >= settings.low_hz * 0.9) & (hz <= high_hz)
    for neighbour in others:
        theirs, _ = _spectra(
            [tap for tap, _ in neighbour if tap.rate_hz == own[0][0].rate_hz], settings.window_ms
        )
        if len(theirs):
            middle = np.median([_about_mean(row[inside]) for row in theirs], axis=0)
            axes.plot(hz[inside], middle, **_NEAR)
    rows = [_about_mean(row[inside]) for row in mine]
    for row in rows:
        axes.plot(hz[inside], row, **_ONE)
    axes.plot(hz[inside], np.median(rows, axis=0), **(_POOLED | {"lw": 1.6}))
    axes.set_xscale("log")
    ticks = [f for f in (200, 315, 500, 800, 1250, 2000, 3150, 5000, 8000, 12500) if f <= high_hz]
    axes.set_xticks(ticks)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _hz(value)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlim(0.95 * settings.low_hz, high_hz)
    axes.set_xlabel("Hz", size=7.5, labelpad=1)


def _spectra(taps: Sequence[Tap], window_ms: float) -> tuple[FloatArray, FloatArray]:
    """Power spectra as they are measured, noise taken off."""
    if not taps:
        return np.zeros((0, 1)), np.zeros(1)
    return power_spectra(
        [tap.clip for tap in taps],
        [tap.onset for tap in taps],
        [tap.end for tap in taps],
        [tap.noise for tap in taps],
        taps[0].rate_hz,
        window_ms=window_ms,
    )


def _about_mean(power: FloatArray) -> FloatArray:
    """In dB about the mean, not lower than 60 dB under the highest bin: below lies mostly noise."""
    db = 10 * np.log10(np.maximum(power, power.max() * 10 ** (_LEAST_DB / 10) + 1e-30))
    return np.asarray(db - db.mean())


# -- legend ----------------------------------------------------------------------------------------------


def _legend(figure: Figure, explained: Explained) -> None:
    compared = explained.judging.compared
    several = explained.point.taps > 1
    good = "reference places" if explained.judging.known is not None and not compared.own else "good stations"
    if explained.result.relative_to.startswith("nothing"):
        good = "places of the refused baseline"
    entries: list[tuple[Any, str]] = [
        (Line2D([], [], **_POOLED), "this station, strikes pooled" if several else "this station")
    ]
    if several:
        entries.append((Line2D([], [], **_ONE), f"each of its {explained.point.taps} strikes"))
    near = len(compared.neighbours[explained.k])
    if near:
        entries.append((Line2D([], [], **_NEAR), f"its {near} neighbours without a difference"))
    whose = "the good stations'" if compared.own else "the reference's"
    middle = f"; of decays, {whose} middle" if _good_decays_ms(explained) else ""
    if explained.parts:
        entries.append((Line2D([], [], **_EXPECTED), f"expected here ± usual{middle}"))
    elif explained.reference is not None:
        entries.append((Line2D([], [], **_EXPECTED), "of decays, their middle"))
    entries.append((Patch(**_SPREAD), f"{good}, 10 to 90 of 100"))
    figure.legend(
        [handle for handle, _ in entries],
        [text for _, text in entries],
        loc="lower left",
        bbox_to_anchor=(0.025, 0.045),
        ncols=len(entries),
        fontsize=7,
        frameon=False,
        handlelength=2.6,
        columnspacing=1.4,
    )
    first = foremost(explained.parts)
    parts = ", ".join(f"{n} {part.name} {100 * part.share:.0f} %" for n, part in enumerate(first, start=1))
    share = f"Largest parts of the squared score: {parts}. " if first else ""
    if off_together(explained.judging.compared, explained.k):
        share += "Its chance is from the ring of the area it lies in, dotted. "
    version = explained.result.versions.get("taptone", "")
    _write(
        figure,
        f"{share}A record and a comparison, not a certificate; no difference heard does not mean that "
        f"nothing is there. taptone {version}.",
        7.5,
        0.045,
        most=2,
    )
