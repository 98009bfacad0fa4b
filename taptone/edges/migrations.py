"""How the store of a survey came to be as it is: named steps, in order, none of which is ever changed.

A store says by how many of them it was made. Whoever opens an older one takes the steps that are missing, all
or none; a newer one is refused. Evidence is only ever added: triggers refuse everything else.
"""

from __future__ import annotations

from collections.abc import Iterator

__all__ = ["MIGRATIONS", "statements"]

#: Name of each step, and the tables of evidence that it adds with their own columns.
MIGRATIONS: tuple[tuple[str, dict[str, str]], ...] = (
    (
        "the visit",
        {
            "boat": "label TEXT NOT NULL, particulars TEXT NOT NULL",
            "visit": "date TEXT NOT NULL, place TEXT NOT NULL, surveyor TEXT NOT NULL, client TEXT NOT NULL, "
            "question TEXT NOT NULL, readers TEXT NOT NULL, consent TEXT NOT NULL, supported TEXT NOT NULL",
            "conditions": "panel TEXT NOT NULL, hours_ashore REAL, rain_within_24h INTEGER, "
            "frozen_within_72h INTEGER, air_temp_c REAL, surface_temp_c REAL, sun TEXT NOT NULL, "
            "wind TEXT NOT NULL, noise TEXT NOT NULL, surface TEXT NOT NULL, tanks TEXT NOT NULL, "
            "note TEXT NOT NULL",
            "hammer": "label TEXT NOT NULL, mass_g REAL, face TEXT NOT NULL",
            "recorder": "label TEXT NOT NULL, distance_m REAL, note TEXT NOT NULL",
            "panel": "name TEXT NOT NULL, file TEXT NOT NULL, sha256 TEXT NOT NULL, text TEXT NOT NULL",
            "station": "panel TEXT NOT NULL, label TEXT NOT NULL, x_m REAL NOT NULL, y_m REAL NOT NULL, "
            "row INTEGER NOT NULL, role TEXT NOT NULL",
            "recording": "file TEXT NOT NULL, original TEXT NOT NULL, sha256 TEXT NOT NULL, "
            "rate_hz INTEGER NOT NULL, samples INTEGER NOT NULL, panel TEXT NOT NULL, use TEXT NOT NULL, "
            "device TEXT NOT NULL, started TEXT NOT NULL",
        },
    ),
    (
        "what was heard",
        {
            "analysis": "panel TEXT NOT NULL, folder TEXT NOT NULL, log_sha256 TEXT NOT NULL, "
            "recordings TEXT NOT NULL, baseline TEXT NOT NULL, settings TEXT NOT NULL, "
            "versions TEXT NOT NULL",
            "tap": "analysis INTEGER NOT NULL REFERENCES analysis (id), recording TEXT NOT NULL, "
            "sample INTEGER NOT NULL, time_s REAL NOT NULL, station TEXT NOT NULL, used INTEGER NOT NULL, "
            "flags TEXT NOT NULL, measures TEXT NOT NULL",
            "verdict": "analysis INTEGER NOT NULL REFERENCES analysis (id), station TEXT NOT NULL, x_m REAL, "
            "y_m REAL, taps INTEGER NOT NULL, verdict TEXT NOT NULL, character TEXT NOT NULL, score REAL, "
            "chance_if_good REAL, confidence REAL, flags TEXT NOT NULL, reason TEXT NOT NULL",
            "area": "analysis INTEGER NOT NULL REFERENCES analysis (id), stations TEXT NOT NULL, "
            "at_least_m2 REAL NOT NULL, at_most_m2 REAL NOT NULL, detail TEXT NOT NULL",
            "word": "panel TEXT NOT NULL, station TEXT NOT NULL, word TEXT NOT NULL, "
            "ear_first INTEGER NOT NULL",
        },
    ),
    (
        "beside the sound",
        {
            "meter": "label TEXT NOT NULL, scale TEXT NOT NULL, mode TEXT NOT NULL, warning_level REAL",
            "reading": "panel TEXT NOT NULL, station TEXT NOT NULL, place TEXT NOT NULL, x_m REAL, y_m REAL, "
            "value REAL NOT NULL, scale TEXT NOT NULL, meter TEXT NOT NULL, mode TEXT NOT NULL, "
            "over TEXT NOT NULL, note TEXT NOT NULL",
            "observation": "what TEXT NOT NULL, panel TEXT NOT NULL, station TEXT NOT NULL, "
            "place TEXT NOT NULL, x_m REAL, y_m REAL, text TEXT NOT NULL, urgency TEXT NOT NULL, "
            "photo TEXT NOT NULL",
            "photo": "file TEXT NOT NULL, original TEXT NOT NULL, sha256 TEXT NOT NULL, panel TEXT NOT NULL, "
            "station TEXT NOT NULL, caption TEXT NOT NULL",
            "plug": "panel TEXT NOT NULL, station TEXT NOT NULL, place TEXT NOT NULL, "
            "permission TEXT NOT NULL, depth_mm REAL, seen TEXT NOT NULL, closed_by TEXT NOT NULL",
            "omission": "what TEXT NOT NULL, panel TEXT NOT NULL, stations TEXT NOT NULL, "
            "place TEXT NOT NULL, because TEXT NOT NULL",
            "note": "text TEXT NOT NULL, panel TEXT NOT NULL, station TEXT NOT NULL",
            "export": "file TEXT NOT NULL, sha256 TEXT NOT NULL, what TEXT NOT NULL",
        },
    ),
)


def statements(version: int) -> Iterator[str]:
    """What takes a store of `version` steps to the next.

    Parameters
    ----------
    version : int
        Steps it has taken; 0 for an empty file.

    Yields
    ------
    str
        SQL, one statement at a time.

    Examples
    --------
    >>> sum(s.startswith("CREATE TABLE") for s in statements(1))
    5
    """
    if version == 0:
        yield "CREATE TABLE migration (number INTEGER PRIMARY KEY, name TEXT, at TEXT, program TEXT) STRICT"
        yield from _guarded("migration", "number")
    for name, columns in MIGRATIONS[version][1].items():
        yield (
            f"CREATE TABLE {name} (id INTEGER PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL, "
            f"why TEXT NOT NULL, replaces INTEGER UNIQUE REFERENCES {name} (id), "
            f"withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)), {columns}) STRICT"
        )
        yield from _guarded(name, "id")


def _guarded(table: str, key: str) -> Iterator[str]:
    """Refuse to change or take away a row, also by writing another one over it."""
    for event in ("UPDATE", "DELETE"):
        yield (
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'evidence is only added to'); END"
        )
    yield (
        f"CREATE TRIGGER {table}_no_overwriting BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) "
        f"BEGIN SELECT RAISE(ABORT, 'evidence is only added to'); END"
    )
