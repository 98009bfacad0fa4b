"""One analysis from opened recordings: what is stated is checked, then the pipeline tells the story."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from importlib import metadata
from typing import Any

import numpy as np

from taptone import __version__
from taptone.edges.qualifying import with_smallest
from taptone.edges.stated import NAMES, difference, frozen
from taptone.model.baseline import Baseline
from taptone.pipeline import Judging, analyse
from taptone.pipeline.compare import crisper
from taptone.settings import Settings, flat
from taptone.types import Panel, Reference, Result, Sound

__all__ = ["analyse_sounds"]

_LIBRARIES = ("numpy", "scipy", "librosa", "scikit-learn", "soundfile", "av", "shapely", "matplotlib")
_APART_C = 10.0  # common practice, no source: resin softens as it warms


def analyse_sounds(
    sounds: Sequence[Sound],
    *,
    panel: Panel | None = None,
    reference: Reference | None = None,
    stated: Mapping[str, Any] = {},
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

    Examples
    --------
    >>> analyse_sounds([])
    Traceback (most recent call last):
        ...
    taptone.errors.SoundError: no tap was heard: tap nearer to the microphone, in a quieter moment
    """
    if panel is not None:
        given = {k: v for k, v in stated.items() if not _unsaid(v) and _unsaid(getattr(panel, k))}
        cautions = tuple(c for c in panel.cautions if not any(c.startswith(_spoken(name)) for name in given))
        panel = dataclasses.replace(panel, **given, cautions=cautions)
    asked = {k: v for k, v in stated.items() if not _unsaid(v)}
    facts = {name: getattr(panel, name, "") or stated.get(name, "") for name in NAMES}
    temp_c = panel.surface_temp_c if panel is not None else stated.get("surface_temp_c") or math.nan
    kinds: list[str] = []
    if panel is not None and panel.structures:
        from taptone.survey.panel import on_structure

        margin_m = settings.judge.structure_margin_m
        found = [on_structure(panel, s.x_m, s.y_m, margin_m) for s in panel.stations]
        kinds = [s.kind if s else "" for s in found]
    judgings: list[Judging] = []
    result = analyse(
        sounds,
        new_scorer=lambda features: Baseline(benign=np.append(crisper(features - 1), 0.0)),
        panel=panel,
        reference=reference,
        structure=kinds,
        refused=_unlike(facts, reference) or frozen(panel, temp_c) or _far_in_temperature(temp_c, reference),
        settings=settings,
        versions=_versions(),
        on_sound=on_sound,
        on_judged=judgings.append,
    )
    on_judged(judgings[0])
    result = with_smallest(result, judgings[0], str(facts["hammer"]), settings)
    known = {str(r.get("sha256")) for r in reference.recordings} if reference is not None else set()
    own = [r.name for r in result.recordings if r.sha256 and r.sha256 in known]
    notes = [
        f"{name}: the baseline was learned from this very recording: it is compared with itself"
        for name in own
    ]
    notes += _set_otherwise(reference, settings)
    return dataclasses.replace(result, notes=(*result.notes, *notes), stated=asked)


def _unlike(facts: Mapping[str, str], reference: Reference | None) -> str:
    """Reason, where panel and baseline both say what they are of, and differ."""
    if reference is None:
        return ""
    found = difference(facts, {name: str(getattr(reference, name)) for name in NAMES})
    if found is None:
        return ""
    name, here, there = found
    return f"the baseline is of another {name} ({there}), this panel is of {here}"


def _set_otherwise(reference: Reference | None, settings: Settings) -> list[str]:
    """A line where the baseline was learned with other settings than these."""
    there = reference.settings if reference is not None else {}
    judged = {name: value for name, value in flat(settings).items() if not name.startswith("judge.")}
    apart = [f"{k} {there[k]}, not {v}" for k, v in judged.items() if k in there and there[k] != v]
    if not apart:
        return []
    return [
        f"the baseline was learned with other settings ({'; '.join(apart)}): what is compared was not "
        "measured in the same way; learn it anew with these"
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
