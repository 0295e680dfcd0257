"""The test command says what this machine lacks, and under CI takes that for a failure."""

from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests import run


@pytest.fixture
def suites(monkeypatch):
    """Stand in for the suites themselves, and keep how each was called."""
    called = []

    def suite(command, *, env, check):
        called.append((command[3:], env.get("DATABASE_URL")))
        return SimpleNamespace(returncode=0)

    monkeypatch.setattr("tests.run.subprocess.run", suite)
    monkeypatch.setattr("tests.run.signal.signal", lambda number, handler: None)
    monkeypatch.delenv("CI", raising=False)
    return called


@pytest.fixture
def bare_machine(monkeypatch):
    monkeypatch.setattr(run, "chromium", lambda: None)
    monkeypatch.setattr(run, "postgresql", lambda: None)


@pytest.mark.usefixtures("bare_machine")
@pytest.mark.parametrize(("ci", "status"), [("", 0), ("true", 1)], ids=["at-a-desk", "under-ci"])
def test_what_lacks_is_said_in_a_line_each_and_fails_only_under_ci(suites, monkeypatch, capsys, ci, status):
    monkeypatch.setenv("CI", ci)

    assert run.main(["-q"]) == status

    said = capsys.readouterr().out.splitlines()
    assert [line for line in said if "Get it: apt-get install" in line] == [
        run.NO_CHROMIUM,
        run.NO_POSTGRESQL,
    ]
    assert suites == [(["-m", "not browser", "-q"], None)]


def test_with_everything_there_both_databases_are_tested_and_the_browser_once(suites, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", "postgres://somebody/elses")
    monkeypatch.setattr(run, "chromium", lambda: "/usr/bin/chromium")
    monkeypatch.setattr(run, "postgresql", lambda: Path("/usr/lib/postgresql/15/bin"))
    monkeypatch.setattr(run, "running_postgresql", lambda programs: nullcontext("postgres://ours"))

    assert run.main([]) == 0

    assert suites == [([], None), (["-m", "not browser and not process"], "postgres://ours")]


@pytest.mark.usefixtures("bare_machine")
def test_a_failing_suite_is_a_failure(suites, monkeypatch):
    monkeypatch.setattr("tests.run.subprocess.run", lambda *arguments, **more: SimpleNamespace(returncode=1))

    assert run.main([]) == 1
