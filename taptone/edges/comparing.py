"""Two visits to one panel, from their logs: what speaks against comparing them, and what became of it."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from taptone import __version__
from taptone.edges.earlier import as_earlier, load_earlier
from taptone.edges.explaining import open_log
from taptone.edges.stated import difference
from taptone.edges.store import is_survey, open_store
from taptone.edges.tables import write_files
from taptone.edges.textfiles import load_panel
from taptone.errors import LogError, SurveyError
from taptone.model.baseline import Baseline
from taptone.pipeline.compare import crisper
from taptone.settings import JudgeSettings, with_values
from taptone.survey.change import Changes, Extent, Sounded, changes
from taptone.survey.records import Analysis, Visit
from taptone.types import BAND_CENTRES_HZ, FloatArray, Panel

__all__ = [
    "Compared",
    "against",
    "compare_logs",
    "elsewhere",
    "load_sounded",
    "logs_of",
    "same_panels",
    "stations_in",
    "write_changes",
]

_APART_C = 10.0  # common practice, no source: resin softens as it warms
_LEAST_SHARED = 0.5  # of the stations of the smaller log
_HINT = "give the folder or log.json of taptone analyse, or the folder of a survey"


@dataclass(frozen=True, slots=True)
class Compared:
    """What became of one panel, from which logs, and all that a reader must know of the comparison."""

    changes: Changes
    earlier: Mapping[str, str]
    later: Mapping[str, str]
    panel: Panel
    repaired: tuple[str, ...]
    although: tuple[str, ...]
    cautions: tuple[str, ...]
    settings: Mapping[str, float | int]


def logs_of(path: str | os.PathLike[str]) -> dict[str, Path]:
    """Logs that a path names: the one there, or the latest of every panel of a survey.

    Parameters
    ----------
    path : path-like
        ``log.json``, its folder, or the folder of a survey.

    Returns
    -------
    dict of str to Path
        By name of the panel; by an empty name where the path is a log itself.

    Raises
    ------
    LogError, SurveyError
        If there is nothing of the kind.

    Examples
    --------
    >>> logs_of("nowhere")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the folder or log.json of taptone analyse, or ...
    """
    place = Path(path)
    if not os.path.exists(place):
        raise LogError(f"{place} does not exist", hint=_HINT)
    if not (place / "survey.sqlite").is_file():
        if os.path.isdir(place) and not (place / "log.json").is_file():
            raise LogError(f"{place} holds no log.json and no survey", hint=_HINT)
        return {"": place}
    with open_store(place) as store:
        found = {row.record.panel: place / row.record.folder for row in store.rows(Analysis)}
    found.pop("", None)
    if not found:
        raise SurveyError(
            f"{place} holds no analysis of a panel", hint="run taptone analyse --survey with --panel first"
        )
    return found


def same_panels(
    earlier_path: str | os.PathLike[str], later_path: str | os.PathLike[str], panel: str = ""
) -> tuple[list[tuple[str, Path, Path]], list[str]]:
    """Logs of the same panels on two visits.

    Parameters
    ----------
    earlier_path, later_path : path-like
        Logs, or surveys.
    panel : str, optional
        The only panel that is wanted.

    Returns
    -------
    pairs : list of (str, Path, Path)
        Name of a panel, and its log on either visit.
    only : list of str
        A line for each panel of a survey that the other one lacks.

    Raises
    ------
    LogError, SurveyError
        If they share no panel.

    Examples
    --------
    >>> same_panels("nowhere", "there")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the folder or log.json of taptone analyse, or ...
    """
    found = []
    for path in (earlier_path, later_path):
        logs = logs_of(path)
        if "" in logs:
            logs = {load_earlier(logs[""]).panel: logs[""]}
        found.append({_spoken(name): (name, log) for name, log in logs.items()})
    then, now = found
    lone = len(then) == len(now) == 1  # the only panel of either: perhaps called otherwise now
    if lone and not panel:
        [(_, one)], [(name, two)] = then.values(), now.values()
        return [(name, one, two)], []
    wanted = [key for key in now if key in then and (not panel or key == _spoken(panel))]
    if not wanted:
        said = [", ".join(name for name, _ in side.values()) for side in found]
        raise LogError(
            f"no panel {panel} on both visits: {said[0]} then, {said[1]} now".replace(
                "panel  on", "panel on"
            ),
            hint="give the logs of one panel, or name it with --panel",
        )
    only = [
        f"panel {name} was sounded on the {visit} visit only"
        for visit, side, other in (("earlier", then, now), ("later", now, then))
        for key, (name, _) in side.items()
        if key not in other and not panel
    ]
    return [(now[key][0], then[key][1], now[key][1]) for key in wanted], only


def load_sounded(path: str | os.PathLike[str]) -> Sounded:
    """Read how a panel was sounded on one visit.

    Parameters
    ----------
    path : path-like
        ``log.json``, or its folder.

    Returns
    -------
    Sounded
        With the reference places that the log holds.

    Raises
    ------
    LogError
        One line: what is wrong, where, what to do.

    Examples
    --------
    >>> load_sounded("nowhere")
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    log = open_log(Path(path))
    assert log.read is not None
    earlier = as_earlier(log.read)
    assert log.panel is not None  # as_earlier refuses a log without one
    known = log.body["baseline"]
    try:
        bands_db = _table(known.get("bands_db", []), len(BAND_CENTRES_HZ))
        ring_db = _table(known.get("ring_db", []), 1)[:, 0]
        if len(bands_db) != len(ring_db):
            raise ValueError("baseline, ring_db: another number of places than bands_db")
        areas = tuple(
            Extent(tuple(map(str, area["stations"])), float(area["at_least_m2"]), float(area["at_most_m2"]))
            for area in log.body.get("areas", [])
        )
        points = log.body["points"]
        return Sounded(
            log=earlier,
            panel=log.panel,
            characters=tuple(str(point.get("character", "")) for point in points),
            reasons=tuple(str(point["reason"]) for point in points),
            areas=areas,
            reference_bands_db=bands_db,
            reference_ring_db=ring_db,
            anyway=bool(log.body.get("stated", {}).get("anyway", False)),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LogError(
            f"{log.path} lacks something or holds something odd ({error})", hint="analyse again"
        ) from error


def against(earlier: Sounded, later: Sounded, *, repaired: bool = False) -> tuple[list[str], list[str]]:
    """What speaks against comparing two visits, and what nobody can tell.

    Parameters
    ----------
    earlier, later : Sounded
        The panel on either visit.
    repaired : bool, optional
        Part of the panel was repaired: then another construction is no objection.

    Returns
    -------
    reasons : list of str
        Why they do not compare; none: they do.
    cautions : list of str
        A line for each thing that one of them does not state, or that may matter.

    Examples
    --------
    >>> from taptone.types import Earlier
    >>> def visit(hammer):
    ...     log = Earlier("deck", {"hammer": hammer}, (), np.zeros((0, 2)), None, None, None, (), None)
    ...     panel = Panel("deck", "port", "outside", "solid", "stem", (), (), 1, 0.1, surface_temp_c=14.0)
    ...     return Sounded(log, panel, (), (), (), None, None)
    >>> against(visit("60 g steel"), visit("90 g steel"))[0]
    ['another hammer: 60 g steel then, 90 g steel now']
    """
    reasons, cautions = [], []
    one, two = earlier.panel, later.panel
    for name in ("boat", "hammer", "construction", "recorder"):
        said = [str(side.log.stated.get(name, "")).strip() for side in (earlier, later)]
        if not all(said):
            cautions.append(f"{name}: {_unstated(said)}; whether it was the same is not known")
            continue
        if difference({name: said[0]}, {name: said[1]}) is None:
            continue
        line = f"another {name}: {said[0]} then, {said[1]} now"
        if name == "recorder":
            cautions.append(f"{line}; what it adds to every tap alike is taken off, the rest is not")
        elif name == "construction" and repaired:
            cautions.append(f"{line}; taken for that of the repaired area")
        else:
            reasons.append(line)
    if one.laminate is not None and two.laminate is not None and not repaired:
        skins = [(side.laminate.skin_mm, side.laminate.core, side.laminate.core_mm) for side in (one, two)]  # type: ignore[union-attr]
        if skins[0] != skins[1]:
            reasons.append(
                "another construction: "
                + ", ".join(
                    f"{skin:g} mm skin, core {core} {thick:g} mm {when}"
                    for (skin, core, thick), when in zip(skins, ("then", "now"), strict=True)
                )
            )
    reasons += elsewhere(one, two)
    cautions += [
        f"the panel was called {one.name} then, and is called {two.name} now"
        for _ in range(_spoken(one.name) != _spoken(two.name))
    ]
    temps_c = one.surface_temp_c, two.surface_temp_c
    if not np.isfinite(temps_c).all():
        said = [f"{t:g}" if np.isfinite(t) else "" for t in temps_c]
        cautions.append(
            f"surface temperature: {_unstated(said)}; over {_APART_C:.0f} °C apart they would not compare"
        )
    elif abs(temps_c[0] - temps_c[1]) > _APART_C:
        reasons.append(
            f"surface at {temps_c[0]:g} °C then, {temps_c[1]:g} °C now: over {_APART_C:.0f} °C apart"
        )
    return reasons, cautions


def compare_logs(
    earlier_path: str | os.PathLike[str],
    later_path: str | os.PathLike[str],
    *,
    repaired: Sequence[str] = (),
    anyway: bool = False,
) -> Compared:
    """Compare two logs of one panel.

    Parameters
    ----------
    earlier_path, later_path : path-like
        ``log.json`` of either visit, or its folder.
    repaired : sequence of str, optional
        Repaired areas, as :func:`stations_in` takes them.
    anyway : bool, optional
        Compare although something speaks against it; every line then says so.

    Returns
    -------
    Compared
        Ready to be written.

    Raises
    ------
    LogError
        If one is no log, or the two do not compare.

    Examples
    --------
    >>> compare_logs("nowhere", "there")
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    earlier, later = load_sounded(earlier_path), load_sounded(later_path)
    if earlier.log.sha256 == later.log.sha256:
        raise LogError(f"{later_path} is the same log as {earlier_path}", hint="give two visits")
    shared = [r for r in later.log.recordings if r in earlier.log.recordings]
    labels = stations_in(repaired, later)
    reasons, cautions = against(earlier, later, repaired=bool(labels))
    reasons += _another_grid(earlier, later)
    reasons += [
        f"measured with another {name}: {earlier.log.settings[name]} then, {later.log.settings[name]} now"
        for name in later.log.settings
        if not name.startswith("judge.")
        and name in earlier.log.settings
        and earlier.log.settings[name] != later.log.settings[name]
    ]
    if reasons and not anyway:
        raise LogError(
            f"{later.log.panel}: the two visits do not compare: {'; '.join(reasons)}",
            hint="correct what was stated, or use --anyway, which marks every line",
        )
    cautions += [
        f"the log of the {visit} visit was itself judged anyway: see why in its notes"
        for visit, side in (("earlier", earlier), ("later", later))
        if side.anyway
    ]
    if shared:
        cautions.append("both logs are of the same recording: this is no second visit")
    settings = _judging(later)
    found = changes(
        earlier,
        later,
        new_judge=partial(_scorer, settings=settings, crisp=True),
        new_scorer=partial(_scorer, settings=settings, crisp=False),
        repaired=labels,
        settings=settings,
    )
    if reasons:
        found = _all_the_same(found, "; ".join(reasons))
    return Compared(
        found,
        _visit(earlier_path, earlier),
        _visit(later_path, later),
        later.panel,
        tuple(labels),
        tuple(reasons),
        tuple(cautions),
        {
            name: getattr(settings, name)
            for name in ("confidence", "least_spread_db", "least_ring_db", "neighbours", "set_aside")
        },
    )


def _visit(path: str | os.PathLike[str], side: Sounded) -> dict[str, str]:
    """Which visit it was: the survey that holds the log, the log, and the day that is stated there."""
    log = Path(path)
    folder = Path(os.path.abspath(log.parent if log.name == "log.json" else log))
    survey = folder.parent.parent if folder.parent.name == "exports" else None
    date = str(side.panel.conditions.get("date", ""))
    if survey is not None and not date and is_survey(survey):
        with open_store(survey) as store:
            date = " and ".join(dict.fromkeys(visit.date for visit in store.records(Visit)))
    return {
        "survey": survey.name if survey is not None else "",
        "log": log.name,
        "date": date,
        "sha256": side.log.sha256,
    }


def write_changes(found: Compared, out: Path, *, pictures: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write what became of a panel into a folder, all or nothing.

    Parameters
    ----------
    found : Compared
        From :func:`compare_logs`.
    out : Path
        The folder; made if missing. A file of an earlier run that differs is set beside.
    pictures : mapping of str to bytes
        By file name, as :func:`taptone.edges.changemap.draw_changes` makes them.

    Returns
    -------
    tuple of Path
        ``changes.csv``, ``changes.json``, the pictures, and what was set beside.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to. Nothing has changed then.

    Examples
    --------
    >>> import tempfile
    >>> nothing = Compared(Changes("deck", (), (), "", 0), {}, {}, None, (), (), (), {})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in write_changes(nothing, Path(folder), pictures={})]
    ['changes.json']
    """
    changed = found.changes
    stations = [asdict(one) for one in changed.stations]
    body = {
        "panel": changed.panel,
        "earlier": dict(found.earlier),
        "later": dict(found.later),
        "matched_on": changed.matched_on,
        "compared": changed.compared,
        "repaired": list(found.repaired),
        "although": list(found.although),
        "cautions": list(found.cautions),
        "notes": list(changed.notes),
        "settings": dict(found.settings),
        "version": __version__,
        "stations": stations,
        "areas": [asdict(area) for area in changed.areas],
    }
    return write_files(
        out, tables={"changes.csv": stations}, documents={"changes.json": body}, pictures=pictures
    )


def stations_in(areas: Sequence[str], later: Sounded) -> list[str]:
    """Stations of repaired areas.

    Parameters
    ----------
    areas : sequence of str
        Each either labels (``B3 B4``, or ``B3,B4``), or a kind of structure declared in the later panel, or
        a panel file: all stations within its outline, measured from the same datum.
    later : Sounded
        The later visit.

    Returns
    -------
    list of str
        Labels in the order of the log.

    Raises
    ------
    LogError
        If it names no station.

    Examples
    --------
    >>> stations_in([], None)
    []
    """
    chosen: set[str] = set()
    for area in areas:
        known = dict.fromkeys(later.log.labels)
        words = area.replace(",", " ").split()
        if words and all(word in known for word in words):
            chosen.update(words)
            continue
        held = _declared(area, later) if not area.endswith(".toml") else _outlined(area, later)
        if not held:
            unknown = next((word for word in words if word not in known), area)
            raise LogError(
                f"--repaired {area}: {unknown} is no station of {later.log.panel}, and no structure declared "
                "in it",
                hint="give labels such as 'B3 B4', a declared kind, or a panel file with the outline",
            )
        chosen.update(held)
    return [label for label in (later.log.labels if areas else ()) if label in chosen]


# -- what speaks against it --------------------------------------------------------------------------------


def elsewhere(one: Panel, two: Panel) -> list[str]:
    """Why places of two panels are not the same places.

    Parameters
    ----------
    one, two : Panel
        As they were then, and now.

    Returns
    -------
    list of str
        Reasons; none: they are.

    Examples
    --------
    >>> deck = Panel("deck", "port", "outside", "solid", "stem", (), (), spacing_m=0.1)
    >>> elsewhere(deck, replace(deck, side="starboard"))
    ['another side: port then, starboard now']
    """
    reasons = [
        f"another {name}: {getattr(one, name)} then, {getattr(two, name)} now"
        for name in ("side", "face", "datum")
        if _spoken(getattr(one, name)) != _spoken(getattr(two, name))
    ]
    spacings_m = one.spacing_m, two.spacing_m
    if np.isfinite(spacings_m).all() and not np.isclose(*spacings_m, rtol=0.01):
        reasons.append(
            f"another grid: every {1000 * spacings_m[0]:.0f} mm then, every {1000 * spacings_m[1]:.0f} mm now"
        )
    elif one.pattern != two.pattern and np.isfinite(spacings_m).all():
        reasons.append(f"another grid: {one.pattern} then, {two.pattern} now")
    return reasons


def _another_grid(earlier: Sounded, later: Sounded) -> list[str]:
    from taptone.survey.change import pair_stations

    paired = int((pair_stations(earlier, later) >= 0).sum())
    fewer = min(len(earlier.log.labels), len(later.log.labels))
    if paired >= _LEAST_SHARED * fewer:
        return []
    return [f"another grid: only {paired} of {fewer} stations lie where one lay before"]


def _unstated(said: Sequence[str]) -> str:
    then, now = said
    if not then and not now:
        return "not recorded on either visit"
    return f"{then or 'not recorded'} then, {now or 'not recorded'} now"


def _spoken(text: str) -> str:
    return " ".join(text.split()).casefold()


# -- the rest ----------------------------------------------------------------------------------------------


def _table(rows: Any, width: int) -> FloatArray:
    table = np.array([[np.nan if v is None else float(v) for v in np.atleast_1d(row)] for row in rows])
    return table.reshape(-1, width)


def _scorer(features: int, settings: JudgeSettings, crisp: bool) -> Baseline:
    """A model for so many features, of which the last is the ring."""
    spread = np.append(np.full(features - 1, settings.least_spread_db), settings.least_ring_db)
    benign = np.append(crisper(features - 1), 0.0) if crisp else None
    return Baseline(benign=benign, least_spread=spread)


def _judging(later: Sounded) -> JudgeSettings:
    """The limits that the later log was judged by."""
    known = {field.name for field in fields(JudgeSettings)}
    held = {
        name: repr(value)
        for name, value in later.log.settings.items()
        if name.startswith("judge.") and name.removeprefix("judge.") in known
    }
    return with_values(held).judge


def _declared(kind: str, later: Sounded) -> list[str]:
    from taptone.survey.panel import on_structure

    panel = later.panel
    own = replace(panel, structures=tuple(s for s in panel.structures if _spoken(s.kind) == _spoken(kind)))
    if not own.structures:
        return []
    places = zip(later.log.labels, later.log.xy_m, strict=True)
    return [label for label, (x, y) in places if on_structure(own, float(x), float(y)) is not None]


def _outlined(path: str, later: Sounded) -> list[str]:
    import shapely

    area = load_panel(path)
    if area.datum and later.panel.datum and _spoken(area.datum) != _spoken(later.panel.datum):
        raise LogError(
            f"--repaired {path}: measured from another datum ({area.datum}) than the panel "
            f"({later.panel.datum})",
            hint="give the repaired area from the panel's datum",
        )
    shape = shapely.Polygon(area.outline).buffer(1e-6)
    return [
        label
        for label, (x, y) in zip(later.log.labels, later.log.xy_m, strict=True)
        if shape.covers(shapely.Point(float(x), float(y)))
    ]


def _all_the_same(found: Changes, why: str) -> Changes:
    """Every line says that it was compared although something speaks against it."""
    said = f"compared anyway, although {why}"
    stations, areas = (
        tuple(replace(one, flags=(*one.flags, "anyway"), reason=f"{one.reason}; {said}") for one in rows)
        for rows in (found.stations, found.areas)
    )
    return replace(found, stations=stations, areas=areas, notes=(*found.notes, said))  # type: ignore[arg-type]
