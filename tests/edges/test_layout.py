"""The layout sheet: what is written on it, where it lies, and that it is the same on every run.

Sizes of paper: ISO 216 (A4 is 210 by 297 mm); letter is 8.5 by 11 inches (ANSI/ASME Y14.1). 72 points are an
inch in PDF (ISO 32000). PNG's header: width and height stand at bytes 16 and 20 (ISO/IEC 15948).
"""

from __future__ import annotations

import io
import re
import struct
import zlib

import matplotlib.image
import numpy as np
import pytest

from taptone.edges.layout import PAPERS_IN as PAPERS
from taptone.edges.layout import _figure, _pages, draw_sheets
from taptone.survey.lattice import refined
from taptone.survey.panel import parse_panel
from taptone.types import Panel

DECK = """
name = "foredeck"
boat = "Lantern"
side = "centre"
face = "outside"
construction = "cored foam"
datum = "stem head"
outline = [[0, 0], [{across}, 0], [{across}, 0.9], [0, 0.9]]
hammer = "plastic 60 g"
surface_temp_c = 14
[conditions]
frozen_within_72h = false
[grid]
spacing = 0.15
path = "{path}"
pattern = "{pattern}"
[[cutout]]
kind = "hatch"
outline = [[0.4, 0.3], [0.8, 0.3], [0.8, 0.6], [0.4, 0.6]]
[[structure]]
kind = "frame"
line = [[0.97, 0], [0.97, 0.9]]
width = 0.08
"""


def deck(across: float = 1.2, path: str = "serpentine rows", pattern: str = "square") -> Panel:
    return parse_panel(DECK.format(across=across, path=path, pattern=pattern), source="deck.toml")


def texts(panel: Panel) -> list[list[str]]:
    """All that is written on each sheet."""
    pages = _pages(panel, PAPERS["a4"])
    return [
        [text.get_text() for axes in _figure(panel, page, len(pages)).axes for text in axes.texts]
        for page in pages
    ]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_same_bytes_on_every_run_without_a_date(paper):
    assert draw_sheets(deck(), paper) == draw_sheets(deck(), paper)
    assert b"CreationDate" not in draw_sheets(deck(), paper)[0]


@pytest.mark.parametrize(("paper", "short", "long"), [("a4", 210 / 25.4, 297 / 25.4), ("letter", 8.5, 11)])
def test_paper_has_its_size(paper, short, long):
    pdf, (png,) = draw_sheets(deck(), paper)
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf)
    assert sorted(float(side) / 72 for side in box.groups()) == pytest.approx([short, long], abs=0.01)
    sides = struct.unpack(">II", png[16:24])
    assert sorted(side / 150 for side in sides) == pytest.approx([short, long], abs=0.01)


def test_black_and_white_only():
    _, (png,) = draw_sheets(deck(pattern="staggered"))
    pixels = matplotlib.image.imread(io.BytesIO(png))[..., :3]
    assert np.all(np.ptp(pixels, axis=2) == 0)


@pytest.mark.parametrize("pattern", ["square", "staggered"])
def test_every_station_both_tapes_and_all_counts_are_written(pattern):
    panel = deck(pattern=pattern)
    (written,) = texts(panel)
    assert {s.label for s in panel.stations} <= set(written)
    assert {f"{1000 * s.x_m:g}" for s in panel.stations} <= set(written)
    heights = {f"{round(2000 * s.y_m) / 2:g}" for s in panel.stations}
    assert heights <= set(written)
    rows: dict[str, int] = {}
    for station in panel.stations:
        rows[station.label[0]] = rows.get(station.label[0], 0) + 1
    assert {f"{row}: {count}" for row, count in rows.items()} <= set(written)
    assert {"hatch: do not tap", "frame", "plastic 60 g", "14", "no"} <= set(written)
    assert any(text.startswith("Datum (+): stem head") for text in written)


@pytest.mark.parametrize("path", ["columns", "serpentine columns"])
def test_columns_are_counted_where_columns_are_tapped(path):
    (written,) = texts(deck(path=path))
    assert {"1: 6", "4: 4", "8: 6"} <= set(written)


def test_a_big_panel_goes_over_several_sheets_each_station_on_one():
    panel = deck(across=6.0)
    sheets = texts(panel)
    assert len(sheets) > 1
    labels = {s.label for s in panel.stations}
    found = [text for sheet in sheets for text in sheet if text in labels]
    assert sorted(found) == sorted(labels)
    assert all(f"centre outside, sheet {n} of {len(sheets)}" in s for n, s in enumerate(sheets, start=1))
    for page in _pages(panel, PAPERS["a4"]):
        assert 0.15 * page.scale >= 11 / 25.4 - 1e-6  # room for a gloved hand
    pdf, pictures = draw_sheets(panel)
    assert len(pictures) == len(sheets) == len(re.findall(rb"/Type /Page\b", pdf))


def test_nothing_written_overlaps_or_leaves_the_paper():
    import matplotlib.text

    closer = deck(across=2.0)
    stations = refined(closer, ["B6", "B7"])
    listed = "".join(f'[[station]]\nlabel = "{s.label}"\nx = {s.x_m}\ny = {s.y_m}\n' for s in stations)
    text = re.sub(r"\[grid\][^\[]*", "", DECK.format(across=2.0, path="", pattern="")) + listed
    panels = [
        *(deck(path=p, pattern=g) for p in ("rows", "serpentine columns") for g in ("square", "staggered")),
        *(deck(across=a, path=p) for a in (0.5, 6.0) for p in ("rows", "columns")),
        parse_panel(text, source="closer.toml"),
    ]
    for panel in panels:
        pages = _pages(panel, PAPERS["letter"])
        for page in pages:
            figure = _figure(panel, page, len(pages))
            renderer = figure.canvas.get_renderer()
            found = figure.findobj(matplotlib.text.Text)
            shown = [t for t in found if t.get_text() and t.get_visible() and not _ticks(t, figure)]
            boxes = np.array([t.get_window_extent(renderer).extents for t in shown])
            width, height = figure.bbox.size
            assert boxes[:, :2].min() >= 0.3 * 150
            assert boxes[:, 2].max() <= width - 0.3 * 150
            assert boxes[:, 3].max() <= height - 0.3 * 150
            for n, one in enumerate(boxes):
                other = boxes[n + 1 :]
                over = (
                    (other[:, 0] < one[2] - 1)
                    & (one[0] < other[:, 2] - 1)
                    & (other[:, 1] < one[3] - 1)
                    & (one[1] < other[:, 3] - 1)
                )
                clash = [shown[n + 1 + k].get_text() for k in np.flatnonzero(over)]
                assert not clash, (panel.path, page.number, shown[n].get_text(), clash)


def _ticks(text, figure) -> bool:
    """Texts of axes that are switched off."""
    return text not in [t for axes in figure.axes for t in axes.texts]


def test_a_ring_on_the_edge_keeps_off_the_counts():
    from matplotlib.patches import Circle, Rectangle

    panel = deck(across=1.35, pattern="staggered")
    (page,) = _pages(panel, PAPERS["a4"])
    figure = _figure(panel, page, 1)
    renderer = figure.canvas.get_renderer()
    rings = [c.get_window_extent(renderer) for c in figure.findobj(Circle)]
    boxes = [r.get_window_extent(renderer) for r in figure.axes[0].findobj(Rectangle)]
    boxes = [box for box in boxes if 0 < box.width < 50]
    assert len(boxes) == 7
    assert max(ring.x1 for ring in rings) < min(box.x0 for box in boxes)


def test_long_words_are_kept_whole_where_they_matter():
    import dataclasses

    panel = dataclasses.replace(
        deck(),
        datum="chainplate bulkhead where it meets the cabin sole, x forward, y up along the skin, tape below",
        hammer="brass 90 g with a layer of tape over its face",
    )
    (written,) = texts(panel)
    assert panel.hammer in [text.replace("\n", " ") for text in written]
    assert panel.datum in " ".join(written)


def test_control_characters_in_a_name_are_blanks():
    import dataclasses

    (written,) = texts(dataclasses.replace(deck(), boat="Lan$tern\x07"))
    assert any("Lan$tern " in text for text in written)
    assert zlib.crc32(draw_sheets(dataclasses.replace(deck(), boat="Lan$tern\x07"))[0])


def test_tapes_in_feet_and_inches():
    """An inch is 25.4 mm (ISO 80000-3): column 3 stands at 375 mm, 14.76 in."""
    panel = deck(pattern="staggered")
    (page,) = _pages(panel, PAPERS["a4"])
    written = [t.get_text() for axes in _figure(panel, page, 1, "ft-in").axes for t in axes.texts]
    assert "1' 2 3/4\"" in written
    assert any(line.startswith("Tapes: feet, inches from the datum") for line in written)
    assert not [line for line in written if re.search(r"\bmm\b", line)]


def test_marks_and_swept_rows_are_said():
    """A row that is swept has no count: its two ends are known, the strikes between come as they come."""
    marked = "row_marks = true\nmark_every = 5\n" + DECK.format(across=1.2, path="rows", pattern="square")
    (written,) = texts(parse_panel(marked, source="deck.toml"))
    tapes = next(line for line in written if line.startswith("Tapes:"))
    assert "Mark after each row, every 5 stations; tick." in tapes
    swept = 'sweep = ["B"]\n' + DECK.format(across=1.2, path="rows", pattern="square")
    (written,) = texts(parse_panel(swept, source="deck.toml"))
    assert "B: sweep" in written
    assert "A: 8" in written
