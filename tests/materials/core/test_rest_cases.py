"""The rest clock as outsiders ask it: the public worked cases, and what the contract refuses."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from jobs.core.case_fields import Refused, case_of
from materials.core.cases import work_rest

EXAMPLES = Path(__file__).parents[3] / "fixtures" / "cases" / "rest"

CASE: dict[str, Any] = {
    "kind": "rest",
    "now": "2026-05-04T12:00:00Z",
    "rule": {
        "required_s": 14400,
        "max_gap_s": 3600,
        "restart_after_s": 7200,
        "band": {"t_min": 18, "t_max": 26, "rh_min": 30, "rh_max": 60},
    },
    "presence": [
        {"zone": "A", "in_at": "2026-05-04T08:00:00Z", "out_at": "2026-05-04T09:00:00Z"},
        {"zone": "B", "in_at": "2026-05-04T10:00:00Z", "out_at": None},
    ],
    "readings": [
        {"id": "r1", "zone": "A", "at": "2026-05-04T08:00:00Z", "t_c": 20, "rh_pct": 45},
        {"id": "r2", "zone": "B", "at": "2026-05-04T10:00:00Z", "t_c": 20, "rh_pct": 45, "corrects": None},
    ],
    "memories": [
        {
            "id": "r1",
            "zone": "A",
            "from": "2026-05-04T08:00:00Z",
            "to": "2026-05-04T09:00:00Z",
            "t_min": 19,
            "t_max": 21,
            "rh_min": 40,
            "rh_max": 50,
        }
    ],
    "statements": [
        {
            "id": "r1",
            "zone": "A",
            "from": "2026-05-04T08:00:00Z",
            "to": "2026-05-04T09:00:00Z",
            "by": "site foreman",
        }
    ],
}


def work(case):
    return work_rest(case_of(json.dumps(case).encode()))


def changed(path, value):
    """Return CASE with one field set, or with an item appended to a list (`readings[]`)."""
    case = deepcopy(CASE)
    *parents, name = path.replace("[]", "").replace("]", "").replace("[", ".").split(".")
    inside = case
    for parent in parents:
        inside = inside[int(parent) if parent.isdigit() else parent]
    if path.endswith("[]"):
        inside[name].append(value)
    else:
        inside[name] = value
    return case


def test_the_public_examples_are_all_here():
    assert len(list(EXAMPLES.glob("*.json"))) >= 30


@pytest.mark.parametrize("example", sorted(EXAMPLES.glob("*.json")), ids=lambda path: path.stem)
def test_a_public_example_comes_out_as_it_says(example):
    expect = json.loads(example.read_bytes())["expect"]

    if "error" in expect:
        with pytest.raises(Refused) as refused:
            work_rest(case_of(example.read_bytes()))
        assert refused.value.at.startswith(expect["error"]["at"])
    else:
        answer = work_rest(case_of(example.read_bytes()))
        assert {name: answer[name] for name in expect} == expect


def test_the_case_that_the_refusals_change_is_itself_good():
    # Worked by hand: in zone B since 10:00, one reading then, provisional for an hour, two hours old at noon.
    assert (work(CASE)["state"], work(CASE)["provisional_s"]) == ("paused", 3600)


READING = {"id": "r3", "zone": "A", "at": "2026-05-04T09:00:00Z", "t_c": 20, "rh_pct": 45}


@pytest.mark.parametrize(
    ("path", "value", "at"),
    [
        ("rule.required_s", 0, "rule.required_s"),
        ("rule.required_s", 31_536_001, "rule.required_s"),
        ("rule.required_s", 3600.0, "rule.required_s"),
        ("rule.required_s", True, "rule.required_s"),
        ("rule.required_s", "3600", "rule.required_s"),
        ("rule.max_gap_s", 0, "rule.max_gap_s"),
        ("rule.max_gap_s", 604_801, "rule.max_gap_s"),
        ("rule.fine_gap_s", 0, "rule.fine_gap_s"),
        ("rule.fine_gap_s", None, "rule.fine_gap_s"),
        ("rule.restart_after_s", -1, "rule.restart_after_s"),
        ("rule.restart_on", "humidity", "rule.restart_on"),
        ("rule.proof", "statements", "rule.proof"),
        ("rule.needs_opening", 1, "rule.needs_opening"),
        ("rule.unknown", 1, "rule.unknown"),
        ("rule.band.t_min", 26.5, "rule.band"),
        ("rule.band.rh_max", 29, "rule.band"),
        ("rule.band", None, "rule.band"),
        ("unknown", None, "unknown"),
        ("now", "2026-05-04T12:00:00", "now"),
        ("now", "2026-05-04T12:00:00.5Z", "now"),
        ("opened_at", "yesterday", "opened_at"),
        ("presence", None, "presence"),
        ("presence", [], None),
        ("presence[0].zone", "", "presence[0].zone"),
        ("presence[0].zone", "z" * 65, "presence[0].zone"),
        ("presence[0].out_at", "2026-05-04T08:00:00Z", "presence[0].out_at"),
        ("presence[0].out_at", "2026-05-04T07:59:59Z", "presence[0].out_at"),
        ("presence[0].out_at", "2026-05-04T10:00:01Z", "presence[1].in_at"),
        ("presence[0].out_at", "2026-05-04T10:00:00Z", None),
        ("presence[0].out_at", None, "presence[1].in_at"),
        ("presence[]", {"zone": "A", "in_at": "2026-05-09T08:00:00Z"}, "presence[2].in_at"),
        ("sheets_set_at", "2026-05-04T07:59:59Z", "sheets_set_at"),
        ("sheets_set_at", "2026-05-04T08:00:00Z", None),
        ("readings", {}, "readings"),
        ("readings[0].t_c", 80.1, "readings[0].t_c"),
        ("readings[0].t_c", -60.1, "readings[0].t_c"),
        ("readings[0].t_c", "20", "readings[0].t_c"),
        ("readings[0].rh_pct", 100.1, "readings[0].rh_pct"),
        ("readings[0].rh_pct", -0.1, "readings[0].rh_pct"),
        ("readings[0].id", 1, "readings[0].id"),
        ("readings[0].corrects", "", "readings[0].corrects"),
        ("readings[0].corrects", "r1", "readings[0].corrects"),
        ("readings[]", READING, None),
        ("readings[]", READING | {"id": "r1"}, "readings[2].id"),
        ("readings[]", READING | {"id": "r1", "at": "2026-05-04T10:00:00+02:00"}, None),
        ("readings[]", READING | {"corrects": "r0"}, None),
        ("memories[0].to", "2026-05-04T08:00:00Z", "memories[0].to"),
        ("memories[0].t_min", 21.5, "memories[0].t_min"),
        ("memories[0].rh_max", 39, "memories[0].rh_min"),
        ("memories[0].t_max", 81, "memories[0].t_max"),
        ("memories", None, "memories"),
        ("statements[0].to", "2026-05-04T08:00:00Z", "statements[0].to"),
        ("statements[0].by", None, "statements[0].by"),
        ("statements[]", CASE["statements"][0], None),
        ("statements[]", CASE["statements"][0] | {"by": "another"}, "statements[1].id"),
        ("statements[]", {"id": "s"}, "statements[1].zone"),
    ],
)
def test_a_case_is_refused_at_the_wrong_field_or_is_good(path, value, at):
    case = changed(path, value)

    if at is None:
        assert "state" in work(case)
        return
    with pytest.raises(Refused) as refused:
        work(case)
    assert refused.value.at.startswith(at)


@pytest.mark.parametrize("name", ["now", "rule", "presence", "readings"])
def test_a_case_without_a_field_that_has_no_default_is_refused(name):
    case = {key: value for key, value in CASE.items() if key != name}

    with pytest.raises(Refused, match=name):
        work(case)


@pytest.mark.parametrize("name", ["required_s", "max_gap_s", "restart_after_s", "band"])
def test_a_rule_without_a_field_that_has_no_default_is_refused(name):
    case = CASE | {"rule": {key: value for key, value in CASE["rule"].items() if key != name}}

    with pytest.raises(Refused, match=rf"rule\.{name}"):
        work(case)


@pytest.mark.parametrize("correctings", [("b", "a"), ("c", "a", "b")], ids=["two", "three"])
def test_corrections_in_a_circle_are_refused(correctings):
    names = sorted(correctings)
    circle = [READING | {"id": n, "corrects": c} for n, c in zip(names, correctings, strict=True)]

    with pytest.raises(Refused, match="readings") as refused:
        work(CASE | {"readings": [*CASE["readings"], *circle]})
    assert refused.value.at == "readings[2].corrects"


def test_sheets_cannot_be_set_without_any_presence():
    with pytest.raises(Refused, match="sheets_set_at"):
        work(CASE | {"presence": [], "sheets_set_at": "2026-05-04T08:00:00Z"})
