from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.core.management import call_command

from scheduling.management.commands import work_case

ROOT = Path(__file__).parents[1]
CASES = ROOT / "fixtures" / "cases"
DEW = {"kind": "dew", "t_c": 20, "rh_pct": 100, "surface_c": 20}
EVERY_KIND = sorted(work_case.KINDS)
#: By the contract; of `warmup` it is the tolerance of hours, and stricter than that of temperatures.
NEAR = {"dew": {"abs": 0.1}, "warmup": {"rel": 0.01, "abs": 0.02}}


def example(kind, number):
    return json.loads(next((CASES / kind).glob(f"{number}-*.json")).read_text())["case"]


def run(capsys, monkeypatch, *files, stdin=b""):
    """Run the command in this process: its exit status, the objects on stdout, the lines on stderr."""
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(stdin)))
    try:
        call_command("work_case", *map(str, files))
        status = 0
    except SystemExit as ended:
        status = ended.code
    out, err = capsys.readouterr()
    return status, [json.loads(line) for line in out.splitlines()], err.splitlines()


@pytest.fixture
def work(capsys, monkeypatch):
    return lambda *files, stdin=b"": run(capsys, monkeypatch, *files, stdin=stdin)


@pytest.fixture
def work_one(work):
    def one(case):
        _status, (answer,), _err = work("-", stdin=json.dumps(case).encode())
        return answer

    return one


def agrees(expected, got, kind):
    """Compare as the contract does: fields beyond are allowed, instants are instants, numbers near enough."""
    match expected:
        case dict():
            return isinstance(got, dict) and all(
                name in got and agrees(value, got[name], kind) for name, value in expected.items()
            )
        case list():
            return (
                isinstance(got, list)
                and len(got) == len(expected)
                and all(agrees(e, g, kind) for e, g in zip(expected, got, strict=True))
            )
        case bool() | None:
            return got is expected
        case int() | float():
            return not isinstance(got, bool) and got == pytest.approx(expected, **NEAR.get(kind, {"abs": 0}))
        case str() if expected[:2] == "20" and "T" in expected:
            return datetime.fromisoformat(got) == datetime.fromisoformat(expected)
    return got == expected


@pytest.mark.parametrize(
    "path", sorted(CASES.glob("*/*.json")), ids=lambda path: f"{path.parent.name}/{path.stem}"
)
def test_a_worked_case_comes_out_as_worked(path, work):
    example = json.loads(path.read_text())

    status, (answer,), err = work(path)

    if "error" in example["expect"]:
        wanted = example["expect"]["error"]["at"].split(".")[0].split("[")[0]
        assert answer["error"]["at"].startswith(wanted)
        assert (status, len(err)) == (2, 1)
    else:
        assert agrees(example["expect"], answer, path.parent.name), answer
        assert (status, err) == (0, [])


# ---- the command ----


def test_files_are_answered_in_the_order_given_and_the_rest_runs_after_a_refusal(work, tmp_path):
    good, bad = tmp_path / "good.json", tmp_path / "bad.json"
    good.write_text(json.dumps(DEW))
    bad.write_text(json.dumps(DEW | {"rh_pct": 0}))

    status, answers, err = work(bad, good, bad)

    assert status == 2
    assert [answer.get("error", {}).get("at") for answer in answers] == ["rh_pct", None, "rh_pct"]
    assert err == [f"{bad}: rh_pct: {answers[0]['error']['why']}"] * 2


def test_stdin_takes_one_object_over_many_lines(work):
    assert work("-", stdin=json.dumps(DEW, indent=1).encode())[:2] == (
        0,
        [{"dew_c": 20, "margin_k": 0, "sweats": False}],
    )


def test_stdin_takes_an_object_a_line_and_skips_blank_lines(work):
    lines = b"\n".join(
        [json.dumps(DEW).encode(), b"", b"  \r", b"{", json.dumps(DEW).encode() + b"\r", b"5", b""]
    )

    status, answers, err = work("-", stdin=lines)

    assert status == 2
    assert ["error" in answer for answer in answers] == [False, True, False, True]
    assert [line.split(": ")[:2] for line in err] == [["-:2", "$"], ["-:4", "$"]]


def test_a_line_that_is_no_text_spoils_no_other(work):
    good = json.dumps(DEW).encode()

    status, answers, err = work("-", stdin=b"\n".join([b"\xff{}", good, b'{"x":' * 50_000, good]))

    assert status == 2
    assert ["error" in answer for answer in answers] == [True, False, True, False]
    assert len(err) == 2


def test_a_separator_that_only_looks_like_a_line_end_ends_no_line(work):
    lines = json.dumps(DEW | {"note": "a\u2028b\u0085c"}, ensure_ascii=False).encode()

    assert work("-", stdin=lines + b"\n" + lines)[0] == 0


def test_one_broken_object_over_many_lines_is_one_refusal(work):
    status, answers, _err = work("-", stdin=json.dumps(DEW, indent=1).encode()[:-2])

    assert (status, [answer["error"]["at"] for answer in answers]) == (2, ["$"])


def test_stdin_without_any_object_answers_nothing(work):
    assert work("-", stdin=b"\n\n") == (0, [], [])


def test_a_file_that_cannot_be_read_is_a_refusal(work, tmp_path):
    status, answers, err = work(tmp_path / "none.json", tmp_path)

    assert (status, len(err)) == (2, 2)
    assert [answer["error"]["at"] for answer in answers] == ["$", "$"]


@pytest.mark.parametrize("kind", ["weather", "", "Dew", "layout\n", 5, None, ["dew"]])
def test_an_unknown_kind_is_refused(kind, work_one):
    assert work_one({"kind": kind})["error"]["at"] == "kind"


def test_a_case_without_kind_is_refused(work_one):
    assert work_one({})["error"]["at"] == "kind"


def test_a_refusal_stays_on_one_line_whatever_the_field_is_called(work):
    status, answers, err = work("-", stdin=json.dumps(DEW | {"a\nb\ud800": 1}).encode())

    assert (status, len(err)) == (2, 1)
    assert answers[0]["error"]["at"] == "a\nb\ud800"


def test_it_runs_without_database_broker_or_secret():
    kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    nowhere = {"DATABASE_URL": "postgres://nobody@127.0.0.1:1/none", "REDIS_URL": "redis://127.0.0.1:1"}

    done = subprocess.run(
        [sys.executable, ROOT / "manage.py", "work_case", "-"],
        input=json.dumps(DEW | {"rh_pct": 0}) + "\n" + json.dumps(DEW),
        capture_output=True,
        text=True,
        env=kept | nowhere,
        check=False,
    )

    assert done.returncode == 2
    assert [list(json.loads(line)) for line in done.stdout.splitlines()] == [
        ["error"],
        ["dew_c", "margin_k", "sweats"],
    ]
    assert done.stderr.startswith("-:1: rh_pct: ")
    assert len(done.stderr.splitlines()) == 1


# ---- what every kind refuses ----

JUNK = [True, "1", "", -1, 1.5, [], {}, None, [[]], [None], {"x": 1}, "2026-05-05T09:00:00", 10**400]
LONGEST = {"rest": "26", "holds": "02", "latest_by": "11", "dew": "06", "warmup": "07"}


def places(value, path=()):
    """Yield the path of every value in a case."""
    if path:
        yield path
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, part in inside:
        yield from places(part, (*path, name))


def put(case, path, value):
    copy = json.loads(json.dumps(case))
    inside = copy
    for name in path[:-1]:
        inside = inside[name]
    inside[path[-1]] = value
    return copy


@pytest.mark.parametrize("kind", EVERY_KIND)
def test_junk_in_any_place_is_answered_or_refused_and_never_breaks(kind, work):
    case = example(kind, LONGEST[kind])
    lines = [json.dumps(put(case, path, junk)) for path in places(case) for junk in JUNK]

    status, answers, err = work("-", stdin="\n".join(lines).encode())

    assert status == 2
    assert len(answers) == len(lines)
    assert len(err) == sum("error" in answer for answer in answers)


@pytest.mark.parametrize("kind", EVERY_KIND)
@pytest.mark.parametrize("number", [float("nan"), float("inf"), True])
def test_no_number_is_nan_infinite_or_a_truth(kind, number, work):
    case = example(kind, LONGEST[kind])
    paths = [path for path in places(case) if _is_number(case, path)]

    _status, answers, _err = work(
        "-", stdin="\n".join(json.dumps(put(case, p, number)) for p in paths).encode()
    )

    assert paths
    assert [answer["error"]["at"].split(".")[0].split("[")[0] for answer in answers] == [p[0] for p in paths]


@pytest.mark.parametrize("kind", EVERY_KIND)
def test_an_unknown_field_is_refused_wherever_it_stands(kind, work):
    case = example(kind, LONGEST[kind])
    paths = [(*path, "extra") for path in [(), *places(case)] if isinstance(_at(case, path), dict)]

    _status, answers, _err = work("-", stdin="\n".join(json.dumps(put(case, p, 1)) for p in paths).encode())

    assert [answer["error"]["at"].split(".")[0].split("[")[0] for answer in answers] == [p[0] for p in paths]


def _at(case, path):
    for name in path:
        case = case[name]
    return case


def _is_number(case, path):
    value = _at(case, path)
    return isinstance(value, int | float) and not isinstance(value, bool)


# ---- latest_by ----

WEEK = {"mon": [["07:00", "12:00"], ["13:00", "16:00"]]}


def plan(*, week=WEEK, zone="Europe/Paris", days=None, acts=None, **fields):
    crew = {"zone": zone, "week": week} | ({} if days is None else {"days": days})
    inspect = {"id": "inspect", "duration_s": 3600, "calendar": "crew", "before": [{"act": "start"}]}
    return {
        "kind": "latest_by",
        "start": "2026-05-11T09:00:00+02:00",
        "calendars": {"crew": crew},
        "acts": [inspect] if acts is None else acts,
    } | fields


def act(**fields):
    return {"id": "a", "duration_s": 0, "before": [{"act": "start"}]} | fields


def windows(*written):
    return plan(week={"mon": list(written)})


def test_what_may_be_left_out_may_be_left_out(work_one):
    bare = {"kind": "latest_by", "start": "2026-05-11T07:00:00Z", "acts": [act()]}

    assert work_one(bare) == work_one(bare | {"now": None, "calendars": {}, "acts": [act(calendar=None)]})
    assert work_one(bare)["acts"][0]["latest_start"] == "2026-05-11T07:00:00Z"


@pytest.mark.parametrize(
    ("case", "at"),
    [
        pytest.param(plan(week=None), "calendars.crew.week", id="week-null"),
        pytest.param(plan(week={"monday": []}), "calendars.crew.week.monday", id="day-misspelt"),
        pytest.param(windows(["07:00"]), "calendars.crew.week.mon[0]", id="one-time"),
        pytest.param(windows(["07:00", "08:00", "09:00"]), "calendars.crew.week.mon[0]", id="three-times"),
        pytest.param(windows(["7:00", "08:00"]), "calendars.crew.week.mon[0][0]", id="one-digit"),
        pytest.param(windows(["07:00", "08:60"]), "calendars.crew.week.mon[0][1]", id="minute-60"),
        pytest.param(windows(["24:00", "24:00"]), "calendars.crew.week.mon[0][0]", id="24-begins-nothing"),
        pytest.param(windows(["07:00", "24:01"]), "calendars.crew.week.mon[0][1]", id="past-24"),
        pytest.param(windows(["07:00", "07:00"]), "calendars.crew.week.mon[0]", id="no-length"),
        pytest.param(windows(["22:00", "06:00"]), "calendars.crew.week.mon[0]", id="over-midnight"),
        pytest.param(
            windows(["09:00", "10:00"], ["07:00", "08:00"]), "calendars.crew.week.mon[1]", id="order"
        ),
        pytest.param(
            windows(["07:00", "10:00"], ["09:00", "11:00"]), "calendars.crew.week.mon[1]", id="overlap"
        ),
        pytest.param(plan(days={"2026-02-29": []}), "calendars.crew.days.2026-02-29", id="no-such-day"),
        pytest.param(plan(days={"mon": []}), "calendars.crew.days.mon", id="no-date"),
        pytest.param(plan(days={"2026-05-11": None}), "calendars.crew.days.2026-05-11", id="day-null"),
        pytest.param(plan(zone="Mars/Olympus"), "calendars.crew.zone", id="no-such-zone"),
        pytest.param(plan(zone="../etc/passwd"), "calendars.crew.zone", id="zone-is-no-path"),
        pytest.param(plan(calendars=[]), "calendars", id="calendars-a-list"),
        pytest.param(plan(acts=[act(calendar="crews")]), "acts[0].calendar", id="unknown-calendar"),
        pytest.param(plan(acts=[act(id="start")]), "acts[0].id", id="start-is-reserved"),
        pytest.param(plan(acts=[act(), act(duration_s=1)]), "acts[1].id", id="id-twice"),
        pytest.param(plan(acts=[act(id="")]), "acts[0].id", id="empty-id"),
        pytest.param(plan(acts=[act(before=[])]), "acts[0].before", id="before-empty"),
        pytest.param(plan(acts=[act(before=[{"act": "b"}])]), "acts[0].before[0].act", id="unknown-act"),
        pytest.param(plan(acts=[act(before=[{"act": "a"}])]), "acts[0].before", id="waits-for-itself"),
        pytest.param(plan(acts=[act(duration_s=31_536_001)]), "acts[0].duration_s", id="longer-than-a-year"),
        pytest.param(plan(acts=[act(duration_s=-1)]), "acts[0].duration_s", id="negative"),
        pytest.param(plan(acts=[act(duration_s=1.0)]), "acts[0].duration_s", id="seconds-are-whole"),
        pytest.param(
            plan(acts=[act(before=[{"act": "start", "lag_s": -1}])]),
            "acts[0].before[0].lag_s",
            id="lag-negative",
        ),
        pytest.param(
            plan(acts=[act(before=[{"act": "start", "lag_s": None}])]),
            "acts[0].before[0].lag_s",
            id="lag-null",
        ),
        pytest.param(
            plan(acts=[act(before=[{"act": "start", "lag_s": 10**12}])]),
            "acts[0].before[0].lag_s",
            id="lag-endless",
        ),
        pytest.param(
            plan(acts=[act(calendar="crew", duration_s=1)], week={}), "acts[0].calendar", id="no-working-time"
        ),
        pytest.param(plan(acts=[act(calendar="crew")], week={}), "acts[0].calendar", id="no-moment"),
        pytest.param(plan(start="2026-05-11T09:00:00"), "start", id="no-offset"),
        pytest.param(plan(now="2026-05-11T09:00:00.5Z"), "now", id="fraction"),
    ],
)
def test_a_plan_that_the_contract_does_not_allow_is_refused_at_its_path(case, at, work_one):
    assert work_one(case)["error"]["at"] == at


@pytest.mark.parametrize("name", ["kind", "start", "acts"])
def test_a_plan_needs_its_fields(name, work_one):
    case = plan()
    del case[name]

    assert work_one(case)["error"]["at"] == name


@pytest.mark.parametrize("name", ["id", "duration_s", "before"])
def test_an_act_needs_its_fields(name, work_one):
    bare = act()
    del bare[name]

    assert work_one(plan(acts=[bare]))["error"]["at"] == f"acts[0].{name}"


def test_lags_of_many_lifetimes_are_refused_and_overflow_nothing(work_one):
    lag = 10**10
    acts = [act(id=str(i), before=[{"act": str(i - 1) if i else "start", "lag_s": lag}]) for i in range(20)]

    assert work_one(plan(acts=acts))["error"]["at"].startswith("acts[")


@pytest.mark.parametrize(
    ("zone", "start", "days", "duration_s", "latest_start"),
    [
        # Worked by hand: offset before the change for what never happens, the first of what happens twice.
        pytest.param(
            "Australia/Lord_Howe", "2026-10-04T04:00:00+11:00", {"2026-10-04": [["02:15", "04:00"]]}, 4500,
            "2026-10-03T15:45:00Z", id="02:15-is-02:45-when-half-an-hour-is-skipped",
        ),
        pytest.param(
            "Australia/Lord_Howe", "2026-04-05T03:00:00+10:30", {"2026-04-05": [["01:45", "03:00"]]}, 6300,
            "2026-04-04T14:45:00Z", id="01:45-is-the-first-of-two-and-the-window-half-an-hour-longer",
        ),
        pytest.param(
            "Pacific/Apia", "2011-12-31T20:00:00+14:00", {"2011-12-30": [["08:00", "16:00"]]}, 3600,
            "2011-12-31T01:00:00Z", id="the-hours-of-the-day-that-never-was-fall-on-the-next",
        ),
        pytest.param(
            "Africa/Casablanca", "2026-03-22T05:00:00+01:00", {"2026-03-22": [["01:00", "04:00"]]}, 7200,
            "2026-03-22T01:00:00Z", id="casablanca-after-ramadan-skips-02:00-to-03:00",
        ),
        pytest.param(
            "Africa/Cairo", "2026-04-24T02:00:00+03:00",
            {"2026-04-23": [["23:00", "24:00"]], "2026-04-24": [["00:00", "02:00"]]}, 7200,
            "2026-04-23T21:00:00Z", id="cairo-skips-midnight",
        ),
    ],
)  # fmt: skip
def test_windows_over_an_odd_clock_change(zone, start, days, duration_s, latest_start, work_one):
    case = plan(
        zone=zone, week={}, days=days, start=start, acts=[act(duration_s=duration_s, calendar="crew")]
    )

    assert work_one(case)["acts"][0]["latest_start"] == latest_start


# ---- dew ----


@pytest.mark.parametrize(
    ("fields", "at"),
    [
        ({"t_c": -20.01}, "t_c"),
        ({"t_c": 60.01}, "t_c"),
        ({"rh_pct": 100.01}, "rh_pct"),
        ({"rh_pct": -1}, "rh_pct"),
        ({"surface_c": -40.01}, "surface_c"),
        ({"surface_c": 80.01}, "surface_c"),
        ({"clearance_k": -0.01}, "clearance_k"),
        ({"clearance_k": 10.01}, "clearance_k"),
        ({"clearance_k": None}, "clearance_k"),
        ({"t_c": None}, "t_c"),
    ],
)
def test_air_outside_the_contracts_limits_is_refused(fields, at, work_one):
    assert work_one(DEW | fields)["error"]["at"] == at


@pytest.mark.parametrize(
    "fields", [{"t_c": -20}, {"t_c": 60}, {"surface_c": -40}, {"surface_c": 80, "clearance_k": 10}]
)
def test_the_limits_themselves_are_air_like_any_other(fields, work_one):
    assert "error" not in work_one(DEW | fields)


def test_a_trace_of_water_gives_an_answer(work_one):
    assert work_one(DEW | {"rh_pct": 1e-300})["dew_c"] < -200
