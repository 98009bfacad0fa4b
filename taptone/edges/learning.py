"""Recordings of known-good places to a reference."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence

import numpy as np

from taptone import __version__
from taptone.edges.stated import contradiction, frozen
from taptone.errors import BaselineError, ReferenceTooSmallError
from taptone.pipeline import listen, pool, strikes, within_band
from taptone.pipeline.clipping import CLIPPED
from taptone.pipeline.faults import sensitivity
from taptone.pipeline.gaps import runs_of, whole_places
from taptone.pipeline.measure import measure
from taptone.pipeline.pick import hammer_sound
from taptone.pipeline.place import NOT_SURE, place
from taptone.settings import Settings, flat
from taptone.types import Finding, Measured, Panel, Place, Reference, Sound, Tap

__all__ = ["learn_reference"]

_FEW = 20
_UNPAIRED = (
    "where nobody knows which place is which, a recheck is held against all places together, not one by one, "
    "and shows less: if you mean to recheck, strike the reference again now, with a pause after each place"
)


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
        Says which strikes belong to which place, and recorder and temperature where they are not given.
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
        If the strikes do not make up whole places, or the panel is of something else, or frozen.

    Examples
    --------
    >>> learn_reference([], boat="Kettle", construction="cored_foam", hammer="60 g steel")
    Traceback (most recent call last):
        ...
    taptone.errors.ReferenceTooSmallError: 0 places were heard: strike at least 8 good places, better 20
    """
    if panel is not None:
        stated = {"boat": boat, "construction": construction, "hammer": hammer, "recorder": recorder}
        apart = contradiction(panel, stated | {"surface_temp_c": surface_temp_c})
        if apart:
            raise BaselineError(apart, hint="correct one of them")
        recorder = recorder or panel.recorder
        surface_temp_c = panel.surface_temp_c if math.isnan(surface_temp_c) else surface_temp_c
    ice = frozen(panel, surface_temp_c)
    if ice:
        raise BaselineError(ice, hint="tap the reference again after 72 h without frost")
    taps: list[Measured] = []
    numbers: list[int] = []
    notes: list[str] = []
    health: list[Finding] = []
    moved: tuple[Mapping[str, object], ...] = ()
    struck: dict[tuple[str, int], Tap] = {}
    for number, sound in enumerate(sounds):
        heard = listen(sound, settings)
        measured = measure(heard.taps, settings.measure, room=heard.room)
        struck |= {(tap.recording, tap.sample): tap for tap in heard.taps}
        health += heard.findings
        moved = moved or sensitivity(heard.taps, settings.measure, room=heard.room)
        first = [measured[k] for k in strikes(measured)]
        if panel is None:
            first = [tap for tap in first if "doubtful" not in tap.flags]
        if not first:
            notes.append(f"{sound.recording.name}: no strike was heard")
        taps += first
        numbers += [number] * len(first)
        notes += heard.notes
        notes += [f"{f.recording}: {f.name}: {f.evidence}" for f in heard.findings]
    taps = within_band(taps, health)
    if panel is not None:
        groups = _by_panel(taps, numbers, panel, settings, notes)
    else:
        groups = _by_count(taps, numbers, taps_per_place, notes)
    weak = [
        k for k, g in groups.items() if not np.nanmedian([t["snr_db"] for t in g]) >= settings.judge.snr_db
    ]
    if weak:
        groups = {k: g for k, g in groups.items() if k not in weak}
        notes.append(f"left out, too near the noise: place{'s' * (len(weak) > 1)} {', '.join(weak)}")
    cut_off = [k for k, g in groups.items() if all(CLIPPED in t.flags for t in g)]
    if cut_off:
        groups = {k: g for k, g in groups.items() if k not in cut_off}
        notes.append(f"left out, clipped beyond use: place{'s' * (len(cut_off) > 1)} {', '.join(cut_off)}")
    least = settings.judge.least_places
    if len(groups) < least:
        planned, when = "", ""
        if panel is not None:
            many = len(panel.stations)
            planned = f" of {many} planned; {len(taps)} strikes for {many * panel.taps_per_station}"
            when = ", with a pause after each row; or give --taps-per-place instead of the panel"
        raise ReferenceTooSmallError(
            f"{len(groups)} places were heard{planned}",
            hint=f"strike at least {least} good places, better {_FEW}{when}",
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
        # How far areas reach is nothing that places sound by.
        settings={k: v for k, v in flat(settings).items() if not k.startswith("extent.")},
        version=__version__,
        health=tuple(health),
        sensitivity=moved,
        strikes=hammer_sound([struck[t.recording, t.sample] for g in groups.values() for t in g]),
    )
    return reference, notes


def _by_count(
    taps: Sequence[Measured], numbers: Sequence[int], each: int, notes: list[str]
) -> dict[str, list[Measured]]:
    """Places one after another; none goes across the end of a recording."""
    groups: dict[str, list[Measured]] = {}
    for number in dict.fromkeys(numbers):
        here = [tap for tap, n in zip(taps, numbers, strict=True) if n == number]
        places, order, note = whole_places(here[0].recording, np.array([tap.time_s for tap in here]), each)
        if not places:
            shown = _shown(here)
            raise BaselineError(
                f"{here[0].recording}: {len(here)} strikes do not make whole places of {each}"
                + f"; the pauses show places of {shown}" * (shown > 0),
                hint="strike every place the same number of times, or give a panel file with --panel",
            )
        by_order = all(label.isdigit() for label in groups)
        begun = len(groups)
        for span, k in zip(places, order, strict=True):
            own = here[span.start : span.stop]
            groups[str(begun + k + 1) if by_order and k >= 0 else _when(own[0])] = own
        if note:
            notes += [note, _UNPAIRED]
            continue
        shown = _shown(here)
        if shown not in (0, each):
            notes.append(f"the pauses show places of {shown} strikes, not {each}: check --taps-per-place")
    return groups


def _shown(taps: Sequence[Measured]) -> int:
    """How many strikes the gaps show a place to have, where they tell plainly; else 0."""
    time_s = np.array([tap.time_s for tap in taps])
    return next((each for each in range(2, 7) if runs_of(time_s, each)), 0)


def _when(tap: Measured) -> str:
    """What a place is called of which nobody knows where it is: by when it was struck."""
    return f"{tap.recording} {tap.time_s:.1f} s"


def _by_panel(
    taps: Sequence[Measured], numbers: Sequence[int], panel: Panel, settings: Settings, notes: list[str]
) -> dict[str, list[Measured]]:
    spots, said = place(
        np.array(numbers, int),
        np.array([t.time_s for t in taps]),
        panel,
        settings.place,
        np.array([not NOT_SURE.isdisjoint(t.flags) for t in taps], bool),
    )
    notes += said
    for spot in spots:
        if spot.reason and spot.reason not in notes:
            notes.append(spot.reason)
    kept = [s for s in spots if s.taps and not s.reason]
    own = _of_role(kept)
    if len(own) < len(kept):
        notes.append(f"left out, not marked as reference: {len(kept) - len(own)} stations")
    plain = [s for s in own if not _is_on_structure(s, panel, settings)]
    if len(plain) < len(own):
        notes.append(f"left out, on declared structure: {len(own) - len(plain)} stations")
    groups = {s.station.label: [taps[k] for k in s.taps] for s in plain}
    if len(kept) < len(spots) and _all_alike(spots, panel, settings):
        tied = {k for s in kept for k in s.taps}
        told = _by_gaps(taps, numbers, tied, panel.taps_per_station)
        if told and len(kept) + len(told) <= len(spots):
            groups |= told
            notes.append(
                f"{len(told)} places are told by the gaps between their strikes: they are used, although "
                "which of the planned ones they are is not known"
            )
            notes.append(_UNPAIRED)
    return groups


def _of_role(spots: Sequence[Place]) -> Sequence[Place]:
    """Where some stations are marked as reference, these."""
    marked = [s for s in spots if s.station.role == "reference"]
    return marked or spots


def _is_on_structure(spot: Place, panel: Panel, settings: Settings) -> bool:
    from taptone.survey.panel import on_structure

    at = spot.station
    return on_structure(panel, at.x_m, at.y_m, settings.judge.structure_margin_m) is not None


def _all_alike(spots: Sequence[Place], panel: Panel, settings: Settings) -> bool:
    """Whether every station is as good as any other: of one role, and none on structure."""
    return len(_of_role(spots)) == len(spots) and not any(_is_on_structure(s, panel, settings) for s in spots)


def _by_gaps(
    taps: Sequence[Measured], numbers: Sequence[int], tied: Container[int], each: int
) -> dict[str, list[Measured]]:
    """Places of strikes that belong to no station, by the gaps between them."""
    groups: dict[str, list[Measured]] = {}
    for number in dict.fromkeys(numbers):
        here = [k for k, n in enumerate(numbers) if n == number]
        for run in runs_of(np.array([taps[k].time_s for k in here]), each):
            own = here[run.start : run.stop]
            if not any(k in tied or "doubtful" in taps[k].flags for k in own):
                groups[_when(taps[own[0]])] = [taps[k] for k in own]
    return groups
