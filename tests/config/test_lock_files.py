import re
import tomllib
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
LOCKS = ["requirements.txt", "requirements-dev.txt"]


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_holds_exact_versions_and_hashes_and_no_address(name):
    text = (CHECKOUT / name).read_text()

    assert not re.search(r"http|index|file:", text)
    entries = [line for line in text.splitlines() if line and not line.startswith(" ")]
    assert all("==" in line and line.endswith("\\") for line in entries)
    assert text.count("--hash=sha256:") >= len(entries)


def test_everything_that_runs_is_in_the_development_lock_in_the_same_version():
    running, developing = (
        {line.split(" ")[0] for line in (CHECKOUT / name).read_text().splitlines() if "==" in line}
        for name in LOCKS
    )

    assert running - developing == set()


def test_every_library_we_name_is_locked():
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text())
    named = [*project["project"]["dependencies"], *project["dependency-groups"]["dev"]]
    locked = set(re.findall(r"^([a-z0-9-]+)==", (CHECKOUT / LOCKS[1]).read_text(), re.MULTILINE))

    assert {re.split(r"[\[~=<>]", name.lower())[0] for name in named} - locked == set()
