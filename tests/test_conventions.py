"""What holds for every file: where imports may point, who reads the clock, what is registered and written down."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from django.apps import apps
from django.core.checks import run_checks

from jobs import append_only
from jobs.models import Change, Entry, Fact
from jobs.models.envelope import EntryRoom, FactPart
from scheduling.core.holds import HOLDS
from scheduling.core.room_facts import HoldKind
from scheduling.models import HoldName, Release
from scheduling.models.work import ReleaseWaiver

ROOT = Path(__file__).resolve().parent.parent
APPS = ("jobs", "materials", "scheduling")
#: What each part may import of our own.
BELOW = {
    "jobs": {"jobs"},
    "materials": {"materials", "jobs"},
    "scheduling": {"scheduling", "materials", "jobs"},
}
#: The one library that a core uses, and the parts of the standard library that none may: clock, chance, the
#: machine around it, and its log.
CORE_LIBRARIES = {"icalendar"}
NOT_IN_CORE = {
    "logging",
    "os",
    "random",
    "secrets",
    "socket",
    "sqlite3",
    "subprocess",
    "threading",
    "time",
    "urllib",
}
CLOCKS = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    ("timezone", "now"),
    ("timezone", "localdate"),
    ("timezone", "localtime"),
    ("time", "time"),
    ("time", "gmtime"),
    ("time", "localtime"),
}


def sources(*folders: str) -> list[Path]:
    found = [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]
    return [path for path in found if "migrations" not in path.parts and path.stat().st_size]


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


def imports(path: Path) -> Iterator[str]:
    """Yield the full name of every module that a file imports, wherever in it."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name(path)} imports by a relative path"
            assert node.module
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("app", APPS)
def test_imports_run_one_way(app):
    wrong = [
        (name(path), module)
        for path in sources(app)
        for module in imports(path)
        if module.split(".")[0] in set(APPS) - BELOW[app]
    ]

    assert wrong == []


@pytest.mark.parametrize("app", APPS)
def test_a_core_is_plain_python_of_its_own_and_lower_cores(app):
    allowed = {f"{below}.core" for below in BELOW[app]}
    wrong = []
    for path in sources(f"{app}/core"):
        for module in imports(path):
            top = module.split(".")[0]
            of_a_core = any(f"{module}.".startswith(f"{core}.") for core in allowed)
            of_python = top in sys.stdlib_module_names and top not in NOT_IN_CORE
            if not (of_a_core or of_python or top in CORE_LIBRARIES):
                wrong.append((name(path), module))

    assert sources(f"{app}/core")
    # `from jobs.core import x` names the package itself too.
    assert [pair for pair in wrong if pair[1] not in allowed] == []


def test_only_one_file_reads_the_clock():
    found = []
    for path in sources("config", *APPS):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Attribute):
                of = node.value
                word = of.attr if isinstance(of, ast.Attribute) else of.id if isinstance(of, ast.Name) else ""
                if (word, node.attr) in CLOCKS:
                    found.append(name(path))
            if isinstance(node, ast.keyword) and node.arg in ("auto_now", "auto_now_add"):
                found.append(name(path))
            if isinstance(node, ast.ImportFrom) and node.module in ("django.utils.timezone", "time"):
                names = {alias.name for alias in node.names}
                found += [name(path)] if names & {"now", "localdate", "localtime", "time"} else []

    assert found == ["config/clock.py"]


def test_no_database_reads_it_either():
    said = re.compile(r"CURRENT_TIMESTAMP|CURRENT_DATE|\bNOW\(\)|functions import .*\bNow\b")

    assert [name(path) for path in sources("config", *APPS) if said.search(path.read_text())] == []


def test_nobody_swallows_whatever_comes():
    """Whoever catches all errors raises again, that one or another."""
    found = []
    for path in sources("config", *APPS):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ExceptHandler):
                caught = ast.unparse(node.type) if node.type else "everything"
                whole = caught in ("everything", "Exception", "BaseException")
                if whole and not any(isinstance(inner, ast.Raise) for inner in ast.walk(node)):
                    found.append((name(path), node.lineno))

    assert found == []


def test_every_file_says_in_its_first_line_what_it_knows():
    without = [name(path) for path in sources("config", *APPS, "tests") if not ast.get_docstring(tree(path))]

    # A test file may be named for what it tests and say no more.
    assert [file for file in without if not file.startswith("tests/")] == []


# ---- what is registered


def test_every_fact_and_all_that_belongs_to_it_only_grows():
    grows = set(append_only.tables())
    kinds = [kind for kind in apps.get_models() if issubclass(kind, Fact | FactPart)]

    assert len(kinds) > 20
    for kind in (*kinds, Entry, EntryRoom, Change, Release, ReleaseWaiver):
        assert kind._meta.db_table in grows, kind


@pytest.mark.django_db
def test_the_database_keeps_every_constraint_that_a_model_declares():
    # Django leaves one out without a word where a database does not know its kind, and warns only here.
    assert run_checks(databases=["default"]) == []


def test_the_holds_have_one_order_and_one_set_of_names():
    judged = [judge.__name__ for judge in HOLDS]

    assert judged == [kind.value for kind in HoldKind] == HoldName.values


# ---- what is written down


def glossary() -> str:
    text = (ROOT / "DEVELOPERS.md").read_text()
    found = re.search(r"^## Glossary$(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, "DEVELOPERS.md has no '## Glossary'"
    return found[1].lower()


def words(kind: type) -> str:
    """Return a class's name as words: `DispatchLine` is `dispatch line`."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", kind.__name__).lower()


def test_every_hold_is_in_the_glossary():
    terms = glossary()

    assert [hold for hold in HoldName.values if f"*{hold.replace('_', ' ')}*" not in terms] == []


def test_every_fact_is_in_the_glossary():
    terms = glossary()
    kinds = [kind for kind in apps.get_models() if issubclass(kind, Fact | FactPart)]

    # Lines of a fact may stand there in the plural.
    assert [words(kind) for kind in kinds if f"*{words(kind)}" not in terms] == []
