"""Structure declared after tapping: what was judged before it was known stays beside what is judged now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from taptone.pipeline.judge import sureness
from taptone.types import Point

__all__ = ["WAS_SUSPECT", "beside", "say_beside"]

WAS_SUSPECT = "was suspect"


def beside(
    points: Sequence[Point], before: Sequence[Point], structure: Sequence[str], earlier: Sequence[str]
) -> tuple[Point, ...]:
    """Keep beside each verdict the one from before structure was declared.

    Parameters
    ----------
    points, before : sequence of Point
        As judged with and without the later declarations.
    structure, earlier : sequence of str
        Kind of declared structure under each, with and without them; empty: none anywhere.

    Returns
    -------
    tuple of Point
        Those that lie on it, or are judged otherwise because of it, carry the flag ``declared after tapping``
        and say what they were; a suspect that no longer is one carries ``was suspect`` too.

    Examples
    --------
    >>> was = Point("deck", "B3", 0.3, 0.2, 1, (), (), 1.0, "suspect", confidence=0.9873)
    >>> now = replace(was, verdict="at structure", reason="on declared frame")
    >>> beside([now], [was], ["frame"], [""])[0].reason
    'on declared frame; before it was declared: suspect, confidence 0.987'
    """
    nowhere = [""] * len(points)
    out = []
    for p, was, kind, kind_before in zip(
        points, before, structure or nowhere, earlier or nowhere, strict=True
    ):
        if kind == kind_before and p.verdict == was.verdict:
            out.append(p)
            continue
        what = "it was" if kind != kind_before else "structure near by was"
        sure = f", confidence {sureness(was.confidence)}" if was.verdict == "suspect" else ""
        reason = f"{p.reason}; before {what} declared: {was.verdict}{sure}"
        lost = (WAS_SUSPECT,) if was.verdict == "suspect" != p.verdict else ()
        out.append(replace(p, flags=(*p.flags, "declared after tapping", *lost), reason=reason))
    return tuple(out)


def say_beside(points: Sequence[Point]) -> list[str]:
    """Name the suspects that a later declaration explains: nobody may lose sight of them by it.

    Parameters
    ----------
    points : sequence of Point
        From :func:`beside`.

    Returns
    -------
    list of str
        One line, or none.

    Examples
    --------
    >>> say_beside([Point("deck", "B3", 0.3, 0.2, 1, (), (), 1.0, "at structure", flags=("was suspect",))])
    ['suspect until structure was declared after tapping: B3. Look at them again all the same']
    """
    lost = [p.station for p in points if WAS_SUSPECT in p.flags]
    if not lost:
        return []
    return [
        f"suspect until structure was declared after tapping: {' '.join(lost)}. "
        "Look at them again all the same"
    ]
