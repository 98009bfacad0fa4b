"""A whole survey in one file: a plain zip that any system opens, and a list of the hashes of what is in it.

The same survey gives the same bytes, whatever the day: fixed dates, sorted names, nothing squeezed. A zip
that squeezes depends on who wrote it, and one bad byte in it spoils more than itself.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import IO

from taptone import __version__
from taptone.edges.checking import database_faults
from taptone.edges.exporting import stayed
from taptone.edges.keeping import may_keep, put_written
from taptone.edges.store import FOLDERS, Store, open_store, sha256_of
from taptone.edges.visiting import without_baseline
from taptone.errors import OutputError, SurveyError
from taptone.survey.records import Analysis, Export, PanelFile, Photo, SoundFile

__all__ = ["HASHES", "Packed", "open_pack", "pack"]

#: Name of the list within a pack; ``sha256sum -c`` reads it.
HASHES = "HASHES.txt"
_STORE = "survey.sqlite"
_BESIDE = (_STORE, f"{_STORE}-wal", f"{_STORE}-shm", f"{_STORE}-journal", HASHES)  # not as they lie there
_COMING = (".coming-", ".writing-", ".packing-")  # what a run that was killed left behind
_BLOCK = 1 << 20
_LONGEST_LIST = 64 << 20  # bytes; a list of half a million files


@dataclass(frozen=True, slots=True)
class Packed:
    """What :func:`pack` wrote: ``faults`` are kept files that are missing or not as they were recorded."""

    file: Path
    sha256: str
    files: int
    kept: int
    faults: tuple[str, ...]
    earlier: Path | None


def pack(folder: str | Path, out: str | Path | None = None, *, anyway: bool = False) -> Packed:
    """Write a survey into one zip file, whole or not at all.

    Parameters
    ----------
    folder : str or Path
        Of the survey.
    out : str or Path, optional
        The zip file, outside of the survey; by default beside it, with its name.
    anyway : bool, optional
        Pack although a kept file is missing or has changed; the list in the pack says which.

    Returns
    -------
    Packed
        Where it is, and how many files it holds.

    Raises
    ------
    SurveyError
        If there is no survey, or a kept file is missing or not as it was recorded.
    OutputError
        If the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from taptone.edges.store import create_store
    >>> with tempfile.TemporaryDirectory() as place:
    ...     create_store(Path(place, "lantern")).close()
    ...     packed = pack(Path(place, "lantern"))
    ...     packed.file.name, packed.files, open_pack(packed.file, Path(place, "copy")).name
    ('lantern.zip', 1, 'copy')
    """
    folder = Path(folder)
    whole = folder.resolve()
    target = Path(out) if out is not None else whole.with_name(f"{whole.name or 'survey'}.zip")
    may_keep(target)
    if whole in target.resolve().parents:
        raise OutputError(f"{target} lies in the survey itself", hint="choose another place with --out")
    with open_store(folder) as store, contextlib.ExitStack() as undone:
        kept = _kept(store)
        logs = [row.record for row in store.history(Analysis)]
        faults = [
            f"the baseline of {name} is missing or has changed" for name in without_baseline(whole, logs)
        ]
        try:
            place = Path(
                undone.enter_context(tempfile.TemporaryDirectory(prefix=".packing-", dir=target.parent))
            )
            store.copy_to(place / _STORE)
            faults += [fault.rpartition(":")[0] for fault in database_faults(place / _STORE)[0]]
            with zipfile.ZipFile(place / "zip", "w") as whole_zip:
                files, faults = _write(whole_zip, whole, place / _STORE, kept, faults, anyway=anyway)
            with open(place / "zip", "rb") as written:
                os.fsync(written.fileno())
            digest = sha256_of(place / "zip")
            earlier = put_written(place / "zip", target)
        except OSError as error:
            where = error.filename if error.filename and str(place) not in str(error.filename) else target
            raise OutputError(
                f"{folder} cannot be packed ({where}: {error.strerror})",
                hint="look at that file, and for room on the disk",
            ) from error
    return Packed(target, digest, files, len(kept), tuple(faults), earlier)


def open_pack(path: str | Path, folder: str | Path) -> Path:
    """Unpack what :func:`pack` wrote, and hold every file against the list; whole or not at all.

    Parameters
    ----------
    path : str or Path
        The zip file.
    folder : str or Path
        A folder that does not exist yet.

    Returns
    -------
    Path
        That folder: a survey.

    Raises
    ------
    SurveyError
        If it is no pack, a file in it is damaged or would land elsewhere, or the folder is there already.

    Examples
    --------
    >>> open_pack("nowhere.zip", "lantern")
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: nowhere.zip cannot be opened (No such file or directory): give a file that
    taptone pack wrote
    """
    path, folder = Path(path), Path(folder)
    if os.path.lexists(folder):
        raise SurveyError(f"{folder} is there already", hint="give a folder that does not exist yet")
    try:
        with (
            zipfile.ZipFile(path) as whole_zip,
            tempfile.TemporaryDirectory(prefix=".packing-", dir=folder.absolute().parent) as place,
        ):
            members = _members(whole_zip, path)
            listed = _listed(whole_zip, members, path)
            inside = Path(place, "survey")
            for part in ("", *FOLDERS):
                (inside / part).mkdir()
            for name, info in members.items():
                (inside / name).parent.mkdir(parents=True, exist_ok=True)
                with whole_zip.open(info) as source, open(inside / name, "xb") as copy:
                    digest = _copy(source, copy)
                    copy.flush()
                    os.fsync(copy.fileno())
                if name != HASHES and digest != listed[name]:
                    raise _no_pack(path, f"{name} in it is not what its list says")
            os.rename(inside, folder)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as error:
        raise _no_pack(path, str(error)) from error
    except OSError as error:
        hint = "give a file that taptone pack wrote"
        if os.path.isfile(path):
            hint = "look for room on the disk, and for the right to write there"
        raise SurveyError(f"{path} cannot be opened ({error.strerror})", hint=hint) from error
    return folder


def _kept(store: Store) -> dict[str, str]:
    """Every file that a row names, corrected or not, and the hash that was recorded with it."""
    kept: dict[str, str] = {}
    kinds: tuple[type[PanelFile | SoundFile | Photo], ...] = (PanelFile, SoundFile, Photo)
    for kind in kinds:
        kept |= {row.record.file: row.record.sha256 for row in store.history(kind)}
    exports = [row.record for row in store.history(Export)]
    kept |= {one.file: one.sha256 for one in exports if stayed(one)}
    kept |= {f"{row.record.folder}/log.json": row.record.log_sha256 for row in store.history(Analysis)}
    for name in kept:
        if not _stays_inside(name):
            raise SurveyError(
                f"{store.folder} names {name}, which lies outside of it", hint="do not trust this survey"
            )
    return kept


def _write(
    whole_zip: zipfile.ZipFile,
    folder: Path,
    store: Path,
    kept: dict[str, str],
    others: Sequence[str],
    *,
    anyway: bool,
) -> tuple[int, list[str]]:
    """Fill the zip; how many files it holds, and what is wrong with them."""
    top = _top(folder)
    faults, lines = [], []
    for part in sorted(FOLDERS):
        whole_zip.writestr(_info(f"{top}/{part}/", stat.S_IFDIR | 0o755), b"")
    names = sorted({*_there(folder), *kept, _STORE})
    for name in names:
        source = store if name == _STORE else folder / name
        digest = _add(whole_zip, source, f"{top}/{name}") if source.is_file() else ""
        if digest:
            lines.append(f"{digest}  {name}")
        if digest != kept.get(name, digest):
            fault = f"{name} is not as it was recorded" if digest else f"{name} is missing"
            if not anyway:
                raise _refused(folder, fault)
            faults.append(fault)
    for fault in others:
        if not anyway:
            raise _refused(folder, fault)
        faults.append(fault)
    text = "\n".join([*_head(top, faults), *lines, ""])
    whole_zip.writestr(_info(f"{top}/{HASHES}", stat.S_IFREG | 0o644), text.encode("utf-8"))
    return len(lines), faults


def _refused(folder: Path, fault: str) -> SurveyError:
    return SurveyError(f"{folder}: {fault}", hint="put the right file back, or pack --anyway, which notes it")


def _head(top: str, faults: list[str]) -> list[str]:
    return [
        f"# A survey, packed by taptone {__version__}.",
        "# Unpack this file with any program for zip files, then use any command of taptone in the folder:",
        f"#   unzip {top}.zip && taptone status {top}",
        f"# or let taptone unpack and check it: taptone pack --open {top}.zip {top}",
        "# Below: the SHA-256 of every file. They show that a file has not changed since it was packed,",
        "# not when it was made, nor by whom. To check them by another program: sha256sum -c HASHES.txt",
        *(f"# AT FAULT WHEN PACKED: {fault}" for fault in faults),
    ]


def _there(folder: Path) -> Iterator[str]:
    """Names of the files in a survey's folder, but for the store itself and what is half written."""
    for place, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(_COMING)]
        for file in files:
            path = Path(place, file)
            name = path.relative_to(folder).as_posix()
            if name in _BESIDE or file.startswith(_COMING) or path.is_symlink() or not path.is_file():
                continue
            if not _stays_inside(name):
                raise SurveyError(
                    f"{folder} holds {name}, a name that not every system takes", hint="give it a plainer one"
                )
            yield name


def _add(whole_zip: zipfile.ZipFile, source: Path, name: str) -> str:
    info = _info(name, stat.S_IFREG | 0o644)
    info.file_size = source.stat().st_size  # so that one over 2 GB is written as Zip64
    with open(source, "rb") as file, whole_zip.open(info, "w") as member:
        return _copy(file, member)


def _info(name: str, mode: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)  # dated 1980-01-01, the first day that a zip knows
    info.create_system = 3  # the same on every system
    info.external_attr = mode << 16 | (0x10 if stat.S_ISDIR(mode) else 0)
    return info


def _copy(source: IO[bytes], target: IO[bytes]) -> str:
    """Copy in blocks; the SHA-256 of what was copied."""
    digest = sha256()
    while block := source.read(_BLOCK):
        digest.update(block)
        target.write(block)
    return digest.hexdigest()


def _members(whole_zip: zipfile.ZipFile, path: Path) -> dict[str, zipfile.ZipInfo]:
    """The files of a pack by their names within the survey; none may land outside of it."""
    members: dict[str, zipfile.ZipInfo] = {}
    tops = set()
    for info in whole_zip.infolist():
        kind = stat.S_IFMT(info.external_attr >> 16)
        if not _stays_inside(info.filename.rstrip("/")) or kind not in (0, stat.S_IFREG, stat.S_IFDIR):
            raise _no_pack(path, f"{info.filename} in it would land elsewhere")
        top, _, name = info.filename.partition("/")
        tops.add(top)
        if info.is_dir():
            continue
        if name in members:
            raise _no_pack(path, f"{name} is in it twice")
        members[name] = info
    if len(tops) != 1 or not {_STORE, HASHES} <= members.keys():
        raise _no_pack(path, f"it has no one folder with {_STORE} and {HASHES}")
    room = shutil.disk_usage(path.absolute().parent).total
    if sum(info.file_size for info in members.values()) > room:
        raise _no_pack(path, "it says that it holds more than a whole disk")
    return members


def _listed(whole_zip: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], path: Path) -> dict[str, str]:
    """The hashes of a pack's list by name; it names every file but itself."""
    if members[HASHES].file_size > _LONGEST_LIST:
        raise _no_pack(path, f"{HASHES} in it is too long")
    try:
        lines = whole_zip.read(members[HASHES]).decode("utf-8").splitlines()
    except UnicodeDecodeError as error:
        raise _no_pack(path, f"{HASHES} in it is no text") from error
    pairs = (line.split("  ", 1) for line in lines if "  " in line and not line.startswith("#"))
    listed = {name: digest for digest, name in pairs}
    for name in sorted(listed.keys() ^ (members.keys() - {HASHES})):
        raise _no_pack(path, f"{name} is {'missing in it' if name in listed else 'not on its list'}")
    return listed


def _stays_inside(name: str) -> bool:
    """Whether a name leads to one place inside a folder, on every system."""
    parts = name.split("/")
    return (
        name.isprintable()
        and not {"", ".", ".."} & set(parts)
        and not any(c in name for c in '<>:"\\|?*')
        and not PurePosixPath(name).is_absolute()
    )


def _top(folder: Path) -> str:
    """Name of the one folder in the zip."""
    name = "".join(c if c.isprintable() and c not in '<>:"/\\|?*' else "_" for c in folder.name).strip(". ")
    return name or "survey"


def _no_pack(path: Path, why: str) -> SurveyError:
    return SurveyError(
        f"{path} cannot be opened as a pack ({why})",
        hint="take another copy of it; unzip gets out of it what is whole",
    )
