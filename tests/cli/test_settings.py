"""`taptone settings`: what it lists is what `--set` takes."""

from __future__ import annotations

import json

import pytest

from taptone.errors import SettingError
from taptone.settings import Settings, flat, with_values


def test_every_setting_with_default_unit_limits_and_help(run_taptone):
    run = run_taptone("settings", "--json")
    assert run.returncode == 0
    rows = json.loads(run.stdout)
    assert all(list(row) == ["setting", "default", "unit", "low", "high", "help"] for row in rows)
    assert rows.pop()["setting"] == "show.units"
    assert {row["setting"]: row["default"] for row in rows} == flat(Settings())
    for row in rows:
        assert row["low"] <= row["default"] <= row["high"]
        assert row["help"]
        with_values({row["setting"]: str(row["high"])})
        with pytest.raises(SettingError, match=row["setting"]):
            with_values({row["setting"]: str(row["high"] + 1)})


def test_a_person_sees_the_same(run_taptone):
    run = run_taptone("settings")
    assert run.returncode == 0
    lines = run.stdout.splitlines()
    assert len(lines) == 2 + len(flat(Settings())) + 1  # show.units
    [line] = [line for line in lines if line.startswith(" detect.bounce_to_ms ")]
    cells = [cell.strip() for cell in line.split("│")]
    assert cells[1:5] == ["120", "ms", "20", "240"]
    assert cells[5].startswith("a contact at most this long after another")
