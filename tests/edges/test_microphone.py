"""Microphone to disk, through PortAudio and a real sound server whose only device is a null sink.

What is played into the sink is what its monitor, as a microphone, hears.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from taptone.edges import microphone
from taptone.edges.soundfiles import open_sound
from taptone.errors import MicrophoneError, OutputError

RATE = 48_000
ROOT = Path(__file__).resolve().parents[2]
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="PulseAudio's null sink is a device of Linux")


class Shed:
    """A private sound server: its surroundings, and the means to play and record in them."""

    def __init__(self, folder: Path) -> None:
        (folder / "run").mkdir(mode=0o700)
        self.env = os.environ | {
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "PULSE_SERVER": f"unix:{folder}/run/pulse/native",
            "PYTHONPATH": str(ROOT),
        }
        (folder / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
        (folder / "server.pa").write_text(
            "load-module module-native-protocol-unix\n"
            f"load-module module-null-sink sink_name=shed rate={RATE} channels=2\n"
            "set-default-sink shed\nset-default-source shed.monitor\n"
        )
        settings = ["-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disable-shm=yes"]
        self.server = self.start("pulseaudio", *settings, "-F", folder / "server.pa")
        until = time.monotonic() + 10
        while subprocess.run(["pactl", "info"], env=self.env, capture_output=True).returncode:
            assert self.server.poll() is None, self.server.communicate()[1]
            assert time.monotonic() < until, "PulseAudio did not answer within 10 s"
            time.sleep(0.05)

    def start(self, *command: object) -> subprocess.Popen[str]:
        words = [str(word) for word in command]
        pipe = subprocess.PIPE
        return subprocess.Popen(words, env=self.env, cwd=ROOT, stdout=pipe, stderr=pipe, text=True)

    def record(self, *words: object) -> subprocess.Popen[str]:
        """Start the real command."""
        return self.start(sys.executable, "-m", "taptone", "record", *words)


def end(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.kill()
    process.communicate(timeout=10)


@pytest.fixture(scope="module")
def shed(tmp_path_factory):
    if missing := [name for name in ("pulseaudio", "pactl", "paplay") if not shutil.which(name)]:
        pytest.fail(
            f"{', '.join(missing)} not found: run `apt install pulseaudio pulseaudio-utils "
            "libasound2-plugins libportaudio2`"
        )
    shed = Shed(tmp_path_factory.mktemp("shed"))
    yield shed
    end(shed.server)


def until_bytes(path: Path, count: int, process: subprocess.Popen[str]) -> None:
    """Wait until the recording has reached the disk."""
    until = time.monotonic() + 15
    while not path.exists() or path.stat().st_size < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until, f"no {count} bytes in {path} within 15 s"
        time.sleep(0.02)


@on_linux
def test_what_is_played_is_what_is_recorded(shed, tmp_path):
    rng = np.random.default_rng(7)
    played = np.round(0.1 * rng.standard_normal(RATE * 20) * 2**15) / 2**15
    sf.write(tmp_path / "played.wav", np.stack([played, 0.5 * played], axis=1), RATE)
    player = shed.start("paplay", tmp_path / "played.wav")
    try:
        recorder = shed.record("--seconds", "1.5", "--rate", RATE, tmp_path / "row.wav")
        out, err = recorder.communicate(timeout=20)
    finally:
        end(player)
    assert recorder.returncode == 0, err
    assert "row.wav: 1.500 s from default, 48000 Hz, 2 channels\nno dropouts, peak " in out
    assert "catch people talking" in err
    sound = open_sound(tmp_path / "row.wav", channel=1)
    assert (sound.recording.samples, sound.recording.rate_hz, sound.recording.codec) == (
        72_000,
        RATE,
        "PCM_24",
    )
    assert "taptone record: 48000 Hz delivered; no dropouts" in sound.recording.notes
    part = sound.clip(48_000, 72_000)  # the second half: the player surely runs by then
    count = 2**21
    match = np.fft.irfft(np.fft.rfft(played, count) * np.conj(np.fft.rfft(part, count)))
    at = int(np.argmax(match))
    # A null sink hands on 16 bits without a change of level; one step for its rounding.
    np.testing.assert_allclose(part, played[at : at + part.size], atol=2**-15)
    second = open_sound(tmp_path / "row.wav", channel=2).clip(48_000, 72_000)
    np.testing.assert_allclose(second, 0.5 * played[at : at + part.size], atol=2**-15)


@on_linux
@pytest.mark.parametrize("asked", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_ctrl_c_a_stop_and_a_closed_terminal_close_the_file(shed, tmp_path, asked):
    path = tmp_path / "row.wav"
    recorder = shed.record(path)
    until_bytes(path, 100_000, recorder)
    recorder.send_signal(signal.Signals[asked])
    out, err = recorder.communicate(timeout=10)
    assert recorder.returncode == 0, err
    assert "nothing but silence came" in out  # nothing was played
    with wave.open(str(path)) as file:  # strict about headers, and not of this project
        assert file.getnframes() * 6 + 44 >= 100_000
        assert len(file.readframes(10**7)) == file.getnframes() * 6


@on_linux
def test_a_killed_recorder_leaves_all_but_the_last_second(shed, tmp_path):
    path = tmp_path / "row.wav"
    player = shed.start("paplay", "--raw", "--channels=1", f"--rate={RATE}", "/dev/urandom")
    recorder = shed.record("--rate", RATE, path)
    try:
        until_bytes(path, 6 * RATE * 3 // 2, recorder)
        recorder.kill()
        recorder.communicate(timeout=10)
    finally:
        end(recorder)
        end(player)
    sound = open_sound(path)
    assert sound.recording.samples >= RATE * 3 // 2 - 100
    assert sum(block.size for block in sound.blocks()) == sound.recording.samples
    assert sound.recording.notes[0] == "its header was never finished: read to its last whole sample"


@on_linux
def test_a_microphone_that_goes_away_ends_the_recording(tmp_path, tmp_path_factory, shed):
    other = Shed(tmp_path_factory.mktemp("other"))
    path = tmp_path / "row.wav"
    recorder = other.record("--rate", RATE, path)
    try:
        until_bytes(path, 6 * RATE // 2, recorder)
        end(other.server)
        out, _ = recorder.communicate(timeout=20)
    finally:
        end(recorder)
        end(other.server)
    assert recorder.returncode == 0
    assert "note: the microphone stopped after " in out
    with wave.open(str(path)) as file:
        assert file.getnframes() >= RATE // 2 - 100


@on_linux
def test_a_recording_is_never_overwritten(shed, tmp_path):
    path = tmp_path / "row.wav"
    path.write_bytes(b"an earlier recording")
    out, err = (recorder := shed.record("--seconds", "1", path)).communicate(timeout=20)
    assert recorder.returncode == 1
    assert "row.wav exists: give another name: a recording is never overwritten" in err
    assert (out, err.count("\n")) == ("", 1)
    assert path.read_bytes() == b"an earlier recording"


@on_linux
@pytest.mark.parametrize(
    ("device", "says"),
    [
        ("rudder", "there is no microphone 'rudder': choose one by its number: 0 "),
        ("99", "there is no microphone '99': choose one by its number: 0 "),
        ("u", "there is more than one microphone 'u': choose one by its number: 0 "),
    ],
)
def test_a_device_that_is_not_clear_is_answered_with_the_list(shed, tmp_path, device, says):
    recorder = shed.record("--device", device, tmp_path / "row.wav")
    _, err = recorder.communicate(timeout=20)
    assert recorder.returncode == 1
    assert says in err
    assert "pulse" in err
    assert "default" in err
    assert err.count("\n") == 1
    assert not (tmp_path / "row.wav").exists()


@on_linux
@pytest.mark.skipif(bool(list(Path("/dev").glob("snd/pcm*c"))), reason="this machine has a sound card")
def test_without_a_microphone_one_line_says_what_to_do(tmp_path):
    nowhere = {"HOME": str(tmp_path), "PULSE_SERVER": f"unix:{tmp_path}/none", "PYTHONPATH": str(ROOT)}
    env = os.environ | nowhere
    command = [sys.executable, "-m", "taptone", "record", str(tmp_path / "row.wav")]
    done = subprocess.run(command, env=env, cwd=ROOT, capture_output=True, text=True, timeout=20)
    assert done.returncode == 1
    assert "there is no microphone: plug one in" in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "row.wav").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="the library comes with the package there")
def test_without_portaudio_one_line_says_what_to_install(tmp_path, monkeypatch):
    # The real import, on a system whose loader finds no such library.
    monkeypatch.setattr("ctypes.util.find_library", lambda _: None)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    with pytest.raises(MicrophoneError, match=r"apt install libportaudio2.*brew install portaudio"):
        microphone.record(tmp_path / "row.wav", seconds=1)


def test_no_time_is_no_recording(tmp_path):
    for seconds in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(MicrophoneError, match="give a time above 0 s"):
            microphone.record(tmp_path / "row.wav", seconds=seconds)


def test_dropouts_and_a_wrong_rate_are_noted_in_the_file(tmp_path):
    # What no null sink does: blocks of 100 ms, one after a loss, that arrive every 120 ms.
    path = tmp_path / "row.wav"
    with microphone._Writer(path, 10_000, 1, seconds=None) as writer:
        for number in range(80):
            writer.take(np.full((1000, 1), 2**30, np.int32), number == 3, 0.12 * number)
    recorded = writer.result("a microphone")
    assert recorded.dropouts == (3000,)
    assert recorded.measured_rate_hz == pytest.approx(10_000 / 1.2)
    assert recorded.peak_dbfs == pytest.approx(-6.02, abs=0.01)  # half of full scale
    (note,) = open_sound(path).recording.notes
    assert "samples arrived at 8333 Hz, not 10000 Hz; sound was lost 1 times, before samples 3000" in note


def test_what_cannot_be_written_is_one_line(tmp_path):
    with pytest.raises(
        OutputError, match=r"cannot be written \(no such file or directory\): check the folder"
    ):
        microphone._Writer(tmp_path / "nowhere" / "row.wav", RATE, 1, seconds=None)
