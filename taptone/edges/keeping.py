"""Nothing is overwritten: what an earlier run wrote is set beside before a new file takes its name."""

from __future__ import annotations

import contextlib
import filecmp
import itertools
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from taptone.errors import OutputError

__all__ = ["alone_in", "may_keep", "put_file", "put_files", "put_written", "set_beside"]


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
    except BaseException as error:  # Ctrl-C too leaves nothing half-written
        with contextlib.suppress(OSError):
            os.unlink(name)
        if isinstance(error, OSError):
            raise OutputError(
                f"{path} cannot be written ({error.strerror})", hint="choose another place with --out"
            ) from error
        raise
    return earlier


def put_files(out: Path, files: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write several files into a folder, all or none; earlier, different ones are set beside.

    Every file is written whole and brought to the disk in a hidden folder inside `out`, and is moved into
    place only when all of them are there. If a move fails, those before it are taken back.

    Parameters
    ----------
    out : Path
        The folder; made if missing.
    files : mapping of str to bytes
        What they are to hold, by name.

    Returns
    -------
    tuple of Path
        The files in the order given, then what was set beside.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to. Nothing has changed then.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in put_files(Path(folder, "out"), {"a.csv": b"a", "b.csv": b"b"})]
    ['a.csv', 'b.csv']
    """
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _hidden_folder(out) as stage:
            for name, content in files.items():
                with open(stage / name, "xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
            with alone_in(out):
                kept = _move(stage, out, files)
            _sync(out)
    except BaseException as error:
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()  # only if empty
        if isinstance(error, OSError):
            raise OutputError(
                f"{out} cannot be written to ({error.strerror or error})",
                hint="choose another folder with --out, or make room in this one",
            ) from error
        raise
    return tuple(out / name for name in files) + kept


@contextlib.contextmanager
def _hidden_folder(out: Path) -> Iterator[Path]:
    """Make a folder inside `out`, so on the same disk, and take it away again."""
    folder = Path(tempfile.mkdtemp(prefix=".writing-", dir=out))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _move(stage: Path, out: Path, files: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Move finished files into place; if one cannot be moved, put back what was there before."""
    for name in files:
        if (out / name).is_dir():
            raise IsADirectoryError(0, f"{name} is a folder there")
    undo: list[tuple[Path, Path | None]] = []  # a name, and where its earlier file is
    try:
        for name, content in files.items():
            beside = set_beside(out / name, content)
            if beside is not None or not (out / name).exists():
                undo.append((out / name, beside))
            os.replace(stage / name, out / name)
    except BaseException:
        for place, beside in undo:
            if beside is not None:
                os.replace(beside, place)
            else:
                place.unlink(missing_ok=True)
        raise
    return tuple(beside for _, beside in undo if beside is not None)


def _sync(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


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
