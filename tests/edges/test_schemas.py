"""The schemas, by the library jsonschema: what this program takes validates, what is damaged does not."""

from __future__ import annotations

import copy
import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from taptone.edges.logmodel import log_model, log_schema
from taptone.edges.schemas import SCHEMAS, schema_text
from taptone.errors import PanelError
from taptone.survey.panel import parse_panel
from taptone.survey.schema import panel_schema

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "recordings" / "demo"
PANEL, LOG = Draft202012Validator(panel_schema()), Draft202012Validator(log_schema())
HEAD = 'name = "deck"\nside = "port"\nface = "outside"\nconstruction = "solid"\ndatum = "stem"\n'
SQUARE = "outline = [[0, 0], [1, 0], [1, 1]]\n"
GRID = '[grid]\nspacing = 0.1\npath = "rows"\n'


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A real log: the demo's daggerboard against its reference, struck again, with a setting changed."""
    from taptone.cli import main

    out = tmp_path_factory.mktemp("log")
    words = ["analyse", DEMO / "daggerboard.flac", "--panel", DEMO / "daggerboard.toml", "--out", out]
    words += ["--baseline", ROOT / "models" / "lantern-daggerboard.json", "--set", "judge.confidence=0.9"]
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    assert stop.value.code == 0
    return json.loads((out / "log.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SCHEMAS)
def test_files_in_docs_are_up_to_date(name):
    kept = (ROOT / "docs" / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8")
    assert kept == schema_text(name), "run scripts/make_schemas.py"
    Draft202012Validator.check_schema(json.loads(kept))


@pytest.mark.parametrize("name", SCHEMAS)
def test_the_command_prints_them(run_taptone, name):
    run = run_taptone("schema", name)
    assert (run.returncode, run.stderr) == (0, "")
    assert run.stdout == schema_text(name)


def test_another_name_is_one_line_with_the_right_ones(run_taptone):
    run = run_taptone("schema", "boat")
    assert run.returncode == 2
    assert "'panel', 'log'" in run.stderr
    assert "Traceback" not in run.stderr


# -- panels ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.toml")), ids=lambda path: path.stem)
def test_demo_panels_validate(path):
    PANEL.validate(tomllib.loads(path.read_text(encoding="utf-8")))


LISTED = '[[station]]\nlabel = "A1"\nx = 0.5\ny = 0.2\n'
FRAME = '[[structure]]\nkind = "frame"\n'
FT = 'units = "ft-in"\n'


@pytest.mark.parametrize(
    "text",
    [
        HEAD + SQUARE + GRID,
        HEAD + SQUARE + LISTED,
        HEAD + SQUARE + "taps_per_station = 3\n" + LISTED + 'role = "reference"\n',
        FT + HEAD + SQUARE.replace("1", "9") + '[grid]\nspacing = "1\' 2 1/2\\""\npath = "rows"\n',
        FT + HEAD + SQUARE.replace("1", "9") + '[grid]\nspacing = 6\npath = "rows"\n',
        HEAD + SQUARE + GRID + FRAME + "line = [[0, 0], [1, 1]]\nwidth = 0.06\n",
        HEAD + SQUARE + GRID + FRAME + "outline = [[0, 0], [1, 0], [1, 1]]\n",
        HEAD + SQUARE + GRID + '[laminate]\nskin_mm = 3\ncore = "none"\n',
        HEAD + SQUARE + GRID + '[laminate]\nskin_mm = 3.5\ncore = "foam"\ncore_mm = 20\n',
        HEAD + SQUARE + GRID + "[conditions]\nfrozen_within_72h = false\ndays_ashore = 6\n",
    ],
)
def test_what_the_program_takes_validates(text):
    parse_panel(text, source="deck.toml")
    PANEL.validate(tomllib.loads(text))


@pytest.mark.parametrize(
    "text",
    [
        HEAD.replace("port", "left") + SQUARE + GRID,
        HEAD.replace("datum", "datun") + SQUARE + GRID,
        HEAD.replace('"deck"', "3") + SQUARE + GRID,
        HEAD + SQUARE,
        HEAD + SQUARE + GRID + LISTED,
        HEAD + "taps_per_station = 3\n" + SQUARE + GRID,
        HEAD + "outline = [[0, 0], [1, 0]]\n" + GRID,
        HEAD + "outline = [[0, 0], [1], [1, 1]]\n" + GRID,
        HEAD + "outline = [[0, 0], [1000, 0], [1000, 1000]]\n" + GRID,
        HEAD + 'outline = [[0, 0], ["3 ft", 0], [1, 1]]\n' + GRID,
        FT + HEAD + 'outline = [[0, 0], ["three", 0], [1, 1]]\n' + GRID,
        FT + HEAD + SQUARE + GRID.replace("0.1", "7"),
        HEAD + SQUARE + GRID.replace("0.1", "0"),
        HEAD + SQUARE + GRID.replace("rows", "spiral"),
        HEAD + SQUARE + GRID + FRAME + "line = [[0, 0], [1, 1]]\n",
        HEAD + SQUARE + GRID + FRAME,
        HEAD + SQUARE + GRID + FRAME + "outline = [[0, 0], [1, 0], [1, 1]]\nwidth = 0.06\n",
        HEAD + SQUARE + GRID + '[laminate]\nskin_mm = 3\ncore = "none"\ncore_mm = 20\n',
        HEAD + SQUARE + GRID + '[laminate]\nskin_mm = 3\ncore = "foam"\n',
        HEAD + SQUARE + GRID + '[conditions]\nfrozen_within_72h = "no"\n',
        "surface_temp_c = 200\n" + HEAD + SQUARE + GRID,
    ],
)
def test_what_the_program_refuses_does_not(text):
    with pytest.raises(PanelError):
        parse_panel(text, source="deck.toml")
    assert not PANEL.is_valid(tomllib.loads(text))


# -- logs ------------------------------------------------------------------------------------------------


def test_a_real_log_validates(log):
    LOG.validate(log)
    log_model().model_validate(log)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("points",), ...),
        (("points", 0, "verdict"), "sound"),
        (("points", 0, "verdict"), ...),
        (("points", 0, "confidence"), 1.5),
        (("points", 0, "taps"), -1),
        (("points", 0, "x_m"), "0.1"),
        (("points", 0, "extra"), 1),
        (("taps", 3, "sample"), 1.5),
        (("taps", 3, "used"), 1),
        (("taps", 3, "decay_ms"), ...),
        (("recordings", 0, "sha256"), "ab"),
        (("panel", "stations", 0, "label"), 3),
        (("panel", "outline", 0), [1]),
        (("areas",), None),
        (("settings", "judge.confidence"), "high"),
        (("versions",), []),
        (("note",), "added"),
    ],
)
def test_a_damaged_log_does_not(log, path, value):
    body = copy.deepcopy(log)
    place = body
    for step in path[:-1]:
        place = place[step]
    if value is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    assert not LOG.is_valid(body)
    with pytest.raises(ValueError, match="validation error"):
        log_model().model_validate(body)


def test_taps_without_a_panel_validate(log):
    LOG.validate(log | {"panel": None, "areas": []})
