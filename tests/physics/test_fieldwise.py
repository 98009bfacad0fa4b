"""The bay solved for its own modes: published plates and contacts, and the first simulator."""

from dataclasses import replace

import numpy as np
import pytest

from taptone.errors import SettingError
from taptone.physics import fieldwise, plate, scene
from taptone.physics.fieldwise import Fields, bay_fields, listen, modes_of, pressure, strike, tap_sounds
from taptone.physics.panel import Build, Frame, Patch, Scene, Spread, local

EVEN = Spread().scaled(0.0)
SMALL = Build(bay_m=(0.30, 0.25))
#: Glass laminate, E 10 GPa, nu 0.30, 1600 kg/m3, 2 mm: CHECK A of the published worked examples.
D_2MM, M_2MM = 7.32601, 3.2


def uniform(size_m, cells, d, m, bed, *, sandwich=1e-9, shear=1e-9):
    """Fields of an even bay: each face has d and m, the core is a bed of springs."""
    one = np.ones(cells)
    return Fields(
        size_m=size_m,
        poisson=0.30,
        skin_nm=d * one + 0j,
        skin_kg_m2=m * one,
        core_pa_m=bed * one + 0j,
        inner_nm=d * one + 0j,
        rest_kg_m2=m * one,
        sandwich_nm=sandwich * one + 0j,
        shear_n_m=shear * one + 0j,
    )


SIDE_M = 0.13


def hole(inside, grip_m):
    """Modes of a 2 mm skin held by a stiff bed but for a hole; its waves die out within `grip_m` of the rim.

    One half of it: the hole's middle is at (0, SIDE_M / 2), and the bay's edge x = 0 is a mirror.
    """
    fields = uniform((SIDE_M / 2, SIDE_M), (65, 130), D_2MM, M_2MM, 0.0)
    x, y = np.meshgrid(
        (np.arange(65) + 0.5) * 1e-3, (np.arange(130) + 0.5) * 1e-3 - SIDE_M / 2, indexing="ij"
    )
    bed = np.where(inside(x, y), 0.0, D_2MM / grip_m**4)
    return modes_of(replace(fields, core_pa_m=bed + 0j), highest_hz=9e4, backed=True)


def at_rigid_rim(grips_m, values):
    """Carry a value on to a rim that grips at once."""
    return np.polynomial.Polynomial.fit(grips_m, values, len(grips_m) - 1)(0.0)


GRIPS_M = (0.004, 0.003, 0.002)


@pytest.fixture(scope="module")
def circles():
    return [hole(lambda x, y: np.hypot(x, y) < 0.050, grip) for grip in GRIPS_M]


@pytest.fixture(scope="module")
def small():
    return modes_of(bay_fields(Scene(build=SMALL, spread=EVEN), 0, 0))


# -- plates -----------------------------------------------------------------------------------------------


def test_clamped_circle_rings_as_published(circles):
    # Leissa, NASA SP-160: lambda^2 10.2158, 21.2604, 34.8770, 39.7711 (one of each pair).
    published = np.array([10.2158, 21.2604, 34.8770, 39.7711])
    hz = published / (2.0 * np.pi * 0.050**2) * np.sqrt(D_2MM / M_2MM)
    size = [
        1.0 / np.sqrt(modes.frequency_hz[:4]) for modes in circles
    ]  # grows evenly with the give of the rim
    found = [at_rigid_rim(GRIPS_M, column) ** -2 for column in np.transpose(size)]
    assert found == pytest.approx(hz, rel=0.015)


def test_clamped_circle_gives_way_as_published(circles):
    # Timoshenko and Woinowsky-Krieger: k a^2 / D = 16 pi in the middle, 57.191 at r/a 0.25, 89.361 at 0.5.
    at = np.array([[0.0, SIDE_M / 2 + r] for r in (0.0, 0.0125, 0.025)])
    size = [np.sqrt(np.sum(modes.compliance(at), axis=0) / 2.0) for modes in circles]
    found = [at_rigid_rim(GRIPS_M, column) ** -2 for column in np.transpose(size)]
    assert found == pytest.approx(np.array([50.2655, 57.191, 89.361]) * D_2MM / 0.050**2, rel=0.03)


def test_clamped_square_rings_as_published():
    # Leissa, J. Sound Vib. 31 (1973) 257: lambda^2 on the side 35.985, 73.394, 131.58, 132.20
    # (those that are even across one middle line).
    modes = [hole(lambda x, y: np.maximum(x, abs(y)) < 0.050, grip).frequency_hz[:4] for grip in GRIPS_M]
    published = np.array([35.985, 73.394, 131.58, 132.20])
    hz = published / (2.0 * np.pi * 0.100**2) * np.sqrt(D_2MM / M_2MM)
    found = [at_rigid_rim(GRIPS_M, column) ** -2 for column in np.transpose(np.power(modes, -0.5))]
    assert found == pytest.approx(hz, rel=0.015)


def test_supported_rectangle_rings_as_published():
    # Leissa, NASA SP-160: 0.4 by 0.3 m, 5 mm laminate; two faces of half the stiffness move as one plate.
    fields = uniform((0.4, 0.3), (100, 75), 114.469 / 2, 4.0, 1e13)
    hz = modes_of(fields, highest_hz=3000.0).frequency_hz[:5]
    assert hz == pytest.approx([103.156, 214.565, 301.217, 400.247, 412.626], rel=1e-3)


def test_sandwich_bends_through_its_core():
    # Allen, Analysis and Design of Structural Sandwich Panels (1969): bending and shear in series.
    d, s, m = 7260.0 / 0.91, 484e3, 4.2
    fields = uniform((0.9, 0.6), (90, 60), 7.3, m, 1e12, sandwich=d, shear=s)
    k2 = np.pi**2 * np.array([(i / 0.9) ** 2 + (j / 0.6) ** 2 for i, j in ((1, 1), (2, 1), (1, 2), (3, 1))])
    hz = np.sqrt((2 * 7.3 * k2**2 + d * k2**2 / (1.0 + d * k2 / s)) / (2 * m)) / (2.0 * np.pi)
    assert modes_of(fields, highest_hz=2000.0).frequency_hz[:4] == pytest.approx(hz, rel=1e-3)


def test_skin_on_its_core_is_as_stiff_as_published():
    # Timoshenko and Woinowsky-Krieger, ch. 8: 8 sqrt(K D), here 2.6685 MN/m.
    modes = modes_of(uniform((0.3, 0.3), (75, 75), 29.670, 4.8, 3.75e9), backed=True)
    stiffness = 1.0 / sum(modes.compliance(np.array([[0.15, 0.15], [0.11, 0.17]])))
    assert stiffness == pytest.approx([2.6685e6, 2.6685e6], rel=0.01)


def test_loss_is_where_the_energy_is():
    # By definition the share of the energy that is lost in a radian: half of it in a skin of 0.06 is 0.03.
    fields = uniform((0.4, 0.3), (100, 75), 57.0, 4.0, 1e13)
    lossy = replace(fields, skin_nm=fields.skin_nm * (1 + 0.06j))
    assert modes_of(lossy, highest_hz=2000.0).loss[:3] == pytest.approx([0.03] * 3, rel=1e-3)


# -- blows ------------------------------------------------------------------------------------------------


def spring(stiffness_n_m):
    """Modes of a skin without inertia that is, under a push, a spring of that stiffness."""
    bed = (stiffness_n_m / 8.0) ** 2 / 100.0
    modes = modes_of(uniform((0.5, 0.5), (60, 60), 100.0, 4.8, bed), highest_hz=3000.0, backed=True)
    middle = np.array([[0.25, 0.25]])
    assert 1.0 / sum(modes.compliance(middle)) == pytest.approx([stiffness_n_m], rel=0.05)
    return replace(modes, stepped=0), middle


@pytest.mark.parametrize(
    ("stiffness_n_m", "contact_ms", "peak_n"),
    [(30e6, 0.255, 687.0), (3e6, 0.475, 343.0), (1e6, 0.751, 212.0)],
)
def test_hammer_on_a_spring(stiffness_n_m, contact_ms, peak_n):
    # Model of Cawley and Adams, J. Sound Vib. 122 (1988) 299; figures from an independent ODE solution.
    modes, middle = spring(stiffness_n_m)
    hit = strike(modes, middle, 0.050, 1.3986e9, 1.0, dt_s=1e-6)
    assert hit.contact_s * 1e3 == pytest.approx([contact_ms], rel=0.03)
    assert hit.force_n.max() == pytest.approx(peak_n, rel=0.03)


def test_hammer_on_a_rigid_support():
    # Johnson, Contact Mechanics (1985), 11.4: 0.21326 ms and 862.6 N.
    modes, middle = spring(1e9)
    hit = strike(modes, middle, 0.050, 1.3986e9, 1.0, dt_s=2.5e-7)
    assert hit.contact_s * 1e3 == pytest.approx([0.21326], rel=0.015)
    assert hit.force_n.max() == pytest.approx(862.6, rel=0.01)


def test_contact_does_not_hang_on_step_or_on_the_highest_mode(small):
    places = np.array([[0.13, 0.11], [0.16, 0.14]])
    fine = modes_of(small.fields, highest_hz=14000.0)
    one, two, three = (
        strike(modes, places, 0.060, 1.6e9, 0.7, dt_s=dt)
        for modes, dt in ((small, 5e-6), (small, 2.5e-6), (fine, 5e-6))
    )
    assert one.contact_s == pytest.approx(two.contact_s, rel=0.02)
    assert one.contact_s == pytest.approx(three.contact_s, rel=0.02)
    assert one.force_n.max(axis=1) == pytest.approx(three.force_n.max(axis=1), rel=0.02)


def test_no_blow_is_harder_than_the_plate_lets_it_be():
    # Cremer, Heckl, Petersson, Structure-Borne Sound: an endless plate takes 8 sqrt(D m) v, at most.
    panel = Scene(build=SMALL, spread=EVEN)
    panel = replace(panel, patches=(Patch(*(fieldwise._bay_origin(panel) + np.array([0.15, 0.125])), 0.10),))
    hit = strike(modes_of(bay_fields(panel, 0, 0)), np.array([[0.2, 0.125]]), 0.060, 1.6e9, 0.7, dt_s=2.5e-6)
    limit = 0.7 * 8.0 * np.sqrt(29.670 * 4.8)
    assert 0.9 * limit < hit.force_n[0, :240].max() < limit  # before the rim answers


def test_too_long_a_step_is_refused(small):
    with pytest.raises(SettingError, match="longest stable one"):
        strike(small, np.array([[0.15, 0.1]]), 0.060, 1.6e9, 0.7, dt_s=1e-4)


def test_too_large_a_bay_is_refused():
    with pytest.raises(SettingError, match="trial functions"):
        modes_of(bay_fields(Scene(build=Build(bay_m=(2.0, 1.5))), 0, 0))


# -- sound ------------------------------------------------------------------------------------------------


def test_far_away_the_bay_is_one_small_source(small):
    # Rayleigh: far from a source that is small against the wave, p = rho / (2 pi d) dQ/dt.
    dt = 1.0 / 192_000
    place, ear = np.array([0.15, 0.125]), np.array([0.15, 0.125, 20.0])
    time = np.arange(0.0, 0.004, dt)
    push = 100.0 * np.sin(np.pi * time / 0.004) ** 2  # little above 500 Hz
    sound = pressure(small, place, ear, push, dt, 4000)
    # The same by Duhamel's integral for the mean motion of the skin.
    x, y = np.meshgrid((np.arange(60) + 0.5) * 0.005, (np.arange(50) + 0.5) * 0.005, indexing="ij")
    mean = small.shape(np.column_stack((x.ravel(), y.ravel())), small.followed).mean(axis=0)
    drive, pole = small.shape(place[None], small.followed)[0], small.pole[: small.followed]
    step = (np.exp(np.outer(np.arange(4000) * dt, pole)) / pole.imag).imag @ (mean * drive)
    flow = np.gradient(np.convolve(step, push)[:4000], dt) * dt * 0.3 * 0.25
    expected = 1.205 / (2.0 * np.pi * 20.0) * np.gradient(flow, dt)
    assert np.abs(sound - expected)[:-2].max() < 0.02 * np.abs(expected).max()


def test_a_clip_is_silent_until_the_sound_is_there():
    panel = Scene(build=SMALL, patches=(Patch(0.0, 0.0, 0.06),))
    places = [[0.0, 0.0], [0.4, 0.1]]
    clips, truths = tap_sounds(panel, places, rate_hz=44100, rng=np.random.default_rng(3))
    again, _ = tap_sounds(panel, places, rate_hz=44100, rng=np.random.default_rng(3))
    assert np.array_equal(clips, again)
    for clip, truth in zip(clips, truths, strict=True):
        assert truth.sample == int(truth.delay_s * 44100) + 1
        assert np.all(clip[: truth.sample] == 0.0)
        assert abs(clip[truth.sample : truth.sample + 100]).max() > 0.1 * abs(clip).max()
    assert [truth.loose for truth in truths] == [True, False]


def heard(panel, places, samples=9600):
    blows = fieldwise._draw(replace(panel, spread=EVEN), np.asarray(places, float), np.random.default_rng(0))
    return listen(panel, blows, np.zeros(len(blows.xy)), 48000, samples)


def test_dead_skin_dies_sooner_than_ringing_skin():
    # common practice, no source: a dull patch sounds dead
    def after(damping):
        panel = Scene(build=SMALL, spread=EVEN, patches=(Patch(0.0, 0.0, 0.07, damping=damping),))
        _, sounds, _ = heard(panel, [[0.0, 0.0]])
        return (sounds[0, 960:] ** 2).sum() / (sounds[0] ** 2).sum()

    assert after("dead") < 0.5 * after("rings")


def test_a_frame_shortens_the_contact():
    # common practice, no source: over a frame the tap is sharper
    plain = Scene(build=SMALL, spread=EVEN)
    framed = replace(plain, frames=(Frame(-1.0, 0.0, 1.0, 0.0),))
    (free,), (held,) = (heard(panel, [[0.0, 0.0]])[2] for panel in (plain, framed))
    assert held.contact_ms < 0.9 * free.contact_ms


def test_the_two_simulators_agree_on_bonded_skin():
    # Neither knows the other's laws: within 10 % on contact, peak and the bay's modes.
    panel = Scene(build=Build(bay_m=(0.6, 0.5)), spread=EVEN)
    place = [fieldwise._bay_origin(panel) + np.array([0.30, 0.25])]
    (ours,) = tap_sounds(panel, place, rate_hz=48000, rng=np.random.default_rng(0))[1]
    (theirs,) = scene.tap_sounds(panel, place, rate_hz=48000, rng=np.random.default_rng(0))[1]
    assert ours.contact_ms == pytest.approx(theirs.contact_ms, rel=0.10)
    assert ours.peak_n == pytest.approx(theirs.peak_n, rel=0.10)
    modes = fieldwise._bay_modes(panel, 0, 0)
    assert modes.frequency_hz[:4] == pytest.approx([f for f, _, _ in panel.build.bay_modes()[:4]], rel=0.10)
    assert modes.loss[:4] == pytest.approx([panel.build.loss_factor] * 4, rel=0.10)


def test_loose_skin_reaches_beyond_the_rim_of_its_patch():
    # The rim is held by the core, not clamped: the disc is as soft as a clamped one wider by about
    # sqrt(2) (D/K)^(1/4), the length over which a skin on its core dies out (Timoshenko, ch. 8).
    panel = Scene(build=SMALL, spread=EVEN)
    middle = fieldwise._bay_origin(panel) + np.array([0.15, 0.125])
    panel = replace(panel, patches=(Patch(*middle, 0.05),))
    modes = modes_of(bay_fields(panel, 0, 0), backed=True)
    d = float(local(panel, [middle]).bending_nm[0])
    bed = panel.build.core_modulus_pa / panel.build.core_m
    wide = np.sqrt(16.0 * np.pi * d * float(sum(modes.compliance(np.array([[0.15, 0.125]])))[0]))
    assert wide - 0.05 == pytest.approx(np.sqrt(2.0) * (d / bed) ** 0.25, rel=0.15)
    clamped = float(plate.natural_frequency(plate.clamped_circle_lambda2(0, 0), wide, d, 4.8))
    assert modes.frequency_hz[0] == pytest.approx(clamped, rel=0.05)


def test_solid_laminate_is_refused():
    solid = next(build for build in scene.BUILDS.values() if build.solid)
    with pytest.raises(SettingError, match="solid"):
        bay_fields(Scene(build=solid), 0, 0)
