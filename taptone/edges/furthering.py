"""What was judged of a panel so far, from one log or several or a survey, and where to tap next.

A place tapped between stations is in another log than the stations round it: logs of one panel are put
together, and of a station that was tapped twice the later verdict counts.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from taptone.edges.explaining import Log, open_log
from taptone.errors import LogError
from taptone.pipeline.further import Closing, further
from taptone.survey.panel import on_structure
from taptone.survey.qualify import least_radius_m
from taptone.types import Panel, Station

__all__ = ["Known", "closings", "known_so_far"]

_SAME_M = 0.005  # a label whose place differs by less is the same station, measured again


@dataclass(frozen=True, slots=True)
class Known:
    """A panel, its stations and their verdicts, from all logs of it; the settings are those of the last."""

    panel: Panel
    stations: tuple[Station, ...]
    verdicts: tuple[str, ...]
    last: Log


def known_so_far(paths: Sequence[str], panel: str = "") -> list[Known]:
    """Put together what logs and surveys know of their panels.

    Parameters
    ----------
    paths : sequence of str
        Logs (``log.json`` or its folder) and folders of surveys, the earlier first.
    panel : str, optional
        Name of the only panel that is asked for.

    Returns
    -------
    list of Known
        One for each panel, in the order in which they were met.

    Raises
    ------
    LogError, SurveyError
        If one cannot be read, none is of a panel, or a label stands at two places.

    Examples
    --------
    >>> known_so_far(["nowhere"])
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    by_panel: dict[str, list[tuple[Panel, Log]]] = {}
    for path in paths:
        for log in _logs(path):
            if log.panel is not None:
                by_panel.setdefault(log.panel.name, []).append((log.panel, log))
    if not by_panel:
        raise LogError(
            f"{', '.join(paths)}: no analysis of a panel: nobody knows where the taps lie",
            hint="analyse with --panel first",
        )
    if panel and panel not in by_panel:
        raise LogError(f"there is no analysis of panel {panel}", hint=f"choose {' or '.join(by_panel)}")
    return [_put_together(logs) for name, logs in by_panel.items() if not panel or name == panel]


def closings(known: Known, edge_m: float = 0.0) -> tuple[Closing, ...]:
    """Say where to tap next on a panel.

    Parameters
    ----------
    known : Known
        What was judged so far.
    edge_m : float, optional
        How near a suspect and a good station must stand for the edge to be known.

    Returns
    -------
    tuple of Closing
        One for each suspect area.

    Examples
    --------
    >>> from taptone.settings import Settings
    >>> panel = Panel("deck", "centre", "outside", "foam", "stem", (), ())
    >>> closings(Known(panel, (), (), Log(Path("log.json"), {}, panel, Settings())))
    ()
    """
    panel, settings = known.panel, known.last.settings
    margin_m = settings.judge.structure_margin_m
    return further(
        known.stations,
        known.verdicts,
        panel,
        least_radius_m=least_radius_m(panel.laminate) if panel.laminate else math.nan,
        edge_m=edge_m,
        barred=lambda x_m, y_m: on_structure(panel, x_m, y_m, margin_m) is not None,
        settings=settings.extent,
    )


def _logs(path: str) -> list[Log]:
    """The log at a path, or all logs of the survey there."""
    if not os.path.isfile(Path(path, "survey.sqlite")):
        return [open_log(Path(path))]
    from taptone.edges.store import open_store
    from taptone.survey.records import Analysis

    with open_store(path) as store:
        return [open_log(store.folder / a.folder) for a in store.records(Analysis) if a.panel]


def _put_together(logs: Sequence[tuple[Panel, Log]]) -> Known:
    """One panel from its logs, of which a later verdict of a station replaces an earlier one."""
    stations: dict[str, Station] = {}
    verdicts: dict[str, str] = {}
    for panel, log in logs:
        for station in panel.stations:
            there = stations.setdefault(station.label, station)
            if math.hypot(there.x_m - station.x_m, there.y_m - station.y_m) > _SAME_M:
                raise LogError(
                    f"{log.path}: station {station.label} of panel {panel.name} lies elsewhere than in "
                    f"{logs[0][1].path}",
                    hint="give stations between others labels of their own, such as B3a",
                )
        for point in log.body["points"]:
            label, tapped = point["station"], point["taps"] or point["reason"] != "not tapped"
            if tapped and label in stations:
                verdicts[label] = point["verdict"]
    spacings = [panel.spacing_m for panel, _ in logs if math.isfinite(panel.spacing_m)]
    whole = dataclasses.replace(
        logs[-1][0],
        stations=tuple(stations.values()),
        spacing_m=max(spacings, default=math.nan),
    )
    judged = tuple(stations[label] for label in verdicts)
    return Known(whole, judged, tuple(verdicts.values()), logs[-1][1])
