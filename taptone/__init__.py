"""Record, measure and compare the taps of someone sounding a fibreglass boat ashore.

The public names are few and load when they are first used, so that importing the package stays quick.

Examples
--------
>>> import taptone
>>> try:
...     taptone.open_sound("no-such-row.wav")
... except taptone.TaptoneError as error:
...     print(type(error).__name__, "with a hint:", bool(error.hint))
SoundError with a hint: True
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from taptone.errors import TaptoneError

if TYPE_CHECKING:
    from taptone.edges.soundfiles import open_sound
    from taptone.pipeline import analyse
    from taptone.survey.panel import parse_panel

__version__ = "0.1.0"

__all__ = ["TaptoneError", "__version__", "analyse", "open_sound", "parse_panel"]

_HOME = {
    "analyse": "taptone.pipeline",
    "open_sound": "taptone.edges.soundfiles",
    "parse_panel": "taptone.survey.panel",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its home when it is first asked for (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'taptone' has no attribute {name!r}")
    globals()[name] = value = getattr(importlib.import_module(_HOME[name]), name)
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
