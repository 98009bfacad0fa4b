"""From force to sound: what a loose skin does with a blow, and what it sends out."""

from dataclasses import replace

import numpy as np
import pytest

from taptone.physics import plate
from taptone.physics.panel import FOAM_DECK, Behind, Build, Hammer, Patch, Scene, Spread, local
from taptone.physics.radiation import (
    Transfer,
    beating,
    loose_disc,
    struck_in_the_middle,
    transfer_function,
    with_hammers_ring,
)

STILL = Scene(spread=Spread().scaled(0.0))
DT = 1.0 / 192_000
SQUARE = ((-0.1, -0.1), (0.1, -0.1), (0.1, 0.1), (-0.1, 0.1))


def disc_of(patch, place=(0.0, 0.0)):
    scene = replace(STILL, patches=(patch,))
    here = local(scene, [place])
    return loose_disc(scene, here), here


def compliance(disc):
    omega2 = np.abs(disc.pole) ** 2
    here = (disc.drive**2 / disc.mass_kg / omega2).sum(axis=1) + disc.rest_m_n
    if disc.below is not None:  # its rest is told with the upper one's
        below = disc.below
        here = here + (below.drive**2 / below.mass_kg / np.abs(below.pole) ** 2).sum(axis=1)
    return here


@pytest.mark.parametrize(
    "patch",
    [
        Patch(0.0, 0.0, 0.05),
        Patch(0.0, 0.0, 0.05, length_m=0.3),
        Patch(0.0, 0.0, 0.015, depth_m=1e-3),
        Patch(0.0, 0.0, 0.05, "hollow above dead"),
    ],
    ids=lambda patch: patch.kind,
)
@pytest.mark.parametrize("x_m", [0.0, 0.006])
def test_modes_and_statics_agree(patch, x_m):
    # Statics by themselves: what the place gives more than the bonded skin does.
    disc, here = disc_of(patch, (x_m, 0.0))
    static = 1.0 / here.stiffness_n_m - 1.0 / here.bonded_stiffness_n_m
    assert compliance(disc) == pytest.approx(static, rel=1e-6)


def test_a_blister_rings_at_its_own_frequency():
    # Leissa: 10.2158 for the clamped circle, with D and mass of the 1 mm above the gap.
    disc, _ = disc_of(Patch(0.0, 0.0, 0.015, depth_m=1e-3))
    d = plate.bending_stiffness(12e9, 1e-3, 0.30)
    expected = float(plate.natural_frequency(10.2158, 0.015, d, 1.6))
    assert abs(disc.pole[0, 0]) / (2.0 * np.pi) == pytest.approx(expected, rel=1e-4)


def test_a_long_patch_rings_as_a_strip():
    # Clamped beam, 22.373 / (2a)^2, for a patch ten times as long as wide.
    disc, here = disc_of(Patch(0.0, 0.0, 0.04, length_m=0.8))
    strip = float(plate.natural_frequency(22.373, 0.08, here.bending_nm[0], here.skin_kg_m2[0]))
    assert abs(disc.pole[0, 0]) / (2.0 * np.pi) == pytest.approx(strip, rel=3e-2)


# -- a skin that rattles --------------------------------------------------------------------------------


def beats(gap_m, peak_n=100.0, seconds=0.04):
    disc, here = disc_of(Patch(0.0, 0.0, 0.06))
    t = np.arange(0.0, 1.4e-3, DT)
    push = peak_n * np.sin(np.pi * t / 1.4e-3)[None] ** 1.5
    stiffness = here.bonded_stiffness_n_m
    return beating(push, DT, disc, np.array([gap_m]), stiffness, seconds)[0]


def times_it_beats(force):
    return np.flatnonzero(np.diff((force > 0.0).astype(int)) == 1)


def test_a_wide_gap_never_closes():
    assert not beats(1e-2).any()


def test_blows_repeat_and_weaken():
    force = beats(1e-5)
    starts = times_it_beats(force)
    assert len(starts) > 3
    peaks = [part.max() for part in np.split(force, starts[1:])]
    assert peaks[-1] < 0.5 * max(peaks)
    assert force.min() == 0.0


def test_a_weak_tap_rattles_less():
    # The contact is not linear: below the gap there is none.
    counts = [len(times_it_beats(beats(1e-5, peak))) for peak in (2.0, 100.0, 200.0)]
    assert counts[0] == 0
    assert counts[0] < counts[1] < counts[2]


def test_stepping_is_that_of_the_disc():
    # A gap that is always closed by a spring far softer than the disc leaves the force that spring has.
    disc, _ = disc_of(Patch(0.0, 0.0, 0.06))
    push = np.zeros((1, 3))
    push[0, 1] = 1.0 / DT  # an impulse of 1 N s
    force = beating(push, DT, disc, np.array([0.0]), np.array([1e-3]), 0.004)[0] / 1e-3
    t = (np.arange(len(force)) - 1) * DT
    middle = struck_in_the_middle(disc)
    parts = disc.drive[0] * middle.drive[0] / disc.mass_kg[0] / disc.pole[0].imag
    x = (parts[:, None] * np.exp(np.outer(disc.pole[0], t))).imag.sum(axis=0)
    closing = (np.diff(x, prepend=0.0) > 0.0) & (x > 0.0) & (t > 0.0)
    assert force[closing] == pytest.approx(x[closing], rel=1e-6, abs=1e-6 * x.max())


# -- what is sent out -----------------------------------------------------------------------------------


def test_a_solid_plate_follows_at_once():
    # Cremer, Heckl and Petersson (from memory): F / m', and no spring behind it.
    build = Build(core_m=0.0, skin_m=6e-3)
    scene = replace(STILL, build=build)
    heard = transfer_function(scene, local(scene, [[0.0, 0.0]]), None)
    assert heard.direct == pytest.approx([1.0 / (1600.0 * 6e-3)])
    assert heard.pole.shape == (1, len(build.bay_modes()))


def test_at_once_the_struck_face_moves_alone():
    # Newton: half of the panel, whatever lies behind the core.
    scene = replace(STILL, behind=(Behind("tank", outline=SQUARE),))
    here = local(scene, [[0.0, 0.0]])
    assert transfer_function(scene, here, None).direct == pytest.approx(2.0 / here.panel_kg_m2)
    # Against a heavy back the face bounces at sqrt(K / m), slower than against one like itself.
    free = local(STILL, [[0.0, 0.0]])
    assert here.thickness_rad_s[0] < free.thickness_rad_s[0]
    assert here.thickness_rad_s[0] > np.sqrt(here.foundation_pa_m[0] / (0.5 * here.panel_kg_m2[0]))


def test_a_hand_damps_the_bay_only():
    scene = replace(STILL, hand_damping=0.1)
    here = local(scene, [[0.0, 0.0]])
    held, free = (transfer_function(s, here, None).pole[0] for s in (scene, STILL))
    loss = -2.0 * held.real / np.abs(held)
    assert loss[:-1] == pytest.approx(FOAM_DECK.loss_factor + 0.1)
    assert held[-1] == free[-1]


def test_the_hammer_rings_on_in_its_own_tone():
    # T60 = 2.2 / (f eta), ISO 10848; and as loud as it is told to be against 10 kg/m2.
    none = np.zeros((1, 0), complex)
    silent = Transfer(np.array([0.0]), none, none)
    ringing = with_hammers_ring(Hammer(ring_db=-30.0, ring_hz=(4000.0,), ring_loss_factor=0.01), silent)
    pole = ringing.pole[0, 0]
    assert np.log(1000.0) / -pole.real == pytest.approx(2.2 / (4000.0 * 0.01), rel=2e-3)
    assert ringing.direct == pytest.approx([10.0 ** (-30.0 / 20.0) / 10.0])
    # Far below its mode the head only moves as one, which is the hammer's weight, not its ring.
    s = 2j * np.pi * 40.0
    low = ringing.direct + 2.0 * 0.5 * (
        ringing.residue / (s - ringing.pole) + ringing.residue.conj() / (s - ringing.pole.conj())
    ).sum(axis=1)
    assert np.abs(low) < 1e-3 * ringing.direct
    assert with_hammers_ring(Hammer(), silent) is silent
