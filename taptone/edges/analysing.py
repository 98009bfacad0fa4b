"""One analysis from opened recordings: what is stated is checked, then the pipeline tells the story."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from importlib import metadata
from typing import Any

import numpy as np

from taptone import __version__
from taptone.edges.qualifying import with_smallest
from taptone.edges.stated import JUDGED_ANYWAY, NAMES, contradiction, difference, frozen
from taptone.errors import PanelError
from taptone.model.baseline import Baseline
from taptone.pipeline import Judging, analyse
from taptone.pipeline.compare import crisper
from taptone.settings import JudgeSettings, Settings, flat
from taptone.survey.qualify import least_radius_m
from taptone.types import Earlier, Panel, Reference, Result, Sound

__all__ = ["analyse_sounds"]

_LIBRARIES = ("numpy", "scipy", "scikit-learn", "soundfile", "av", "shapely", "matplotlib")
_APART_C = 10.0  # common practice, no source: resin softens as it warms


def analyse_sounds(
    sounds: Sequence[Sound],
    *,
    panel: Panel | None = None,
    reference: Reference | None = None,
    stated: Mapping[str, Any] = {},
    rows_again: Sequence[tuple[str, Sound]] = (),
    rows_twice: Sequence[str] = (),
    rechecks: Sequence[tuple[int, Sound]] = (),
    mirror: Earlier | None = None,
    anyway: bool = False,
    settings: Settings = Settings(),
    on_sound: Callable[[Sound], Sound] = lambda sound: sound,
    on_judged: Callable[[Judging], None] = lambda _: None,
) -> Result:
    """Analyse recordings of one panel against a baseline.

    Parameters
    ----------
    sounds : sequence of Sound
        Recordings, in order.
    panel : Panel, optional
        Where the stations are.
    reference : Reference, optional
        Known-good places.
    stated : mapping, optional
        ``boat``, ``hammer``, ``recorder``, ``surface_temp_c`` where the panel does not say.
    rows_again : sequence of (str, Sound), optional
        Rows of the panel tapped again, by name, each alone in a recording.
    rows_twice : sequence of str, optional
        Rows that stand twice in `sounds`, one right after the other.
    rechecks : sequence of (int, Sound), optional
        Reference places struck again: how many of `sounds` came before, and the recording.
    mirror : Earlier, optional
        The mirrored panel, or the opposite face, from its own log.
    anyway : bool, optional
        Judge although what is stated speaks against it; every line then says so.
    settings : Settings, optional
        Of every stage.
    on_sound : callable, optional
        Wraps each recording before it is listened to.
    on_judged : callable, optional
        Is given what the stations were judged from.

    Returns
    -------
    Result
        Ready to be written.

    Raises
    ------
    SoundError
        If no tap was heard at all.
    PanelError
        If the panel and what is stated contradict each other, or it has no row of that name.

    Examples
    --------
    >>> analyse_sounds([])
    Traceback (most recent call last):
        ...
    taptone.errors.SoundError: no tap was heard: tap nearer to the microphone, in a quieter moment
    """
    if panel is not None:
        apart = contradiction(panel, stated)
        if apart:
            raise PanelError(apart, hint="correct one of them")
        given = {k: v for k, v in stated.items() if not _unsaid(v) and _unsaid(getattr(panel, k))}
        cautions = tuple(c for c in panel.cautions if not any(c.startswith(_spoken(name)) for name in given))
        panel = dataclasses.replace(panel, **given, cautions=cautions)
    asked = {k: v for k, v in stated.items() if not _unsaid(v)}
    _rows_there([*(name for name, _ in rows_again), *rows_twice], panel)
    asked |= {"rows_again": [name for name, _ in rows_again]} if rows_again else {}
    asked |= {"rows_twice": list(rows_twice)} if rows_twice else {}
    asked |= {"rechecks": [after for after, _ in rechecks]} if rechecks else {}
    asked |= {"anyway": True} if anyway else {}
    facts = {name: getattr(panel, name, "") or stated.get(name, "") for name in NAMES}
    temp_c = panel.surface_temp_c if panel is not None else stated.get("surface_temp_c") or math.nan
    against = [
        *_unlike(facts, reference),
        *filter(None, [frozen(panel, temp_c), _far_in_temperature(temp_c, reference)]),
    ]
    facing, said = _other_side(panel, facts, mirror, anyway)
    same = [s.recording.name for s in sounds if facing and s.recording.sha256 in facing.recordings]
    if same:
        facing = None
        said = [f"the log given with --mirror is of {same[0]} too: that is this side, and is not used"]
    judgings: list[Judging] = []
    result = analyse(
        sounds,
        new_scorer=partial(_scorer, settings=settings.judge),
        panel=panel,
        reference=reference,
        structure=partial(_kinds, settings=settings),
        structure_before=_kinds_before(panel, settings),
        rows_again=rows_again,
        rows_twice=rows_twice,
        rechecks=rechecks,
        mirror=facing,
        refused="" if anyway else "; ".join(against),
        least_radius_m=least_radius_m(panel.laminate) if panel is not None and panel.laminate else math.nan,
        settings=settings,
        versions=_versions(),
        on_sound=on_sound,
        on_judged=judgings.append,
    )
    on_judged(judgings[0])
    if anyway and against:
        result = _all_the_same(result, "; ".join(against))
    result = with_smallest(result, judgings[0], str(facts["hammer"]), settings)
    known = {str(r.get("sha256")) for r in reference.recordings} if reference is not None else set()
    own = [r.name for r in result.recordings if r.sha256 and r.sha256 in known]
    notes = [
        f"{name}: the baseline was learned from this very recording: it is compared with itself"
        for name in own
    ]
    if reference is not None:
        notes += _set_otherwise("the baseline was learned", reference.settings, settings)
    if facing is not None:
        notes += _set_otherwise("the other side was analysed", facing.settings, settings)
    return dataclasses.replace(result, notes=(*result.notes, *said, *notes), stated=asked)


def _scorer(features: int, settings: JudgeSettings) -> Baseline:
    """A model for so many features, of which the last is the ring."""
    spread = np.append(np.full(features - 1, settings.least_spread_db), settings.least_ring_db)
    return Baseline(benign=np.append(crisper(features - 1), 0.0), least_spread=spread)


def _kinds(panel: Panel, settings: Settings) -> list[str]:
    """Kind of declared structure under each station; nothing where none is declared."""
    if not panel.structures:
        return []
    from taptone.survey.panel import kinds_under

    places = [(s.x_m, s.y_m) for s in panel.stations]
    return kinds_under(panel, places, settings.judge.structure_margin_m)


def _kinds_before(panel: Panel | None, settings: Settings) -> Callable[[Panel], list[str]] | None:
    """The same with what was declared before tapping only; None where that is all there is."""
    if panel is None or not any(s.declared_after_tapping for s in panel.structures):
        return None
    earlier = tuple(s for s in panel.structures if not s.declared_after_tapping)
    return lambda tapped: _kinds(dataclasses.replace(tapped, structures=earlier), settings)


def _rows_there(rows: Sequence[str], panel: Panel | None) -> None:
    """Refuse a row that the panel does not have."""
    names = panel.row_names if panel is not None else {}
    for name in rows:
        if panel is None:
            raise PanelError(
                f"row {name} tapped again, but no panel file is given", hint="give it with --panel"
            )
        if name not in names:
            known = ", ".join(names) or "none that can be named"
            raise PanelError(f"panel {panel.name} has no row {name}", hint=f"its rows are {known}")


def _unlike(facts: Mapping[str, str], reference: Reference | None) -> list[str]:
    """Reasons, where panel and baseline both say what they are of, and differ."""
    if reference is None:
        return []
    there = {name: str(getattr(reference, name)) for name in NAMES}
    found = [difference({name: facts[name]}, {name: there[name]}) for name in NAMES]
    return [
        f"the baseline is of another {name} ({known}), this panel is of {here}"
        for name, here, known in filter(None, found)
    ]


def _all_the_same(result: Result, why: str) -> Result:
    """Every line says that it was judged although something speaks against it."""
    points = tuple(
        dataclasses.replace(p, flags=(*p.flags, "anyway"), reason=f"{p.reason}; {JUDGED_ANYWAY}{why}")
        for p in result.points
    )
    return dataclasses.replace(
        result,
        points=points,
        relative_to=f"{result.relative_to}; {JUDGED_ANYWAY}{why}",
        notes=(*result.notes, f"{JUDGED_ANYWAY}{why}"),
    )


def _other_side(
    panel: Panel | None, facts: Mapping[str, str], mirror: Earlier | None, anyway: bool
) -> tuple[Earlier | None, list[str]]:
    """The other side if it is what the panel says, and what a person should know."""
    if mirror is None:
        return None, []
    if panel is None:  # nobody knows which station faces which: the pipeline says so
        return mirror, []
    wanted = [name for name in (panel.mirror_of, panel.opposite_face_of) if name]
    why, told = "", []
    if not wanted:
        told = [
            f"the panel file says neither mirror_of nor opposite_face_of: {mirror.panel} is taken for the "
            "other side because the command says so"
        ]
    elif mirror.panel.strip().casefold() not in [name.strip().casefold() for name in wanted]:
        said = " or ".join(wanted)
        why = f"the log given with --mirror is of panel {mirror.panel}, the panel file says {said}"
    if not why:
        found = difference(facts, mirror.stated)
        if found is not None:
            name, here, there = found
            why = f"the other side, {mirror.panel}, is of another {name} ({there}), this panel is of {here}"
    if not why:
        return mirror, told
    if anyway:
        return mirror, [f"{why}: compared anyway"]
    return None, [f"{why}: the other side is not used (--anyway uses it)"]


def _set_otherwise(what: str, there: Mapping[str, Any], settings: Settings) -> list[str]:
    """A line where something else was measured with other settings than these."""
    heard = {k: v for k, v in flat(settings).items() if not k.startswith(("judge.", "extent."))}
    apart = [f"{k} {there[k]}, not {v}" for k, v in heard.items() if k in there and there[k] != v]
    if not apart:
        return []
    return [
        f"{what} with other settings ({'; '.join(apart)}): what is compared was not measured in the same "
        "way; do it anew with these"
    ]


def _far_in_temperature(temp_c: float, reference: Reference | None) -> str:
    if reference is None or not abs(temp_c - reference.surface_temp_c) > _APART_C:
        return ""
    return (
        f"surface at {temp_c:.0f} °C, the baseline's at {reference.surface_temp_c:.0f} °C: more than "
        f"{_APART_C:.0f} °C apart they are not comparable"
    )


def _unsaid(value: object) -> bool:
    return value in ("", None) or (isinstance(value, float) and math.isnan(value))


def _spoken(name: str) -> str:
    return {"surface_temp_c": "surface temperature"}.get(name, name)


def _versions() -> dict[str, str]:
    return {"taptone": __version__} | {name: metadata.version(name) for name in _LIBRARIES}
