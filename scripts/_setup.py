"""What both scripts share: a private environment in .venv, the project in it, the system's packages.

Standard library only, and no syntax newer than the oldest Python that should still get a plain answer.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

#: Debian packages behind the checks: PortAudio and a sound server for the microphone, struck drums to hear.
TEST_PACKAGES = (
    "espeak-ng",
    "libasound2-plugins",
    "libportaudio2",
    "pulseaudio",
    "pulseaudio-utils",
    "sonic-pi-samples",
)


def prepare(extra: str = "", packages: tuple[str, ...] = ()) -> Path:
    """Make the environment with the project, its `extra` and the system's `packages`; return its Python."""
    check_python()
    if importlib.util.find_spec("ensurepip") is None or importlib.util.find_spec("venv") is None:
        packages = ("python3-venv", *packages)
    install_packages(packages)
    if not installed(extra):
        make_environment()
        install_project(extra)
    return PYTHON


def check_python() -> None:
    """Stop with one line where this Python is too old or not yet supported."""
    if not (3, 11) <= sys.version_info[:2] < (3, 14):
        sys.exit(
            f"taptone needs Python 3.11, 3.12 or 3.13, and this is {platform.python_version()}: "
            f"run it as python3.13 {sys.argv[0]}"
        )


# -- the system's packages -----------------------------------------------------------------------------


def install_packages(names: tuple[str, ...]) -> None:
    """Install what is missing on Debian as root; otherwise print the line to run, and stop."""
    if not names:
        return
    if not (shutil.which("dpkg-query") and shutil.which("apt-get")):
        sys.exit(
            "this step needs a Debian or Ubuntu machine, where the line to run is: "
            f"sudo apt-get update && sudo apt-get install --no-install-recommends {' '.join(names)}"
        )
    missing = [name for name in names if not has_package(name)]
    if not missing:
        return
    if os.geteuid() != 0:
        sys.exit(
            "system packages are missing, run: "
            f"sudo apt-get update && sudo apt-get install --no-install-recommends {' '.join(missing)}"
        )
    say(f"installing {', '.join(missing)}")
    apt_get("update")
    apt_get("install", "--yes", "--no-install-recommends", *missing)


def has_package(name: str) -> bool:
    """Say whether Debian's package `name` is installed."""
    query = ["dpkg-query", "--show", "--showformat=${db:Status-Status}", name]
    return subprocess.run(query, capture_output=True, text=True).stdout == "installed"


def apt_get(*words: str) -> None:
    """Run apt-get without questions; where it fails, stop with its last complaint."""
    command = ["apt-get", "--quiet", *words]
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    run = subprocess.run(command, env=environment, capture_output=True, text=True)
    if run.returncode != 0:
        sys.exit(
            f"{' '.join(command)} failed ({last_complaint(run.stderr)}): "
            "see that the network and the package lists are in order, then run this again"
        )


# -- the private environment ---------------------------------------------------------------------------


def installed(extra: str) -> bool:
    """Say whether an earlier run installed all this: the tests' environment serves the demo too."""
    return PYTHON.exists() and any(
        stamp(each).exists() and stamp(each).read_text() == fingerprint() for each in {extra, "test"}
    )


def stamp(extra: str) -> Path:
    """Name the file that says what was installed with `extra`."""
    return VENV / f"installed-{extra or 'plain'}"


def fingerprint() -> str:
    """Return a hash of all that an installation depends on."""
    facts = (ROOT / "pyproject.toml").read_bytes() + f"\n{platform.python_version()}\n{ROOT}".encode()
    return hashlib.sha256(facts).hexdigest()


def make_environment() -> None:
    """Make .venv, anew where it belongs to another Python or was left half made."""
    config = VENV / "pyvenv.cfg"
    ours = f"version = {platform.python_version()}"
    pip = [str(PYTHON), "-m", "pip", "--version"]
    if (
        PYTHON.exists()
        and config.exists()
        and ours in config.read_text().splitlines()
        and subprocess.run(pip, capture_output=True).returncode == 0
    ):
        return
    say("making .venv")
    run = subprocess.run([sys.executable, "-m", "venv", "--clear", str(VENV)], capture_output=True, text=True)
    if run.returncode != 0:
        reason = last_complaint(run.stderr or run.stdout)
        sys.exit(
            f"Python could not make {VENV} ({reason}): check free space and write access, then run this again"
        )


def install_project(extra: str) -> None:
    """Install the project, so that the tree's own files are the ones that run."""
    what = f".[{extra}]" if extra else "."
    say("installing taptone and its libraries into .venv (some minutes, the first time only)")
    command = [str(PYTHON), "-m", "pip", "install", "--disable-pip-version-check", "--editable", what]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    log = VENV / "install.log"
    log.write_text(run.stdout + run.stderr)
    if run.returncode != 0:
        sys.exit(
            f"pip install --editable {what} failed ({last_complaint(run.stderr)}): check network and free "
            f"space, then run this again; pip's own words are in {log.relative_to(ROOT)}"
        )
    stamp(extra).write_text(fingerprint())


# -- words ---------------------------------------------------------------------------------------------


def last_complaint(text: str) -> str:
    """Return the last error that pip or apt names, or the last line."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    errors = [line for line in lines if line.startswith(("ERROR: ", "E: "))]
    return (errors or lines or ["no reason given"])[-1]


def say(text: str) -> None:
    """Tell what is being done, before it is."""
    print(f"== {text}", flush=True)
