"""Nothing is overwritten: what an earlier run wrote is set beside before a new file takes its name."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

__all__ = ["set_beside"]


def set_beside(path: Path, content: bytes) -> Path | None:
    """Rename a file that holds something else than what is about to be written in its place.

    Parameters
    ----------
    path : Path
        The name that is wanted.
    content : bytes
        What will be written there.

    Returns
    -------
    Path or None
        ``name.earlier-N.suffix`` beside it; None where there was no file, or the same one.

    Raises
    ------
    OSError
        If it cannot be read or renamed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = Path(folder, "log.json")
    ...     _ = log.write_text("first")
    ...     kept = set_beside(log, b"second")
    ...     kept.name, log.exists()
    ('log.earlier-1.json', False)
    """
    if not path.exists() or path.read_bytes() == content:
        return None
    names = (path.with_name(f"{path.stem}.earlier-{n}{path.suffix}") for n in itertools.count(1))
    beside = next(name for name in names if not name.exists())
    os.rename(path, beside)
    return beside
