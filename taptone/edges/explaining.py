"""Why a station was judged as it was: the analysis of a log made again, and taken apart for one station.

Nothing is worked out a second way. The recordings, the baseline and the log of the other side that the log
names are found and held against its fingerprints, the analysis is run with the log's own settings, and what
comes out must agree with the log; then the model that scored the panel is asked what each feature adds, and
the judge what it would take for another verdict.
"""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptone.edges.analysing import analyse_sounds
from taptone.edges.earlier import HINT, LogFile, load_earlier, read_log
from taptone.edges.logshape import checked_panel, fault_of
from taptone.edges.soundfiles import open_sound
from taptone.edges.store import FOLDERS, is_survey
from taptone.edges.textfiles import load_baseline
from taptone.errors import BaselineError, LogError, SettingError, SoundError
from taptone.pipeline import Judging
from taptone.pipeline.compare import (
    Comparison,
    band_name_hz,
    in_parts,
    part_columns,
    part_names,
    softened,
    with_score,
    worth_naming,
)
from taptone.pipeline.crisp import FLAG
from taptone.pipeline.judge import (
    CHARACTERS,
    counted_together,
    odd_ring,
    off_together,
    rarity,
    rings_longer,
    the_other_ring,
    usual_ring_db,
)
from taptone.pipeline.mirror import lowered
from taptone.pipeline.ringing import LATE_MS, RARER, by_ring
from taptone.pipeline.together import AREA, MOST
from taptone.settings import Settings, as_now, flat, with_values
from taptone.types import (
    RING_FLOOR_DB,
    Earlier,
    FloatArray,
    Measured,
    Panel,
    Point,
    Reference,
    Result,
    Sound,
)

__all__ = [
    "Explained",
    "Log",
    "Part",
    "explain",
    "foremost",
    "from_the_log",
    "in_words",
    "open_log",
    "parts_of",
    "sounds_named",
]

_NO_SCORE = 0.001
_SAME_SCORE = 0.002  # a score is logged to three decimals
_MOST_DB = 40.0
_STEP_DB = 0.1
_SELDOM = 0.01  # of good pairs
_UNSCORED = "Nothing was scored, so nothing moved a score."
_AS_AN_AREA = (
    "It was compared, and differs; its area as a whole decides: declare the structure that stands there, if "
    "any (declared_after_tapping = true), and analyse again; where nothing does, treat it as a suspect."
)


@dataclass(frozen=True, slots=True)
class Log:
    """A log as it was read, and the panel, settings and fingerprints in it."""

    path: Path
    body: Mapping[str, Any]
    panel: Panel | None
    settings: Settings
    notes: tuple[str, ...] = ()
    read: LogFile | None = None

    @property
    def stations(self) -> list[str]:
        """Labels of all points."""
        return [str(point["station"]) for point in self.body["points"]]

    def point(self, station: str) -> Mapping[str, Any]:
        """The logged row of a station, or an error that names the nearest."""
        for alike in (str, str.casefold):  # as it is written, else in capitals or not
            for point in self.body["points"]:
                if alike(str(point["station"])) == alike(station.strip()):
                    return dict(point)
        near = difflib.get_close_matches(station, self.stations, n=3, cutoff=0.4) or self.stations[:3]
        raise LogError(
            f"{self.path} has no station {station!r}",
            hint=f"give one of its stations, such as {', '.join(near)}",
        )


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the sound: how far from what was expected, what of that counts, its share of score²."""

    name: str
    heard_db: float
    counted_db: float
    usual_db: float
    share: float
    columns: tuple[int, ...] = ()  # of the features


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """One station, taken apart.

    ``k`` is its index; ``cut`` the score from which it would be another verdict, ``nan`` where no score would
    change it; ``notes`` say where the log and this run differ.
    """

    log: Log
    k: int
    result: Result
    judging: Judging
    reference: Reference | None
    parts: tuple[Part, ...]
    cut: float
    notes: tuple[str, ...] = ()

    @property
    def point(self) -> Point:
        """The station as it was judged."""
        return self.result.points[self.k]

    @property
    def taps(self) -> list[Measured]:
        """Its strikes, bounces left out."""
        own = {(r, s) for r in self.point.recordings for s in self.point.samples}
        return [
            tap
            for tap, station in zip(self.result.taps, self.result.tap_station, strict=True)
            if station == self.point.station and (tap.recording, tap.sample) in own
        ]


# -- the log ---------------------------------------------------------------------------------------------


def open_log(path: Path) -> Log:
    """Read a log and what it needs to be made again.

    Parameters
    ----------
    path : Path
        ``log.json``, or the folder it lies in.

    Returns
    -------
    Log
        With its panel and settings.

    Raises
    ------
    LogError
        If it is missing, cut short or something else.

    Examples
    --------
    >>> open_log(Path("nowhere"))
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    read = read_log(path)
    file, body, hint = read.path, read.body, HINT
    wanted = ("points", "recordings", "settings", "versions", "baseline")
    if not isinstance(body, dict) or any(name not in body for name in wanted):
        raise LogError(f"{file} is no log of taptone analyse", hint=hint)
    fault = fault_of(body)
    if fault:
        raise LogError(f"{file} lacks something or holds something odd ({fault})", hint=hint)
    try:
        known = flat(Settings())
        stated = as_now(body["settings"])
        held = {name: repr(value) for name, value in stated.items() if name in known}
        apart = [name for name in (*stated, *known) if (name in stated) != (name in known)]
        notes = [f"settings that the log and this version do not share: {', '.join(apart)}"] if apart else []
        return Log(file, body, _panel_of(body["panel"]), with_values(held), tuple(notes), read)
    except SettingError as error:
        raise LogError(f"{file}: {error.message}", hint=error.hint) from error
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LogError(f"{file} lacks something or holds something odd ({error})", hint=hint) from error


def _panel_of(table: Mapping[str, Any] | None) -> Panel | None:
    """The panel as the log keeps it: all that was declared, unrounded."""
    if table is None:
        return None

    fields = {field.name for field in dataclasses.fields(Panel)}
    values = {name: value for name, value in table.items() if name in fields}
    for name in ("spacing_m", "surface_temp_c"):
        values[name] = _number(values[name])
    if values.get("laminate"):
        said = dict(values["laminate"])
        told = ("skin_modulus_gpa", "core_density_kg_m3")
        values["laminate"] = said | {name: _number(said[name]) for name in told}
    return checked_panel(values)


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


# -- what it was made of ---------------------------------------------------------------------------------


def sounds_named(log: Log, given: Sequence[str]) -> list[str]:
    """Find the recordings of a log and hold them against its fingerprints.

    Parameters
    ----------
    log : Log
        The log.
    given : sequence of str
        Files named by the person; the rest is looked for by name beside the log, above it, and here.

    Returns
    -------
    list of str
        A path for each recording, in the order of the log.

    Raises
    ------
    SoundError
        If one is not found, or is not the same file.

    Examples
    --------
    >>> sounds_named(Log(Path("log.json"), {"recordings": []}, None, Settings()), [])
    []
    """
    by_print: dict[str, str] = {}
    for path in given:
        by_print.setdefault(open_sound(path).recording.sha256, path)
    wanted = {r["sha256"] for r in log.body["recordings"]}
    for sha256, path in by_print.items():
        if sha256 not in wanted:
            names = ", ".join(r["name"] for r in log.body["recordings"])
            raise SoundError(
                f"{path} is not a recording of this log (another SHA-256)", hint=f"give the unchanged {names}"
            )
    out = []
    for recording in log.body["recordings"]:
        name, sha256 = recording["name"], recording["sha256"]
        if sha256 in by_print:
            out.append(by_print[sha256])
            continue
        there = [folder / name for folder in _folders(log) if (folder / name).is_file()]
        same = next((path for path in there if open_sound(path).recording.sha256 == sha256), None)
        if same is None and there:
            raise SoundError(
                f"{there[0]} is not the file that was analysed (another SHA-256)",
                hint=f"give the unchanged {name} with --recording",
            )
        if same is None:
            raise SoundError(
                f"{name} was not found beside {log.path} or here", hint="give it with --recording"
            )
        out.append(str(same))
    return out


def _folders(log: Log) -> list[Path]:
    """Where the files of a log are looked for."""
    beside = log.path.resolve().parent
    survey = [beside.parent.parent / part for part in FOLDERS] if is_survey(beside.parent.parent) else []
    return list(dict.fromkeys([beside, beside.parent, *survey, Path.cwd()]))


def _baseline(log: Log, given: str | None) -> Reference | None:
    """The baseline of a log, by its fingerprint."""
    wanted = log.body["baseline"].get("sha256")
    if wanted is None:
        if given is not None:
            raise BaselineError("the log was made without a baseline", hint="leave out --baseline")
        return None
    if given is not None:
        reference = load_baseline(given)
        if reference.sha256 != wanted:
            raise BaselineError(
                f"{Path(given).name} is not the baseline of this log (another SHA-256)",
                hint="give the unchanged one, as taptone learn wrote it",
            )
        return reference
    for path in (path for folder in _folders(log) for path in _baselines_in(folder)):
        try:
            if wanted in path.read_text(encoding="utf-8")[-200:]:
                return load_baseline(path)
        except (OSError, ValueError):
            continue
    raise BaselineError(
        f"no baseline with the SHA-256 of the log was found beside {log.path} or here",
        hint="give it with --baseline",
    )


def _baselines_in(folder: Path) -> list[Path]:
    """What may be a baseline; a survey keeps it among its panels under the name it came with."""
    return sorted(folder.glob("*" if folder.name == "panels" else "*.json"))


def _other_side(log: Log, given: str | None) -> Earlier | None:
    """The log of the other side that a log was held against, by its fingerprint."""
    logged = log.body.get("mirror")
    if not logged:
        if given is not None:
            raise LogError(f"{log.path} was not held against another side", hint="leave out --mirror")
        return None
    name, wanted = str(logged["panel"]), str(logged["sha256"])
    if given is not None:
        earlier = load_earlier(given)
        if earlier.sha256 != wanted:
            raise LogError(
                f"{given} is not the log of the other side that {log.path} was held against (another "
                "SHA-256)",
                hint=f"give the unchanged log of {name}, or analyse anew with this one",
            )
        return earlier
    changed = None
    for path in (path for folder in _folders(log) for path in _logs_below(folder)):
        try:
            content = path.read_bytes()
            if hashlib.sha256(content).hexdigest() == wanted:
                return load_earlier(path)
            if path.resolve() != log.path.resolve() and json.loads(content)["panel"]["name"] == name:
                changed = changed or path
        except (OSError, ValueError, RecursionError, KeyError, TypeError):
            continue
    if changed is not None:
        raise LogError(
            f"{changed} is a log of {name}, the other side, but not the one that {log.path} was held against "
            "(another SHA-256)",
            hint="give the unchanged one with --mirror, or analyse anew with this one",
        )
    raise LogError(
        f"the log of {name}, the other side, was not found beside {log.path} or here",
        hint="give it with --mirror",
    )


def _logs_below(folder: Path) -> list[Path]:
    """What may be a log in a folder, or in one inside it."""
    return [*sorted(folder.glob("*.json")), *sorted(folder.glob("*/*.json"))]


# -- the explanation -------------------------------------------------------------------------------------


def explain(
    log: Log,
    station: str,
    sounds: Sequence[Sound],
    *,
    baseline: str | None = None,
    mirror: str | None = None,
    on_sound: Callable[[Sound], Sound] = lambda sound: sound,
) -> Explained:
    """Make the analysis of a log again and take one station apart.

    Parameters
    ----------
    log : Log
        From :func:`open_log`.
    station : str
        Label of the station; the number of the tap where there was no panel.
    sounds : sequence of Sound
        The recordings of the log, in its order.
    baseline : str, optional
        The baseline file; looked for by its fingerprint if not given.
    mirror : str, optional
        The log of the other side, where there was one; looked for by its fingerprint if not given.
    on_sound : callable, optional
        Wraps each recording before it is listened to.

    Returns
    -------
    Explained
        Agreeing with the log, or with a note on how it does not.

    Raises
    ------
    LogError
        If there is no such station, the same version now says something else, or the log of the other side
        is missing or not the same.
    BaselineError
        If the baseline is missing or not the same.

    Examples
    --------
    >>> explain(Log(Path("log.json"), {"points": []}, None, Settings()), "A1", [])
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: log.json has no station 'A1': give one of its stations, such as
    """
    logged = log.point(station)
    reference = _baseline(log, baseline)
    earlier = _other_side(log, mirror)
    judgings: list[Judging] = []
    stated = dict(log.body.get("stated", {}))
    places_again = stated.pop("rechecks", [])
    rows_again = stated.pop("rows_again", [])
    first = len(sounds) - len(places_again)
    panels_own = first - len(rows_again)
    result = analyse_sounds(
        sounds[:panels_own],
        panel=log.panel,
        reference=reference,
        rows_again=list(zip(rows_again, sounds[panels_own:first], strict=True)),
        rows_twice=stated.pop("rows_twice", []),
        rechecks=list(zip(places_again, sounds[first:], strict=True)),
        mirror=earlier,
        anyway=bool(stated.pop("anyway", False)),
        stated=stated,
        settings=log.settings,
        on_sound=on_sound,
        on_judged=judgings.append,
    )
    k = next((n for n, p in enumerate(result.points) if p.station == logged["station"]), -1)
    notes = (*log.notes, *_disagreement(log, logged, result.points[k] if k >= 0 else None, result))
    judging = judgings[0]
    return Explained(
        log, k, result, judging, reference, parts_of(judging, k), _cut(judging, k, result), notes
    )


def from_the_log(log: Log, station: str) -> str:
    """What the log alone can honestly say: why a station was not assessed.

    Parameters
    ----------
    log : Log
        From :func:`open_log`.
    station : str
        Its label.

    Returns
    -------
    str
        A sentence; empty where the sound is needed, because a score has to be taken apart.

    Examples
    --------
    >>> row = {"station": "A1", "verdict": "not assessed", "reason": "not tapped", "taps": 0}
    >>> from_the_log(Log(Path("log.json"), {"points": [row]}, None, Settings()), "a1")
    'A1: not assessed; not tapped. Nothing was scored, so nothing moved a score.'
    """
    point = log.point(station)
    if point["verdict"] != "not assessed":
        return ""
    said = f"{point['station']}: not assessed; {point['reason']}."
    return f"{said} {_AS_AN_AREA if FLAG in point.get('flags', ()) else _UNSCORED}"


def _disagreement(log: Log, logged: Mapping[str, Any], now: Point | None, result: Result) -> list[str]:
    """A line where this run differs from the log; an error where it must not."""
    then = log.body["versions"]
    apart = [
        f"{name} {then.get(name, 'unknown')}, now {version}"
        for name, version in result.versions.items()
        if then.get(name) != version
    ]
    if now is not None and _as_logged(logged, now):
        again = {point.station: point for point in result.points}
        odd = [
            other["station"]
            for other in log.body["points"]
            if other["station"] not in again or not _as_logged(other, again[other["station"]])
        ]
        named = f"{' '.join(odd[:8])}{' …' * (len(odd) > 8)}"
        return [f"other stations do not come out as logged ({named}): was the log changed?"] if odd else []
    if now is None or not apart:
        raise LogError(
            f"{log.path}: {logged['station']} does not come out as logged, with the same versions",
            hint="the log was changed, or made on another kind of machine or by an earlier state of this "
            "version: analyse the recordings anew",
        )
    return [
        f"the log says {logged['verdict']}, score {_or(logged['score'])}; this run says {now.verdict}, score "
        f"{_or(now.score)}: made with {'; '.join(apart)}"
    ]


def _as_logged(logged: Mapping[str, Any], now: Point) -> bool:
    return bool(
        now.verdict == logged["verdict"]
        and list(now.samples) == list(logged["samples"])
        and _close(now.score, _number(logged["score"]))
    )


def _close(one: float, two: float) -> bool:
    return (math.isnan(one) and math.isnan(two)) or abs(one - two) <= _SAME_SCORE


def _or(value: float | None) -> str:
    return "none" if value is None or math.isnan(value) else f"{value:.2f}"


def parts_of(judging: Judging, k: int) -> tuple[Part, ...]:
    """What each feature adds to the squared score of a station, the largest first.

    A squared score grows as the square of the difference, so that by Euler's theorem half of each
    difference times its slope adds up to the whole, whatever the covariance. A part can be negative: there
    the feature makes the others less surprising.

    Parameters
    ----------
    judging : Judging
        What the station was judged from.
    k : int
        Its index.

    Returns
    -------
    tuple of Part
        Shares add up to 1; empty where nothing was scored.

    Examples
    --------
    >>> from taptone.pipeline.compare import Comparison
    >>> nothing = Comparison(np.array([math.nan]), np.array([math.nan]), np.array([False]), ((),))
    >>> parts_of(Judging((), np.zeros((1, 2)), None, nothing, lambda heard, compared: ()), 0)
    ()
    """
    compared = judging.compared
    scorer, usual, in_part = compared.scorer, compared.usual, compared.usual_in_parts
    heard, difference = compared.heard, compared.difference
    if scorer is None or heard is None or difference is None or not compared.score[k] > 0:
        return ()
    if usual is None or in_part is None:
        return ()
    at = difference[k]
    step = 1e-4 * np.maximum(np.abs(at - scorer.location_), usual + 1e-9)
    ahead, behind = (scorer.score_samples(at + sign * np.diag(step)) ** 2 for sign in (1, -1))
    # A good station's own score is by a model that it did not teach; the parts are those of the whole model.
    whole = scorer.score_samples(at[None])[0] ** 2
    if not whole > 0:
        return ()
    share = (scorer.counted(at[None])[0] - scorer.location_) * (ahead - behind) / (4 * step) / whole
    columns = part_columns(len(at))
    figures = zip(in_parts(heard[k]), in_parts(worth_naming(compared, k)), in_part, strict=True)
    parts = (
        Part(name, float(far), float(counted), float(stray), float(share[list(own)].sum()), own)
        for name, own, (far, counted, stray) in zip(part_names(len(at)), columns, figures, strict=True)
    )
    return tuple(sorted(parts, key=lambda part: -part.share))


def foremost(parts: Sequence[Part]) -> list[Part]:
    """The three parts that add most; the band that was left out of the score is told beside them.

    Parameters
    ----------
    parts : sequence of Part
        From :func:`parts_of`.

    Returns
    -------
    list of Part
        Three or fewer.

    Examples
    --------
    >>> left_out, ring = Part("band", -9.0, 0.0, 1.0, 0.6), Part("ring", 2.0, 2.0, 1.0, 0.4)
    >>> [part.name for part in foremost([left_out, ring])]
    ['ring']
    """
    return [part for part in parts if part.counted_db][:3]


def _with_score(judging: Judging, k: int, score: float) -> str:
    """The verdict the judge gives, had one station another score and the others theirs."""
    other = with_score(judging.compared, k, score)
    if judging.other is not None:
        chances = lowered(other.chance_if_good, judging.other.pair_chance, judging.other.facing_chance)
        other = dataclasses.replace(other, chance_if_good=chances)
    return judging.again(judging.heard, other)[k].verdict


def _cut(judging: Judging, k: int, result: Result) -> float:
    """Score at which the verdict of a station turns between suspect and what it is without; else ``nan``."""
    point = result.points[k]
    if judging.compared.scorer is None or point.verdict not in ("suspect", "no difference"):
        return math.nan
    low, high = _NO_SCORE, 1000.0
    if _with_score(judging, k, high) != "suspect" or _with_score(judging, k, low) == "suspect":
        return math.nan
    for _ in range(24):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if _with_score(judging, k, middle) == "suspect" else (middle, high)
    return high


# -- in words --------------------------------------------------------------------------------------------


def in_words(explained: Explained) -> str:
    """One paragraph of numbers: what was compared, what moved the score, what would change the verdict.

    Parameters
    ----------
    explained : Explained
        A station, taken apart.

    Returns
    -------
    str
        Plain text, one line.

    Examples
    --------
    >>> log = Log(Path("log.json"), {}, None, Settings())
    >>> tap = Point("", "1", 0.0, 0.0, 1, ("row.wav",), (4800,), 0.1, "not assessed", reason="cut short")
    >>> result = Result(None, (), (tap,), (), (), (), (), (), (), (), "")
    >>> in_words(Explained(log, 0, result, None, None, (), math.nan))[:62]
    'Tap 1: not assessed; 1 strike in row.wav at 0.100 s. Not asses'
    """
    point = explained.point
    said = [_head(explained)]
    if "anyway" in point.flags:
        said.append(f"J{explained.result.relative_to.partition('; j')[2]}.")
    if point.verdict == "not assessed" or not explained.parts:
        why = "Nothing was scored: put right what is named, where you can, and tap it again."
        said.append(f"Not assessed: {point.reason}. {_AS_AN_AREA if FLAG in point.flags else why}")
        if FLAG in point.flags and explained.parts:
            said.append(f"As read by a person: {_read(explained)}.")
            said += [_compared_with(explained), _moved_by(explained)]
        return " ".join(said)
    sounds = f"; {CHARACTERS[point.character]}" if point.character else ""
    said.append(f"As read by a person: {_read(explained)}{sounds}.")
    said += [_compared_with(explained), _moved_by(explained)]
    said += [*_beside_the_other_side(explained), *_would_change(explained)]
    if point.verdict == "no difference":
        noticed = point.reason.rpartition("; ")[2]
        said.append(f"{noticed[:1].upper()}{noticed[1:]}.")
    return " ".join(said)


def _head(explained: Explained) -> str:
    point, panel = explained.point, explained.result.panel
    where = f"Station {point.station} of {panel.name}" if panel else f"Tap {point.station}"
    score = f", score {point.score:.1f}" if math.isfinite(point.score) else ""
    strikes = f"{point.taps} strike{'s' * (point.taps != 1)}"
    heard = (
        f"{strikes} in {' and '.join(point.recordings)} at {point.time_s:.3f} s"
        if point.taps
        else "no strike tied to it"
    )
    return f"{where}: {point.verdict}{score}; {heard}."


def _compared_with(explained: Explained) -> str:
    judging, k = explained.judging, explained.k
    features = judging.shape.shape[1]
    near = [explained.result.points[j].station for j in judging.compared.neighbours[k]]
    low, *bands, _ = part_columns(features)
    piece_ms = explained.log.settings.measure.bands_ms
    what = f"Compared were {len(low)} third-octaves below 800 Hz, which {piece_ms:g} ms hardly tell apart"
    if bands:
        what += f", {len(bands)} from there to {band_name_hz(bands[-1][0])} Hz, all about their mean"
    what += ", and the ring after 20 ms"
    law = judging.compared.ringing
    if law is not None and law.after_ms != LATE_MS:
        what += (
            f" (by itself that after {law.after_ms:g} ms is asked: good places ring too little after 20 ms, "
            "or stray too much, or too much noise is left, for a shorter ring to stand out)"
        )
    beside = [f"its {len(near)} neighbours without a difference {' '.join(near)}"] if near else []
    if judging.known is not None and not judging.compared.own:
        weight = explained.log.settings.judge.reference_weight
        how = f" (counting as {weight:g} of them)" if near else ""
        beside.append(f"the {len(judging.known)} reference places{how}")
    elif judging.compared.own:
        beside.append("the middle of this panel's own good stations")
    return f"{what}, with {' and '.join(beside) or 'what is usual here'}."


def _moved_by(explained: Explained) -> str:
    first = foremost(explained.parts)
    parts = [
        f"{part.name} {abs(part.heard_db):.1f} dB {'above' if part.heard_db > 0 else 'below'} what was "
        f"expected{_counted(part)} (good ones ± {part.usual_db:.1f} dB): {100 * part.share:.0f} %"
        for part in first
    ]
    rest = 1 - sum(part.share for part in first)
    less = " (negative: they make these less surprising)" if rest < 0 else ""
    return (
        f"Of the squared score, by feature: {'; '.join(parts)}; all others together {100 * rest:.0f} %{less}."
        f"{_left_out(explained)}{_by_its_ring(explained)}{_its_patch(explained)}"
    )


def _by_its_ring(explained: Explained) -> str:
    """Say where the chance is that of the ring by itself, and how it stands to the score."""
    judging, k = explained.judging, explained.k
    law = judging.compared.ringing
    off = "" if law is None else odd_ring(judging.heard[k], judging.compared, k)
    if not off or law is None:
        return ""
    if together := off_together(judging.compared, k):
        return (
            f" Its chance is not from the score but from the ring after {law.after_ms:g} ms of an area, "
            f"{' '.join(_around(explained))}. Its own lies {off}. Such areas of good skin stray by "
            f"{together.usual_db:.1f} dB, by a tail fitted to those among {together.stations} stations; no "
            f"place counts for more than {MOST:g} spreads of single ones, and the chance {RARER:.0f} times, "
            "being asked beside the score. Strike these again, in another order; look for what stands "
            "behind, a stand pad, a hand, and thickness."
        )
    usual = f"good ones stray by {usual_ring_db(judging.compared, k):.1f} dB"
    taught, beside = f"by a tail fitted to {law.places} of them", "being asked beside the score."
    if rings_longer(judging.compared, k):
        lasting = judging.compared.lasting
        by_decay = lasting is not None and lasting.by_decay(k)
        instead = f" (the decay does for the ring after {LATE_MS:g} ms, which tells less)" if by_decay else ""
        return (
            f" Its chance is not from the score but from the ring after {law.after_ms:g} ms, {off} "
            f"({usual}), and {the_other_ring(judging.compared, k)}: both are asked, because a late sound "
            f"makes one longer{instead}. The less telling of the two counts, {taught}; a tenth of it, as "
            f"good places hardly ever have both, and that {RARER:.0f} times, {beside}"
            f"{_side_by_side(explained)}"
        )
    return (
        f" Its chance is not from the score but from the ring after {law.after_ms:g} ms by itself, {off}: "
        f"{usual}, {taught}; it is counted {RARER:.0f} times, {beside}"
    )


def _side_by_side(explained: Explained) -> str:
    """Say with which stations one that rings on is counted, how, and what it would be without them."""
    compared, k = explained.judging.compared, explained.k
    among = counted_together(compared)[k]
    if not len(among):
        return ""
    own_db = float(np.asarray(compared.ring_off_db)[k])
    by_itself = _with_ring(explained, own_db, explained.point.score, alone=True)
    names = " ".join(explained.result.points[j].station for j in among)
    return (
        f" Counted together are {names}, side by side: each is rarer than 1 in 100, and good places hardly "
        "ever are so side by side. So the largest chance among them counts, to the power of their number "
        "(three at most), times 8 or 60, the shapes that two or three can have; no such group is told as "
        f"rarer than 1 good place in 10,000. By itself this one would be {by_itself}. Strike these again, in "
        "another order; tap the same place on the other side; look for laminate that is thinner there or "
        "stands on nothing, and for a corner or a hatch."
    )


def _its_patch(explained: Explained) -> str:
    """Say which patch it lies in, how far that stands out, and what that does."""
    patches, k = explained.judging.compared.patches, explained.k
    if patches is None or patches.which[k] < 0:
        return ""
    members = [explained.result.points[j].station for j in patches.of(k)]
    alone = dataclasses.replace(explained.judging.compared, patches=None)
    by_itself = explained.judging.again(explained.judging.heard, alone)[k].verdict
    return (
        f" It lies in a patch of {len(members)} stations, {' '.join(members)}, that differ together from "
        f"those around them, by {patches.times[patches.which[k]]:.1f} times the step that is usual between "
        f"such parts of this panel (from {patches.least:.1f} times on it is a patch). So none of them serves "
        f"as a neighbour, and a chance counts as a twentieth; did it not, this one would be {by_itself}."
    )


def _left_out(explained: Explained) -> str:
    """Name the band that dips and was left out of the score, where it dips by more than good ones stray."""
    compared, k = explained.judging.compared, explained.k
    if compared.difference is None or compared.heard is None or compared.usual is None:
        return ""
    dip = compared.difference[k] - worth_naming(compared, k)
    band = int(np.argmin(dip))
    if not -dip[band] > compared.usual[band]:
        return ""
    name = next(
        name for name, own in zip(part_names(len(dip)), part_columns(len(dip)), strict=True) if band in own
    )
    which = f"The {name}" if name.startswith("third") else f"One band of the {name}"
    below_db = -compared.heard[k][band]
    return (
        f" {which}, {below_db:.1f} dB below what was expected, was left out of the score: "
        "a node, or a gap in the spectrum of the blow, takes one band away on good laminate too. That does "
        "not show that the place is good."
    )


def _counted(part: Part) -> str:
    """Say so where a node, or a late sound, may have made a feature lie further off than it counts."""
    drawn_in = abs(part.heard_db) - abs(part.counted_db) >= 1.0
    return f", counted as {abs(part.counted_db):.1f} dB" if drawn_in else ""


def _reached(compared: Comparison, k: int, heard: FloatArray, cut: float) -> NDArray[np.bool_]:
    """Which of these differences of a station would be suspect from a score on: by it, or by the ring."""
    assert compared.scorer is not None
    reached = compared.scorer.score_samples(softened(heard)) >= cut
    if compared.ringing is not None and compared.chance_by_ring is not None:
        limit = np.broadcast_to(compared.scorer.chance_if_good(np.array([cut])), len(heard))
        if compared.ringing.after_ms == LATE_MS:  # the ring among the features is the one that is asked
            by_its_ring = compared.ringing.chance(heard[:, -1])
        else:
            by_its_ring = np.full(len(heard), compared.chance_by_ring[k])
        if compared.lasting is not None:
            by_its_ring = np.minimum(by_its_ring, compared.lasting.at(k, heard[:, -1], LATE_MS))
        if compared.together is not None:
            by_its_ring = np.minimum(by_its_ring, compared.together.chance[k])
        reached |= by_ring(limit, by_its_ring)
    return np.asarray(reached)


def _beside_the_other_side(explained: Explained) -> Iterator[str]:
    """What the station that faces it adds, where the log was held against another side."""
    mirror, panel = explained.log.body.get("mirror"), explained.result.panel
    if not mirror:
        return
    k, facing, other = explained.k, explained.point.mirror_station, explained.judging.other
    side = "face" if panel is not None and panel.opposite_face_of and not panel.mirror_of else "side"
    if not facing:
        yield f"No station of {mirror['panel']} on the other {side} faces it."
        return
    beside = f"Beside {facing} of {mirror['panel']} on the other {side}"
    if other is None or math.isnan(other.pair_chance[k]):
        yield f"{beside} it could not be held."
        return
    chance = float(other.pair_chance[k])
    if chance >= _SELDOM:
        pairs = f"about {100 * chance:.0f} of 100 good pairs differ at least this much"
    else:
        pairs = f"{rarity(chance)} differs this much from the one that faces it"
    adds = "that adds suspicion" if other.added[k] else "that adds no suspicion"
    alike = (
        f"; what sets it apart is found there too, {other.share[k]:.1f} times as much, which takes none away"
        if explained.point.verdict == "suspect" and other.alike[k]
        else ""
    )
    yield f"{beside}: {pairs}; {adds}{alike}."


def _would_change(explained: Explained) -> Iterator[str]:
    point, judging, k = explained.point, explained.judging, explained.k
    if point.verdict == "at structure":
        other = list(judging.heard)
        other[k] = dataclasses.replace(other[k], structure="")
        compared = judging.compared
        if compared.chance_of_kind is not None:
            of_kind = compared.chance_of_kind.copy()
            of_kind[k] = math.nan
            compared = dataclasses.replace(compared, chance_of_kind=of_kind)
        plain = judging.again(other, compared)[k].verdict
        yield (
            f"On declared {judging.heard[k].structure} the bond is not judged separately; were nothing "
            f"declared there, the verdict would be {plain}. Sound along its edges, and look at the bond from "
            "inside."
        )
        return
    if math.isnan(explained.cut):
        yield _by_its_ring_alone(explained) or "No score alone would change this verdict."
        return
    times = explained.cut / point.score
    suspect = point.verdict == "suspect"
    if suspect:
        yield (
            f"Below score {explained.cut:.1f} it would be no difference: the same difference at "
            f"{100 * times:.0f} % of its size, the other stations as they are."
        )
    else:
        yield (
            f"From score {explained.cut:.1f} on it would be suspect: the same difference {times:.1f} times "
            "as large, the other stations as they are."
        )
    yield _one_feature(explained, suspect)
    if not suspect:
        yield _short_enough(explained)


def _with_ring(explained: Explained, off_db: float, score: float, *, alone: bool = False) -> str:
    """The verdict, had the station another ring and another score; alone: whatever those around it do."""
    judging, k, ring = explained.judging, explained.k, explained.judging.compared.ringing
    assert ring is not None
    together, lasting = judging.compared.together, judging.compared.lasting
    by_its_ring = np.array(judging.compared.chance_by_ring, float)
    off = np.array([off_db])
    by_its_ring[k] = ring.chance(off)[0]
    if lasting is not None:
        lasting = dataclasses.replace(lasting, touching=None) if alone else lasting
        by_its_ring[k] = min(by_its_ring[k], lasting.at(k, off, ring.after_ms)[0])
    if together is not None and not alone:
        by_its_ring[k] = min(by_its_ring[k], together.chance[k])
    other = with_score(dataclasses.replace(judging.compared, chance_by_ring=by_its_ring), k, score)
    return judging.again(judging.heard, other)[k].verdict


def _suspect_from_db(explained: Explained, score: float, *, above: bool = False) -> float:
    """From how many dB off what was expected on its ring would make it suspect; nan where none would."""
    steps, side = np.arange(0.0, _MOST_DB + 0.1, 0.5), 1.0 if above else -1.0
    return next((off for off in steps if _with_ring(explained, side * off, score) == "suspect"), math.nan)


def _short_enough(explained: Explained) -> str:
    """How its ring stands, and how far it would have to fall short by itself."""
    compared, k = explained.judging.compared, explained.k
    ring, off_db = compared.ringing, compared.ring_off_db
    if ring is None or off_db is None or not np.isfinite(off_db[k]):
        return ""
    from_db = _suspect_from_db(explained, explained.point.score)
    side = "above" if off_db[k] > 0 else "below"
    what = (
        f"Its ring after {ring.after_ms:g} ms lies {abs(off_db[k]):.1f} dB {side} what was expected "
        f"(good ones ± {ring.spread_db:.1f} dB)"
    )
    if math.isnan(from_db):
        return f"{what}; by itself it would not make it suspect.{_with_those_around(explained)}"
    floor_db = explained.judging.heard[k].ring_db - off_db[k] - RING_FLOOR_DB
    far = "" if from_db <= floor_db else f", which is more than can be measured here ({floor_db:.1f} dB)"
    alone = f"{what}; by itself it would make it suspect from {from_db:.1f} dB below on{far}."
    return f"{alone}{_with_those_around(explained)}"


def _with_those_around(explained: Explained) -> str:
    """How it and the places around it ring beside other such areas of the panel."""
    together, k = explained.judging.compared.together, explained.k
    if together is None and explained.result.panel is None:
        return ""  # nobody knows what lies around
    if together is None:
        return (
            f" Rings of {AREA} places together were not asked: fewer than {4 * AREA} stations could be, "
            "or most of them are off."
        )
    if not np.isfinite(together.off_db[k]) or off_together(explained.judging.compared, k):
        return ""  # nothing, or said before
    side = "above" if together.off_db[k] > 0 else "below"
    return (
        f" The area it is most off with, {' '.join(_around(explained))}, lies "
        f"{abs(together.off_db[k]):.1f} dB {side} the middle of the panel (such areas of good skin ± "
        f"{together.usual_db:.1f} dB)."
    )


def _around(explained: Explained) -> list[str]:
    """Stations of the area that a station is most off with."""
    together = explained.judging.compared.together
    assert together is not None
    return [explained.result.points[j].station for j in sorted(together.areas[explained.k])]


def _by_its_ring_alone(explained: Explained) -> str:
    """What its ring and its score would do by themselves, where it would be suspect at any score."""
    judging, k, ring = explained.judging, explained.k, explained.judging.compared.ringing
    if ring is None or explained.point.verdict != "suspect" or not _by_itself(judging, k):
        return ""
    if off_together(judging.compared, k):
        own_db = float(np.asarray(judging.compared.ring_off_db)[k])
        by_itself = _with_ring(explained, own_db, explained.point.score, alone=True)
        return (
            "At any score it is suspect while it and those around it ring as they do after "
            f"{ring.after_ms:g} ms; by itself it would be {by_itself}."
        )
    longer = rings_longer(judging.compared, k)
    from_db = _suspect_from_db(explained, _NO_SCORE, above=longer)
    if math.isnan(from_db):
        return ""
    other = " and the other stays as long" if longer else ""
    if longer and len(counted_together(judging.compared)[k]):
        other = ", the other stays as long and those side by side ring as they do"
    return (
        f"At any score it is suspect while its ring after {ring.after_ms:g} ms lies {from_db:.1f} dB or more "
        f"{'above' if longer else 'below'} what was expected{other}; with the ring as expected it would be "
        f"{_with_ring(explained, 0.0, explained.point.score)} at the same score."
    )


def _by_itself(judging: Judging, k: int) -> bool:
    """Whether a station would be suspect by its ring, had it no score to speak of and no other side."""
    return judging.again(judging.heard, with_score(judging.compared, k, _NO_SCORE))[k].verdict == "suspect"


def _one_feature(explained: Explained, suspect: bool) -> str:
    """What one feature alone would have to do, all else as heard."""
    compared = explained.judging.compared
    if compared.scorer is None or compared.heard is None:
        return ""
    at = compared.heard[explained.k]
    features = len(at)
    for part in explained.parts:
        own = list(part.columns)
        alone = np.zeros(features)
        alone[own] = 1.0
        if features - 1 not in own:  # bands are held about their mean: one that moves shifts the others
            alone[:-1] -= len(own) / (features - 1)
        here, much = float(at[own].mean()), float(alone[own].mean())
        if abs(much) < 1e-9:  # all the bands there are: together they cannot move about their mean
            continue
        moves = np.arange(-_MOST_DB, _MOST_DB + _STEP_DB / 2, _STEP_DB)
        if features - 1 in own:  # no ring is measured shorter than that
            least = RING_FLOOR_DB - explained.judging.shape[explained.k, -1]
            moves = moves[~(moves < least)]
        reach = _reached(compared, explained.k, at + moves[:, None] * alone, explained.cut)
        turned = moves[reach != suspect]
        if not len(turned):
            continue
        to = here + turned * much
        if suspect:
            return (
                f"If the {part.name} lay {_from_to(float(to.min()), float(to.max()))} what was expected, all "
                "else as heard, it would be no difference."
            )
        nearest = float(turned[np.argmin(np.abs(turned))])
        aim = here + nearest * much
        side = "above" if aim > 0 else "below"
        return (
            f"By the {part.name} alone it would have to lie {abs(aim):.1f} dB {side} what was expected, "
            f"{abs(nearest * much):.1f} dB further {'up' if nearest > 0 else 'down'} than heard."
        )
    return (
        "No one feature alone would change that."
        if suspect
        else f"No one feature alone would do it within {_MOST_DB:.0f} dB."
    )


def _from_to(low: float, high: float) -> str:
    """A range about what was expected, in words."""
    if low < 0 < high:
        return f"between {-low:.1f} dB below and {high:.1f} dB above"
    near, far = sorted((abs(low), abs(high)))
    return f"between {near:.1f} and {far:.1f} dB {'above' if low >= 0 else 'below'}"


def _read(explained: Explained) -> str:
    point = explained.point

    def beside(name: str, unit: str) -> str:
        own = getattr(point, f"{name}_{unit.lower()}")
        if not math.isfinite(own):
            return f"{name} not readable"
        others = [
            f"{who} {value:.0f} {unit}"
            for who in ("neighbour", "reference")
            if math.isfinite(value := getattr(point, f"{who}_{name}_{unit.lower()}"))
        ]
        words = ", ".join(others).replace("neighbour ", "neighbours ")
        return f"{name} {own:.0f} {unit}" + (f" ({words})" if words else "")

    return f"{beside('decay', 'ms')}, {beside('centroid', 'Hz')}"
