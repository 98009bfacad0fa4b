"""A baseline as text: what went in comes out, and a damaged one is one clear line."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math

import numpy as np
import pytest

from taptone.errors import BaselineError
from taptone.model.saved import dumps, loads
from taptone.types import BAND_CENTRES_HZ, MEASURE_NAMES, Finding, HammerSound, Reference


@pytest.fixture
def reference(rng):
    bands = rng.uniform(-40, 0, (3, len(BAND_CENTRES_HZ)))
    bands[1, -4:] = np.nan
    measures = tuple(
        {name: float(v) for name, v in zip(MEASURE_NAMES, row, strict=True)}
        for row in rng.uniform(0, 900, (3, len(MEASURE_NAMES)))
    )
    measures[2]["decay_ms"] = math.nan
    return Reference(
        boat="Kessel «ä»",
        construction="skins over foam",
        hammer='60 g "steel"',
        recorder="",
        surface_temp_c=math.nan,
        rate_hz=44100,
        measures=measures,
        bands_db=bands,
        labels=("1", "2", "B3a"),
        taps=(2, 1, 3),
        recordings=({"name": "good.wav", "sha256": "ab" * 32, "rate_hz": 44100},),
        settings={"judge.confidence": 0.95, "judge.neighbours": 8},
        health=(Finding("good.wav", "gain control", "the noise sinks by 4.2 dB", 4.2, "dB"),),
        sensitivity=(
            {"fault": "gain control", "strength": 6.0, "decay_ms": 2.5, "centroid_hz": 40.0},
            {"fault": "gate", "strength": 60.0, "decay_ms": 0.0, "centroid_hz": 0.25},
        ),
        version="0.1.0",
        strikes=HammerSound((150.0, 300.0, 450.0), np.array([-3.25, np.nan]), np.array([6.0, np.nan])),
    )


def test_what_went_in_comes_out(reference):
    got = loads(dumps(reference), source="good.json")
    for field in dataclasses.fields(Reference):
        if field.name not in ("measures", "bands_db", "surface_temp_c", "sha256", "strikes"):
            assert getattr(got, field.name) == getattr(reference, field.name), field.name
    assert math.isnan(got.surface_temp_c)
    # Levels are written to 0.001 dB and measures to four decimals; what was missing is missing.
    np.testing.assert_allclose(got.bands_db, reference.bands_db, atol=0.0005001)
    for a, b in zip(got.measures, reference.measures, strict=True):
        assert list(a) == list(MEASURE_NAMES)
        np.testing.assert_allclose(list(a.values()), list(b.values()), atol=0.00005001)
    assert not got.bands_db.flags.writeable
    assert got.strikes.edges_hz == reference.strikes.edges_hz
    np.testing.assert_array_equal(got.strikes.shape_db, reference.strikes.shape_db)
    np.testing.assert_array_equal(got.strikes.stray_db, reference.strikes.stray_db)
    assert not got.strikes.shape_db.flags.writeable
    assert got.n_places == 3


def test_a_file_from_before_health_was_kept_still_loads(reference):
    body = json.loads(dumps(reference))
    del body["health"], body["sensitivity"]
    old = loads(sealed(body), source="good.json")
    assert old.health == old.sensitivity == ()
    assert old.n_places == 3


def test_a_file_from_before_strikes_were_kept_still_loads_and_odd_ones_do_not(reference):
    body = json.loads(dumps(reference))
    assert body["strikes"] == {"edges_hz": [150, 300, 450], "shape_db": [-3.25, None], "stray_db": [6, None]}
    for odd in ({"shape_db": [1.0]}, {"edges_hz": [150.0, None]}, {"stray_db": ["6", 6.0]}):
        one_line(sealed(body | {"strikes": body["strikes"] | odd}), "lacks something or holds something odd")
    one_line(sealed(body | {"strikes": [1.0]}), "lacks something or holds something odd")
    del body["strikes"]
    assert loads(sealed(body), source="good.json").strikes is None


def test_a_file_from_before_a_measure_was_kept_still_loads_and_one_that_lacks_another_does_not(reference):
    body = json.loads(dumps(reference))
    for place in body["places"]:
        del place["measures"]["early_ring_db"]
    old = loads(sealed(body), source="good.json")
    assert all(math.isnan(m["early_ring_db"]) for m in old.measures)
    assert old.measures[0]["ring_db"] == pytest.approx(reference.measures[0]["ring_db"], abs=1e-4)
    del body["places"][0]["measures"]["ring_db"]
    with pytest.raises(BaselineError, match="lacks something"):
        loads(sealed(body), source="good.json")


def test_written_again_it_is_the_same_text(reference):
    text = dumps(reference)
    assert dumps(loads(text, source="good.json")) == text
    assert dumps(dataclasses.replace(reference, sha256="other")) == text


def test_it_is_plain_json_with_its_own_checksum(reference):
    """By Python's json and hashlib: missing is null, and the checksum is of the rest with sorted keys."""
    body = json.loads(dumps(reference), parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert body["places"][2]["measures"]["decay_ms"] is None
    assert body["places"][1]["bands_db"][-4:] == [None] * 4
    told = body.pop("sha256")
    assert told == hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
    assert loads(dumps(reference), source="good.json").sha256 == told


def sealed(body):
    """A body with a checksum that fits it, as somebody who knows the format could make."""
    body = {k: v for k, v in body.items() if k != "sha256"}
    return json.dumps(
        body | {"sha256": hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()}
    )


def one_line(text, said):
    with pytest.raises(BaselineError) as caught:
        loads(text, source="good.json")
    assert str(caught.value).startswith("good.json ")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_any_changed_number_is_noticed(reference):
    text = dumps(reference)
    body = json.loads(text)
    body["places"][0]["bands_db"][5] += 0.001
    one_line(json.dumps(body), "was changed after it was written")
    one_line(text.replace("skins over foam", "skins over balsa"), "was changed after it was written")
    del body["sha256"]
    one_line(json.dumps(body), "was changed after it was written")


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_cut_short(reference, share):
    text = dumps(reference)
    one_line(text[: int(share * len(text))], "cannot be read as a baseline")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hello", "cannot be read as a baseline"),
        ("[" * 100_000, "cannot be read as a baseline"),
        ("\ufeff{}", "cannot be read as a baseline"),
        ("{}", "is not a taptone baseline"),
        ("null", "is not a taptone baseline"),
        ('{"format": 3}', "is not a taptone baseline"),
        ('{"format": "taptone baseline 2"}', "is of another version (taptone baseline 2)"),
        ('{"format": "taptone baseline 1"}', "was changed after it was written"),
    ],
)
def test_foreign(text, said):
    one_line(text, said)


@pytest.mark.parametrize(
    "change",
    [
        lambda body: body.pop("boat"),
        lambda body: body.update(places=None),
        lambda body: body.update(places=[3]),
        lambda body: body["places"][0].pop("measures"),
        lambda body: body["places"][0]["measures"].pop("decay_ms"),
        lambda body: body["places"][0]["measures"].update(decay_ms="long"),
        lambda body: body["places"][0]["bands_db"].pop(),
        lambda body: body["places"][0]["measures"].update(decay_ms=math.inf),
        lambda body: body["places"][0]["bands_db"].__setitem__(0, math.nan),
        lambda body: body["places"][0].update(taps=math.inf),
        lambda body: body.update(rate_hz=math.inf),
        lambda body: body.update(rate_hz="fast"),
        lambda body: body.update(settings=[1]),
        lambda body: body.update(recordings=4),
    ],
)
def test_odd_inside_though_its_checksum_fits(reference, change):
    body = json.loads(dumps(reference))
    change(body)
    one_line(sealed(body), "lacks something or holds something odd")


def test_nothing_in_it_is_run(reference, tmp_path):
    flag = tmp_path / "ran"
    body = json.loads(dumps(reference))
    body["boat"] = f"__import__('pathlib').Path({str(flag)!r}).touch()"
    assert loads(sealed(body), source="good.json").boat == body["boat"]
    assert not flag.exists()
