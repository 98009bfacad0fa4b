"""What tests of commands may ask for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from taptone.cli import main

Typed = Callable[..., tuple[object, str, str]]


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Typed:
    """Type a command in an empty folder: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> tuple[object, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as stop:
            main([str(word) for word in words])
        said = capsys.readouterr()
        return stop.value.code, said.out, said.err

    return run
