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

    assert len(names) == len(set(names))
    assert set(names) >= {
        "first_page_s",
        "morning_queries",
        "job_queries",
        "room_queries",
        "morning_queries_twice",
        "job_queries_twice",
        "room_queries_twice",
        "morning_p95_ms",
        "room_p95_ms",
        "feed_304",
        "feed_304_queries",
        "rest_recompute",
        "holds_1000_rooms_s",
        "logger_file_100k_s",
        "ingest_http",
    }


@pytest.mark.parametrize(("count", "percent", "rank"), [(200, 95, 190), (20, 95, 19), (1, 95, 1), (3, 50, 2)])
def test_a_percentile_is_the_value_of_the_nearest_rank(count, percent, rank):
    # Worked by hand: the rank is the count's share of a hundred, rounded up.
    assert bench.percentile(list(range(count, 0, -1)), percent) == rank


def test_without_a_server_of_databases_none_is_made():
    with bench.scratch_database(None) as named:
        assert named == {}
    with bench.scratch_database("sqlite:////srv/other.sqlite3") as named:
        assert named == {}


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
