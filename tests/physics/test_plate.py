"""Laws of plates, held against published values; CHECK means a figure recomputed there with scipy or FE."""

import numpy as np
import pytest

from taptone.physics import plate

# Worked example A: loose glass skin, 2 mm, clamped on a radius of 50 mm (E 10 GPa, nu 0.30, 1600 kg/m3).
D_SKIN = plate.bending_stiffness(10e9, 2e-3, 0.30)
# Worked example C: plate of 5 mm of the same laminate.
D_PLATE = plate.bending_stiffness(10e9, 5e-3, 0.30)


@pytest.mark.parametrize(
    ("diameters", "circles", "lambda2"),
    [
        (0, 0, 10.2158),
        (0, 1, 39.7711),
        (0, 2, 89.1041),
        (1, 0, 21.2604),
        (1, 1, 60.8287),
        (1, 2, 120.0792),
        (2, 0, 34.8770),
        (2, 1, 84.5826),
        (2, 2, 153.8151),
        (3, 0, 51.0300),
        (3, 1, 111.0214),
    ],
)
def test_clamped_circle(diameters, circles, lambda2):
    # Leissa, Vibration of Plates, NASA SP-160 (1969), ch. 2.
    assert plate.clamped_circle_lambda2(diameters, circles) == pytest.approx(lambda2, rel=1e-4)


@pytest.mark.parametrize(
    ("mode", "b", "tolerance"),
    [((0, 0), 11.84, 5e-3), ((1, 0), 24.61, 5e-3), ((2, 0), 40.41, 5e-3), ((0, 1), 46.14, 5e-3)],
)
def test_clamped_circle_in_handbook_form(mode, b, tolerance):
    # Harris, Shock and Vibration Handbook: omega = B sqrt(E t^2 / (rho d^4 (1 - nu^2))), d the diameter.
    assert plate.clamped_circle_lambda2(*mode) == pytest.approx(b * np.sqrt(12.0) / 4.0, rel=tolerance)


def test_clamped_circle_against_finite_elements():
    # Morley elements (scikit-fem), 5 and 6 refinements extrapolated.
    found = [plate.clamped_circle_lambda2(n, 0) for n in range(3)]
    assert found == pytest.approx([10.216, 21.260, 34.872], rel=1e-3)


@pytest.mark.parametrize(
    ("poisson", "mode", "lambda2"),
    [
        (0.30, (0, 0), 4.9351),
        (0.30, (1, 0), 13.8982),
        (0.30, (2, 0), 25.6133),
        (0.30, (0, 1), 29.7200),
        (0.25, (0, 0), 4.8601),
        (0.33, (0, 0), 4.9790),
    ],
)
def test_supported_circle(poisson, mode, lambda2):
    # Leissa and Narita, J. Sound Vib. 70 (1980) 221.
    assert plate.supported_circle_lambda2(*mode, poisson) == pytest.approx(lambda2, rel=1e-4)


def test_supported_square():
    # pi^2 (m^2 + n^2): 19.739, 49.348, 78.957, 98.696, 128.305 on the side (theory).
    hz = plate.supported_rectangle_frequency([1, 1, 2, 1, 2], [1, 2, 2, 3, 3], 1.0, 1.0, 1.0, 1.0)
    assert 2.0 * np.pi * hz == pytest.approx([19.739, 49.348, 78.957, 98.696, 128.305], rel=1e-4)


def test_supported_square_in_handbook_form():
    # Harris: lambda^2 = B sqrt(12); his fourth value is left out (a likely misprint).
    hz = plate.supported_rectangle_frequency([1, 1, 2, 2], [1, 2, 2, 3], 1.0, 1.0, 1.0, 1.0)
    assert 2.0 * np.pi * hz / np.sqrt(12.0) == pytest.approx([5.70, 14.26, 22.82, 37.08], rel=3e-3)


def test_supported_rectangle():
    # Thin-plate theory; finite elements give 103.06, 214.14, 300.26, 398.61, 411.08 Hz.
    hz = plate.supported_rectangle_frequency([1, 2, 1, 3, 2], [1, 1, 2, 1, 2], 0.4, 0.3, D_PLATE, 8.0)
    assert hz == pytest.approx([103.156, 214.565, 301.217, 400.247, 412.626], rel=1e-3)
    assert hz == pytest.approx([103.06, 214.14, 300.26, 398.61, 411.08], rel=5e-3)


@pytest.mark.parametrize(
    ("side_lambda2", "size_m", "expected_hz", "tolerance"),
    [
        # Clamped 0.4 x 0.3 m by Ritz, parameters on the side of 0.4 m.
        ([51.0235, 85.6156, 120.067], 0.4, [191.986, 322.145, 451.776], 1e-3),
        # Clamped square of 0.3 m; parameters of Leissa, J. Sound Vib. 31 (1973) 257.
        ([35.9852, 73.3938, 108.2165], 0.3, [240.71, 490.95, 723.89], 1e-3),
    ],
)
def test_frequency_from_published_parameters(side_lambda2, size_m, expected_hz, tolerance):
    hz = plate.natural_frequency(side_lambda2, size_m, D_PLATE, 8.0)
    assert hz == pytest.approx(expected_hz, rel=tolerance)


def test_loose_skin_of_the_worked_example():
    # CHECK 1.3 A.
    assert pytest.approx(7.32601, rel=1e-5) == D_SKIN
    assert plate.clamped_circle_stiffness(D_SKIN, 0.050) == pytest.approx(147_298, rel=1e-4)
    assert plate.supported_circle_stiffness(D_SKIN, 0.050, 0.30) == pytest.approx(58_027, rel=1e-4)
    modes = [plate.clamped_circle_lambda2(n, s) for n, s in ((0, 0), (1, 0), (2, 0), (0, 1))]
    hz = plate.natural_frequency(modes, 0.050, D_SKIN, 3.2)
    assert hz == pytest.approx([984.04, 2047.9, 3359.5, 3831.0], rel=1e-3)


def test_loose_skin_of_other_radii():
    # CHECK 1.3 B.
    radii = np.array([0.025, 0.075, 0.100, 0.150])
    hz = plate.natural_frequency(plate.clamped_circle_lambda2(0, 0), radii, D_SKIN, 3.2)
    assert hz == pytest.approx([3936.1, 437.3, 246.0, 109.3], rel=1e-3)
    stiffness = plate.clamped_circle_stiffness(D_SKIN, radii)
    assert stiffness == pytest.approx([589_192, 65_466, 36_825, 16_366], rel=1e-3)


def test_point_stiffness_off_the_middle():
    # Timoshenko and Woinowsky-Krieger; finite elements give 50.23, 57.15, 89.24, 261.2.
    stiffness = plate.clamped_circle_stiffness(1.0, 1.0, [0.0, 0.25, 0.5, 0.75])
    assert stiffness == pytest.approx([50.2655, 57.191, 89.361, 262.61], rel=5e-3)
    assert stiffness == pytest.approx([50.23, 57.15, 89.24, 261.2], rel=6e-3)
    assert np.isinf(plate.clamped_circle_stiffness(1.0, 1.0, 1.0))


@pytest.mark.parametrize("rho", [0.0, 0.25, 0.5])
def test_modes_add_up_to_the_static_stiffness(rho):
    # Shapes against statics: the sum of shape^2 / lambda^4 must be (1 - rho^2)^2 / 16 (Timoshenko).
    total = sum(
        plate.clamped_circle_shape(n, s, rho) ** 2 / plate.clamped_circle_lambda2(n, s) ** 2
        for n in range(22)
        for s in range(10)
    )
    assert total == pytest.approx((1.0 - rho**2) ** 2 / 16.0, rel=6e-3)


def test_shapes_carry_the_mass_of_the_disc():
    # Definition: mean square over the disc is 1, by Gauss-Legendre along the radius and cos^2 round the rim.
    x, w = np.polynomial.legendre.leggauss(60)
    rho, weight = (x + 1.0) / 2.0, w / 2.0
    for n, s in ((0, 0), (0, 3), (1, 0), (2, 2), (7, 1)):
        shape = plate.clamped_circle_shape(n, s, rho)
        assert (shape**2 * 2.0 * rho * weight).sum() * (0.5 if n else 1.0) == pytest.approx(1.0, rel=1e-9)


def test_plate_on_a_core():
    # Timoshenko and Woinowsky-Krieger, ch. 8; CHECK by Hankel integral 2.6685, by sine series 2.678 MN/m.
    d = plate.bending_stiffness(12e9, 3e-3, 0.30)
    assert d == pytest.approx(29.670, rel=1e-4)
    stiffness = plate.foundation_stiffness(d, 75e6 / 0.020)
    assert stiffness == pytest.approx(2.6685e6, rel=1e-3)
    assert stiffness == pytest.approx(2.678e6, rel=2e-2)
    # A loose disc of 47.3 mm across is as soft.
    assert plate.clamped_circle_stiffness(d, 0.0473 / 2) == pytest.approx(stiffness, rel=3e-3)


def test_impedance_and_coincidence():
    # Cremer, Heckl and Petersson; euphonics.org 4.3.3; CHECK 1.3 F.
    assert plate.point_impedance(D_PLATE, 8.0) == pytest.approx(242.091, rel=1e-4)
    by_wave_speed = 4.0 / np.sqrt(3.0) * 1600.0 * 2620.7 * 5e-3**2
    assert plate.point_impedance(D_PLATE, 8.0) == pytest.approx(by_wave_speed, rel=1e-3)
    assert plate.coincidence_frequency(D_PLATE, 8.0) == pytest.approx(4950.05, rel=1e-4)


def test_sandwich():
    # Allen (1969); the value also by direct integral of E z^2. CHECK 1.3 G and H.
    stiffness = plate.sandwich_bending_stiffness(15e9, 2e-3, 50e6, 20e-3)
    assert stiffness == pytest.approx(7313.33, rel=1e-5)
    assert plate.sandwich_shear_stiffness(20e6, 2e-3, 20e-3) == pytest.approx(484_000, rel=1e-9)
    skin = plate.point_impedance(plate.bending_stiffness(15e9, 2e-3, 0.30), 3.2)
    whole = plate.point_impedance(stiffness / (1.0 - 0.30**2), 8.4)
    assert skin == pytest.approx(47.4, rel=5e-3)
    assert whole == pytest.approx(2079.0, rel=1e-3)


@pytest.mark.parametrize(
    ("skin_mm", "diameter_mm"), [(1.5, 4.6), (2, 7.0), (3, 12.9), (5, 27.7), (8, 56.1), (10, 78.3)]
)
def test_smallest_patch_at_the_published_limit(skin_mm, diameter_mm):
    # Cawley and Adams, J. Sound Vib. 122 (1988) 299: about 30 MN/m is just noticed; CHECK 2.1.
    d = plate.bending_stiffness(10e9, skin_mm * 1e-3, 0.30)
    assert plate.clamped_circle_stiffness(d, diameter_mm * 0.5e-3) == pytest.approx(30e6, rel=2.5e-2)


def test_published_limit_in_aluminium():
    # The same paper: 30 MN/m is a defect 1 mm deep and 6 mm across; its thin-plate stiffness, CHECK 2.1.
    d = plate.bending_stiffness(70e9, 1e-3, [0.33, 0.30])
    assert plate.clamped_circle_stiffness(d, 3e-3) == pytest.approx([36.6e6, 35.8e6], rel=2e-3)
    assert plate.clamped_circle_stiffness(d, 3e-3) == pytest.approx([30e6, 30e6], rel=0.25)


# -- bays and long patches ------------------------------------------------------------------------------


def test_clamped_bays():
    # Leissa, J. Sound Vib. 31 (1973) 257: 35.9852, 73.3938, 108.2165; products of beam shapes lie above.
    k2 = [plate.bay_wave_number_squared(i, j, 1.0, 1.0, 1.0) for i, j in ((1, 1), (2, 1), (2, 2))]
    assert k2 == pytest.approx([35.9852, 73.3938, 108.2165], rel=6e-3)
    # Worked example D, 0.4 by 0.3 m by Ritz, on the side of 0.4 m.
    k2 = [plate.bay_wave_number_squared(i, j, 1.0, 0.75, 1.0) for i, j in ((1, 1), (2, 1), (1, 2))]
    assert k2 == pytest.approx([51.0235, 85.6156, 120.067], rel=5e-3)


def test_supported_bays():
    # Theory: pi^2 (m^2 + n^2).
    k2 = [plate.bay_wave_number_squared(i, j, 1.0, 1.0, 0.0) for i, j in ((1, 1), (2, 1), (3, 2))]
    assert k2 == pytest.approx([19.739, 49.348, 128.305], rel=1e-4)


def test_a_strip_sinks_as_its_own_equation_says():
    # Endless clamped strip under a point load, wave number by wave number: free-field bending
    # (1 + k|y|) exp(-k|y|) / 4k^3 and what the two edges add to make W = W' = 0 at half the width, 1.
    def across(k):
        field = (1.0 + k) * np.exp(-k) / (4.0 * k**3)
        slope = -k * np.exp(-k) / (4.0 * k**2)
        edges = np.array([[np.cosh(k), np.sinh(k)], [k * np.sinh(k), np.sinh(k) + k * np.cosh(k)]])
        return 1.0 / (4.0 * k**3) + np.linalg.solve(edges, [-field, -slope])[0]

    k = np.linspace(0.01, 40.0, 8000)
    sinking = np.trapezoid([across(each) for each in k], k) / np.pi
    stiffness, _ = plate.long_patch_factors(1e9)
    assert stiffness * 16.0 * np.pi == pytest.approx(1.0 / sinking, rel=1e-2)


def test_a_strip_rings_as_a_clamped_beam():
    # Clamped beam: (4.7300)^2 over the square of the width.
    _, frequency = plate.long_patch_factors(1e9)
    assert frequency * 10.2158 == pytest.approx(4.7300**2 / 4.0, rel=1e-3)


def test_a_long_patch_runs_from_circle_to_strip():
    factors = np.array([plate.long_patch_factors(aspect) for aspect in (1.0, 1.3, 1.7, 2.5, 5.0, 50.0)])
    assert factors[0] == pytest.approx([1.0, 1.0])
    assert np.all(np.diff(factors, axis=0) < 0.0)


def test_curvature_adds_the_skin_s_own_stretch():
    # A ring breathes at sqrt(E / rho) / R: Leissa, NASA SP-288 (from memory); nothing varies along it.
    stiffness = plate.cylinder_stiffening(10e9 * 5e-3, 0.5, 1.0, 0.0)
    assert np.sqrt(stiffness / (1600.0 * 5e-3)) == pytest.approx(np.sqrt(10e9 / 1600.0) / 0.5)
    assert plate.cylinder_stiffening(5e7, 0.5, 0.0, 1.0) == 0.0
