"""The rules of the house, read from the sources themselves.

Rooms and their order are those of DEVELOPERS.md. What a rule forbids is fed to the same
functions as made-up sources, so that a rule that catches nothing would show.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

from spiflash.report.plain import KEYS, field_and_key

ROOT = Path(__file__).resolve().parents[2]

RANK = {"bus": 0, "nor": 1, "plan": 2, "dump": 2, "archive": 2, "jobs": 3, "report": 4, "cli": 5}
"""A module imports from its own room or from rooms of a lower rank."""

OPEN_TO_ALL = {
    "spiflash",
    "spiflash.errors",
    "spiflash.files",
    "spiflash.spans",
    "spiflash.text",
    "spiflash.toml_text",
}
"""The version, errors, files, byte ranges, texts for people, and the TOML that they write."""

PLAN_MAY_IMPORT = {"spiflash.nor.geometry"}

PURE = re.compile(
    r"spiflash\.(spans|toml_text|(plan|dump)(\..*)?)|spiflash\.bus\.mpsse(\..*)?|spiflash\.nor\.(commands|sfdp(\..*)?)"
)
INPUT_OUTPUT = {
    *("os", "pathlib", "shutil", "tempfile", "glob", "mmap", "fcntl"),
    *("socket", "subprocess", "urllib", "http", "asyncio", "threading"),
    *("time", "random", "usb", "pyftdi", "serial", "libusb_package", "click", "tqdm"),
}

TOP_LEVEL = {
    *(".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "pyproject.toml"),
    *("chipdb", "hwmocks", "spiflash", "tests"),
}

UNFINISHED = re.compile("|".join(("TO" + "DO", "FIX" + "ME", "X" * 3, "raise NotImpl" + "emented")))


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources() -> Iterator[tuple[str, str, bool]]:
    """(module, source, whether it is a package's __init__) of all three packages."""
    for package in ("spiflash", "chipdb", "hwmocks"):
        for path in sorted((ROOT / package).rglob("*.py")):
            yield module_name(path), path.read_text("utf-8"), path.name == "__init__.py"


def imports(module: str, source: str, is_package: bool = False) -> set[str]:
    """Every module that `source` imports, at whatever depth, as absolute names.

    `from a.b import c` counts as a.b.c where that is a module of ours, as a.b otherwise.
    """
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = module.split(".")
                up = node.level - 1 if is_package else node.level
                base = ".".join([*parents[: len(parents) - up], *filter(None, [base])])
            names = {f"{base}.{alias.name}" for alias in node.names}
            found |= {name if _is_module(name) else base for name in names}
        elif isinstance(node, ast.Call) and _is_import_call(node) and node.args:
            found |= _text(node.args[0])
    return found


def _is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def _is_import_call(node: ast.Call) -> bool:
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    return name in ("import_module", "__import__")


def _text(node: ast.expr) -> set[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    return set()


def room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if parts[0] == "spiflash" and len(parts) > 1 else ""


def violations(module: str, source: str, is_package: bool = False) -> list[str]:
    """What `module` imports although it must not, in words."""
    return [
        f"{module} imports {target}: {reason}"
        for target in sorted(imports(module, source, is_package))
        if (reason := complaint(module, target))
    ]


def complaint(module: str, target: str) -> str:
    """Why `module` must not import `target`; empty where it may."""
    package = target.split(".")[0]
    if package == "tests":
        return "tests are not for use"
    if PURE.fullmatch(module) and package in INPUT_OUTPUT:
        return f"{module} is pure"
    if module.startswith("hwmocks"):
        return "the mocks are a second opinion" if package in ("spiflash", "chipdb") else ""
    if target in OPEN_TO_ALL or package not in ("spiflash", "chipdb", "hwmocks"):
        return ""
    if package == "hwmocks":
        return "" if module == "spiflash.bus.locate" else "only bus/locate.py opens a bench"
    if module.startswith("chipdb"):
        return "" if package == "chipdb" else "the chip table stands alone"
    if package == "chipdb":
        return "" if room(module) == "nor" else "the chip table is nor's"
    return _between_rooms(module, target)


def _between_rooms(module: str, target: str) -> str:
    here, there = room(module), room(target)
    if here not in RANK:
        if module == "spiflash":
            return "" if there in RANK and there != "cli" else "the public interface is of jobs"
        return "" if module == "spiflash.__main__" and there == "cli" else "no room imports it"
    if there not in RANK:
        return f"{target} belongs to no room"
    if here == there:
        return ""
    if RANK[there] >= RANK[here]:
        return "imports run downward"
    if here in ("report", "dump") and there == "bus":
        return f"{here} never touches a bus"
    if here == "plan" and target not in PLAN_MAY_IMPORT:
        return "plan knows geometry alone"
    return ""


def test_imports_follow_the_rules() -> None:
    modules = list(sources())
    assert {"spiflash.nor.flash", "spiflash.bus.mpsse", "hwmocks.nor.chip"} <= {
        name for name, _, _ in modules
    }
    assert [line for module in modules for line in violations(*module)] == []


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("hwmocks.nor.chip", "from spiflash.nor import commands"),
        ("hwmocks.ftdi", "import chipdb.part"),
        ("hwmocks.ftdi", "import spiflash"),
        ("chipdb.table", "from spiflash.nor.geometry import Geometry"),
        ("chipdb.table", "import hwmocks"),
        ("spiflash.bus.ftdi", "from spiflash.nor.commands import read"),
        ("spiflash.bus.ftdi", "def f():\n    import hwmocks.bench"),
        ("spiflash.bus.mpsse", "import time"),
        ("spiflash.bus.mpsse", "from pyftdi.ftdi import Ftdi"),
        ("spiflash.nor.sfdp", "from pathlib import Path"),
        ("spiflash.nor.flash", "from spiflash.plan import make_plan"),
        ("spiflash.nor.flash", "from ..jobs.backup import backup"),
        ("spiflash.plan", "from spiflash.nor.flash import NorFlash"),
        ("spiflash.plan", "from spiflash.nor import NorFlash"),
        ("spiflash.plan", "from spiflash.bus import Transaction"),
        ("spiflash.plan", "from spiflash.dump import finding"),
        ("spiflash.plan", "from spiflash import cli"),
        ("spiflash.dump.audit", "if True:\n    from spiflash import bus as transaction"),
        ("spiflash.dump.audit", "import random"),
        ("spiflash.report.text", "import spiflash.bus.ftdi"),
        ("spiflash.report.text", "from spiflash.cli.screen import show"),
        ("spiflash.jobs.backup", "from spiflash.report.pages import set_page"),
        ("spiflash.text", "from spiflash.nor.geometry import SECTOR"),
        ("spiflash.archive.shelf", "from chipdb.part import Part"),
        ("spiflash.jobs.backup", "from spiflash.cli.main import main"),
        ("spiflash.jobs.backup", "import importlib\nimportlib.import_module('hwmocks')"),
        ("spiflash.cli.main", "from chipdb import table"),
        ("spiflash.cli.main", "from tests.references import qemu"),
        ("spiflash.errors", "from spiflash.nor.geometry import SECTOR"),
    ],
)
def test_each_rule_catches_what_it_forbids(module: str, source: str) -> None:
    assert violations(module, source) != []


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("spiflash.bus.locate", "def f():\n    from hwmocks.bench import Bench"),
        ("spiflash.nor.identify", "from chipdb.table import ChipTable"),
        ("spiflash.nor.flash", "from spiflash.bus import Bus"),
        ("spiflash.plan", "from spiflash.nor.geometry import Geometry"),
        ("spiflash.plan", "from spiflash.nor import geometry"),
        ("spiflash.plan", "from . import optimum"),
        ("spiflash.cli.main", "from spiflash.bus.locate import locate\nimport click, time"),
        ("spiflash.report.text", "from spiflash import __version__, errors"),
        ("spiflash.report.text", "from spiflash.jobs.backup import Backup"),
        ("spiflash.dump.audit", "from spiflash.text import readable"),
        ("chipdb.table", "from spiflash.errors import ChipTableError"),
        ("hwmocks.nor.chip", "import numpy, random"),
    ],
)
def test_what_is_allowed_passes(module: str, source: str) -> None:
    assert violations(module, source) == []


LONGEST = 450
"""Lines of a file; one that grows beyond has two subjects."""

MOST_FILES = 160
MOST_WITH_ONE_IMPORTER = 24
"""Python files of spiflash/, and those of them that exactly one other file imports.

They were 278 and 95 when these limits were made: a small file
that only one other opens is a page that its reader has to turn for nothing.
"""


def too_long(modules: list[tuple[str, str, bool]]) -> set[str]:
    return {name for name, source, _ in modules if len(source.splitlines()) > LONGEST}


def with_one_importer(modules: list[tuple[str, str, bool]]) -> set[str]:
    """The modules that exactly one other of these imports."""
    importers: dict[str, set[str]] = {name: set() for name, _, _ in modules}
    for module in modules:
        for target in imports(*module) & importers.keys():
            importers[target].add(module[0])
    return {name for name, found in importers.items() if len(found - {name}) == 1}


def program() -> list[tuple[str, str, bool]]:
    return [module for module in sources() if module[0].partition(".")[0] == "spiflash"]


def test_no_file_is_too_long() -> None:
    assert too_long(list(sources())) == set()
    assert too_long([("a", "\n" * 450, False), ("b", "\n" * 451, False)]) == {"b"}


def test_the_house_has_no_more_files_than_it_needs() -> None:
    modules = program()
    assert len(modules) <= MOST_FILES
    single = with_one_importer(modules)
    assert len(single) <= MOST_WITH_ONE_IMPORTER, sorted(single)


def test_a_file_with_one_importer_is_seen() -> None:
    made_up = [
        ("spiflash.bus", "from spiflash.bus import link", True),
        ("spiflash.bus.link", "from spiflash.bus import trace", False),
        ("spiflash.bus.trace", "", False),
        ("spiflash.bus.ftdi", "def f():\n    from . import link", False),
    ]
    assert with_one_importer(made_up) == {"spiflash.bus.trace"}


def circles(modules: list[tuple[str, str, bool]]) -> set[str]:
    """The modules that import themselves by way of others, at whatever depth."""
    names = {name for name, _, _ in modules}
    ahead = {module[0]: (imports(*module) & names) - {module[0]} for module in modules}
    while True:
        ends = {name for name, targets in ahead.items() if not targets}
        if not ends:
            break
        ahead = {name: targets - ends for name, targets in ahead.items() if name not in ends}
    starts = ahead
    while unused := starts.keys() - set().union(*starts.values(), set()):
        starts = {name: targets for name, targets in starts.items() if name not in unused}
    return set(starts)


def test_nothing_is_imported_in_a_circle() -> None:
    """Nor from inside a function, which only hides the circle. The page of the program itself is
    left out: it holds the version, and what a caller from Python uses."""
    assert circles([module for module in sources() if module[0] != "spiflash"]) == set()
    made_up = [
        ("a", "import b", False),
        ("b", "def f():\n    import c", False),
        ("c", "import b, d", False),
        ("d", "", False),
    ]
    assert circles(made_up) == {"b", "c"}


def classes() -> dict[str, list[type]]:
    """Every dataclass of the program and of the chip table, by name."""
    found: dict[str, list[type]] = {}
    for module, _, _ in sources():
        if module.startswith(("spiflash.", "chipdb.")) and not module.endswith("__main__"):
            for name, each in vars(importlib.import_module(module)).items():
                if dataclasses.is_dataclass(each) and each.__module__ == module:
                    found.setdefault(name, []).append(each)
    return found


def test_the_keys_of_documents_are_fields_of_the_code() -> None:
    """`report/plain.py` names fields in texts, which no type checker reads."""
    known = classes()
    for name, entries in KEYS.items():
        assert name in known, f"{name} is gone: rename it in report/plain.py; its keys stay"
        firsts = {field_and_key(each)[0].rstrip("?").partition(".")[0] for each in entries.split()}
        missing = [
            firsts - {*dir(each), *(field.name for field in dataclasses.fields(each))}
            for each in known[name]
        ]
        assert set() in missing, f"{name}: {missing}: in report/plain.py write NEW=KEY"


def tracked() -> list[str]:
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [name for name in listed.stdout.split("\0") if name]


def strangers(names: list[str]) -> set[str]:
    return {name.split("/")[0] for name in names} - TOP_LEVEL


def test_the_top_level_holds_only_what_belongs_there() -> None:
    assert strangers(tracked()) == set()
    assert strangers(["spiflash/errors.py", "notes.txt", "docs/a.md"]) == {"notes.txt", "docs"}


def left_behind(names: list[str], globs: dict[str, list[str]]) -> list[str]:
    """Files of a package beside its sources that an installation would not have."""
    taken = {
        path.relative_to(ROOT).as_posix()
        for package, patterns in globs.items()
        for pattern in patterns
        for path in (ROOT / package).glob(pattern)
    }
    beside = [name for name in names if name.split("/")[0] in globs and not name.endswith(".py")]
    return [name for name in beside if name not in taken and "/pictures/" not in name]


def test_an_installation_has_every_file_it_needs() -> None:
    """Pictures are for the README only."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    globs = project["tool"]["setuptools"]["package-data"]
    present = [name for name in tracked() if (ROOT / name).is_file()]
    assert left_behind(present, globs) == []
    assert left_behind(["spiflash/py.typed", "spiflash/gone/x.j2"], globs) == ["spiflash/gone/x.j2"]


def test_nothing_is_left_unfinished() -> None:
    marked = [
        f"{name}:{number}"
        for name in tracked()
        if name.endswith((".py", ".sh", ".toml", ".md", ".j2")) and (ROOT / name).is_file()
        for number, line in enumerate((ROOT / name).read_text("utf-8").splitlines(), 1)
        if UNFINISHED.search(line)
    ]
    assert marked == []
    assert UNFINISHED.search("# TO" + "DO: later")


DEADLINE = re.compile(r"\bdeadline=(?!None\b)\w+")


def test_no_test_of_hypothesis_has_a_deadline() -> None:
    """How long an example takes on a busy machine says nothing (see tests/conftest.py)."""
    assert hypothesis.settings.default is not None
    assert hypothesis.settings.default.deadline is None
    tests = sorted((ROOT / "tests").rglob("test_*.py"))
    assert [path.name for path in tests if DEADLINE.search(path.read_text("utf-8"))] == []
    assert DEADLINE.search("@settings(max_examples=9, deadline=" + "200)")


@pytest.mark.parametrize(
    "command",
    [["mypy"], ["ruff", "check", "."], ["ruff", "format", "--check", "."]],
    ids=["mypy", "ruff-check", "ruff-format"],
)
def test_the_sources_pass(command: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
