"""Head of still water: values computed by hand from density, gravity and depth (no table is needed)."""

from __future__ import annotations

import pytest

from taptone.survey.head import KPA_A_PSI, head_kpa


def test_one_metre():
    assert head_kpa(1.0) == pytest.approx(10.0518, abs=1e-4)  # 1025 x 9.80665
    assert head_kpa(1.0) / KPA_A_PSI == pytest.approx(1.4579, abs=1e-4)
    assert head_kpa(1.0, 1000) == pytest.approx(9.80665, abs=1e-9)


def test_a_psi_is_what_its_definition_says():
    assert pytest.approx(0.45359237 * 9.80665 / 0.0254**2 / 1000, rel=1e-7) == KPA_A_PSI


def test_a_foot_of_sea_water_is_what_divers_reckon_with():
    """64 lb a cubic foot: 0.4444 psi a foot, from memory; 1025 kg/m³ is 63.99 lb."""
    assert head_kpa(0.3048) / KPA_A_PSI == pytest.approx(64 / 144, rel=5e-4)


@pytest.mark.parametrize("depth_m", [-0.1, float("nan"), float("inf")])
def test_no_depth(depth_m):
    with pytest.raises(ValueError, match="no depth"):
        head_kpa(depth_m)
