"""The front door: help, version, and one clear line for whatever goes wrong."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import click
import pytest

from taptone import __version__
from taptone.cli import COMMANDS, _run
from taptone.errors import SoundError


def test_help_names_every_command_with_its_line(run_taptone):
    run = run_taptone("--help")
    assert run.returncode == 0
    for name, (_, line) in COMMANDS.items():
        assert name in run.stdout
        assert line in run.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_loads_and_has_help(run_taptone, name):
    run = run_taptone(name, "--help")
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith(f"Usage: taptone {name} ")


def test_readme_types_only_options_that_exist(run_taptone):
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```\w*\n(.*?)^```", readme, flags=re.MULTILINE | re.DOTALL)
    typed = re.findall(r"^taptone ([\w-]+) (.*)$", "".join(blocks), flags=re.MULTILINE)
    assert {name for name, _ in typed} == set(COMMANDS)
    for name, words in typed:
        kind = words.split()[:1] if name == "add" else []
        helped = run_taptone(name, *kind, "--help").stdout.split()
        for option in re.findall(r"--[a-z0-9-]+", words):
            assert option in helped, f"README: taptone {name} {option}"


def test_version(run_taptone):
    assert run_taptone("--version").stdout == f"taptone {__version__}\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["analise"], "No such command 'analise': did you mean 'analyse'?"),
        (["xyzzy"], "No such command 'xyzzy': see --help"),
        (["--versoin"], "--version"),
    ],
)
def test_wrong_word_exits_2_and_points_to_the_right_one(run_taptone, words, said):
    run = run_taptone(*words)
    assert run.returncode == 2
    assert said in run.stderr
    assert "Traceback" not in run.stderr


def test_missing_recording_is_one_line_and_exit_1(run_taptone):
    run = run_taptone("analyse", "no-such-row.wav")
    assert run.returncode == 1
    assert run.stdout == ""
    assert run.stderr.startswith("taptone: ")
    assert "no-such-row.wav" in run.stderr
    assert run.stderr.count("\n") == 1


def test_error_is_message_and_hint_on_one_line(capsys):
    @click.command
    def fails():
        raise SoundError("row.wav is empty", hint="copy it again from the phone")

    assert _run(fails, []) == 1
    assert capsys.readouterr() == ("", "taptone: row.wav is empty: copy it again from the phone\n")


def test_ctrl_c_exits_130_without_traceback(capsys):
    @click.command
    def stopped():
        raise KeyboardInterrupt

    assert _run(stopped, []) == 130
    assert capsys.readouterr().err.strip() == ""


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signal here")
@pytest.mark.parametrize(
    ("name", "ignored", "code"),
    [("SIGTERM", False, 130), ("SIGHUP", False, 130), ("SIGHUP", True, 0)],
    ids=["stop", "terminal closed", "nohup"],
)
def test_a_request_to_stop_is_as_ctrl_c(name, ignored, code):
    """In a process of its own: signals belong to the whole of one."""
    script = f"""
import os, signal, sys, click
from taptone.cli import _run
signal.signal(signal.{name}, signal.SIG_IGN if {ignored} else signal.SIG_DFL)
@click.command
def stopped():
    os.kill(os.getpid(), signal.{name})
sys.exit(_run(stopped, []))
"""
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (run.returncode, run.stdout, run.stderr.strip()) == (code, "", "")


def test_reader_that_leaves_early_is_no_traceback():
    command = [sys.executable, "-m", "taptone", "--help"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 1
