"""What a panel is, place by place: its faults, what stands behind it, and what good laminate may be."""

from dataclasses import replace

import numpy as np
import pytest

from taptone.errors import SettingError
from taptone.physics import plate
from taptone.physics.panel import (
    BEHIND_KINDS,
    BUILDS,
    FOAM_DECK,
    HAMMERS,
    PLASTIC_HAMMER,
    STEEL_HAMMER,
    Behind,
    Build,
    Frame,
    Patch,
    Scene,
    Spread,
    WetZone,
    armature,
    declared,
    hammer,
    local,
    slow_drift,
)
from taptone.survey.panel import on_structure, parse_panel

STILL = Scene(spread=Spread().scaled(0.0))
SQUARE = ((0.0, 0.0), (0.2, 0.0), (0.2, 0.2), (0.0, 0.2))
#: The plate of worked example C: 10 GPa, 5 mm, 1600 kg/m3, 0.4 by 0.3 m.
SOLID = Build(skin_modulus_pa=10e9, skin_m=5e-3, core_m=0.0, bay_m=(0.4, 0.3))


def lowest_hz(build, i=1, j=1):
    return next(hz for hz, a, b in build.bay_modes(up_to_hz=5e3, most=99) if (a, b) == (i, j))


# -- builds ---------------------------------------------------------------------------------------------


def test_builds_span_what_boats_are_made_of():
    # Common practice, no source: skins 1.5 to 8 mm over foam, balsa and ply; no core; ballast.
    assert list(BUILDS)[:3] == ["foam deck", "daggerboard", "hull side"]
    skins = [build.skin_m for build in BUILDS.values()]
    assert (min(skins), max(skins)) == (1.5e-3, 8e-3)
    stiffness = {n: local(replace(STILL, build=b), [[0.0, 0.0]]) for n, b in BUILDS.items()}
    stiffest = max(stiffness, key=lambda name: stiffness[name].bonded_stiffness_n_m[0])
    assert stiffest == "keel skin"


def test_balsa_is_as_the_rules_say():
    # Bureau Veritas, yacht rules Pt B Ch 12 Sec 2 Table 4, 144 kg/m3; E along the plane is the low one.
    balsa = BUILDS["balsa deck"]
    assert (balsa.core_modulus_pa, balsa.core_shear_pa, balsa.core_inplane_pa) == (4083e6, 150e6, 61e6)


def test_solid_laminate_vibrates_as_a_plate():
    # Worked example C: 103.156, 214.565, 301.217, 400.247, 412.626 Hz (thin-plate theory).
    found = sorted(hz for hz, _, _ in SOLID.bay_modes())[:5]
    assert found == pytest.approx([103.156, 214.565, 301.217, 400.247, 412.626], rel=1e-4)
    assert SOLID.mass_kg_m2 == 8.0


def test_solid_laminate_opposes_as_an_endless_plate():
    # Cremer, Heckl and Petersson: 242.09 N s/m for this plate, worked example F; at 1 kHz.
    here = local(replace(STILL, build=SOLID), [[0.0, 0.0]])
    assert here.bonded_stiffness_n_m == pytest.approx([242.091 * 2e3 * np.pi], rel=1e-4)


def test_clamped_bays_are_those_of_the_worked_examples():
    # Worked example D, by Ritz: 191.986, 322.145, 451.776 Hz; products of beam shapes are bounds from above.
    clamped = replace(SOLID, fixity=1.0)
    found = sorted(hz for hz, _, _ in clamped.bay_modes())[:3]
    assert found == pytest.approx([191.986, 322.145, 451.776], rel=1.5e-2)
    halfway = lowest_hz(replace(SOLID, fixity=0.5))
    assert lowest_hz(SOLID) < halfway < lowest_hz(clamped)


def test_an_orthotropic_bay():
    # Simply supported orthotropic plate, Timoshenko and Woinowsky-Krieger ch. 11 (from memory):
    # Dx kx^4 + 2 H kx^2 ky^2 + Dy ky^4, with H = sqrt(Dx Dy).
    ratio = 1.6
    d = float(plate.bending_stiffness(10e9, 5e-3, 0.30))
    dx, dy = d * np.sqrt(ratio), d / np.sqrt(ratio)
    for i, j in ((1, 1), (3, 1), (1, 3)):
        kx, ky = i * np.pi / 0.4, j * np.pi / 0.3
        stiffness = dx * kx**4 + 2.0 * np.sqrt(dx * dy) * kx**2 * ky**2 + dy * ky**4
        expected = np.sqrt(stiffness / 8.0) / (2.0 * np.pi)
        assert lowest_hz(replace(SOLID, anisotropy=ratio), i, j) == pytest.approx(expected, rel=1e-9)


def test_an_orthotropic_disc():
    # Clamped orthotropic circle, (3 Dx + 2 H + 3 Dy)/8: Timoshenko and Woinowsky-Krieger ch. 11, from memory.
    skewed = replace(STILL, build=replace(FOAM_DECK, anisotropy=2.0), patches=(Patch(0.0, 0.0, 0.05),))
    d = local(replace(STILL, patches=skewed.patches), [[0.0, 0.0]]).disc_bending_nm[0]
    root = np.sqrt(2.0)
    assert local(skewed, [[0.0, 0.0]]).disc_bending_nm[0] == pytest.approx(
        d * (3.0 * root + 2.0 + 3.0 / root) / 8.0
    )
    # A strip bends across: laid along the stiff direction it bends in the soft one.
    along, across = (
        local(replace(skewed, patches=(Patch(0.0, 0.0, 0.05, length_m=9.0, angle_deg=a),)), [[0.0, 0.0]])
        for a in (0.0, 90.0)
    )
    assert across.disc_bending_nm[0] / along.disc_bending_nm[0] == pytest.approx(2.0, rel=1e-3)


def test_curvature_lifts_the_low_modes_most():
    # Shallow cylinder (Donnell): the shell's part does not grow with frequency.
    curved = replace(SOLID, curvature_1_m=0.5)
    lift = [lowest_hz(curved, i, i) / lowest_hz(SOLID, i, i) for i in (1, 2, 3)]
    assert lift[0] > lift[1] > lift[2] > 1.0


def test_warmth_softens_and_damps():
    cold, warm = (replace(STILL, temperature_c=t) for t in (5.0, 35.0))
    assert warm.laminate.loss_factor > FOAM_DECK.loss_factor > cold.laminate.loss_factor
    softer, stiffer = (local(scene, [[0.0, 0.0]]).bonded_stiffness_n_m[0] for scene in (warm, cold))
    assert softer < stiffer
    assert lowest_hz(warm.laminate) < lowest_hz(cold.laminate)
    assert STILL.laminate is STILL.build


@pytest.mark.parametrize("by", [0.5, 2.0])
def test_spreads_scale(by):
    wide = Spread().scaled(by)
    assert wide.thickness_sd == pytest.approx(0.08 * by)
    assert wide.speed_factor == pytest.approx(2.0**by)
    assert wide.length_m == Spread().length_m


# -- faults ---------------------------------------------------------------------------------------------


def test_every_fault_is_named_where_it_is():
    patches = (
        Patch(0.0, 0.0, 0.04),
        Patch(1.0, 0.0, 0.04, "dead"),
        Patch(2.0, 0.0, 0.04, "rattles"),
        Patch(3.0, 0.0, 0.04, "hollow above dead"),
        Patch(4.0, 0.0, 0.01, depth_m=1e-3),
        Patch(5.0, 0.0, 0.03, length_m=0.3, angle_deg=90.0),
    )
    scene = replace(STILL, patches=patches, wet=(WetZone(6.0, 0.0, 0.2),))
    here = local(scene, [[i, 0.0] for i in range(8)])
    assert here.kind == ("rings", "dead", "rattles", "hollow above dead", "blister", "long", "wet", "")
    assert list(here.loose) == [True] * 6 + [False] * 2


def test_a_long_patch_is_a_stadium():
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.04, length_m=0.3, angle_deg=30.0),))
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    along = [[d * c, d * s] for d in (0.0, 0.10, 0.149, 0.151)]
    aside = [[-d * s + 0.05 * c, d * c + 0.05 * s] for d in (0.02, 0.039, 0.041)]
    here = local(scene, along + aside)
    assert list(here.loose) == [True, True, True, False, True, True, False]
    assert here.to_edge_m == pytest.approx([-0.04, -0.04, -0.001, 0.001, -0.02, -0.001, 0.001])
    # Softer than the circle as wide as it, stiffer than the one as long.
    ratio = here.ratio[0]
    wide, long = (local(replace(STILL, patches=(Patch(0, 0, r),)), [[0, 0]]).ratio[0] for r in (0.04, 0.15))
    assert long < ratio < wide


def test_a_blister_is_as_stiff_as_the_skin_above_it():
    # 16 pi D / a^2 with the D of 1 mm of the laminate, in series with the bonded skin.
    scene = replace(STILL, patches=(Patch(0.0, 0.0, 0.015, depth_m=1e-3),))
    here = local(scene, [[0.0, 0.0]])
    disc = 16.0 * np.pi * plate.bending_stiffness(12e9, 1e-3, 0.30) / 0.015**2
    assert 1.0 / here.stiffness_n_m[0] == pytest.approx(1.0 / disc + 1.0 / here.bonded_stiffness_n_m[0])
    assert here.disc_kg_m2[0] == pytest.approx(1.6)
    assert here.bending_nm[0] == pytest.approx(29.670, rel=1e-4)


def test_a_hollow_layer_above_a_dead_one_is_softer_than_either():
    both, upper, all_of_it = (
        local(replace(STILL, patches=(patch,)), [[0.0, 0.0]]).ratio[0]
        for patch in (
            Patch(0.0, 0.0, 0.04, "hollow above dead"),
            Patch(0.0, 0.0, 0.04, depth_m=1.5e-3),
            Patch(0.0, 0.0, 0.04, "dead"),
        )
    )
    assert both < upper < all_of_it


def test_a_wet_core_is_heavier_stiffer_and_lossier():
    wet, dry = (local(replace(STILL, wet=zones), [[0.0, 0.0]]) for zones in ((WetZone(0.0, 0.0, 0.15),), ()))
    assert wet.panel_kg_m2[0] == pytest.approx(dry.panel_kg_m2[0] + 500.0 * 0.020)
    assert wet.bonded_stiffness_n_m[0] > dry.bonded_stiffness_n_m[0]
    assert wet.loss[0] == pytest.approx(4.0 * dry.loss[0])
    assert not wet.loose[0]


# -- not faults -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", BEHIND_KINDS)
def test_what_stands_behind_is_named_and_is_no_fault(kind):
    for thing in (Behind(kind, outline=SQUARE), Behind(kind, line=((0.1, 0.0), (0.1, 0.2)), width_m=0.06)):
        here = local(replace(STILL, behind=(thing,)), [[0.1, 0.1], [0.6, 0.6]])
        assert here.behind == (kind, "")
        assert here.kind == ("", "")
        assert not here.loose.any()


def test_no_strength_is_no_effect():
    plain = local(STILL, [[0.1, 0.1]])
    for kind in set(BEHIND_KINDS) - {"filler"}:
        none = local(replace(STILL, behind=(Behind(kind, outline=SQUARE, strength=0.0),)), [[0.1, 0.1]])
        assert none.bonded_stiffness_n_m == pytest.approx(plain.bonded_stiffness_n_m)
        assert none.panel_kg_m2 == pytest.approx(plain.panel_kg_m2)
        assert none.bay_hz == pytest.approx(plain.bay_hz)


def test_a_frame_is_a_frame_however_it_is_said():
    places = [[0.5, 0.1], [0.53, 0.1], [0.2, 0.1]]
    old = local(replace(STILL, frames=(Frame(0.5, -1.0, 0.5, 1.0, 0.05),)), places)
    new = local(replace(STILL, behind=(Behind("frame", line=((0.5, -1.0), (0.5, 1.0))),)), places)
    assert new.behind == old.behind == ("frame", "frame", "")
    for name in ("bonded_stiffness_n_m", "panel_kg_m2", "bay_shape", "stiffening"):
        assert getattr(new, name) == pytest.approx(getattr(old, name))


def test_a_bulkhead_is_more_than_a_frame():
    frame, bulkhead = (
        local(replace(STILL, behind=(Behind(kind, outline=SQUARE),)), [[0.1, 0.1]])
        for kind in ("frame", "bulkhead")
    )
    assert bulkhead.bonded_stiffness_n_m > frame.bonded_stiffness_n_m
    assert bulkhead.panel_kg_m2 > frame.panel_kg_m2


def test_a_panel_file_takes_what_is_declared():
    scene = replace(
        STILL,
        frames=(Frame(0.5, 0.0, 0.5, 0.9),),
        behind=(
            *armature(0.1, 0.0, 0.8),
            Behind("stand pad", outline=((0.7, 0), (0.9, 0), (0.9, 0.2), (0.7, 0.2))),
        ),
    )
    text = """
    name = "rudder"
    side = "port"
    face = "outside"
    construction = "skins over foam"
    datum = "lower leading corner"
    outline = [[0, 0], [1.0, 0], [1.0, 0.9], [0, 0.9]]
    grid = { spacing = 0.1, path = "serpentine rows" }
    """
    for table in declared(scene):
        text += "\n[[structure]]\n" + "\n".join(
            f"{key} = {value!r}".replace("(", "[").replace(")", "]") for key, value in table.items()
        )
    panel = parse_panel(text, source="rudder.toml")
    assert [s.kind for s in panel.structures] == ["frame", *["armature"] * 4, "stand pad"]
    # On whatever is declared, the scene knows what it is.
    xy = np.random.default_rng(0).uniform((0.0, 0.0), (1.0, 0.9), (300, 2))
    for place, kind in zip(xy, local(scene, xy).behind, strict=True):
        structure = on_structure(panel, *place)
        if structure is not None:
            assert kind in {s.kind for s in panel.structures}


# -- hammers, drift, bad input --------------------------------------------------------------------------


def test_hammers_are_those_of_the_trade():
    assert HAMMERS["60 g steel"] == STEEL_HAMMER
    assert HAMMERS["60 g plastic"] == PLASTIC_HAMMER
    masses = [h.mass_kg for h in HAMMERS.values()]
    assert (min(masses), max(masses)) == (0.020, 0.250)
    for h in HAMMERS.values():
        assert all(2e3 <= hz <= 9e3 for hz in h.ring_hz)
        assert h.ring_db is None


def test_drift_is_slow_and_the_same_again():
    t = np.arange(0.0, 200.0, 0.25)
    drift = slow_drift(3, t)
    assert np.abs(np.diff(drift)).max() < 0.2
    assert drift.std() == pytest.approx(1.0, abs=0.4)
    assert np.array_equal(drift[:100], slow_drift(3, t[:100]))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Patch(0, 0, 0.1, length_m=0.1), "length of a patch is 0.1 m: choose 0 m for a round one"),
        (lambda: Patch(0, 0, 0.1, depth_m=0.0), r"depth of a patch is 0\.0 m"),
        (lambda: Patch(0, 0, 0.1, gap_m=0.0), r"gap of a patch is 0\.0 m"),
        (lambda: WetZone(0, 0, 0.0), r"radius of a wet zone is 0\.0 m"),
        (lambda: Behind("shelf", outline=SQUARE), "kind of structure is 'shelf': choose 'frame' or"),
        (lambda: Behind("frame"), "frame lies nowhere, or in two ways: give either a line"),
        (lambda: Behind("frame", line=SQUARE, outline=SQUARE), "or in two ways"),
        (lambda: replace(FOAM_DECK, fixity=1.5), r"fixity of a bay is 1\.5"),
        (lambda: replace(FOAM_DECK, anisotropy=0.0), r"anisotropy of a skin is 0\.0"),
        (lambda: replace(FOAM_DECK, core_m=-1.0), r"core of a build is -1\.0 m"),
        (lambda: hammer(0.06, "lead"), "tip of a hammer is 'lead': choose 'steel' or"),
        (lambda: hammer(0.0, "steel"), r"mass of a hammer is 0\.0 kg"),
    ],
)
def test_bad_input_is_named(make, message):
    with pytest.raises(SettingError, match=message):
        make()


def test_a_small_stiff_bay_keeps_its_lowest_mode():
    small = replace(BUILDS["balsa deck"], bay_m=(0.3, 0.25))
    [(hz, i, j)] = small.bay_modes()
    assert hz > 800.0
    assert (i, j) == (1, 1)
    assert local(Scene(build=small), [[0.1, 0.1]]).bay_hz.shape == (1,)
