"""Sound in: what was put in by `wave` and by the encoders of libsndfile and FFmpeg comes out again."""

from __future__ import annotations

import hashlib
import os
import struct
import sys
import tracemalloc
import wave
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile as sf

from taptone.edges.soundfiles import open_sound
from taptone.errors import SoundError

sys.path.insert(0, str(Path(__file__).parent))
from phonefiles import aac_in_caf, encode

RATE = 48_000
#: Where the taps of `taps` begin, as shares of the whole.
STARTS = (0.11, 0.313, 0.4771, 0.62, 0.8377)


def taps(rate_hz=RATE, seconds=2.0, seed=0, noise=1e-4):
    """Five decaying sines of 1200 Hz over a little noise."""
    count = int(rate_hz * seconds)
    sound = noise * np.random.default_rng(seed).standard_normal(count)
    time_s = np.arange(rate_hz // 20) / rate_hz
    for start in STARTS:
        at = int(start * count)
        sound[at : at + time_s.size] += 0.7 * np.exp(-time_s / 0.008) * np.sin(2 * np.pi * 1200 * time_s)
    return sound


def bursts(rate_hz, seconds=2.0):
    """Five bursts of noise: a speech codec keeps the shape of these, not the phase of a tone."""
    count = int(rate_hz * seconds)
    rng = np.random.default_rng(5)
    sound = 1e-4 * rng.standard_normal(count)
    for start in STARTS:
        at = int(start * count)
        sound[at : at + rate_hz // 5] += 0.2 * rng.standard_normal(rate_hz // 5)
    return sound


def heard(sound):
    return np.concatenate(list(sound.blocks()))


def delay(heard_samples, put_in):
    """Samples by which the one lies behind the other: the peak of their cross-correlation."""
    count = 2 * max(heard_samples.size, put_in.size)
    product = np.fft.rfft(heard_samples, count) * np.conj(np.fft.rfft(put_in, count))
    peak = int(np.argmax(np.fft.irfft(product)))
    return peak - count if peak > count // 2 else peak


def one_line(error):
    text = str(error.value)
    assert "\n" not in text
    assert error.value.hint
    return text


# -- lossless files: the very samples -------------------------------------------------------------------


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_wav_written_by_the_standard_library(tmp_path, bits, rate_hz):
    step = 2 ** (bits - 1)
    values = np.round(taps(rate_hz, 0.5) * step).astype("<i4")
    with wave.open(str(tmp_path / "row.wav"), "wb") as file:
        file.setparams((1, bits // 8, rate_hz, 0, "NONE", ""))
        file.writeframes(b"".join(value.tobytes()[: bits // 8] for value in values))
    sound = open_sound(tmp_path / "row.wav")
    assert np.array_equal(heard(sound), (values / step).astype(np.float32))
    assert (sound.recording.rate_hz, sound.recording.samples) == (rate_hz, values.size)
    assert sound.recording.notes == ()


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [
        ("WAV", "PCM_32"),
        ("WAV", "FLOAT"),
        ("WAV", "DOUBLE"),
        ("WAVEX", "PCM_16"),
        ("WAVEX", "PCM_24"),
        ("RF64", "PCM_24"),
        ("AIFF", "PCM_16"),
        ("FLAC", "PCM_16"),
        ("FLAC", "PCM_24"),
    ],
)
def test_lossless_kinds_give_the_samples_put_in(tmp_path, kind, subtype):
    step = 2.0**15
    values = np.round(taps(seconds=0.5) * step) / step
    sf.write(tmp_path / "row", values, RATE, subtype=subtype, format=kind)
    sound = open_sound(tmp_path / "row")
    assert np.array_equal(heard(sound), values.astype(np.float32))
    assert sound.recording.codec == subtype
    assert sound.recording.decoder.startswith("libsndfile ")


def test_flac_without_a_length_is_read_by_the_other_decoder_to_the_same_samples(tmp_path):
    sf.write(tmp_path / "row.flac", taps(), RATE)
    whole = (tmp_path / "row.flac").read_bytes()
    # STREAMINFO, total samples: low 4 bits of byte 21 and bytes 22 to 25; 0 is unknown (RFC 9639, 8.2).
    (tmp_path / "live.flac").write_bytes(whole[:21] + bytes([whole[21] & 0xF0]) + bytes(4) + whole[26:])
    live, plain = open_sound(tmp_path / "live.flac"), open_sound(tmp_path / "row.flac")
    assert live.recording.decoder.startswith("FFmpeg ")
    assert np.array_equal(heard(live), heard(plain))
    assert live.recording.notes == ()


# -- phone files: the start delay of the codec is gone --------------------------------------------------


@pytest.mark.parametrize(
    ("name", "codec", "rate_hz", "more"),
    [
        ("alac.m4a", "alac", 48_000, {}),
        ("alac.caf", "alac", 44_100, {}),
        ("pcm.caf", "pcm_s16le", 48_000, {}),
        ("film.mov", "pcm_s16le", 48_000, {"film": True}),
        ("flac.mkv", "flac", 48_000, {}),
    ],
)
def test_lossless_phone_files_are_exact(tmp_path, name, codec, rate_hz, more):
    values = np.round(taps(rate_hz) * 2**15) / 2**15
    sound = open_sound(encode(tmp_path / name, values, rate_hz, codec, **more))
    assert np.array_equal(heard(sound), values.astype(np.float32))
    assert sound.recording.codec == codec
    assert sound.recording.decoder.startswith("FFmpeg libavcodec ")
    assert sound.recording.notes == ()


@pytest.mark.parametrize(
    ("name", "codec", "rate_hz", "more"),
    [
        ("aac.m4a", "aac", 48_000, {}),
        ("aac.m4a", "aac", 44_100, {}),
        ("film.mp4", "aac", 48_000, {"film": True}),
        ("film.mov", "aac", 44_100, {"film": True}),
        ("aac.mkv", "aac", 44_100, {}),
        ("lame.mp3", "libmp3lame", 44_100, {}),
        ("lame.mp3", "libmp3lame", 22_050, {}),
        ("voice.opus", "libopus", 48_000, {}),
        ("page.webm", "libopus", 48_000, {}),
    ],
)
def test_a_stated_start_delay_is_gone_to_the_sample(tmp_path, name, codec, rate_hz, more):
    put_in = taps(rate_hz)
    sound = open_sound(encode(tmp_path / name, put_in, rate_hz, codec, **more))
    assert delay(heard(sound), put_in) == 0  # exact, though the samples themselves are not
    assert sound.recording.rate_hz == rate_hz
    assert sound.recording.notes == ()


@pytest.mark.parametrize("name", ["call.3gp", "call.amr"])
@pytest.mark.parametrize("bit_rate", [4_750, 12_200])
def test_amr_start_delay_is_gone_to_the_sample(tmp_path, name, bit_rate):
    # FFmpeg's own 3gp writer states 50 samples; the standard's look-ahead of 5 ms is 40.
    put_in = bursts(8_000)
    sound = open_sound(encode(tmp_path / name, put_in, 8_000, "libopencore_amrnb", bit_rate=bit_rate))
    assert delay(heard(sound), put_in) == 0
    assert (sound.recording.codec, sound.recording.rate_hz) == ("amr_nb", 8_000)


def test_vorbis_is_exact_in_time(tmp_path):
    sf.write(tmp_path / "row.ogg", taps(), RATE, format="OGG", subtype="VORBIS")
    sound = open_sound(tmp_path / "row.ogg")
    assert delay(heard(sound), taps()) == 0
    assert sound.recording.samples == taps().size


def test_aac_in_caf(tmp_path):
    encode(tmp_path / "row.m4a", taps(44_100), 44_100, "aac")
    sound = open_sound(aac_in_caf(tmp_path / "row.caf", tmp_path / "row.m4a", 88_200, priming=1024))
    assert delay(heard(sound), taps(44_100)) == 0
    assert sound.recording.samples == 88_200


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("plain.aac", "aac", {}),
        ("plain.m4a", "aac", {"use_editlist": "0"}),
        ("plain.mp3", "libmp3lame", {"write_xing": "0"}),
    ],
)
def test_an_unstated_start_delay_is_taken_off_and_noted(tmp_path, name, codec, options):
    # Exact for these two encoders; others delay by more, which no one can know from the file.
    sound = open_sound(encode(tmp_path / name, taps(44_100), 44_100, codec, options=options))
    assert delay(heard(sound), taps(44_100)) == 0
    (note,) = sound.recording.notes
    assert "does not state the start delay" in note


# -- names, hashes, blocks, clips ------------------------------------------------------------------------


def test_the_name_is_never_trusted(tmp_path):
    sf.write(tmp_path / "a.flac", taps(), RATE)
    os.rename(tmp_path / "a.flac", tmp_path / "a.raw")
    assert open_sound(tmp_path / "a.raw").recording.container == "FLAC"
    encode(tmp_path / "b.m4a", taps(), RATE, "aac")
    os.rename(tmp_path / "b.m4a", tmp_path / "b.wav")
    assert open_sound(tmp_path / "b.wav").recording.codec == "aac"
    sf.write(tmp_path / "c.wav", taps(), RATE)
    os.rename(tmp_path / "c.wav", tmp_path / "c.mp3")
    assert open_sound(tmp_path / "c.mp3").recording.codec == "PCM_16"


@pytest.mark.skipif(sys.platform == "win32", reason="a colon cannot stand in a name there")
@pytest.mark.parametrize("name", ["row 1 - deck.m4a", "réservé 甲板.m4a", "row 10:30.m4a", "-x.m4a"])
def test_names_with_spaces_and_signs(tmp_path, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    encode(tmp_path / "row.m4a", taps(), RATE, "aac").rename(tmp_path / name)
    assert open_sound(name).recording.name == name
    sf.write(tmp_path / "row.wav", taps(), RATE)
    (tmp_path / "row.wav").rename(tmp_path / name)
    assert open_sound(name).recording.name == name


def test_the_file_is_hashed_and_left_as_it_is(tmp_path):
    path = tmp_path / "row.wav"
    sf.write(path, taps(), RATE)
    before, stamp = path.read_bytes(), path.stat().st_mtime_ns
    sound = open_sound(path)
    first, second = heard(sound), heard(sound)
    sound.clip(100, 200)
    assert np.array_equal(first, second)
    assert first.dtype == np.float32
    assert sound.recording.sha256 == hashlib.sha256(before).hexdigest()
    assert (path.read_bytes(), path.stat().st_mtime_ns) == (before, stamp)


@pytest.mark.parametrize("kind", ["wav", "unfinished", "flac", "ogg", "m4a", "mp3", "amr", "stereo"])
def test_clips_are_bit_equal_to_the_blocks(tmp_path, kind):
    path = tmp_path / "row"
    sound = taps(8_000 if kind == "amr" else RATE, seconds=4.0)
    if kind == "wav":
        sf.write(path, sound, RATE, format="WAV", subtype="PCM_24")
    elif kind == "unfinished":
        sf.write(path, sound, RATE, format="WAV", subtype="PCM_24")
        path.write_bytes(path.read_bytes()[:40] + bytes(4) + path.read_bytes()[44:])
    elif kind == "flac":
        sf.write(path, sound, RATE, format="FLAC")
    elif kind == "ogg":
        sf.write(path, sound, RATE, format="OGG")
    elif kind == "m4a":
        encode(path, sound, RATE, "aac", kind="ipod")
    elif kind == "mp3":
        encode(path, sound, RATE, "libmp3lame", kind="mp3")
    elif kind == "amr":
        encode(path, sound, 8_000, "libopencore_amrnb", kind="amr")
    else:
        sf.write(path, np.stack([1e-3 * sound[::-1], sound], axis=1), RATE, format="FLAC")
    opened = open_sound(path)
    whole, count = heard(opened), opened.recording.samples
    assert whole.size == count
    for start, stop in [(0, 1), (0, count), (12_345, 13_000), (count - 1, count), (500, 500), (count, count)]:
        assert np.array_equal(opened.clip(start, stop), whole[start:stop])
    for start, stop in [(-1, 5), (5, 4), (0, count + 1)]:
        with pytest.raises(ValueError, match="no samples"):
            opened.clip(start, stop)


@pytest.mark.parametrize("kind", ["flac", "m4a"])
def test_memory_does_not_grow_with_length(tmp_path, kind):
    peaks = []
    for seconds in (20, 80):
        path = tmp_path / f"{seconds}.{kind}"
        if kind == "flac":
            sf.write(path, np.stack([taps(8_000, seconds)] * 2, axis=1), 8_000)
        else:
            encode(path, taps(8_000, seconds), 8_000, "aac")
        tracemalloc.start()
        for _ in open_sound(path).blocks():
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # 60 s more of float32 at 8 kHz would be 1.9 MB a channel.
    assert peaks[1] - peaks[0] < 200_000


@pytest.mark.parametrize("rate_hz", [4_000, 384_000])
def test_rates_outside_8_to_192_khz_are_refused(tmp_path, rate_hz):
    sf.write(tmp_path / "row.wav", taps(rate_hz), rate_hz)
    with pytest.raises(SoundError, match=rf"is sampled at {rate_hz} Hz: record at 8 to 192 kHz") as error:
        open_sound(tmp_path / "row.wav")
    one_line(error)


# -- several channels ------------------------------------------------------------------------------------


def test_the_channel_with_the_best_tap_to_noise_ratio_is_heard(tmp_path):
    # The first is louder in taps and noise, and in opposite phase: a mix would lose the taps.
    loud = -taps(noise=0.05, seed=1)
    clear = 0.5 * taps(noise=1e-4, seed=2)
    for name, write in [
        ("row.wav", lambda path, both: sf.write(path, both.T, RATE)),
        ("row.m4a", lambda path, both: encode(path, both, RATE, "alac")),
    ]:
        write(tmp_path / name, np.stack([loud, clear]))
        sound = open_sound(tmp_path / name)
        assert (sound.recording.channels, sound.recording.channel) == (2, 2)
        np.testing.assert_allclose(heard(sound), clear, atol=2**-15)  # one step of 16 bits
        assert "channel 2 of 2 has the best tap-to-noise ratio (1: " in sound.recording.notes[-1]


def test_the_ratio_is_that_of_tap_to_noise_power(tmp_path):
    # Bursts of known power over steady noise of known power: the difference is known without any code.
    rng = np.random.default_rng(3)
    quiet, loud = 1e-3 * rng.standard_normal(RATE * 4), 1e-1 * rng.standard_normal(RATE * 4)
    sound = np.where(np.arange(RATE * 4) % RATE < RATE // 10, loud, quiet)
    sf.write(tmp_path / "row.wav", np.stack([quiet, sound], axis=1), RATE, subtype="FLOAT")
    note = open_sound(tmp_path / "row.wav").recording.notes[-1]
    assert 39.0 < float(note.split("2: ")[1].split(" dB")[0]) < 42.0  # 40 dB; frames of 5 ms scatter


def test_equal_channels_give_the_first_and_an_asked_one_is_taken(tmp_path):
    sf.write(tmp_path / "row.wav", np.stack([taps(), taps(), -taps(noise=0.1)], axis=1), RATE)
    assert open_sound(tmp_path / "row.wav").recording.channel == 1
    asked = open_sound(tmp_path / "row.wav", channel=3)
    assert asked.recording.channel == 3
    assert asked.recording.notes == ("channel 3 of 3, as asked",)
    np.testing.assert_allclose(heard(asked), -taps(noise=0.1), atol=2**-15)
    for wrong in (0, 4):
        with pytest.raises(SoundError, match="choose a channel from 1 to 3"):
            open_sound(tmp_path / "row.wav", channel=wrong)


def test_a_dead_channel_is_not_taken(tmp_path):
    sf.write(tmp_path / "row.wav", np.stack([0 * taps(), taps()], axis=1), RATE)
    assert open_sound(tmp_path / "row.wav").recording.channel == 2


# -- unfinished and cut files ----------------------------------------------------------------------------


def _put(data, at, value):
    return data[:at] + struct.pack("<I", value) + data[at + 4 :]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    "damage", ["zero", "riff zero", "ones", "too large", "stale", "cut", "cut in a sample"]
)
def test_unfinished_wav_is_read_to_its_last_whole_sample(tmp_path, subtype, channels, damage):
    path = tmp_path / "row.wav"
    sf.write(path, np.stack([taps(seconds=0.5)] * channels, axis=1), RATE, subtype=subtype)
    data = path.read_bytes()
    at = data.index(b"data") + 4
    align = struct.unpack_from("<H", data, 32)[0]
    whole = heard(open_sound(path))
    path.write_bytes(
        {
            "zero": _put(data, at, 0),
            "riff zero": _put(_put(data, at, 0), 4, 0),
            "ones": _put(data, at, 0xFFFFFFFF),
            "too large": _put(data, at, len(data)),
            "stale": _put(data, at, 100 * align),
            "cut": data[: -10 * align],
            "cut in a sample": data[:-1],
        }[damage]
    )
    lost = {"cut": 10, "cut in a sample": 1}.get(damage, 0)
    sound = open_sound(path)
    assert sound.recording.samples == whole.size - lost
    assert np.array_equal(heard(sound), whole[: whole.size - lost])
    assert "read to its last whole sample" in sound.recording.notes[0]


def test_unfinished_rf64(tmp_path):
    path = tmp_path / "row.wav"
    sf.write(path, taps(seconds=0.5), RATE, format="RF64", subtype="PCM_16")
    data, whole = path.read_bytes(), heard(open_sound(path))
    at = data.index(b"ds64") + 8
    path.write_bytes(data[:at] + bytes(24) + data[at + 24 :])
    assert np.array_equal(heard(open_sound(path)), whole)
    assert open_sound(path).recording.notes == (
        "its header was never finished: read to its last whole sample",
    )


def test_chunks_after_the_sound_are_not_sound(tmp_path):
    path = tmp_path / "row.wav"
    with sf.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
        file.write(taps()[:12_345])
        file.comment = "a remark"
    sound = open_sound(path)
    assert (sound.recording.samples, sound.recording.notes) == (12_345, ())


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("row.flac", "flac", {}),
        ("row.aac", "aac", {}),
        ("row.m4a", "aac", {"movflags": "faststart"}),
        ("row.mp3", "libmp3lame", {}),
        ("row.opus", "libopus", {}),
        ("row.webm", "libopus", {}),
        ("row.caf", "pcm_s16le", {}),
    ],
)
def test_phone_file_cut_short_is_read_as_far_as_it_goes(tmp_path, name, codec, options):
    path = encode(tmp_path / name, taps(seconds=6.0), RATE, codec, options=options)
    whole = heard(open_sound(path))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3 - 1])
    sound = open_sound(path)
    part = heard(sound)
    assert part.size == sound.recording.samples
    assert whole.size / 3 < part.size < whole.size * 0.8
    settled = part.size - 4096  # the last frames of a lossy file may lack what would have followed
    assert np.array_equal(part[:settled], whole[:settled])
    assert "the file is cut short: read to its last whole sample" in sound.recording.notes


def test_vorbis_cut_short(tmp_path):
    path = tmp_path / "row.ogg"
    sf.write(path, taps(seconds=20.0, noise=0.1), RATE, format="OGG")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    sound = open_sound(path)
    assert 5 * RATE < sound.recording.samples < 15 * RATE
    assert delay(heard(sound), taps(seconds=20.0, noise=0.1)) == 0
    assert "the file is cut short: read to its last whole sample" in sound.recording.notes


def test_m4a_that_was_never_finished_is_one_clear_line(tmp_path):
    path = encode(tmp_path / "row.m4a", taps(), RATE, "aac")
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moov") - 4])
    with pytest.raises(SoundError, match="may never have been finished") as error:
        open_sound(path)
    one_line(error)


# -- what cannot be used: one clear line each ------------------------------------------------------------


def test_missing_folder_empty_and_text(tmp_path):
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("Row A, stations 1 to 12.\n" * 50)
    (tmp_path / "tiny.wav").write_bytes(b"RIFF")
    sf.write(tmp_path / "none.wav", np.zeros(0), RATE)
    for name, says in {
        "nowhere.wav": "there is no file .*: check the name and the folder",
        ".": "is a folder: name the sound files inside it",
        "empty.wav": "is empty: copy it again",
        "text.wav": "holds no sound that can be read: give a sound file",
        "tiny.wav": "holds no sound that can be read: give a sound file",
        "none.wav": "holds no samples: copy it again",
    }.items():
        with pytest.raises(SoundError, match=says) as error:
            open_sound(tmp_path / name)
        one_line(error)


@pytest.mark.skipif(sys.platform == "win32", reason="permissions are of another kind there")
def test_unreadable_file(tmp_path):
    path = tmp_path / "row.wav"
    sf.write(path, taps(), RATE)
    path.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # root reads everything: be nobody for a moment
    try:
        with pytest.raises(SoundError, match=r"cannot be read \(permission denied\): check its") as error:
            open_sound(path)
    finally:
        if root:
            os.seteuid(0)
    one_line(error)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pipes among the files there")
def test_a_pipe_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(SoundError, match="is not a file"):
        open_sound(tmp_path / "pipe.wav")


def test_a_list_of_files_is_not_followed(tmp_path):
    encode(tmp_path / "row.aac", taps(), RATE, "aac")
    (tmp_path / "list.wav").write_text(
        "#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:2,\nrow.aac\n#EXT-X-ENDLIST\n"
    )
    with pytest.raises(SoundError, match="holds no sound that can be read"):
        open_sound(tmp_path / "list.wav")


@pytest.mark.parametrize(
    ("place", "value"), [(20, 999), (34, 0), (34, 999)], ids=["format", "no bits", "999 bits"]
)
def test_a_wav_that_states_a_coding_nobody_knows(tmp_path, place, value):
    path = tmp_path / "row.wav"
    sf.write(path, taps(), RATE)
    whole = bytearray(path.read_bytes())
    struct.pack_into("<H", whole, place, value)
    path.write_bytes(whole)
    with pytest.raises(SoundError) as error:
        open_sound(path)
    assert one_line(error).startswith(f"{path} holds no sound that can be read: give a sound file")


def test_a_name_inside_the_file_that_is_no_text(tmp_path):
    path = encode(tmp_path / "row.m4a", taps(), RATE, "aac")
    whole = path.read_bytes()
    handler = whole.index(b"SoundHandler")
    path.write_bytes(whole[:handler] + b"\x90\xff" + whole[handler + 2 :])
    assert np.array_equal(heard(open_sound(path)), heard(open_sound(encode(path, taps(), RATE, "aac"))))


def test_a_film_without_sound_says_so(tmp_path):
    path = tmp_path / "film.mp4"
    with av.open(str(path), "w") as container:
        picture = container.add_stream("mpeg4", rate=25)
        picture.width = picture.height = 64
        picture.pix_fmt = "yuv420p"
        container.mux(picture.encode(av.VideoFrame(64, 64, "yuv420p")))
        container.mux(picture.encode(None))
    with pytest.raises(SoundError) as error:
        open_sound(path)
    assert one_line(error).startswith(f"{path} is a film without a sound track: give the recording itself")


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("name", ["row.wav", "row.flac", "row.m4a"])
def test_silence_is_refused(tmp_path, name, channels):
    zeros = np.zeros((RATE, channels))
    if name == "row.m4a":
        encode(tmp_path / name, zeros.T, RATE, "alac")
    else:
        sf.write(tmp_path / name, zeros, RATE)
    with pytest.raises(SoundError, match="is silent: every sample is zero") as error:
        heard(open_sound(tmp_path / name))
    one_line(error)


def test_a_long_stretch_of_zeros_is_no_fault(tmp_path):
    sound = taps(seconds=4.0)
    sound[RATE : 3 * RATE] = 0.0
    sf.write(tmp_path / "row.wav", sound, RATE)
    assert heard(open_sound(tmp_path / "row.wav")).size == sound.size


@pytest.mark.parametrize("value", [np.nan, np.inf])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_that_are_not_numbers(tmp_path, value, channels):
    sound = np.stack([taps(seconds=3.0)] * channels, axis=1)
    sound[2 * RATE] = value
    sf.write(tmp_path / "row.wav", sound, RATE, subtype="FLOAT")
    with pytest.raises(SoundError, match=r"not a finite number at 2\.000 s") as error:
        heard(open_sound(tmp_path / "row.wav"))
    one_line(error)


@pytest.mark.parametrize("channels", [1, 2])
def test_samples_that_no_recorder_writes(tmp_path, channels):
    path = tmp_path / "row.wav"
    for scale in (99.0, 32768.0, 1e30):
        sf.write(path, np.tile(scale * taps()[:, None], channels), RATE, subtype="FLOAT")
        sound = open_sound(path)
        if scale == 99.0:
            assert heard(sound).size == 2 * RATE
            continue
        with pytest.raises(SoundError, match=r"times full scale at 0\.\d{3} s") as error:
            heard(sound)
        assert "save it with full scale at 1" in one_line(error)


def test_a_file_that_is_damaged_inside(tmp_path):
    path = tmp_path / "row.flac"
    sf.write(path, taps(seconds=6.0, noise=0.1), RATE)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = b"\x55" * 3000
    path.write_bytes(data)
    with pytest.raises(SoundError, match=r"is damaged and cannot be decoded beyond [123]\.") as error:
        heard(open_sound(path))
    one_line(error)
