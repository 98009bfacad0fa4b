"""From the blow to the microphone: against laws and published directions, and what a tap must never do."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import signal

from taptone.errors import SettingError
from taptone.physics import plate
from taptone.physics.radiation import loose_disc, transfer_function
from taptone.physics.scene import (
    BUILDS,
    FOAM_DECK,
    HAMMERS,
    HULL_SIDE,
    SPEED_OF_SOUND_M_S,
    Behind,
    Blows,
    Build,
    Frame,
    Patch,
    Room,
    Scene,
    Spread,
    Taper,
    WetZone,
    _echo,
    _hear,
    background,
    damaged,
    hammer,
    local,
    recording,
    tap_sounds,
    tapping_times,
)

EVEN = Spread().scaled(0.0)
STILL = replace(Scene(), spread=EVEN, room=None, snr_db=None, microphone_noise_db_spl=None)
NO_BAY = replace(FOAM_DECK, bay_radiation=0.0)


def taps(scene, places, rate_hz=48_000, seed=0, **options):
    return tap_sounds(scene, places, rate_hz=rate_hz, rng=np.random.default_rng(seed), **options)


def power(clip, rate_hz, low_hz, high_hz):
    spectrum = np.abs(np.fft.rfft(clip)) ** 2
    f = np.fft.rfftfreq(len(clip), 1.0 / rate_hz)
    return spectrum[(f >= low_hz) & (f < high_hz)].sum() / rate_hz**2 / len(clip) * rate_hz


# -- the blow on the panel ------------------------------------------------------------------------------


@pytest.mark.parametrize("build", BUILDS.values(), ids=BUILDS)
def test_loose_skin_keeps_the_hammer_longer_and_pushes_back_less(build):
    # Cawley and Adams, J. Sound Vib. 122 (1988) 299: duration up, peak force down as the defect grows.
    # A disc of a few thicknesses is no thin plate: under thicker skins the patches are wider.
    radii = np.array([0.010, 0.015, 0.025, 0.035, 0.050, 0.070]) * max(build.skin_m / 3.5e-3, 1.0)
    patches = tuple(Patch(i, 0.0, radius) for i, radius in enumerate(radii))
    scene = replace(STILL, build=build, patches=patches)
    _, truths = taps(scene, [[-1.0, 0.0], *[[i, 0.0] for i in range(len(radii))]])
    contact, peak = [t.contact_ms for t in truths], [t.peak_n for t in truths]
    assert np.all(np.diff(contact) > 0.0)
    assert np.all(np.diff(peak) < 0.0)
    assert np.all(np.diff([t.ratio for t in truths]) < 0.0)


@pytest.mark.parametrize("build", BUILDS.values(), ids=BUILDS)
def test_a_wide_loose_skin_sounds_lower(build):
    # Common practice, no source: the hollow note of a wide patch is lower than the knock on sound laminate.
    # The bay, whose ring is common to both, is left silent.
    silent = replace(build, bay_radiation=0.0)
    radius = 0.15 * max(build.skin_m / 3.5e-3, 1.0)
    scene = replace(STILL, build=silent, patches=(Patch(0.0, 0.0, radius),))
    places = [[0.05, 0.0], [0.0, 0.06], [-0.04, 0.05], [1.05, 0.0], [1.0, 0.06], [0.96, 0.05]]
    clips, _ = taps(scene, places)
    low = [power(c, 48_000, 80.0, 400.0) / power(c, 48_000, 80.0, 12e3) for c in clips]
    assert np.median(low[:3]) > np.median(low[3:])


def test_bonded_contact_is_of_the_usual_length():
    # Common practice, no source: a light steel hammer stays 0.3 to 0.8 ms on a sound foam-cored deck.
    _, truths = taps(STILL, [[0.0, 0.0]])
    assert 0.3 < truths[0].contact_ms < 0.8


def test_stiffness_is_that_of_the_laws():
    # Timoshenko and Woinowsky-Krieger: 8 sqrt(K D), and 16 pi D / (a^2 (1 - r^2/a^2)^2) in series with it.
    here = local(replace(STILL, patches=(Patch(0.0, 0.0, 0.05),)), [[0.025, 0.0], [0.2, 0.0]])
    disc = plate.clamped_circle_stiffness(here.bending_nm[0], 0.05, 0.025)
    assert here.bonded_stiffness_n_m == pytest.approx([2.6685e6, 2.6685e6], rel=1e-4)
    assert here.stiffness_n_m[0] == pytest.approx(1.0 / (1.0 / disc + 1.0 / 2.6685e6), rel=1e-4)
    assert here.ratio[1] == 1.0
    assert here.to_edge_m == pytest.approx([-0.025, 0.15])


def test_loose_skin_becomes_bonded_at_its_edge():
    # 1 / (1 - r^2/a^2)^2 grows without limit, so nothing may jump at the rim.
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.05),))
    (inside, outside), truths = taps(scene, [[0.0499, 0.0], [0.0501, 0.0]])
    assert truths[0].loose
    assert not truths[1].loose
    assert truths[0].ratio == pytest.approx(1.0, abs=1e-3)
    assert truths[0].contact_ms == pytest.approx(truths[1].contact_ms, abs=0.01)
    assert np.abs(inside - outside).max() < 0.03 * np.abs(outside).max()


# -- the sound of it ------------------------------------------------------------------------------------


def test_an_endless_panel_sounds_as_the_force_over_its_mass():
    # Point force on an endless plate below coincidence: p = rho F / (2 pi r m'), Cremer, Heckl, Petersson
    # (from memory). The skin on its core and the microphone's lower limit add a little.
    _, (truth,) = taps(replace(STILL, build=NO_BAY), [[0.0, 0.0]])
    clips, _ = taps(replace(STILL, build=NO_BAY), [[0.0, 0.0]])
    distance = truth.delay_s * SPEED_OF_SOUND_M_S
    expected = 1.205 * truth.peak_n / (2.0 * np.pi * distance * NO_BAY.mass_kg_m2)
    assert clips.max() == pytest.approx(expected, rel=0.12)


def test_loose_skin_rings_at_the_clamped_circles_frequency():
    # Leissa: lambda^2 10.2158; T60 = 2.2 / (f eta), ISO 10848. The bay is silent, so the disc is heard alone.
    scene = replace(STILL, build=NO_BAY, patches=(Patch(0.0, 0.0, 0.06, loss_factor=0.02),))
    (clip,), _ = taps(scene, [[0.0, 0.0]])
    here = local(scene, [[0.0, 0.0]])
    expected_hz = float(plate.natural_frequency(10.2158, 0.06, here.bending_nm[0], here.skin_kg_m2[0]))
    tail = clip[960:]
    spectrum = np.abs(np.fft.rfft(tail, 1 << 18))
    assert np.fft.rfftfreq(1 << 18, 1 / 48_000)[spectrum.argmax()] == pytest.approx(expected_hz, rel=2e-3)
    envelope = 20.0 * np.log10(np.abs(signal.hilbert(tail)))[480:3600]
    t60 = -60.0 / np.polyfit(np.arange(len(envelope)) / 48_000, envelope, 1)[0]
    assert t60 == pytest.approx(2.2 / (expected_hz * 0.02), rel=2e-2)


def test_bay_modes_are_those_of_a_plate_when_nothing_shears():
    # Thin-plate theory for the simply supported rectangle; Allen's stiffness of the sandwich.
    build = replace(FOAM_DECK, core_shear_pa=1e15)
    d = plate.sandwich_bending_stiffness(12e9, 3e-3, 75e6, 20e-3) / (1.0 - 0.3**2)
    for hz, i, j in build.bay_modes():
        expected = plate.supported_rectangle_frequency(i, j, *build.bay_m, d, build.mass_kg_m2)
        assert hz == pytest.approx(float(expected), rel=1e-4)


def test_poles_are_those_of_the_equations_of_motion():
    # A loose disc over a bay: each mode as s^2 / (s^2 + 2 z w s + w^2), coupled by the balance of forces,
    # must equal the sum of poles that the sound is made from.
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.06),))
    here = local(scene, [[0.01, 0.0]])
    disc = loose_disc(scene, here)
    transfer = transfer_function(scene, here, disc)
    f = np.array([120.0, 400.0, 683.0, 2000.0, 7000.0])
    s = 2j * np.pi * f

    def follows(pole):
        return s[:, None] ** 2 / (s[:, None] ** 2 - 2.0 * pole.real * s[:, None] + np.abs(pole) ** 2)

    bay = transfer_function(scene, here, None)
    panel = here.panel_kg_m2[0]
    shapes = np.append(here.bay_shape[0], 1.0) / panel
    behind = 2.0 / panel - ((1.0 - follows(bay.pole[0])) * shapes).sum(axis=1)
    moved = follows(disc.pole[0]) * disc.drive[0]
    alone = (moved * disc.flow[0]).sum(axis=1) / here.skin_kg_m2[0]
    expected = alone + (1.0 - (moved * disc.thrust[0]).sum(axis=1)) * behind

    residue, pole = transfer.residue[0], transfer.pole[0]
    terms = residue / (s[:, None] - pole) + residue.conj() / (s[:, None] - pole.conj())
    assert transfer.direct[0] + terms.sum(axis=1) == pytest.approx(expected, rel=1e-9)


def test_water_behind_the_skin_takes_its_ring():
    rings = replace(STILL, build=NO_BAY, patches=(Patch(0.0, 0.0, 0.07),))
    dead = replace(rings, patches=(Patch(0.0, 0.0, 0.07, "dead"),))
    (ringing,), _ = taps(rings, [[0.0, 0.0]])
    (silent,), _ = taps(dead, [[0.0, 0.0]])
    late = slice(round(0.015 * 48_000), None)
    assert (silent[late] ** 2).sum() < 0.02 * (ringing[late] ** 2).sum()


def test_a_frame_is_stiffer_and_brighter():
    # Surveyors' notes: pitch rises toward stiffeners.
    scene = replace(STILL, frames=(Frame(0.5, -1.0, 0.5, 1.0, 0.06),))
    (plain, framed), truths = taps(scene, [[0.2, 0.1], [0.5, 0.1]])
    assert truths[1].contact_ms < truths[0].contact_ms
    assert truths[1].bonded_stiffness_n_m > 1.5 * truths[0].bonded_stiffness_n_m
    brightness = [power(c, 48_000, 1500, 12e3) / power(c, 48_000, 80, 12e3) for c in (plain, framed)]
    assert brightness[1] > brightness[0]
    assert not truths[1].loose


AROUND = [[0.012 * np.cos(a), 0.012 * np.sin(a)] for a in np.arange(8) * np.pi / 4]


def centroid_hz(clip):
    spectrum, f = np.abs(np.fft.rfft(clip)) ** 2, np.fft.rfftfreq(len(clip), 1.0 / 48_000)
    band = (f > 100.0) & (f < 12e3)
    return (spectrum * f)[band].sum() / spectrum[band].sum()


def ringing_ms(clip):
    left = np.cumsum(clip[::-1] ** 2)[::-1]
    return np.argmax(left < 0.05 * left[0]) / 48.0


CORED = [name for name in BUILDS if name not in ("solid laminate", "keel skin")]


@pytest.mark.parametrize("name", CORED)
def test_a_wet_core_is_brighter_and_dies_sooner(name):
    # The trade's own account of water in a core, no source: short, sharp and dead where the rest sings.
    wet, dry = (
        taps(replace(STILL, build=BUILDS[name], wet=zones), AROUND)
        for zones in ((WetZone(0.0, 0.0, 0.2),), ())
    )
    centroid = [np.median([centroid_hz(c) for c in x[0]]) for x in (wet, dry)]
    # Under skins of 8 mm the dry skin's bounce on its core is the brightest part, and the water takes it.
    assert (centroid[0] > centroid[1]) == (name != "thick hull")
    assert np.median([ringing_ms(c) for c in wet[0]]) < np.median([ringing_ms(c) for c in dry[0]])
    assert wet[1][0].contact_ms < dry[1][0].contact_ms
    assert wet[1][0].fault == "wet"


@pytest.mark.parametrize(("radius_m", "depth_m"), [(0.0125, 0.7e-3), (0.015, 1e-3), (0.020, 2e-3)])
def test_a_blister_is_loud_at_its_own_mode(radius_m, depth_m):
    # Leissa: the clamped circle, with D and mass of what lies above the gap.
    blister = replace(STILL, patches=(Patch(0.0, 0.0, radius_m, depth_m=depth_m),))
    here = local(blister, [[0.0, 0.0]])
    hz = float(plate.natural_frequency(10.2158, radius_m, here.disc_bending_nm[0], here.disc_kg_m2[0]))
    (with_it,), truths = taps(blister, [[0.0, 0.0]], 96_000)
    (without,), plain = taps(STILL, [[0.0, 0.0]], 96_000)
    band = (0.93 * hz, 1.07 * hz)
    assert power(with_it, 96_000, *band) > 2.0 * power(without, 96_000, *band)
    assert truths[0].contact_ms > plain[0].contact_ms
    assert truths[0].fault == "blister"


def test_a_rattle_is_brighter_than_a_ring():
    # Contact that opens and closes puts short blows into the ring: more above 1.5 kHz, none before the onset.
    rings, rattles = (
        taps(replace(STILL, patches=(Patch(0.0, 0.0, 0.06, damping),)), AROUND)
        for damping in ("rings", "rattles")
    )
    share = [
        np.median([power(c, 48_000, 1500, 12e3) / power(c, 48_000, 80, 12e3) for c in x[0]])
        for x in (rings, rattles)
    ]
    assert share[1] > 1.5 * share[0]
    assert [t.contact_ms for t in rings[1]] == [t.contact_ms for t in rattles[1]]
    for clip, truth in zip(*rattles, strict=True):
        assert not clip[: truth.sample].any()


def test_a_rattle_goes_with_how_hard_it_is_struck():
    # Only a contact that is not linear sounds otherwise than in proportion.
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.06, "rattles", gap_m=0.1e-3),))
    plain = replace(scene, patches=(Patch(0.0, 0.0, 0.06),))
    differs = []
    for speed in (0.05, 0.7):
        struck = [replace(s, hammer=replace(s.hammer, speed_m_s=speed)) for s in (scene, plain)]
        (a,), (b,) = (taps(s, [[0.0, 0.0]])[0] for s in struck)
        differs.append(np.abs(a - b).max() / np.abs(b).max())
    assert differs[0] == 0.0
    assert differs[1] > 0.05


def test_a_hollow_layer_over_a_dead_one_still_rings():
    both, dead = (
        taps(replace(STILL, build=NO_BAY, patches=(Patch(0.0, 0.0, 0.06, damping),)), [[0.0, 0.0]])
        for damping in ("hollow above dead", "dead")
    )
    late = slice(960, None)
    assert (both[0][0][late] ** 2).sum() > 10.0 * (dead[0][0][late] ** 2).sum()
    assert both[1][0].contact_ms > dead[1][0].contact_ms


def test_a_tape_takes_the_high_frequencies():
    # Johnson, 11.4, for the direction: a softer contact is a longer one.
    steel, taped = (
        taps(replace(STILL, hammer=HAMMERS[name]), AROUND) for name in ("60 g steel", "60 g taped")
    )
    assert taped[1][0].contact_ms > 1.3 * steel[1][0].contact_ms
    high = [np.median([power(c, 48_000, 2000, 12e3) for c in x[0]]) for x in (steel, taped)]
    assert high[1] < 0.1 * high[0]


def test_filler_is_a_longer_contact_and_no_fault():
    # Common practice, no source: thick filler makes the knock dull.
    square = ((-0.1, -0.1), (0.1, -0.1), (0.1, 0.1), (-0.1, 0.1))
    filled = taps(replace(STILL, behind=(Behind("filler", outline=square),)), AROUND)
    plain = taps(STILL, AROUND)
    assert filled[1][0].contact_ms > plain[1][0].contact_ms
    assert np.median([centroid_hz(c) for c in filled[0]]) < np.median([centroid_hz(c) for c in plain[0]])
    assert (filled[1][0].fault, filled[1][0].behind) == ("", "filler")


@pytest.mark.parametrize("kind", ["stand pad", "tank", "bulkhead"])
def test_what_stands_behind_takes_the_ring(kind):
    # Common practice, no source: a held or laden panel does not sing.
    square = ((-0.1, -0.1), (0.1, -0.1), (0.1, 0.1), (-0.1, 0.1))
    held, free = (taps(replace(STILL, behind=b), AROUND) for b in ((Behind(kind, outline=square),), ()))
    assert np.median([ringing_ms(c) for c in held[0]]) < np.median([ringing_ms(c) for c in free[0]])


def test_a_hand_on_the_skin_shortens_the_ring():
    held, free = (taps(replace(STILL, hand_damping=d), AROUND)[0] for d in (0.1, 0.0))
    assert np.median([ringing_ms(c) for c in held]) < 0.6 * np.median([ringing_ms(c) for c in free])


def test_the_hammers_ring_stands_out_on_a_heavy_panel():
    # F / m': what a panel of 900 kg/m2 sends out is 38 dB below one of 11; the head rings the same on both.
    ring = hammer(0.060, "steel", ring_db=-30.0)
    rise = []
    for name in ("keel skin", "foam deck"):
        scene = replace(STILL, build=BUILDS[name])
        (loud,), (silent,) = (taps(s, [[0.0, 0.0]])[0] for s in (replace(scene, hammer=ring), scene))
        band = (0.97 * ring.ring_hz[0], 1.03 * ring.ring_hz[0])
        rise.append(10.0 * np.log10(power(loud, 48_000, *band) / power(silent, 48_000, *band)))
    assert rise[0] > 6.0
    assert rise[0] > rise[1]


def test_thickness_follows_the_taper():
    here = local(replace(STILL, build=HULL_SIDE, taper=Taper(along_x=-0.2)), [[0.0, 0.0], [1.0, 0.0]])
    assert here.skin_m == pytest.approx([3.5e-3, 2.8e-3])


def test_distance_delays_and_weakens():
    near, far = (taps(replace(STILL, distance_m=d), [[0.0, 0.0]]) for d in (0.343, 0.686))
    assert near[1][0].sample == pytest.approx(48, abs=1)
    assert far[1][0].sample == pytest.approx(96, abs=1)
    a, b = (clips[0][truths[0].sample :][:9600] for clips, truths in (near, far))
    assert b == pytest.approx(a / 2.0, abs=1e-6 + 1e-3 * np.abs(a).max())


# -- what a tap must never do ---------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [8000, 16_000, 44_100, 48_000, 96_000])
def test_nothing_is_heard_before_the_onset(rate_hz):
    scene = Scene(patches=(Patch(0.0, 0.0, 0.05),))
    clips, truths = taps(scene, [[0.0, 0.0], [0.3, 0.0], [0.02, 0.0], [0.5, 0.2]], rate_hz)
    for clip, truth in zip(clips, truths, strict=True):
        assert not clip[: truth.sample].any()
        assert clip[truth.sample] != 0.0
        assert 0.0 < truth.sample / rate_hz - truth.delay_s <= 1.0 / rate_hz + 1.0 / 176_400


@pytest.mark.parametrize("place", [0.0, 0.03, 0.4])
def test_the_sample_rate_makes_no_difference(place):
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.05),))
    levels = []
    for rate_hz in (44_100, 48_000, 96_000):
        (clip,), _ = taps(scene, [[place, 0.0]], rate_hz)
        levels.append(
            [10 * np.log10(power(clip, rate_hz, f / 1.4142, f * 1.4142)) for f in (250, 1000, 4000)]
        )
    assert np.ptp(levels, axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=0.3)


def test_the_same_seed_gives_the_same_bytes():
    scene = Scene(patches=(Patch(0.2, 0.0, 0.05),), seed=4)

    def once(seed):
        rng = np.random.default_rng(seed)
        plan = damaged(
            tapping_times([[0.1 * i, 0.0] for i in range(5)], [0] * 5, rng=rng), rng=rng, share=1.0
        )
        return recording(scene, plan, rate_hz=48_000, rng=rng)

    (a, truths_a), (b, truths_b), (c, _) = once(7), once(7), once(8)
    assert a.tobytes() == b.tobytes()
    assert truths_a == truths_b
    assert a.tobytes() != c.tobytes()


def test_people_strike_unevenly():
    clips, truths = taps(Scene(), np.zeros((200, 2)))
    level_db = 20.0 * np.log10(np.abs(clips).max(axis=1))
    # Speed times or over 2 is 6 dB a standard deviation, a little less for being cut at two of them.
    assert 5.0 < level_db.std() < 7.0
    aim = np.array([[t.x_m, t.y_m] for t in truths])
    assert aim.std() == pytest.approx(Spread().aim_sd_m, rel=0.15)


def test_good_laminate_varies_as_stated():
    # Over many panels, because one panel holds only a few lengths of the field.
    places = np.array([[0.0, 0.0], [0.3, 0.0]])
    h = np.array([local(Scene(seed=s), places).skin_m for s in range(400)]) / FOAM_DECK.skin_m
    assert h.std(axis=0) == pytest.approx([0.08, 0.08], rel=0.15)
    # Correlation exp(-d^2 / (2 L^2)) at d = L is 0.61.
    assert np.corrcoef(h.T)[0, 1] == pytest.approx(np.exp(-0.5), abs=0.1)


# -- recordings -----------------------------------------------------------------------------------------


def grid(columns=6, rows=3):
    places = [[0.1 * i, 0.1 * j] for j in range(rows) for i in range(columns)]
    return places, np.repeat(np.arange(rows), columns)


def test_recording_holds_every_tap_where_the_truth_says():
    rng = np.random.default_rng(2)
    scene = replace(STILL, bounce_chance=0.0, loose_bounce_chance=0.0)
    plan = tapping_times(*grid(), 2, rng=rng)
    samples, truths = recording(scene, plan, rate_hz=48_000, rng=rng)
    assert samples.dtype == np.float32
    assert np.abs(samples).max() == pytest.approx(10.0 ** (-6.0 / 20.0), rel=1e-6)
    assert [t.station for t in truths] == list(np.repeat(np.arange(18), 2))
    assert [t.row for t in truths] == list(np.repeat(np.arange(3), 12))
    for before, truth in zip([None, *truths], truths, strict=False):
        # A clip ends 0.3 s after its onset; between that and the next onset there is nothing at all.
        start = before.sample + 14_400 if before else 0
        assert not samples[start : truth.sample].any()
        assert samples[truth.sample : truth.sample + 5].any()


def test_damages_are_what_they_say():
    rng = np.random.default_rng(5)
    plan = tapping_times(*grid(6, 12), rng=rng)
    spoilt = damaged(plan, rng=rng, share=0.5)
    assert np.all(np.diff(spoilt.times_s) >= 0.0)
    what = [kind for kind in spoilt.kind if kind != "tap"]
    assert len(what) == 6
    scene = replace(STILL, bounce_chance=0.0, loose_bounce_chance=0.0)
    samples, truths = recording(scene, spoilt, rate_hz=48_000, rng=rng)
    assert sum(t.missed for t in truths) == what.count("missed")
    assert sum(t.kind == "extra" for t in truths) == what.count("extra")
    assert sum(t.is_bounce for t in truths) == what.count("bounced")
    assert all(t.sample == -1 for t in truths if t.missed)
    rows = {t.row for t in truths if t.kind != "tap"}
    assert len(rows) == 6
    for first, second in pairwise(truths):
        if second.is_bounce:
            assert 0.020 <= second.time_s - first.time_s <= 0.100
            weaker_db = 20.0 * np.log10(second.peak_n / first.peak_n)
            assert -28.0 < weaker_db < -7.0
            assert (second.station, second.x_m) == (first.station, first.x_m)
    for t in truths:
        if t.missed:
            at = round(t.time_s * 48_000)
            assert not samples[at : at + 4800].any()


def test_background_is_as_loud_as_stated_and_pinkish():
    rng = np.random.default_rng(9)
    plan = tapping_times(*grid(), rng=rng, start_s=20.0)
    scene = replace(STILL, snr_db=30.0)
    samples, truths = recording(scene, plan, rate_hz=48_000, rng=rng)
    clean, _ = recording(replace(scene, snr_db=None), plan, rate_hz=48_000, rng=np.random.default_rng(9))
    quiet = samples[: 19 * 48_000].astype(float)
    strikes = [samples[t.sample : t.sample + 960].astype(float) for t in truths if not t.is_bounce]
    snr_db = 10 * np.log10(np.median([(x**2).mean() for x in strikes]) / (quiet**2).mean())
    assert snr_db == pytest.approx(30.0, abs=0.5)
    assert not clean[: 19 * 48_000].any()
    f, density = signal.welch(quiet, 48_000, nperseg=16_384)
    octaves = [density[(f > c / 1.414) & (f < c * 1.414)].mean() for c in (125, 500, 2000, 8000)]
    slope_db = np.diff(10 * np.log10(octaves)) / 2.0
    assert slope_db == pytest.approx([-3.0, -3.0, -3.0], abs=0.5)


def test_a_moving_microphone_moves_slowly_and_nothing_else_changes():
    rng = np.random.default_rng(2)
    plan = tapping_times(*grid(), 2, rng=rng)
    still = replace(STILL, bounce_chance=0.0, distance_m=1.0)
    (_, stays), (_, moves) = (
        recording(replace(still, moving_m=m), plan, rate_hz=48_000, rng=np.random.default_rng(3))
        for m in (0.0, 0.1)
    )
    distance = np.array([t.delay_s for t in moves]) * SPEED_OF_SOUND_M_S
    assert np.ptp([t.delay_s for t in stays]) == 0.0
    assert 0.1 < np.ptp(distance) <= 0.4
    assert np.abs(np.diff(distance)).max() < 0.5 * np.ptp(distance)
    assert [t.peak_n for t in moves] == [t.peak_n for t in stays]


def test_another_ear_hears_the_same_blows():
    rng = np.random.default_rng(2)
    plan = tapping_times(*grid(3, 1), rng=rng)
    asked = []

    def ear(scene, blows, times_s, rate_hz, samples):
        assert isinstance(blows, Blows)
        asked.append((len(blows.xy), len(times_s), rate_hz, samples))
        return _hear(scene, blows, times_s, rate_hz, samples)

    own, truths = recording(Scene(), plan, rate_hz=48_000, rng=np.random.default_rng(1))
    other, told = recording(Scene(), plan, rate_hz=48_000, rng=np.random.default_rng(1), listen=ear)
    assert own.tobytes() == other.tobytes()
    assert truths == told
    assert asked == [(len(truths), len(truths), 48_000, 14_400)]


def test_background_by_itself():
    # 20 uPa is 0 dB: ISO 1683.
    sounds = np.ones((3, 4800))
    scene = replace(STILL, snr_db=20.0)
    noise = background(scene, sounds, 48_000, 48_000, np.random.default_rng(0))
    assert 10.0 * np.log10(1.0 / (noise**2).mean()) == pytest.approx(20.0)
    quiet = replace(STILL, microphone_noise_db_spl=40.0)
    hiss = background(quiet, sounds, 48_000, 48_000, np.random.default_rng(0))
    assert hiss.std() == pytest.approx(20e-6 * 100.0, rel=0.02)


def test_room_dies_away_in_its_rt60():
    # ISO 3382 by an independent library.
    from pyroomacoustics.experimental import measure_rt60

    echo = _echo(Room(rt60_s=0.5, direct_to_reverberant_db=10.0, reflections=0), 1, 48_000)
    assert measure_rt60(echo, 48_000, decay_db=20) == pytest.approx(0.5, rel=0.05)
    assert 10 * np.log10((echo**2).sum()) == pytest.approx(-10.0, abs=1e-9)
    assert echo[0] == 0.0


def test_a_room_adds_and_never_comes_first():
    rng = np.random.default_rng(1)
    plan = tapping_times([[0.0, 0.0]], [0], rng=rng)
    shed = replace(STILL, room=Room(rt60_s=0.8, direct_to_reverberant_db=3.0))
    dry, (truth,) = recording(STILL, plan, rate_hz=48_000, rng=np.random.default_rng(3))
    wet, _ = recording(shed, plan, rate_hz=48_000, rng=np.random.default_rng(3))
    assert not wet[: truth.sample].any()
    late = slice(truth.sample + 12_000, truth.sample + 14_400)
    assert (wet[late] ** 2).sum() > 100.0 * (dry[late] ** 2).sum()


# -- bad input ------------------------------------------------------------------------------------------


def test_bad_input_is_named():
    with pytest.raises(SettingError, match="damping of a patch is 'soggy': choose 'rings' or 'dead'"):
        Patch(0.0, 0.0, 0.1, "soggy")
    with pytest.raises(SettingError, match=r"radius of a patch is 0\.0 m"):
        Patch(0.0, 0.0, 0.0)
    with pytest.raises(SettingError, match="place to tap is not a number"):
        taps(Scene(), [[0.0, np.nan]])


def test_nothing_to_tap_is_an_empty_answer():
    clips, truths = taps(Scene(), np.zeros((0, 2)))
    assert clips.shape == (0, 14_400)
    assert truths == ()


def test_builds_differ():
    assert len({(build.skin_m, build.core_m, build.core_modulus_pa) for build in BUILDS.values()}) == len(
        BUILDS
    )
    assert all(isinstance(build, Build) for build in BUILDS.values())
