"""The benchmark of the extent: its patches are as large as geometry says, and a few panels of it hold."""

from __future__ import annotations

import importlib
import math
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from taptone.physics.scene import BUILDS, Patch, Scene, Spread, local

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def bench():
    sys.path.insert(0, str(BENCHMARKS))
    yield importlib.import_module("extent")
    sys.path.remove(str(BENCHMARKS))


def test_patches_are_as_large_as_geometry_says(bench):
    """A disc, and a strip with round ends; the corners of a drawn circle leave out 0.04 %."""
    assert bench.outline_of(Patch(0.6, 0.4, 0.1)).area == pytest.approx(math.pi * 0.01, rel=1e-3)
    long = bench.outline_of(Patch(0.6, 0.4, 0.05, length_m=0.3, angle_deg=30.0))
    assert long.area == pytest.approx(math.pi * 0.05**2 + 0.2 * 0.1, rel=1e-3)
    half = bench.outline_of(Patch(0.6, 0.0, 0.1))
    assert half.area == pytest.approx(math.pi * 0.01 / 2, rel=1e-3)


@pytest.mark.parametrize("shape", ["round", "long", "at an edge"])
def test_the_outline_is_where_the_simulator_has_the_skin_loose(bench, shape, rng):
    patch = bench.patch_of(shape, 0.1, rng)
    xy = rng.uniform((0.0, 0.0), (bench.ACROSS_M, bench.UP_M), (400, 2))
    scene = Scene(BUILDS["foam deck"], patches=(patch,), spread=Spread().scaled(0.0))
    outline = bench.outline_of(patch)
    inside = shapely.contains_xy(outline, xy[:, 0], xy[:, 1])
    near = shapely.distance(outline.exterior, shapely.points(xy)) < 0.002
    assert np.array_equal(local(scene, xy).loose[~near], inside[~near])


def test_a_few_development_panels_hold(bench):
    rows = [bench.by_law(bench.DEVELOPMENT + 200 + k) for k in range(4)]
    found = [row for row in rows if row["found"]]
    assert len(found) >= 3
    assert all(row["least_m2"] <= row["true_m2"] <= row["most_m2"] for row in found)
    assert sum(row["next_taps"] for row in found) < sum(row["blind_taps"] for row in found)
    assert "| all by the law | " in bench.table(rows, [], [])
