from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).parents[2]
LOGGERS = ROOT / "fixtures" / "loggers"


@pytest.fixture
def run(capsys):
    """Run the command in this process: its exit status and the objects on stdout."""

    def one(file, **options):
        try:
            call_command("read_logger", str(file), **options)
            status = 0
        except SystemExit as ended:
            status = ended.code
        out, err = capsys.readouterr()
        assert err == ""
        return status, [json.loads(line) for line in out.splitlines()]

    return one


def alone(*arguments, cwd, **options):
    """Run the command as a person does, in a process with next to no environment."""
    return subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), "read_logger", *map(str, arguments)],
        cwd=cwd,
        env={"PATH": os.environ["PATH"]} | options,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("expectation", sorted(LOGGERS.glob("*.expect.json")), ids=lambda file: file.name)
def test_each_odd_file_gets_its_status_and_its_lines(run, expectation):
    for wanted in json.loads(expectation.read_text("utf-8"))["runs"]:
        answers = {
            name: int(said) if name.endswith("column") else said for name, said in wanted["answers"].items()
        }

        status, lines = run(LOGGERS / expectation.name.replace(".expect.json", ".csv"), **answers)

        if "readings" in wanted:
            assert status == 0
            assert lines == [{"at": at, "t_c": t_c, "rh_pct": rh} for at, t_c, rh in wanted["readings"]]
        elif "ask" in wanted:
            (line,) = lines
            assert status == 3
            assert line["ask"] == (wanted["ask"][0] if len(wanted["ask"]) == 1 else wanted["ask"])
            assert [one["key"] for one in line["questions"]] == wanted["ask"]
            assert all(one["question"] and one["example"]["row"] >= 1 for one in line["questions"])
        else:
            (line,) = lines
            assert status == 2
            assert line["error"].pop("why")
            assert line == {"error": wanted["error"]}


def test_a_question_shows_its_choices_in_words(run):
    _status, (line,) = run(LOGGERS / "order-open.csv", time_zone="America/Chicago")

    assert line["questions"][0]["choices"] == [
        {"value": "yes", "words": "Mon 4 May 2026: the day first"},
        {"value": "no", "words": "Sun 5 Apr 2026: the month first"},
    ]
    assert line["questions"][0]["example"] == {"row": 2, "text": "04/05/2026  06:05  19.9  46"}


def test_a_reason_is_a_plain_sentence(run):
    _status, (line,) = run(LOGGERS / "too-wet.csv", leave_out="no")

    assert line["error"]["why"] == "A relative humidity is between 0 and 100 %, and this is 130."


@pytest.mark.parametrize("name", ["missing.csv", ".", "a-file/below", "x" * 300, "pipe", "big"])
def test_what_cannot_be_read_is_said_in_one_line(run, tmp_path, name):
    (tmp_path / "a-file").write_text("time,t_c,rh\n")
    os.mkfifo(tmp_path / "pipe")
    with (tmp_path / "big").open("wb") as big:
        big.truncate(200_000_000)

    status, (line,) = run(tmp_path / name)

    assert status == 2
    assert line["error"].keys() == {"row", "column", "why"}
    assert (line["error"]["row"], line["error"]["column"]) == (None, None)


@pytest.mark.process
def test_it_needs_no_database_no_secret_no_data_folder_and_no_broker(tmp_path):
    elsewhere = tmp_path / "not-made"

    done = alone(
        LOGGERS / "plain-utc.csv",
        cwd=tmp_path,
        DATA=str(elsewhere),
        DATABASE_URL="postgres://nobody@nowhere/x",
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        '{"at": "2026-05-12T06:05:00Z", "t_c": 19.9, "rh_pct": 46.0}',
        '{"at": "2026-05-12T06:15:00Z", "t_c": 20.0, "rh_pct": 45.5}',
    ]
    assert not elsewhere.exists()


@pytest.mark.process
def test_options_are_spelt_as_the_readme_spells_them(tmp_path):
    done = alone(
        LOGGERS / "order-open.csv", "--time-zone", "America/Chicago", "--day-first", "no", cwd=tmp_path
    )

    assert done.returncode == 0
    assert json.loads(done.stdout.splitlines()[0])["at"] == "2026-04-05T11:05:00Z"


@pytest.mark.process
def test_a_reader_that_has_enough_ends_it_quietly(tmp_path):
    rows = (f"2026-05-{1 + i // 1440:02d}T{i // 60 % 24:02d}:{i % 60:02d}:00Z,20,45" for i in range(40_000))
    (tmp_path / "long.csv").write_text(
        "\n".join(["time,t_c,rh", *(row for row in rows if row < "2026-05-28"), ""])
    )
    command = f"{sys.executable} {ROOT / 'manage.py'} read_logger long.csv | head -n 1"

    done = subprocess.run(
        ["sh", "-c", command], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )

    assert done.stderr == ""
    assert json.loads(done.stdout) == {"at": "2026-05-01T00:00:00Z", "t_c": 20.0, "rh_pct": 45.0}
