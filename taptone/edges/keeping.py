"""Nothing is overwritten: what an earlier run wrote is set beside before a new file takes its name."""

from __future__ import annotations

import contextlib
import filecmp
import itertools
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from taptone.errors import OutputError

__all__ = ["alone_in", "may_keep", "put_file", "put_written", "set_beside"]


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Keep other runs from putting files into a folder meanwhile: they wait.

    The system lets go of it when a run is killed. Where a folder cannot be held (Windows, some network disks)
    nobody waits.

    Parameters
    ----------
    folder : Path
        It must exist.

    Yields
    ------
    None
        While it is held.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name, alone_in(Path(name)):
    ...     Path(name, "log.json").write_text("mine")
    4
    """
    with contextlib.ExitStack() as held:
        with contextlib.suppress(ImportError, OSError):
            import fcntl

            handle = os.open(folder, os.O_RDONLY)
            held.callback(os.close, handle)
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield


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
    return _move_beside(path)


def may_keep(path: Path) -> None:
    """Refuse a place where a file cannot be written, before anybody waits for it.

    Parameters
    ----------
    path : Path
        The file that is to be written.

    Raises
    ------
    OutputError
        If its folder is missing or cannot be written to, or it is a folder itself.

    Examples
    --------
    >>> may_keep(Path("/dev/null/b3.png"))
    Traceback (most recent call last):
        ...
    taptone.errors.OutputError: /dev/null is not a folder: choose another place with --out
    """
    try:
        if not path.parent.is_dir():
            raise OutputError(f"{path.parent} is not a folder", hint="choose another place with --out")
        if path.is_dir():
            raise OutputError(f"{path} is a folder", hint="give the name of a file with --out")
    except OSError as error:  # a name too long
        raise OutputError(
            f"{path} cannot be written ({error.strerror})", hint="choose another place with --out"
        ) from error
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise OutputError(f"{path.parent} cannot be written to", hint="choose another place with --out")


def put_file(path: Path, content: bytes) -> Path | None:
    """Write a file whole or not at all; an earlier, different one of that name is set beside.

    Parameters
    ----------
    path : Path
        The file.
    content : bytes
        What it is to hold.

    Returns
    -------
    Path or None
        Where the earlier file is now.

    Raises
    ------
    OutputError
        If it cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     put_file(Path(folder, "b3.png"), b"one"), put_file(Path(folder, "b3.png"), b"two").name
    (None, 'b3.earlier-1.png')
    """
    may_keep(path)
    name = ""
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".writing-", delete=False) as file:
            name = file.name
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o644)
        with alone_in(path.parent):
            earlier = set_beside(path, content)
            os.replace(name, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise OutputError(
            f"{path} cannot be written ({error.strerror})", hint="choose another place with --out"
        ) from error
    return earlier


def put_written(written: Path, path: Path) -> Path | None:
    """Give a file that was written under another name its own; an earlier, different one is set beside.

    Parameters
    ----------
    written : Path
        Whole, on the same disk.
    path : Path
        The name that is wanted.

    Returns
    -------
    Path or None
        Where the earlier file is now.

    Raises
    ------
    OSError
        If it cannot be renamed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = Path(folder, ".writing")
    ...     _ = written.write_text("whole")
    ...     put_written(written, Path(folder, "lantern.zip"))
    ...     Path(folder, "lantern.zip").read_text()
    'whole'
    """
    with alone_in(path.parent):
        same = path.exists() and filecmp.cmp(written, path, shallow=False)
        earlier = _move_beside(path) if path.exists() and not same else None
        os.replace(written, path)
    return earlier


def _move_beside(path: Path) -> Path:
    names = (path.with_name(f"{path.stem}.earlier-{n}{path.suffix}") for n in itertools.count(1))
    beside = next(name for name in names if not name.exists())
    os.rename(path, beside)
    return beside
