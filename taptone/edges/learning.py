"""Recordings of known-good places to a reference."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from taptone import __version__
from taptone.errors import BaselineError, ReferenceTooSmallError
from taptone.pipeline import hear, pool, strikes
from taptone.pipeline.place import place
from taptone.settings import Settings, flat
from taptone.types import Measured, Panel, Reference, Sound

__all__ = ["learn_reference"]

_FEW = 20


def learn_reference(
    sounds: Sequence[Sound],
    *,
    boat: str,
    construction: str,
    hammer: str,
    recorder: str = "",
    surface_temp_c: float = float("nan"),
    panel: Panel | None = None,
    taps_per_place: int = 1,
    settings: Settings = Settings(),
) -> tuple[Reference, list[str]]:
    """Measure known-good places and pool the strikes of each.

    Parameters
    ----------
    sounds : sequence of Sound
        Recordings, in order.
    boat, construction, hammer, recorder : str
        What the taps belong to; they are only compared with the same.
    surface_temp_c : float, optional
        Surface temperature.
    panel : Panel, optional
        Says which strikes belong to which place.
    taps_per_place : int, optional
        Without a panel: strikes at each place, one place after another.
    settings : Settings, optional
        Of every stage.

    Returns
    -------
    reference : Reference
        A row a place.
    notes : list of str
        What the person should know.

    Raises
    ------
    ReferenceTooSmallError
        Of fewer than `judge.least_places` places.
    BaselineError
        If the strikes do not make up whole places.

    Examples
    --------
    >>> learn_reference([], boat="Kettle", construction="cored_foam", hammer="60 g steel")
    Traceback (most recent call last):
        ...
    taptone.errors.ReferenceTooSmallError: 0 places were heard: strike at least 8 good places, better 20
    """
    taps: list[Measured] = []
    numbers: list[int] = []
    notes: list[str] = []
    for number, sound in enumerate(sounds):
        measured, _, said = hear(sound, settings)
        first = [measured[k] for k in strikes(measured)]
        taps += first
        numbers += [number] * len(first)
        notes += said
    groups = _by_panel(taps, numbers, panel, settings, notes) if panel else _by_count(taps, taps_per_place)
    groups = {
        k: g for k, g in groups.items() if np.nanmedian([t["snr_db"] for t in g]) >= settings.judge.snr_db
    }
    least = settings.judge.least_places
    if len(groups) < least:
        raise ReferenceTooSmallError(
            f"{len(groups)} places were heard",
            hint=f"strike at least {least} good places, better {_FEW}",
        )
    if len(groups) < _FEW:
        notes.append(f"{len(groups)} places: under {_FEW}, small differences will not be told")
    pooled = [pool(g) for g in groups.values()]
    bands = np.array([p[0] for p in pooled])
    bands.setflags(write=False)
    reference = Reference(
        boat=boat,
        construction=construction,
        hammer=hammer,
        recorder=recorder,
        surface_temp_c=surface_temp_c,
        rate_hz=min(s.recording.rate_hz for s in sounds),
        measures=tuple(p[1] for p in pooled),
        bands_db=bands,
        labels=tuple(groups),
        taps=tuple(len(g) for g in groups.values()),
        recordings=tuple(
            {
                "name": r.name,
                "sha256": r.sha256,
                "rate_hz": r.rate_hz,
                "samples": r.samples,
                "decoder": r.decoder,
            }
            for r in (s.recording for s in sounds)
        ),
        settings=flat(settings),
        version=__version__,
    )
    return reference, notes


def _by_count(taps: Sequence[Measured], each: int) -> dict[str, list[Measured]]:
    if len(taps) % each:
        raise BaselineError(
            f"{len(taps)} strikes do not make whole places of {each}",
            hint="strike every place the same number of times, or give a panel file with --panel",
        )
    return {str(k // each + 1): list(taps[k : k + each]) for k in range(0, len(taps), each)}


def _by_panel(
    taps: Sequence[Measured], numbers: Sequence[int], panel: Panel, settings: Settings, notes: list[str]
) -> dict[str, list[Measured]]:
    spots, said = place(np.array(numbers, int), np.array([t.time_s for t in taps]), panel, settings.place)
    notes += said
    for spot in spots:
        if spot.reason and spot.reason not in notes:
            notes.append(spot.reason)
    return {s.station.label: [taps[k] for k in s.taps] for s in spots if s.taps and not s.reason}
