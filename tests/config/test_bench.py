import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from config import bench
from config.bench import Row


def test_a_goal_is_on_the_value_or_on_its_share_of_the_limit():
    assert Row("a", 7.9, "s", "less", goal=8).is_met is True
    assert Row("a", 8.1, "s", "less", goal=8).is_met is False
    assert Row("a", 30, "1/s", "more", goal=0.25, goal_on="ratio", baseline=100).is_met is True
    assert Row("a", 24, "1/s", "more", goal=0.25, goal_on="ratio", baseline=100).is_met is False
    assert Row("a", 24, "1/s", "more").is_met is None


def test_each_call_runs_once_a_round_and_not_always_in_the_same_place():
    ran = []
    calls = {name: lambda name=name: ran.append(name) for name in "abc"}

    timed = bench.side_by_side(calls, rounds=8)

    rounds = [tuple(ran[at : at + 3]) for at in range(0, 24, 3)]
    assert all(sorted(order) == ["a", "b", "c"] for order in rounds)
    assert len(set(rounds)) > 1
    assert set(timed) == {"a", "b", "c"}


def test_the_spread_is_the_widest_distance_from_the_median():
    assert bench.spread_of([9, 10, 12]) == pytest.approx(2 / 10)


def test_the_table_says_what_is_good_and_whether_it_was_reached():
    slow = Row(
        "rest_recompute", 20_000, "1/s", "more", goal=0.25, goal_on="ratio", baseline=100_000, spread=0.1
    )
    quick = Row("first_page_s", 3.141, "s", "less", goal=8)

    headings, first, second = (" ".join(line.split()) for line in bench.table([slow, quick]).splitlines())

    assert headings == "name value unit baseline default ratio spread good goal"
    assert first == "rest_recompute 20,000 1/s 100,000 0.2 ± 10% more ratio ≥ 0.25 not met"
    assert second == "first_page_s 3.14 s less ≤ 8 met"


def test_every_figure_has_one_name():
    names = [name for key in bench.load() for name in key]

    assert "first_page_s" in names
    assert len(names) == len(set(names))


def test_an_unknown_figure_is_refused_by_name():
    with pytest.raises(CommandError, match="no figure named speed_of_light"):
        call_command("bench", "speed_of_light")


@pytest.mark.process
def test_a_figure_is_taken_in_a_folder_of_its_own_and_written_as_json(tmp_path):
    said = StringIO()

    call_command("bench", "rest_recompute", json=tmp_path / "rows.json", stdout=said, stderr=StringIO())

    (row,) = json.loads((tmp_path / "rows.json").read_text())["rows"]
    assert row["name"] == "rest_recompute"
    assert "rest_recompute" in said.getvalue()
