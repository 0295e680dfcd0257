"""The kind `warmup` as outsiders ask it: what the contract refuses, and what may be left out."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest

from jobs.core.case_fields import Refused, case_of
from materials.core.cases_warmup import work_warmup

CASE: dict[str, Any] = {
    "kind": "warmup",
    "sheets": 40,
    "thickness_mm": 2.3,
    "arrangement": "stacked",
    "wrapped": False,
    "insulated_side": True,
    "start_c": 2,
    "room": [{"at_s": 0, "t_c": 5}, {"at_s": 3600, "t_c": 21}, {"at_s": 90000, "t_c": 20}],
    "tolerance_k": 1,
    "material": {"k": 0.25, "rho": 1600, "c": 1200},
    "contact_r": 0,
    "h": 7.7,
    "wrap_r": 0.06,
    "limit_h": 1000,
    "ask_s": [3600],
}


def work(case):
    case = {"kind": "warmup"} | case
    fields = case_of(json.dumps(case).encode())
    assert fields.choice("kind", "warmup")
    return work_warmup(fields)


def put(path, value):
    case = deepcopy(CASE)
    inside: Any = case
    for name in path[:-1]:
        inside = inside[name]
    inside[path[-1]] = value
    return case


def refused(case):
    with pytest.raises(Refused) as error:
        work(case)
    return error.value.at


# The limits of the contract, worked by hand: the last number inside and the first outside.
LIMITS: list[tuple[Any, list[Any], list[Any]]] = [
    (("sheets",), [1, 500], [0, 501, 1.5, -1]),
    (("thickness_mm",), [1e-9, 100], [0, 100.001, -1]),
    (("start_c",), [-40, 80], [-40.1, 80.1]),
    (("tolerance_k",), [1e-9, 20], [0, 20.1, -1]),
    (("material", "k"), [0.01, 400], [0.0099, 401]),
    (("material", "rho"), [10, 20_000], [9.9, 20_001]),
    (("material", "c"), [100, 5000], [99.9, 5001]),
    (("contact_r",), [0, 0.1], [-0.001, 0.1001]),
    (("h",), [0.5, 100], [0.49, 100.1]),
    (("wrap_r",), [0, 1], [-0.1, 1.1]),
    (("limit_h",), [1e-6, 5000], [0, 5000.1, -1]),
    (("room", 1, "t_c"), [-40, 80], [-41, 81]),
    (("room", 1, "at_s"), [1, 89_999], [0, 90_000, -1, 1.5]),
    (("ask_s", 0), [0, 10**9], [-1, 0.5]),
    (("room",), [-40, 80, [{"at_s": 0, "t_c": 3}]], [-41, 81, [], [{"at_s": 1, "t_c": 3}], "20", None, {}]),
    (("ask_s",), [[], [0] * 20], [[0] * 21, None, 3600, ["3600"], [None]]),
]


@pytest.mark.parametrize(
    ("path", "value"), [pytest.param(path, value) for path, good, _ in LIMITS for value in good]
)
def test_a_limit_itself_is_allowed(path, value):
    answer = work(put(path, value))

    assert answer["hours"] is None or answer["hours"] >= 0


@pytest.mark.parametrize(
    ("path", "value"), [pytest.param(path, value) for path, _, bad in LIMITS for value in bad]
)
def test_what_is_past_a_limit_is_refused_at_its_field(path, value):
    at = refused(put(path, value))

    written = "".join(f"[{name}]" if isinstance(name, int) else f".{name}" for name in path).removeprefix(".")
    # Of two knots that do not rise it is the later that is wrong.
    following = written.replace("room[1]", "room[2]")
    assert at.startswith((written, following))


@pytest.mark.parametrize("name", ["sheets", "thickness_mm", "arrangement", "start_c", "room", "tolerance_k"])
def test_what_has_no_default_may_not_be_left_out(name):
    assert refused({key: value for key, value in CASE.items() if key != name}) == name


# The defaults of the contract.
DEFAULTS = {
    "insulated_side": False,
    "wrapped": False,
    "material": {"k": 0.25, "rho": 1600, "c": 1200},
    "contact_r": 0,
    "h": 7.7,
    "wrap_r": 0.06,
    "limit_h": 1000,
    "ask_s": [],
}


@pytest.mark.parametrize("name", DEFAULTS)
def test_what_is_left_out_is_its_default(name):
    base = CASE | {
        "wrapped": True,
        "material": {"k": 0.3, "rho": 1500, "c": 1300},
        "contact_r": 0.001,
        "h": 6,
    }
    without = {key: value for key, value in base.items() if key != name}

    assert work(without) == work(base | {name: DEFAULTS[name]})
    if name not in ("limit_h", "wrap_r"):
        assert work(without) != work(base)


@pytest.mark.parametrize("name", ["k", "rho", "c"])
def test_of_a_material_the_rest_may_be_left_out(name):
    part = {name: DEFAULTS["material"][name]}

    assert work(CASE | {"material": part}) == work(CASE) == work(CASE | {"material": {}})


@pytest.mark.parametrize("arrangement", ["on edge", "Stacked", "", None, 1])
def test_no_other_arrangement_is_known(arrangement):
    assert refused(CASE | {"arrangement": arrangement}) == "arrangement"


def test_a_sheet_apart_has_two_free_faces():
    assert refused(CASE | {"arrangement": "apart"}) == "insulated_side"
    assert work(CASE | {"arrangement": "apart", "insulated_side": False})["hours"] > 0


@pytest.mark.parametrize("sheets", [1, 40, 500])
def test_apart_the_count_and_the_contact_do_not_matter(sheets):
    apart = CASE | {"arrangement": "apart", "insulated_side": False, "contact_r": 0.05, "sheets": sheets}

    assert work(apart) == work(apart | {"contact_r": 0, "sheets": 7})


@pytest.mark.parametrize("path", [(), ("material",), ("room", 1)])
def test_an_unknown_field_is_refused(path):
    at = refused(put((*path, "colour"), "white"))

    assert at.endswith("colour")


@pytest.mark.parametrize("field", ["wrapped", "insulated_side"])
@pytest.mark.parametrize("value", [0, 1, "true", None])
def test_only_true_and_false_are_truths(field, value):
    assert refused(CASE | {field: value}) == field


# Worked by hand: a room told by a number, by one knot or by two alike is one room.
def test_a_room_that_stays_may_be_told_in_three_ways():
    number, knot, line = (
        work(CASE | {"room": room})
        for room in (21, [{"at_s": 0, "t_c": 21}], [{"at_s": 0, "t_c": 21}, {"at_s": 5000, "t_c": 21}])
    )

    assert number == knot
    assert line["hours"] == pytest.approx(number["hours"], rel=1e-9)
    assert line["core_c"] == pytest.approx(number["core_c"], abs=1e-6)


def test_answers_are_quick_with_many_knots():
    knots = [{"at_s": 900 * i, "t_c": 10 + (i * 7) % 13} for i in range(2000)]

    answer = work(CASE | {"room": knots, "tolerance_k": 0.001, "limit_h": 400})

    assert answer["hours"] is None
