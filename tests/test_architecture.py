"""Who may import whom. The folder tree is the architecture; this holds it in place."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "src" / "clackcount"
OURS = "clackcount"

BASE = ["errors", "middle", "units", "settings", "document", "model"]  # each may import those before it
PURE = ["hearing", "beats", "running", "hydraulics", "diagnosis", "simulate"]
ROOMS = {"recording", "pipeline", "logbook", "report", "figures", "cli", *PURE}
EVERYTHING = {*BASE, *ROOMS, "__init__"}

# room -> rooms of ours it may import, beside itself
MAY_IMPORT = {
    **{name: set(BASE[:place]) for place, name in enumerate(BASE)},
    **{name: set(BASE) for name in PURE},
    "recording": set(BASE),
    "pipeline": {*BASE, *PURE, "__init__"},  # __init__ holds the version, which a result carries
    "logbook": set(BASE),
    "report": set(BASE),
    "figures": {"report"},  # the public names of report.figures and nothing more
    "cli": EVERYTHING,
    "__init__": EVERYTHING - {"cli"},
    "__main__": {"cli"},
}
# Names that appear in annotations only (under TYPE_CHECKING), so that no code depends on code against the stream.
MAY_NAME_IN_TYPES = {"document": {"model"}, "pipeline": {"recording"}}

NUMERIC = {"numpy", "scipy", "librosa", "uncertainties", "fluids", "pint"}
THIRD_PARTY = {
    **dict.fromkeys(PURE, NUMERIC),
    "hydraulics": {*NUMERIC, "pydantic"},  # the site file: text in, checked fields out
    **{room: {"numpy", "pint", "uncertainties"} for room in BASE},
    "recording": {"numpy", "scipy", "soundfile", "av", "sounddevice"},
    "pipeline": {"numpy"},
    "logbook": {"numpy", "scipy", "sqlalchemy"},
    "report": {"numpy", "pydantic", "jinja2", "matplotlib", "markupsafe"},
    "figures": set(),
    "__init__": {"threadpoolctl"},
    "__main__": set(),
}

# What a room without I/O may take from the standard library: nothing with a clock, a file, a process or a printer.
PURE_STANDARD = {
    "__future__", "abc", "bisect", "cmath", "collections", "contextlib", "copy", "dataclasses", "difflib", "enum",
    "fractions", "functools", "heapq", "itertools", "math", "numbers", "operator", "re", "statistics", "string",
    "textwrap", "tomllib", "types", "typing", "warnings",
}  # fmt: skip
THREADS = {"queue", "threading"}  # the pipeline hears ahead
REPORT_STANDARD = PURE_STANDARD | {"base64", "csv", "html", "io", "json", "pathlib", "datetime", "importlib"}
REPORT_WRITERS = {"report/write.py"}

# Compiling these costs seconds and some 170 to 240 MB; what we need of them is written with numpy.
TOO_HEAVY = {"librosa.onset", "librosa.beat", "librosa.feature", "librosa.filters"}
# These load scipy.stats: 50 MB and a third of a second. What listening needs of them is a few lines each.
TOO_HEAVY_TO_LISTEN = {"scipy.signal", "scipy.stats"}
LISTENING = {"hearing", "beats", "running", "diagnosis", "recording", "pipeline"}

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "src", "tests", "sample_audio", "docs"}


@dataclass(frozen=True)
class Import:
    """One imported module, by its full dotted name; types_only under ``if TYPE_CHECKING``."""

    module: str
    types_only: bool


@cache
def imports_of(source: str) -> list[Import]:
    """Every import in the source, at any depth, "from a import b" as both "a" and "a.b"."""
    tree = ast.parse(source)
    guarded = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
        for statement in node.body
        for inner in ast.walk(statement)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "absolute imports inside the package"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            names += [] if node.module == OURS else [node.module or ""]  # "from clackcount import x" is about x
        else:
            continue
        found += [Import(name, id(node) in guarded) for name in names]
    return found


def room_of(path: Path) -> str:
    """errors.py -> errors, hearing/bands.py -> hearing."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def our_rooms(module: str) -> set[str]:
    """The room that a dotted name of ours leads to; "clackcount" alone is __init__."""
    parts = module.split(".")
    if parts[0] != OURS:
        return set()
    if len(parts) == 1:
        return {"__init__"}
    return {parts[1]} if parts[1] in EVERYTHING else {"__init__"}


def strangers_in(source: str, room: str) -> list[str]:
    """The imports that a room may not have."""
    bad = []
    for imported in imports_of(source):
        allowed = MAY_IMPORT[room] | {room} | (MAY_NAME_IN_TYPES.get(room, set()) if imported.types_only else set())
        if not our_rooms(imported.module) <= allowed:
            bad.append(imported.module)
        top = imported.module.split(".")[0]
        if top == OURS or room == "cli" or top in sys.stdlib_module_names:
            continue
        if top not in THIRD_PARTY[room]:
            bad.append(imported.module)
    return bad


MODULES = sorted(PACKAGE.rglob("*.py"))
each_module = pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))


def test_there_are_modules_to_look_at():
    assert len(MODULES) > 20
    assert {room_of(path) for path in MODULES} <= {*EVERYTHING, "__main__"}


@each_module
def test_each_room_imports_only_what_lies_before_it(path):
    assert strangers_in(path.read_text(encoding="utf-8"), room_of(path)) == []


@pytest.mark.parametrize(("room", "source"), [
    ("beats", "from clackcount.hearing import bands"),
    ("beats", "from clackcount import hearing"),
    ("hearing", "import soundfile"),
    ("hearing", "def late():\n    import clackcount.recording"),
    ("model", "from clackcount.cli import main"),
    ("settings", "from clackcount.model import Listening"),
    ("document", "from clackcount.model import Listening"),
    ("report", "from clackcount.beats import slams"),
    ("recording", "import click"),
    ("pipeline", "from clackcount.report import view"),
])  # fmt: skip
def test_a_forbidden_import_is_seen(room, source):
    assert strangers_in(source, room) != []


@pytest.mark.parametrize(("room", "source"), [
    ("beats", "from clackcount import model\nimport numpy as np"),
    ("document", "if TYPE_CHECKING:\n    from clackcount.model import Listening"),
    ("pipeline", "from clackcount import __version__, beats, hearing"),
    ("cli", "import click, rich\nfrom clackcount.logbook import store"),
])  # fmt: skip
def test_an_allowed_import_passes(room, source):
    assert strangers_in(source, room) == []


def standard_library_of(path: Path) -> set[str]:
    return {
        imported.module.split(".")[0]
        for imported in imports_of(path.read_text(encoding="utf-8"))
        if imported.module.split(".")[0] in sys.stdlib_module_names
    }


@each_module
def test_rooms_without_io_have_no_clock_file_or_printer(path):
    room, place = room_of(path), path.relative_to(PACKAGE).as_posix()
    if room in PURE or room in BASE or room == "pipeline":
        allowed = PURE_STANDARD | (THREADS if room == "pipeline" else set())
    elif room == "report" and place not in REPORT_WRITERS:
        allowed = REPORT_STANDARD
    else:
        return
    assert standard_library_of(path) - allowed == set()
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    named = {node.func.id for node in calls if isinstance(node.func, ast.Name)}
    assert named & {"open", "print", "input", "exec", "eval"} == set()


@each_module
def test_nothing_uses_the_costly_parts_of_libraries(path):
    source = path.read_text(encoding="utf-8")
    too_heavy = TOO_HEAVY | (TOO_HEAVY_TO_LISTEN if room_of(path) in LISTENING else set())
    used = {imported.module for imported in imports_of(source)}
    used |= {ast.unparse(node) for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Attribute)}
    assert {
        name for name in used if any(name == heavy or name.startswith(f"{heavy}.") for heavy in too_heavy)
    } == set()


def test_nothing_imports_the_command_line():
    importers = {
        path.relative_to(PACKAGE).as_posix()
        for path in MODULES
        for imported in imports_of(path.read_text(encoding="utf-8"))
        if room_of(path) != "cli" and "cli" in our_rooms(imported.module)
    }
    assert importers == {"__main__.py"}


DISTRIBUTION = {"PyAV": "av"}


def declared() -> set[str]:
    """Names of the declared dependencies, as they are imported."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["microphone"]]
    names = {re.match(r"[\w-]+", line)[0] for line in wanted}
    return {DISTRIBUTION.get(name, name).lower() for name in names}


@each_module
def test_every_library_is_declared(path):
    tops = {imported.module.split(".")[0] for imported in imports_of(path.read_text(encoding="utf-8"))}
    assert {top for top in tops if top != OURS and top not in sys.stdlib_module_names} - declared() == set()


def test_every_dependency_has_its_reason_in_developers_md():
    reasons = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").lower()
    assert {name for name in declared() if f"| {name} " not in reasons and f", {name} " not in reasons} == set()


def test_top_level_holds_what_the_plan_says_and_nothing_else():
    ignored = {line.strip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split()}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - ignored
    assert found == TOP_LEVEL
