"""The family of errors: everything that can go wrong, drawn before any class.

::

    TaptoneError                 root; carries a hint: what to do next
    ├── SoundError               a recording cannot be used
    │   └── MicrophoneError      a recording cannot be made
    ├── PanelError               a panel file does not describe a panel
    ├── BaselineError            a baseline is damaged, foreign or unfit for this panel
    ├── ReferenceTooSmallError   too few known-good places to learn from
    ├── LogError                 a log cannot be used or explained
    ├── SettingError             a setting is outside its limits
    ├── SurveyError              a survey cannot be kept, or what is to go into it is not right
    └── OutputError              a result cannot be written

The command line prints ``message`` and ``hint`` as one line and exits with 1. Errors of the libraries
below are translated where they arise (in ``edges``) and chained, so that nothing else knows their names.
"""

from __future__ import annotations

__all__ = [
    "BaselineError",
    "LogError",
    "MicrophoneError",
    "OutputError",
    "PanelError",
    "ReferenceTooSmallError",
    "SettingError",
    "SoundError",
    "SurveyError",
    "TaptoneError",
    "printable",
]


def printable(text: str) -> str:
    r"""Text as one line: what would move the cursor or clear the screen is spelt out.

    Parameters
    ----------
    text : str
        Perhaps with a file's or a boat's name in it.

    Returns
    -------
    str
        With no control characters.

    Examples
    --------
    >>> print(printable("two" + chr(10) + "lines.wav"))
    two\nlines.wav
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class TaptoneError(Exception):
    """Root of all errors of this package.

    Parameters
    ----------
    message : str
        What was wrong and where, in one sentence without a full stop.
    hint : str
        What to do next, in one sentence without a full stop.

    Examples
    --------
    >>> str(SoundError("row.wav is empty", hint="copy it again from the phone"))
    'row.wav is empty: copy it again from the phone'
    """

    def __init__(self, message: str, *, hint: str) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return printable(f"{self.message}: {self.hint}")


class SoundError(TaptoneError):
    """A recording is missing, unreadable, empty or silent."""


class MicrophoneError(SoundError):
    """No sound can be taken from the microphone."""


class PanelError(TaptoneError):
    """A panel file does not describe a panel.

    Parameters
    ----------
    message, hint : str
        As of :class:`TaptoneError`.
    at : tuple of str and int, optional
        Where in the file: keys, and places in lists counted from 0.
    """

    def __init__(self, message: str, *, hint: str, at: tuple[str | int, ...] = ()) -> None:
        super().__init__(message, hint=hint)
        self.at = at


class BaselineError(TaptoneError):
    """A baseline is damaged, foreign, or does not belong to this panel."""


class ReferenceTooSmallError(BaselineError):
    """Too few known-good places were tapped to learn from."""


class LogError(TaptoneError):
    """A log is missing, damaged, none of this program, or says something that does not come out again."""


class SettingError(TaptoneError):
    """A setting is outside its limits."""


class SurveyError(TaptoneError):
    """A survey's folder is missing, damaged or of a later version, or what is to go into it is not right."""


class OutputError(TaptoneError):
    """A result cannot be written."""
