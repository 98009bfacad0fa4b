"""Small text files in and out: panels and baselines."""

from __future__ import annotations

import os
from pathlib import Path

from taptone.edges.keeping import may_keep, put_file
from taptone.errors import BaselineError, OutputError, PanelError, TaptoneError
from taptone.types import Panel, Reference

__all__ = ["load_baseline", "load_panel", "may_save_baseline", "save_baseline"]


def load_panel(path: str | os.PathLike[str]) -> Panel:
    """Read and check a panel file.

    Parameters
    ----------
    path : path-like
        A TOML file as in the manual.

    Returns
    -------
    Panel
        With its stations in tapping order.

    Raises
    ------
    PanelError
        One line: what is wrong, where, what to do.

    Examples
    --------
    >>> load_panel("nowhere.toml")
    Traceback (most recent call last):
        ...
    taptone.errors.PanelError: nowhere.toml does not exist: check the name, or write a panel file
    """
    from taptone.survey.panel import parse_panel

    return parse_panel(_read(path, PanelError, "write a panel file"), source=os.path.basename(path))


def load_baseline(path: str | os.PathLike[str]) -> Reference:
    """Read and check a baseline file.

    Parameters
    ----------
    path : path-like
        What ``taptone learn`` wrote.

    Returns
    -------
    Reference
        Known-good places.

    Raises
    ------
    BaselineError
        One line: what is wrong, where, what to do.

    Examples
    --------
    >>> load_baseline("nowhere.json")
    Traceback (most recent call last):
        ...
    taptone.errors.BaselineError: nowhere.json does not exist: check the name, or learn a baseline first
    """
    from taptone.model.saved import loads

    return loads(_read(path, BaselineError, "learn a baseline first"), source=os.path.basename(path))


def may_save_baseline(path: str | os.PathLike[str]) -> None:
    """Refuse a place where no baseline can be written, before anybody waits for one.

    Parameters
    ----------
    path : path-like
        The JSON file that is to be written.

    Raises
    ------
    OutputError
        Of a missing folder, or a file that is there and is no baseline.

    Examples
    --------
    >>> may_save_baseline("/dev/null/good.json")
    Traceback (most recent call last):
        ...
    taptone.errors.OutputError: /dev/null is not a folder: choose another place with --out
    """
    target = Path(path)
    may_keep(target)
    if target.exists():
        try:
            load_baseline(target)
        except BaselineError as error:
            raise OutputError(
                f"{target} exists and is no baseline of this program", hint="give another name with --out"
            ) from error


def save_baseline(reference: Reference, path: str | os.PathLike[str]) -> Path | None:
    """Write a baseline whole or not at all; an earlier one of that name is set beside.

    Parameters
    ----------
    reference : Reference
        Known-good places.
    path : path-like
        The JSON file to write.

    Returns
    -------
    Path or None
        Where an earlier, different baseline of that name is now.

    Raises
    ------
    OutputError
        Of a folder that cannot be written to, or a file that is there and is no baseline.

    Examples
    --------
    >>> save_baseline(None, "/dev/null/good.json")
    Traceback (most recent call last):
        ...
    taptone.errors.OutputError: /dev/null is not a folder: choose another place with --out
    """
    from taptone.model.saved import dumps

    may_save_baseline(path)
    # A file name may hold bytes that are no text; JSON reads the escape back.
    return put_file(Path(path), dumps(reference).encode("utf-8", "backslashreplace"))


def _read(path: str | os.PathLike[str], kind: type[TaptoneError], remedy: str) -> str:
    name = os.path.basename(path) or os.fspath(path)
    if os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path):
        raise kind(f"{name} is not a file", hint="give the file itself")
    try:
        return Path(path).read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise kind(f"{name} does not exist", hint=f"check the name, or {remedy}") from error
    except IsADirectoryError as error:
        raise kind(f"{name} is a folder", hint="give the file itself") from error
    except UnicodeDecodeError as error:
        raise kind(
            f"{name} is not text in UTF-8", hint="give the file itself, or save it as UTF-8"
        ) from error
    except OSError as error:
        raise kind(f"{name} cannot be read ({error.strerror})", hint="check its permissions") from error
