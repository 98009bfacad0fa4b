"""The blow of a hammer against published contact times, and surfaces that give way against quadrature."""

import numpy as np
import pytest

from taptone.physics import plate, strike
from taptone.physics.panel import TIPS, hammer

GLASS_ON_STEEL = strike.contact_modulus(210e9, 0.30, 10e9, 0.30)
K_HERTZ = strike.hertz_stiffness(GLASS_ON_STEEL, 0.010)
DT = 1e-6


def published_sphere(density, radius_m, speed_m_s, bodies):
    """McLaskey and Glaser, J. Nondestruct. Eval. 31 (2012) 157, eq. 7: contact time and peak force."""
    d = sum((1.0 - nu**2) / (np.pi * e) for e, nu in bodies)
    time = 4.53 * (4.0 * density * np.pi * d / 3.0) ** 0.4 * radius_m * speed_m_s**-0.2
    return time, 1.917 * density**0.6 * d**-0.4 * radius_m**2 * speed_m_s**1.2


def test_hertz_contact_time_by_formula():
    # Johnson, Contact Mechanics (1985), 11.4: 2.8683 (m^2 / (R E*^2 v))^(1/5).
    time = strike.hertz_contact_time(0.050, 0.010, GLASS_ON_STEEL, 1.0)
    assert pytest.approx(10.4895e9, rel=1e-5) == GLASS_ON_STEEL
    assert time == pytest.approx(2.8683 * (0.050**2 / (0.010 * GLASS_ON_STEEL**2)) ** 0.2, rel=1e-4)
    assert time == pytest.approx(0.21326e-3, rel=1e-3)
    assert strike.hertz_peak_force(0.050, 0.010, GLASS_ON_STEEL, 1.0) == pytest.approx(862.6, rel=1e-3)


def test_hertz_contact_against_the_published_sphere():
    # Steel ball of 10 mm radius at 1 m/s on glass laminate.
    mass = 4.0 / 3.0 * np.pi * 0.010**3 * 7850.0
    time, force = published_sphere(7850.0, 0.010, 1.0, [(210e9, 0.30), (10e9, 0.30)])
    assert (time, force) == pytest.approx((0.1803e-3, 670.8), rel=2e-3)
    assert strike.hertz_contact_time(mass, 0.010, GLASS_ON_STEEL, 1.0) == pytest.approx(time, rel=2e-3)
    assert strike.hertz_peak_force(mass, 0.010, GLASS_ON_STEEL, 1.0) == pytest.approx(force, rel=2e-3)
    blow = strike.strike(mass, K_HERTZ, 1.0, dt_s=2e-7, longest_s=1e-3)
    assert blow.contact_s[0] == pytest.approx(time, rel=5e-3)
    assert blow.peak_n[0] == pytest.approx(force, rel=3e-3)


def test_pulse_has_the_published_shape():
    # McLaskey and Glaser (2012): force close to sin^(3/2)(pi t / t_c).
    blow = strike.strike(0.050, K_HERTZ, 1.0, dt_s=5e-7, longest_s=1e-3)
    force = blow.force_n[0][blow.force_n[0] > 0.0]
    t = (np.arange(len(force)) + 1.0) / (len(force) + 1.0)
    assert np.abs(force / force.max() - np.sin(np.pi * t) ** 1.5).max() < 0.03


@pytest.mark.parametrize(
    ("spring_n_m", "contact_ms", "peak_n"),
    [(np.inf, 0.213, 862), (30e6, 0.255, 687), (3e6, 0.475, 343), (1e6, 0.751, 212), (147.3e3, 1.856, 84.9)],
)
def test_hammer_on_a_spring(spring_n_m, contact_ms, peak_n):
    # Model of Cawley and Adams, J. Sound Vib. 122 (1988) 299; values by an independent ODE solver.
    blow = strike.strike(0.050, K_HERTZ, 1.0, compliance_m_n=1.0 / spring_n_m, dt_s=DT)
    assert blow.contact_s[0] * 1e3 == pytest.approx(contact_ms, rel=1e-2)
    assert blow.peak_n[0] == pytest.approx(peak_n, rel=1e-2)
    assert blow.touches[0] == 1


def test_softer_springs_take_the_high_frequencies():
    # Cawley and Adams (1988), abstract: duration up, peak force down, faster fall of the spectrum.
    springs = np.array([np.inf, 100e6, 30e6, 10e6, 3e6, 1e6])
    blow = strike.strike(0.050, K_HERTZ, 1.0, compliance_m_n=1.0 / springs, dt_s=DT)
    spectrum = np.abs(np.fft.rfft(blow.force_n, 1 << 18, axis=1))
    f = np.fft.rfftfreq(1 << 18, DT)
    half_power = [f[np.argmax(row < row[0] / np.sqrt(2.0))] for row in spectrum]
    assert np.all(np.diff(half_power) < 0.0)
    assert np.all(np.diff(blow.contact_s) > 0.0)
    assert np.all(np.diff(blow.peak_n) < 0.0)


def test_soft_limit_is_a_mass_on_a_spring():
    # Half a period, pi sqrt(m/k) = 1.830 ms; the contact adds a little.
    blow = strike.strike(0.050, 1e3 * K_HERTZ, 1.0, compliance_m_n=1.0 / 147.3e3, dt_s=DT)
    assert blow.contact_s[0] == pytest.approx(np.pi * np.sqrt(0.050 / 147.3e3), rel=3e-3)


def test_a_spring_loses_nothing():
    # Momentum: the hammer leaves as fast as it came, so the impulse is 2 m v.
    blow = strike.strike(0.050, K_HERTZ, [0.5, 2.0], compliance_m_n=1e-6, dt_s=DT)
    assert blow.force_n.sum(axis=1) * DT == pytest.approx([0.050, 0.200], rel=1e-3)


@pytest.mark.parametrize(
    ("radius_mm", "widths_ms"),
    [(10.0, (0.969, 0.930, 0.814, 0.620, 0.349)), (10.0, (0.450, 0.432, 0.378, 0.288, 0.162))],
)
def test_pulse_width_falls_towards_the_edge(radius_mm, widths_ms):
    # Shock and Vibration 2021, 5535687, Table 4, defects 2 and 3 at r = 0, 2, 4, 6, 8 mm.
    r = np.array([0.0, 2.0, 4.0, 6.0, 8.0])
    published = np.array(widths_ms) / widths_ms[0]
    # A skin so thin that its spring, not the contact, sets the width; the hammer as heavy as it must be.
    spring = plate.clamped_circle_stiffness(0.5, radius_mm * 1e-3, r * 1e-3)
    mass = spring[0] * (widths_ms[0] * 1e-3 / np.pi) ** 2
    blow = strike.strike(mass, 1e4 * K_HERTZ, 1.0, compliance_m_n=1.0 / spring, dt_s=2e-7, longest_s=3e-3)
    assert blow.contact_s[0] * 1e3 == pytest.approx(widths_ms[0], rel=1e-2)
    assert blow.contact_s / blow.contact_s[0] == pytest.approx(published, rel=1e-2)


def test_force_on_an_endless_plate():
    # A linear contact is not at hand, so a limit: on a plate that is all dashpot (Z small against the
    # hammer and its contact) the force decays as exp(-Z t / m) from Z v: Cremer, Heckl and Petersson.
    z, mass, speed = 50.0, 0.5, 1.0
    response = np.full((1, 20_000), 1.0 / z)
    blow = strike.strike(mass, 1e3 * K_HERTZ, speed, response=response, dt_s=DT, longest_s=0.015)
    t = np.array([0.002, 0.005, 0.010])
    assert blow.force_n[0][np.rint(t / DT).astype(int)] == pytest.approx(
        z * speed * np.exp(-z * t / mass), rel=1e-2
    )


def test_steps_are_fine_enough():
    # The step that recordings at 48 kHz use against one ten times finer.
    springs = [0.0, 1.0 / 3e6, 1.0 / 147.3e3]
    coarse = strike.strike(0.060, K_HERTZ, 0.7, compliance_m_n=springs, dt_s=1.0 / 192_000)
    fine = strike.strike(0.060, K_HERTZ, 0.7, compliance_m_n=springs, dt_s=1.0 / 1_920_000)
    assert coarse.peak_n == pytest.approx(fine.peak_n, rel=4e-3)
    assert coarse.contact_s == pytest.approx(fine.contact_s, abs=1.0 / 192_000)


def test_plate_on_foundation_gives_way_as_its_static_stiffness():
    # The impulse response's integral is the compliance 1 / (8 sqrt(K D)): Timoshenko, ch. 8.
    d, foundation, mass = plate.bending_stiffness(12e9, 3e-3, 0.30), 75e6 / 0.020, 4.8
    t = np.arange(0.0, 0.02, 5e-7)
    cut_on = np.sqrt(foundation / mass) / (2.0 * np.pi)
    h = strike.plate_on_foundation_response(t, plate.point_impedance(d, mass), cut_on, 0.05)[0]
    assert 1.0 / ((h.sum() - h[0] / 2.0) * 5e-7) == pytest.approx(2.6685e6, rel=5e-3)
    assert h[0] == pytest.approx(1.0 / plate.point_impedance(d, mass))


def test_sandwich_gives_way_as_its_waves_say():
    # The endless plate's response by quadrature over wave numbers:
    # h(t) = 1/(2 pi m') integral of k sin(w t) exp(-eta w t / 2) / w dk, w(k) from bending and core shear.
    # The losses there lower the end of h by eta / pi (2 %), which the look-up leaves at the plain plate's.
    whole, faces, shear, mass, eta = 1.04e4, 59.3, 6.6e5, 11.2, 0.06
    k = np.arange(0.025, 3000.0, 0.05)
    w = np.sqrt((faces * k**4 + whole * k**4 / (1.0 + whole * k**2 / shear)) / mass)
    t = np.array([5e-5, 1e-4, 3e-4, 1e-3])
    wave = np.sin(np.outer(t, w)) * np.exp(-0.5 * eta * np.outer(t, w)) * k / w
    expected = wave.sum(axis=1) * 0.05 / (2.0 * np.pi * mass)
    found = strike.sandwich_response(t, whole, faces, shear, mass, eta)[0]
    assert found == pytest.approx(expected, rel=3e-2)


def test_sandwich_at_both_ends_is_a_plain_plate():
    # Cremer, Heckl and Petersson: 1 / (8 sqrt(D m')), first of the faces alone, in the end of the whole.
    h = strike.sandwich_response(np.array([0.0, 10.0]), 1.04e4, 59.3, 6.6e5, 11.2)[0]
    assert h[0] == pytest.approx(1.0 / plate.point_impedance(59.3 + 1e-3, 11.2), rel=3e-2)
    assert h[1] == pytest.approx(1.0 / plate.point_impedance(1.04e4 + 59.3, 11.2), rel=3e-2)


def test_softer_tips_stay_longer_and_are_duller():
    # Johnson, 11.4: contact time goes as E*^-0.4 on a half space; common practice, no source, for the order.
    order = ["steel", "brass", "plastic", "taped"]
    assert sorted(TIPS) == sorted(order)
    tips = [hammer(0.060, tip) for tip in order]
    modulus = np.array([strike.contact_modulus(t.tip_modulus_pa, t.tip_poisson, 12e9, 0.30) for t in tips])
    radius = np.array([t.tip_radius_m for t in tips])
    blow = strike.strike(0.060, strike.hertz_stiffness(modulus, radius), 0.7, dt_s=DT, longest_s=4e-3)
    assert blow.contact_s == pytest.approx(2.8683 * (0.060**2 / (radius * modulus**2 * 0.7)) ** 0.2, rel=1e-2)
    assert np.all(np.diff(blow.contact_s) > 0.0)
    spectrum = np.abs(np.fft.rfft(blow.force_n, 1 << 18, axis=1))
    f = np.fft.rfftfreq(1 << 18, DT)
    assert np.all(np.diff([f[np.argmax(row < row[0] / 2.0)] for row in spectrum]) < 0.0)


def test_heavier_hammers_stay_longer():
    # Johnson, 11.4: as m^0.4.
    masses = np.array([0.020, 0.060, 0.250])
    blow = strike.strike(masses, K_HERTZ, 0.7, dt_s=5e-7, longest_s=2e-3)
    assert blow.contact_s / blow.contact_s[0] == pytest.approx((masses / 0.020) ** 0.4, rel=1e-2)
