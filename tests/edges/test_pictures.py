"""The map: read back as XML and as a picture, as anyone's viewer would."""

from __future__ import annotations

import io
import itertools
import math
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import replace

import matplotlib
import matplotlib.image
import numpy as np
import pytest

from taptone.edges import pictures
from taptone.edges.pictures import draw_map
from taptone.types import Area, Change, CutOut, Panel, Point, Recording, Result, Station, Structure

SVG = "{http://www.w3.org/2000/svg}"
XLINK = "{http://www.w3.org/1999/xlink}href"
SPACING_M = 0.1
VERDICTS = {"A1": "suspect", "A2": "suspect", "B2": "at structure", "C1": "not assessed"}


def make(across=4, up=3, name="Rudder blade"):
    """A panel with every verdict, structure and an area; its last station is not tapped."""
    labels = [(f"{chr(65 + r)}{c + 1}", c, r) for r in range(up) for c in range(across)]
    stations = tuple(Station(s, (c + 0.5) * SPACING_M, (r + 0.5) * SPACING_M, r) for s, c, r in labels)
    width, height = across * SPACING_M, up * SPACING_M
    outline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    structures = (
        Structure("frame", line=((0.15, 0.0), (0.15, height)), width_m=0.04),
        Structure("stringer", line=((0.0, 0.2), (width, 0.2))),
        Structure("fitting", outline=((0.0, 0.0), (0.05, 0.0), (0.05, 0.05))),
    )
    datum = "top of the stock, x aft, y up"
    panel = Panel(name, "port", "outside", "foam", datum, outline, stations, structures=structures)
    points = []
    for n, station in enumerate(stations[:-1]):
        verdict = VERDICTS.get(station.label, "no difference")
        sure = {"score": 5.0 + n, "chance_if_good": 1 / 4021, "confidence": 0.9876}
        at = (name, station.label, station.x_m, station.y_m, 1, ("row.wav",), (4800 * n,), 0.1 * n, verdict)
        points.append(Point(*at, **(sure if verdict == "suspect" else {})))
    ring = ((0.02, 0.02), (0.18, 0.02), (0.18, 0.09))
    return Result(
        panel,
        (Recording("row.wav", "", 48000, 96000),),
        tuple(points),
        *((), (), (), ()),
        (Area(("A1", "A2"), 0.01, 0.02, ring, ring, 0.015, (ring,), open=("no good station beyond",)),),
        *((), ()),
        "relative to this panel only",
    )


def svg(result):
    return draw_map(result)["map.svg"].decode("utf-8")


def groups(text):
    """Elements of the drawing by their id."""
    return {e.get("id"): e for e in ElementTree.fromstring(text).iter() if e.get("id")}


def words(text):
    """Texts in the drawing: matplotlib writes each as a comment beside its outlines."""
    return re.findall(r"<!-- (.*?) -->", text, flags=re.DOTALL)


def marker(group):
    """Outline of the marker of a group, and how often it is used."""
    path = next(group.iter(f"{SVG}path"))
    return path.get("d"), sum(use.get(XLINK) == f"#{path.get('id')}" for use in group.iter(f"{SVG}use"))


def test_every_verdict_has_its_own_marker():
    found = groups(svg(make()))
    kinds = ["suspect-1", "no-difference", "at-structure", "not-assessed", "not-tapped"]
    markers = {kind: marker(found[kind]) for kind in kinds}
    assert {kind: count for kind, (_, count) in markers.items()} == {
        "suspect-1": 1,
        "no-difference": 7,
        "at-structure": 1,
        "not-assessed": 1,
        "not-tapped": 1,
    }
    # Told apart by form, not by size: the letters of the path are the kinds of line it is made of.
    forms = {kind: re.sub(r"[^A-Za-z]", "", d) for kind, (d, _) in markers.items()}
    assert forms["suspect-1"] == "MLLLz"
    assert forms["at-structure"] == "ML"
    assert forms["not-assessed"] == "MLML"
    assert forms["no-difference"] == forms["not-tapped"]  # open circle, dot
    assert "fill: #ffffff" in ElementTree.tostring(found["no-difference"], "unicode")
    assert "fill: #ffffff" not in ElementTree.tostring(found["not-tapped"], "unicode")
    assert "suspect-2" in found
    assert "suspect-3" not in found


def test_only_suspects_have_a_tone_and_more_is_darker():
    found = groups(svg(make()))

    def grey(kind):
        colour = re.search(r"<[^>]*use[^>]*fill: #(\w{6})", ElementTree.tostring(found[kind], "unicode"))
        red, green, blue = bytes.fromhex(colour[1])
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue, len({red, green, blue}) > 1

    assert grey("suspect-1")[0] > grey("suspect-2")[0] + 80  # apart in a black-and-white print
    assert grey("suspect-1")[1]
    assert not grey("no-difference")[1]
    assert "fill" not in ElementTree.tostring(found["not-tapped"], "unicode")  # black


def test_words_on_the_map():
    text = "\n".join(words(svg(make())))
    for said in (
        "Rudder blade, port, outside",
        "11 of 12 stations tapped",
        "conditions: not recorded",
        "relative to this panel only",
        "Datum (x = 0, y = 0, marked +): top of the stock, x aft, y up. Drawn with x to the right",
        "x, m",
        "100 mm",
        "suspect (2)",
        "no difference (7)",
        "at structure (1)",
        "not assessed (1)",
        "not tapped (1)",
        "frame (declared)",
        "stringer (declared)",
        "fitting (declared)",
        "suspect, at least",
        "best guess",
        "at most",
        "Area of A1 is open: no good station beyond.",
        "Heard in row.wav.",
        "A1 suspect, confidence 0.987 (about 1 good place in 4,000 would sound this different)",
    ):
        assert said in text
    counts = Counter(text.split("\n"))
    assert counts["2 suspect, 7 no difference, 1 at structure, 1 not assessed, 1 not tapped"] == 1
    assert counts["suspect"] == 2  # beside each suspect
    assert all(counts[label] == 1 for label in ("A1", "A2", "B1", "C4"))


def test_no_word_of_a_suspect_hides_the_outline_of_its_area():
    made = make()
    points = tuple(replace(p, verdict="suspect") if p.station in "A1 A2 B1" else p for p in made.points)
    ring = ((0.06, 0.06), (0.14, 0.06), (0.06, 0.14))
    area = Area(("A1", "A2", "B1"), 0.003, 0.02, ring, ring, 0.015, (ring,), x_m=0.08, y_m=0.08)
    figure = pictures._figure(replace(made, points=points, areas=(area,)), "m")
    [axes] = [axes for axes in figure.axes if axes.get_xlabel() == "x, m"]
    figure.canvas.draw()
    outline = axes.transData.transform(ring).T
    bold = [text for text in axes.texts if text.get_weight() == "bold"]
    assert sorted(text.get_text() for text in bold) == ["A1", "A2", "B1", "suspect", "suspect", "suspect"]
    for text in bold:
        box = text.get_window_extent()
        assert box.y1 < outline[1].min() or box.y0 > outline[1].max() - 1


def test_what_changes_how_the_map_is_read_stands_on_it():
    result = make()
    panel = replace(
        result.panel, surface_temp_c=14.0, conditions={"date": "2026-04-11", "frozen_within_72h": False}
    )
    lost = replace(
        result.points[0],
        verdict="at structure",
        flags=("declared after tapping", "was suspect", "row again", "row too many"),
    )
    points = tuple(
        replace(p, reason="frozen within 72 h") if p.verdict == "not assessed" else p
        for p in (lost, *result.points[1:])
    )
    changes = (Change("judge.confidence", 0.95, 0.999),)
    text = "\n".join(words(svg(replace(result, panel=panel, points=points, changes=changes))))
    for said in (
        "conditions: surface: 14 °C; date: 2026-04-11; frozen within 72 h: no",
        "suspect until structure was declared after tapping: A1. Look at them again all the same",
        "1 not assessed: frozen within 72 h",
        "Stations whose strikes were tied with a doubt: row too many (1); see the notes in log.json.",
        "Changed settings: judge.confidence 0.999 (default 0.95).",
    ):
        assert said in text
    assert Counter(text.split("\n"))["was suspect"] == 1


def test_where_nothing_was_judged_nothing_is_said_of_suspects():
    result = make()
    points = tuple(replace(p, verdict="not assessed", reason="frozen within 72 h") for p in result.points)
    found = words(svg(replace(result, points=points, areas=())))
    assert "11 not assessed, 1 not tapped" in found
    assert "11 not assessed: frozen within 72 h" in found
    assert not any("suspect" in text for text in found)


def test_reference_is_named_when_there_is_one():
    text = svg(replace(make(), relative_to="baseline teapot.json"))
    assert "compared with baseline teapot.json" in words(text)
    assert "this panel only" not in text


def test_a_row_that_could_not_be_tied_is_not_shown_as_blank():
    result = make()
    untied = tuple(
        replace(p, taps=0, verdict="not assessed", flags=("count differs",)) if p.station[0] == "B" else p
        for p in result.points
    )
    text = svg(replace(result, points=untied))
    assert "7 of 12 stations tapped; strikes were heard for 4 more, but which is whose is not known" in text
    assert marker(groups(text)["not-assessed"])[1] == 5
    assert marker(groups(text)["not-tapped"])[1] == 1


def test_untapped_station_stays_blank_whatever_its_verdict():
    result = make()
    points = (
        *result.points[1:],
        replace(result.points[0], taps=0, verdict="not assessed", reason="not tapped"),
    )
    found = groups(svg(replace(result, points=points)))
    assert marker(found["not-tapped"])[1] == 2


@pytest.mark.parametrize(("across", "up"), [(13, 13), (40, 4), (4, 40)])
def test_axes_keep_the_proportions_and_the_page_is_no_larger_than_a4(across, up):
    root = ElementTree.fromstring(svg(make(across, up)))
    width_pt, height_pt = (float(root.get(side).removesuffix("pt")) for side in ("width", "height"))
    assert max(width_pt, height_pt) < 297 / 25.4 * 72
    assert min(width_pt, height_pt) < 210 / 25.4 * 72
    outline = groups(ElementTree.tostring(root, "unicode"))["outline"]
    corners = re.findall(r"[ML] ([\d.]+) ([\d.]+)", next(outline.iter(f"{SVG}path")).get("d"))
    size = np.ptp(np.array(corners, dtype=float), axis=0)
    assert size[0] / size[1] == pytest.approx(across / up, rel=1e-4)


def test_odd_names_do_not_break_the_picture():
    name = "a--b <i>&amp; $x^ \x01\udc80 船 " + "long" * 100
    result = make(name=name)
    datum = replace(result.panel, datum="\n".join(["stem"] * 200))
    pictures = draw_map(replace(result, panel=datum))
    ElementTree.fromstring(pictures["map.svg"])
    plain = svg(make())
    width = [ElementTree.fromstring(text).get("width") for text in (pictures["map.svg"], plain)]
    assert width[0] == width[1]


@pytest.mark.parametrize("units", ["m", "ft-in"])
@pytest.mark.parametrize("size", [(4, 3), (3, 12), (40, 2)])
@pytest.mark.parametrize("kind", ["frame", "longitudinal bulkhead of the port tank", "W" * 80, "frame " * 60])
def test_no_entry_of_the_legend_is_cut_or_leaves_the_page(kind, size, units):
    result = make(*size)
    kinds = [replace(s, kind=f"{kind}{n}") for n, s in enumerate(result.panel.structures)]
    late = [replace(s, kind=f"{s.kind} late", declared_after_tapping=True) for s in kinds]
    panel = replace(result.panel, structures=(*kinds, *late), cutouts=(CutOut(((0, 0), (0.1, 0), (0, 0.1))),))
    figure = pictures._figure(replace(result, panel=panel), units)
    figure.canvas.draw()
    page, *_ = figure.axes
    edge = page.get_window_extent()
    text = " ".join(one.get_text() for one in page.texts)
    assert "…" not in text
    together = text.replace(" ", "")
    for structure in panel.structures:
        assert f"{structure.kind}(declared".replace(" ", "") in together
    for one in page.texts:
        box = one.get_window_extent()
        assert (edge.x0 <= box.x0, box.x1 <= edge.x1) == (True, True), one.get_text()
        assert (edge.y0 <= box.y0, box.y1 <= edge.y1) == (True, True), one.get_text()
    lines = sorted((one.get_window_extent() for one in page.texts), key=lambda box: (box.x0, box.y0))
    assert all(a.y1 <= b.y0 + 1 for a, b in itertools.pairwise(lines) if abs(a.x0 - b.x0) < 1)


def test_more_kinds_of_structure_than_a_page_takes_make_the_page_longer():
    result = make()
    kinds = tuple(
        Structure(f"kind {n} of a long list of things", line=((0.0, 0.1), (0.4, 0.1)), width_m=0.01)
        for n in range(500)
    )
    text = svg(replace(result, panel=replace(result.panel, structures=kinds)))
    assert {
        "kind 39 of a long list of things (declared)",
        "and 460 more kinds of structure, hatched as these (declared)",
    } <= set(words(text))


def test_png_is_a_picture_of_the_same_page():
    pictures = draw_map(make())
    image = matplotlib.image.imread(io.BytesIO(pictures["map.png"]), format="png")
    root = ElementTree.fromstring(pictures["map.svg"])
    page = [float(root.get(side).removesuffix("pt")) / 72 * 200 for side in ("height", "width")]
    assert image.shape[:2] == pytest.approx(page, abs=1)
    assert 0.5 < image[..., :3].mean() < 0.99  # mostly paper, but not empty


def test_without_a_panel_taps_stand_along_time():
    points = tuple(
        Point("", str(n + 1), math.nan, math.nan, 1, (name,), (n,), 0.5 * n, verdict, score=4.0)
        for n, (name, verdict) in enumerate(
            [("row.wav", "suspect"), ("row.wav", "no difference"), ("Voice 2.m4a", "no difference")]
        )
    )
    text = svg(replace(make(), panel=None, points=points, areas=()))
    assert {"3 taps", "time, s", "row.wav", "Voice 2.m4a"} <= set(words(text))
    group = groups(text)["no-difference"]
    places = [(float(u.get("x")), float(u.get("y"))) for u in group.iter(f"{SVG}use")]
    assert places[0][0] < places[1][0]
    assert places[0][1] < places[1][1]  # the second recording stands below the first


@pytest.mark.parametrize("panel", [None, make().panel])
def test_nothing_tapped_is_drawn_too(panel):
    text = svg(replace(make(), panel=panel, points=(), areas=()))
    assert ("0 taps" if panel is None else "0 of 12 stations tapped") in words(text)


def test_same_bytes_on_every_run_whatever_this_user_has_set(tmp_path):
    first, again = draw_map(make()), draw_map(make())
    assert first == again
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red", "savefig.bbox": "tight"}):
        assert draw_map(make()) == first
        assert matplotlib.rcParams["font.size"] == 30  # and it is left as it was
    assert b"<dc:date>" not in first["map.svg"]

    code = "import sys, test_pictures as t; sys.stdout.buffer.write(t.draw_map(t.make())['map.svg'])"
    other = subprocess.run(
        [
            sys.executable,
            "-c",
            f"import sys; sys.path.insert(0, {str(__file__.rpartition('/')[0])!r}); {code}",
        ],
        capture_output=True,
    )
    assert other.stdout == first["map.svg"], other.stderr.decode()
