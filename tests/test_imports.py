"""Who may import whom, and what the pure rooms must not touch. Read with `ast`: nothing has to be imported for it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PURE = {"motor", "blades", "watch", "alarms"}
OPEN_TO_ALL = {"errors", "monitor"}
"""The error tree, and the package itself (its version)."""
# Beside itself and what is open to all, each room may import:
MAY = {
    "errors": set(), "faults": set(), "settings": {"faults", "watch"},
    "motor": set(), "blades": {"motor"}, "watch": {"motor"}, "alarms": {"watch"},
    "records": {*PURE, "faults", "settings"},
    "links": {*PURE, "faults", "settings"},
    "review": {*PURE, "records", "faults", "settings"},
    "web": {*PURE, "records", "review", "faults", "settings"},
    "service": {*PURE, "records", "links", "review", "web", "faults", "settings"},
    "cli": {*PURE, "records", "links", "review", "web", "service", "faults", "settings", "cli_accounts"},
    "cli_accounts": {"records", "service", "settings"},
    "monitor": set(), "simulated": set(),
}  # fmt: skip
THE_TRIAL = "monitor/service/trial.py"
"""The one place that may import the simulated farm: the command `try`."""
HARMLESS = {
    "__future__", "abc", "bisect", "collections", "dataclasses", "datetime", "difflib", "enum", "fractions",
    "functools", "heapq", "itertools", "math", "operator", "re", "statistics", "string", "textwrap", "types", "typing",
    "unicodedata", "zlib", "zoneinfo", "numpy", "numba",
}  # fmt: skip
"""What the pure rooms may import from outside: no clock, no I/O, no logging, no pandas."""
FORBIDDEN_CALLS = {"open", "print", "input", "__import__", "eval", "exec"}
CLOCKS = {("datetime", "now"), ("datetime", "utcnow"), ("datetime", "today"), ("date", "today")}
FILES = {"fromfile", "tofile", "loadtxt", "savetxt", "genfromtxt", "memmap", "load", "save", "savez"}  # of numpy
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "deploy", "tests", "simulated"}


def room_of(path: str) -> str:
    """monitor/watch/kernel.py -> watch; monitor/cli.py -> cli; simulated/farm.py -> simulated."""
    parts = path.removesuffix(".py").split("/")
    return "simulated" if parts[0] == "simulated" else "monitor" if parts[1] == "__init__" else parts[1]


def imported(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Line and full name of everything imported, wherever it stands in the file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            yield from (
                (node.lineno, f"{module}.{alias.name}" if module == "monitor" else module) for alias in node.names
            )


def broken_rules(path: str, source: str) -> list[str]:
    """Every rule that a file breaks, with its line."""
    tree, room, found = ast.parse(source), room_of(path), []
    for line, name in imported(tree):
        top, *rest = name.split(".")
        if top == "":
            found.append(f"{path}:{line}: import by full name, not {name}")
        elif top == "monitor":
            other = rest[0] if rest and rest[0] in MAY else "monitor"
            if room == "simulated" or other not in {room, *OPEN_TO_ALL, *MAY[room]}:
                found.append(f"{path}:{line}: {room} must not import {name}")
        elif top == "simulated" and room != "simulated" and path != THE_TRIAL:
            found.append(f"{path}:{line}: only `try` may import {name}")
        elif room in PURE and top not in HARMLESS:
            found.append(f"{path}:{line}: a pure room must not import {name}")
    for node in ast.walk(tree) if room in PURE else ():
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            found.append(f"{path}:{node.lineno}: a pure room must not call {node.func.id}")
        if isinstance(node, ast.Attribute):
            of = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
            if (of, node.attr) in CLOCKS or (of in ("np", "numpy") and node.attr in FILES):
                found.append(f"{path}:{node.lineno}: a pure room must not use {of}.{node.attr}")
    return found


def files() -> list[Path]:
    return sorted(path for part in ("monitor", "simulated") for path in (ROOT / part).rglob("*.py"))


@pytest.mark.parametrize("path", files(), ids=lambda path: str(path.relative_to(ROOT)))
def test_the_rules_are_kept(path: Path) -> None:
    assert broken_rules(path.relative_to(ROOT).as_posix(), path.read_text()) == []


def test_every_room_has_its_rules() -> None:
    assert {room_of(path.relative_to(ROOT).as_posix()) for path in files()} <= set(MAY)
    assert len(files()) > 50


def test_the_checkout_holds_nothing_else() -> None:
    ours = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    left_by_tools = {
        name for name in ours if name.endswith(".egg-info") or name in ("build", "dist", "amp-monitor-data")
    }
    assert ours - left_by_tools <= TOP_LEVEL


BROKEN = [
    # file, source, part of what is to be found
    ("monitor/motor/x.py", "import pandas", "must not import pandas"),
    (
        "monitor/motor/x.py",
        "import numpy as np\nfrom pathlib import Path",
        "x.py:2: a pure room must not import pathlib",
    ),
    ("monitor/blades/x.py", "import time", "must not import time"),
    ("monitor/blades/x.py", "import logging", "must not import logging"),
    ("monitor/blades/x.py", "import os.path", "must not import os.path"),
    ("monitor/watch/x.py", "def f():\n    import socket", "must not import socket"),
    ("monitor/watch/x.py", "from subprocess import run", "must not import subprocess"),
    ("monitor/watch/x.py", "import importlib", "must not import importlib"),
    ("monitor/alarms/x.py", "from datetime import datetime\nnow = datetime.now()", "must not use datetime.now"),
    ("monitor/alarms/x.py", "import datetime as dt\nnow = dt.datetime.utcnow()", "must not use datetime.utcnow"),
    ("monitor/alarms/x.py", "from datetime import date\ndef f(day=date.today): ...", "must not use date.today"),
    ("monitor/alarms/x.py", "from time import perf_counter", "must not import time"),
    ("monitor/watch/x.py", "text = open('x').read()", "must not call open"),
    ("monitor/watch/x.py", "print('x')", "must not call print"),
    ("monitor/watch/x.py", "import numpy as np\nnp.loadtxt('x')", "must not use np.loadtxt"),
    ("monitor/motor/x.py", "from monitor.watch.table import CONDITIONS", "motor must not import"),
    ("monitor/watch/x.py", "from monitor.alarms import states", "watch must not import"),
    ("monitor/watch/x.py", "from monitor.blades.air import density", "watch must not import"),
    ("monitor/blades/x.py", "import monitor.records.tables", "blades must not import"),
    ("monitor/alarms/x.py", "from monitor.motor.nameplate import Motor", "alarms must not import"),
    ("monitor/alarms/x.py", "from monitor import settings", "alarms must not import"),
    ("monitor/alarms/x.py", "from monitor.faults import faults_of", "alarms must not import"),
    ("monitor/links/x.py", "from monitor.records.database import Database", "links must not import"),
    ("monitor/records/x.py", "from monitor.links.mqtt import Broker", "records must not import"),
    ("monitor/records/x.py", "from monitor import web", "records must not import monitor.web"),
    ("monitor/links/x.py", "from monitor.web.app import create_app", "links must not import"),
    ("monitor/links/x.py", "import monitor.review.page", "links must not import"),
    ("monitor/records/x.py", "from monitor.review import page", "records must not import"),
    ("monitor/review/x.py", "from monitor.links import mqtt", "review must not import"),
    ("monitor/web/x.py", "if TYPE_CHECKING:\n    from monitor.links.mqtt import Broker", "web must not import"),
    ("monitor/web/x.py", "from monitor.service.worker import Worker", "web must not import"),
    ("monitor/service/x.py", "from monitor.cli import main", "service must not import"),
    ("monitor/settings.py", "from monitor.records import tables", "settings must not import"),
    ("monitor/errors.py", "from monitor.settings import Settings", "errors must not import"),
    ("monitor/__init__.py", "from monitor.cli import main", "monitor must not import"),
    ("monitor/service/worker.py", "from simulated.farm import Farm", "only `try` may import"),
    ("monitor/cli.py", "import simulated", "only `try` may import"),
    ("simulated/x.py", "from monitor.motor.limit import derate", "simulated must not import"),
    ("simulated/x.py", "from monitor.errors import ConfigError", "simulated must not import"),
    ("monitor/watch/x.py", "from .table import CONDITIONS", "import by full name"),
]


@pytest.mark.parametrize(("path", "source", "found"), BROKEN)
def test_a_broken_rule_is_found(path: str, source: str, found: str) -> None:
    (told,) = broken_rules(path, source)
    assert found in told


@pytest.mark.parametrize(("path", "source"), [
    ("monitor/watch/x.py", ("from __future__ import annotations\nimport math\nimport numpy as np\n"
                           "from numba import njit\nfrom monitor import __version__\nfrom monitor.errors import Fault\n"
                           "from monitor.motor.limit import derate\nfrom monitor.watch import layout")),
    ("monitor/alarms/x.py", ("from datetime import UTC, datetime\nfrom zoneinfo import ZoneInfo\n"
                            "from monitor.watch.table import CONDITIONS\ndef f(story): return story.now")),
    ("monitor/web/x.py", "import time\nfrom monitor.records import look\nfrom monitor.blades.parts import Parts"),
    ("monitor/service/trial.py", "from simulated.farm import Farm"),
    ("monitor/service/x.py", "from monitor.links import mqtt\nfrom monitor.records import database"),
    ("simulated/x.py", "import paho.mqtt\nfrom simulated.fan import Fan"),
])  # fmt: skip
def test_what_is_allowed_is_left_alone(path: str, source: str) -> None:
    assert broken_rules(path, source) == []
