"""The house rules: which room may import which, what stays light, what is public, what is written down."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
import tomllib
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

import taptone

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # numpydoc's own dependencies are not under test
    from numpydoc.validate import validate

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "taptone"

# -- imports go one way --------------------------------------------------------------------------------

BASE = {"types", "errors", "settings"}
BELOW = BASE | {"pipeline", "model", "survey", "physics", "evaluation"}

#: Room → the rooms it may import, itself always. The judge sees a protocol in `types`, not the model.
MAY_IMPORT = {
    "types": set(),
    "errors": set(),
    "settings": {"types", "errors"},
    "pipeline": BASE,
    "model": BASE | {"pipeline"},
    "survey": BASE | {"pipeline"},
    "physics": BASE,
    "evaluation": BASE,
    "edges": BELOW,
    "web": BELOW | {"edges"},
    "cli": BELOW | {"edges", "web"},
    "__main__": {"cli"},
    "__init__": BELOW | {"edges"},  # public names, loaded late
}

SOURCES = sorted(PACKAGE.rglob("*.py"))


def imported_rooms(source: str, module: str) -> set[str]:
    """Rooms that `source` imports anywhere, also inside functions; ``taptone.x`` counts as room ``x``.

    `module` is its dotted name, that of a package with ``.__init__`` at the end. A name taken from the
    package root itself, rather than from where it lives, counts as a room of that name.
    """
    rooms = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = module.split(".")[: -node.level] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        parts = [name.split(".") for name in names]
        rooms |= {p[1] for p in parts if p[0] == "taptone" and len(p) > 1}
    return rooms - {"__version__"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_one_way(path):
    inside = path.relative_to(PACKAGE).with_suffix("")
    room = inside.parts[0]
    assert room in MAY_IMPORT, f"taptone/{room} is a new room: say in MAY_IMPORT what it may import"
    module = ".".join(["taptone", *inside.parts])
    wrong = imported_rooms(path.read_text(encoding="utf-8"), module) - MAY_IMPORT[room] - {room}
    assert not wrong, f"{module} imports {sorted(wrong)}"


@pytest.mark.parametrize(
    ("source", "module", "rooms"),
    [
        ("import taptone.model.tail", "taptone.pipeline.judge", {"model"}),
        ("def f():\n    from taptone.edges import soundfiles", "taptone.pipeline.judge", {"edges"}),
        ("from ..model import tail", "taptone.pipeline.judge", {"model"}),
        ("from .decay import decay", "taptone.pipeline.__init__", {"pipeline"}),
        ("from .. import physics", "taptone.model.__init__", {"physics"}),
        ("from taptone import survey, __version__", "taptone.model.tail", {"survey"}),
        ("import numpy, taptone.types", "taptone.model.tail", {"types"}),
    ],
)
def test_no_way_of_importing_goes_unseen(source, module, rooms):
    assert imported_rooms(source, module) == rooms


# -- light to load -------------------------------------------------------------------------------------

HEAVY = {
    *("av", "librosa", "matplotlib", "numba", "numpy", "pydantic", "rich", "scipy"),
    *("shapely", "sklearn", "sounddevice", "soundfile"),
}


def loaded_by(*words: str) -> set[str]:
    """Top-level packages that a fresh Python loads for `words`, as it reports them itself."""
    run = subprocess.run([sys.executable, "-X", "importtime", *words], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return {line.rpartition("|")[2].strip().partition(".")[0] for line in run.stderr.splitlines()}


@pytest.mark.parametrize("words", [("-c", "import taptone"), ("-m", "taptone", "--help")])
def test_loads_nothing_heavy(words):
    loaded = loaded_by(*words)
    assert "taptone" in loaded
    assert not loaded & HEAVY


def test_heavy_load_would_be_seen():
    assert "numpy" in loaded_by("-c", "import taptone.types")


# -- public names --------------------------------------------------------------------------------------


def test_public_names_are_these():
    assert taptone.__all__ == ["TaptoneError", "__version__", "analyse", "open_sound", "parse_panel"]
    assert dir(taptone) == sorted(taptone.__all__)


@pytest.mark.parametrize("name", taptone.__all__)
def test_public_name_loads(name):
    assert getattr(taptone, name) is not None


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="module 'taptone' has no attribute 'analyze'"):
        taptone.analyze  # noqa: B018


def test_version_is_told_once():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert taptone.__version__ == project["version"]
    assert f"\n## {taptone.__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


# -- written down --------------------------------------------------------------------------------------

#: Checks of numpydoc's own validation: a docstring, a summary, every parameter in its order with type and
#: description, what comes back, an example. Names of frozen values carry their units, so their fields
#: need no second list.
FUNCTION_CHECKS = {
    *("GL06", "GL07", "GL08", "SS03", "SS06", "PR01", "PR02", "PR03", "PR04", "PR07"),
    *("RT01", "RT03", "YD01", "EX01"),
}
CLASS_CHECKS = {"GL06", "GL07", "GL08", "SS03", "SS06", "PR02"}

MODULES = [
    "taptone",
    *(
        name
        for _, name, _ in pkgutil.walk_packages(taptone.__path__, "taptone.")
        if not name.endswith("__main__")
    ),
]


def public_objects(module: str) -> Iterator[tuple[str, set[str]]]:
    """Dotted names of the functions and classes that `module` defines, each with the checks it must meet."""
    loaded = importlib.import_module(module)
    for name, value in vars(loaded).items():
        if name.startswith("_") or getattr(value, "__module__", "") != module:
            continue
        if inspect.isfunction(value):
            yield f"{module}.{name}", FUNCTION_CHECKS
        elif inspect.isclass(value):
            yield f"{module}.{name}", CLASS_CHECKS


@pytest.mark.parametrize("module", MODULES)
def test_public_things_are_documented(module):
    assert inspect.getdoc(importlib.import_module(module)), f"{module} has no docstring"
    faults = [
        f"{name}: {code} {text}"
        for name, checks in public_objects(module)
        for code, text in validate(name)["errors"]
        if code in checks
    ]
    assert not faults, "\n".join(faults)


# -- nothing of one machine ----------------------------------------------------------------------------

#: Package registries and their options, and folders of one machine. Written so as not to match themselves.
FORBIDDEN = re.compile(
    r"\b(pypi|pythonhosted|npmjs|debian)\.(org|com|net)\b"
    r"|--(extra-)?index-(url)|--find-(links)|--trusted-(host)"
    r"|(?<![\w.~])/(work|tmp|root|home|Users)/"
)


def text_files() -> list[Path]:
    """Return the files that git tracks, or would, as far as they are text."""
    listing = [
        "git",
        "-c",
        "safe.directory=*",
        "ls-files",
        "-z",
        "--cached",
        "--others",
        "--exclude-standard",
    ]
    names = subprocess.run(listing, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split("\0")
    files = [ROOT / name for name in names if name]
    return [path for path in files if path.is_file() and b"\0" not in path.read_bytes()[:8192]]


def test_no_file_names_a_registry_or_a_folder_of_one_machine():
    files = text_files()
    assert ROOT / "pyproject.toml" in files
    found = [
        f"{path.relative_to(ROOT)}:{number}: {match[0]}"
        for path in files
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if (match := FORBIDDEN.search(line))
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "text", ["https://py" + "pi.org/simple", "open('/" + "tmp/row.wav')", "/" + "work/x"]
)
def test_registry_or_folder_would_be_seen(text):
    assert FORBIDDEN.search(text)
