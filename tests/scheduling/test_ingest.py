"""Readings that come by themselves: every row answered, whatever is sent, and nothing twice."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from django.test import Client

from config import clock
from jobs.ids import reading_id
from jobs.models import Entry, Logger, Reading, ReadingConflict, ReadingFlag, SpentToken
from jobs.services import loggers, seen
from jobs.services.ingest import AT_ONCE
from scheduling import states
from scheduling.services import crews
from scheduling.views.ingest import MOST_BYTES
from tests import make
from tests.conftest import NOW
from tests.threads import errors, together

MINUTE = timedelta(minutes=1)
PATH = "/ingest/readings"
JSON, CSV = "application/json", "text/csv"

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def present(monkeypatch):
    """The clock of the requests stands at NOW."""
    monkeypatch.setattr(clock, "read", lambda: NOW)


class Device:
    """A logger that hangs in one zone, and what it posts."""

    def __init__(self, *zones, name="L3"):
        self.boss = make.manager()
        self.zone = zones[0] if zones else make.room().zone
        self.logger, self.token = loggers.add_logger(
            name=name,
            zones=zones or [self.zone],
            silent_after=timedelta(hours=1),
            by=self.boss,
            now=NOW - timedelta(days=9),
        )

    def row(self, ago=MINUTE, *, t=20.5, rh=45.0, **more):
        return {"zone": self.zone.pk, "at": stamp(NOW - ago), "t_c": t, "rh_pct": rh} | more

    def rows(self, count, *, every=5 * MINUTE, t=20.5):
        return [self.row(ago=every * (count - n), t=t + n % 7 / 10) for n in range(count)]

    def post(self, *rows):
        return self.send(json.dumps({"readings": rows}))

    def send(self, body, *, kind=JSON, token=None, **headers):
        return Client().post(
            PATH,
            body,
            content_type=kind,
            headers={"authorization": f"Bearer {token or self.token}", **headers},
            # The client leaves it out where nothing is sent.
            CONTENT_TYPE=kind,
            CONTENT_LENGTH=str(len(body if isinstance(body, bytes) else body.encode())),
        )


def stamp(at):
    return at.astimezone(UTC).isoformat()


def said(response):
    """Return the answers of the rows, and check the counts beside them."""
    told = json.loads(response.content)
    found = [row["answer"] for row in told["readings"]]
    counts = {name: told[name] for name in ("stored", "known", "conflict", "refused")}
    assert counts == {name: found.count(name) for name in counts}
    return found


def reasons(response):
    return [row.get("reason", "") for row in json.loads(response.content)["readings"]]


def error(response):
    assert response["Content-Type"] == JSON
    told = json.loads(response.content)
    assert list(told) == ["error"]
    return told["error"]


@pytest.fixture
def device():
    return Device()


# ---- what is stored


def test_a_reading_is_stored_under_the_id_of_its_logger_and_instant(device):
    response = device.post(device.row(ago=10 * MINUTE, t=20.5, rh=45))

    assert (response.status_code, said(response)) == (200, ["stored"])
    one = Reading.objects.get()
    at = NOW - 10 * MINUTE
    assert one.pk == one.origin == reading_id(zone=device.zone.pk, logger="L3", at=at)
    assert (one.happened_at, one.recorded_at, one.recorded_by) == (at, NOW, device.boss)
    assert (one.temperature, one.unit, one.humidity_pct, one.logger) == (20.5, "c", 45.0, "L3")


def test_sent_again_it_is_known_and_nothing_moves(device):
    rows = device.rows(40)
    device.post(*rows)
    room = device.zone.rooms.get()
    version = room.facts_version

    assert said(device.post(*rows)) == ["known"] * 40

    room.refresh_from_db()
    assert (Reading.objects.count(), room.facts_version) == (40, version)


def test_a_month_that_is_replayed_in_a_muddle_adds_what_was_missing(device):
    month = device.rows(1_200, every=30 * MINUTE)
    device.post(*month[:400], *month[500:])

    replayed = said(device.post(*reversed(month)))

    missing = set(range(400, 500))
    assert replayed == ["stored" if index in missing else "known" for index in reversed(range(1_200))]
    assert Reading.objects.count() == 1_200


def test_another_value_of_the_same_instant_is_a_conflict_and_the_first_stands(device):
    device.post(device.row(t=20.5, rh=45))

    told = json.loads(device.post(device.row(t=21.5, rh=46)).content)

    assert told["readings"] == [
        {"answer": "conflict", "stands": {"t_c": 20.5, "rh_pct": 45.0}, "said": {"t_c": 21.5, "rh_pct": 46.0}}
    ]
    assert Reading.objects.get().temperature == 20.5
    kept = ReadingConflict.objects.get()
    assert (kept.reading, kept.temperature, kept.humidity_pct) == (Reading.objects.get(), 21.5, 46.0)


def test_a_conflict_that_is_repeated_is_kept_once(device):
    device.post(device.row(t=20.5))
    for _ in range(3):
        assert said(device.post(device.row(t=21.5))) == ["conflict"]
    device.post(device.row(t=22.5))

    assert ReadingConflict.objects.count() == 2


def test_of_two_rows_of_one_instant_the_first_stands(device):
    same = device.row(t=20.5)

    assert said(device.post(same, same, device.row(t=22.0))) == ["stored", "known", "conflict"]

    assert Reading.objects.get().temperature == 20.5
    assert ReadingConflict.objects.get().reading == Reading.objects.get()


def test_a_reading_that_was_taken_back_stays_so_when_it_is_sent_again(device):
    device.post(device.row())
    seen.withdraw_reading(Reading.objects.get(), make.envelope(device.boss, reason="it lay in the sun"))

    assert said(device.post(device.row())) == ["known"]

    assert not Reading.objects.standing().exists()


def test_one_instant_in_two_offsets_is_one_reading(device):
    first = device.row() | {"at": "2026-06-10T08:30:00Z"}

    assert said(device.post(first, first | {"at": "2026-06-10T10:30:00+02:00"})) == ["stored", "known"]


def test_a_fraction_of_a_second_is_left_out_and_said(device):
    response = device.post(device.row() | {"at": "2026-06-10T08:30:00.750Z"})

    assert Reading.objects.get().happened_at == datetime(2026, 6, 10, 8, 30, tzinfo=UTC)
    notes = json.loads(response.content)["notes"]
    assert notes == ["A fraction of a second was left out of 1 instant."]


def test_readings_write_no_line_of_history_but_move_the_rooms(device):
    room = device.zone.rooms.get()
    device.post(*device.rows(3))

    assert not Entry.objects.exists()
    room.refresh_from_db()
    assert (room.facts_version, room.facts_at) == (1, NOW)
    assert states.stale(now=NOW).filter(pk=room.pk).exists()


def test_more_than_one_transaction_answers_in_the_order_of_the_rows(device):
    rows = device.rows(AT_ONCE + 2)
    device.post(rows[3], rows[AT_ONCE])

    found = said(device.post(*rows))

    assert [index for index, word in enumerate(found) if word == "known"] == [3, AT_ONCE]
    assert Reading.objects.count() == AT_ONCE + 2


def test_ten_thousand_are_taken_at_once(device):
    assert said(device.post(*device.rows(10_000, every=MINUTE))) == ["stored"] * 10_000


# ---- rows that are refused


def test_one_bad_row_never_costs_the_good_ones(device):
    response = device.post(device.row(), device.row(t=900), device.row(ago=2 * MINUTE))

    assert (response.status_code, said(response)) == (200, ["stored", "refused", "stored"])
    assert Reading.objects.count() == 2


def test_where_no_row_is_any_good_the_status_says_so(device):
    response = device.post(device.row(t=900))

    assert (response.status_code, said(response)) == (422, ["refused"])


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"t_c": "20.5"}, "“t_c” is no number."),
        ({"t_c": True}, "“t_c” is no number."),
        ({"t_c": None}, "“t_c” is no number."),
        ({"rh_pct": False}, "“rh_pct” is no number."),
        ({"rh_pct": [45]}, "“rh_pct” is no number."),
        ({"t_c": float("nan")}, "“t_c” is no value from −60 to 80."),
        ({"t_c": float("inf")}, "“t_c” is no value from −60 to 80."),
        ({"t_c": -60.1}, "“t_c” is no value from −60 to 80."),
        ({"t_c": 10**400}, "“t_c” is no value from −60 to 80."),
        ({"rh_pct": float("-inf")}, "“rh_pct” is no value from 0 to 100."),
        ({"rh_pct": -0.1}, "“rh_pct” is no value from 0 to 100."),
        ({"rh_pct": 105.1}, "“rh_pct” is no value from 0 to 100."),
        ({"at": 1781082000}, "“at” is a text"),
        ({"at": "2026-06-10T08:30:00"}, "has no offset from UTC"),
        ({"at": "2026-06-10"}, "has no offset from UTC"),
        ({"at": "yesterday"}, "“yesterday” is no time"),
        ({"at": "2026-02-30T08:30:00Z"}, "is no time"),
        ({"at": "2026-06-10T24:30:00Z"}, "is no time"),
        ({"at": ""}, "“” is no time"),
        ({"at": "0001-01-01T00:00:00+14:00"}, "is outside all calendars"),
        ({"at": "1999-12-31T23:59:59Z"}, "is before the year 2000"),
        ({"at": "2026-06-10T09:05:01Z"}, "is still to come; look at the logger's clock"),
        ({"zone": True}, "“zone” is the number or the name of a zone."),
        ({"zone": 1.5}, "“zone” is the number or the name of a zone."),
        ({"zone": " "}, "“zone” is the number or the name of a zone."),
        ({"zone": "Nowhere"}, "There is no zone “Nowhere” for this logger."),
        ({"zone": 10**30}, "There is no zone"),
        ({"unit": "f"}, "“unit” is no column"),
    ],
    ids=str,
)
def test_a_row_is_refused_with_the_reason(device, change, why):
    response = device.post(device.row() | change, device.row(ago=2 * MINUTE))

    assert said(response) == ["refused", "stored"]
    assert why in reasons(response)[0]
    assert Reading.objects.count() == 1


def test_rows_that_are_no_rows_are_refused_too(device):
    body = (
        '{"readings": [5, null, [], {}, {"zone": 1, "zone": 2, "at": "", "t_c": 1, "rh_pct": 2},'
        ' {"zone": 1, "at": "2026-06-10T08:00:00Z", "t_c": 20}]}'
    )

    assert reasons(device.send(body)) == [
        "This row is no object of zone, at, t_c, rh_pct.",
        "This row is no object of zone, at, t_c, rh_pct.",
        "This row is no object of zone, at, t_c, rh_pct.",
        "“zone” is missing.",
        "This row says a name twice.",
        "“rh_pct” is missing.",
    ]


@pytest.mark.parametrize("column", ["zone", "at", "t_c", "unit"])
def test_half_a_character_refuses_its_row_alone(device, column):
    """RFC 8259 section 8.2: JSON can spell half of a surrogate pair, which UTF-8 cannot."""
    response = device.post(device.row() | {column: "T\ud800"}, device.row(ago=2 * MINUTE))

    assert said(response) == ["refused", "stored"]


@pytest.mark.parametrize("written", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_numbers_beyond_all_numbers_refuse_their_row(device, written):
    body = json.dumps({"readings": [device.row(), device.row(ago=2 * MINUTE)]}).replace("20.5", written, 1)

    assert said(device.send(body)) == ["refused", "stored"]


@pytest.mark.parametrize(
    ("at", "word"),
    [("2026-06-10T09:05:00Z", "stored"), ("2026-06-10T09:05:01Z", "refused")],
    ids=["the-tolerance-itself", "one-second-past-it"],
)
def test_the_future_begins_behind_the_tolerance_of_clocks(device, at, word):
    assert said(device.post(device.row() | {"at": at})) == [word]


def test_a_closed_job_takes_nothing_more(device):
    job = device.zone.job
    job.closed_at = NOW
    job.save()

    assert reasons(device.post(device.row())) == [
        f"Job {job.number} is closed; nothing more is recorded for it."
    ]


# ---- whose zone it is


def test_another_loggers_zone_answers_like_one_that_never_was(device):
    other = Device(name="L4").zone

    of_another = reasons(device.post(device.row(zone=other.pk)))
    of_nobody = reasons(device.post(device.row(zone=987_654)))

    assert of_another == [f"There is no zone “{other.pk}” for this logger."]
    assert of_nobody == ["There is no zone “987654” for this logger."]
    assert not Reading.objects.exists()


def test_a_zone_is_named_by_number_or_name():
    ward = make.zone(name="Ward A")
    device = Device(ward)
    names = [ward.pk, str(ward.pk), "Ward A", " ward a "]

    rows = [device.row(ago=n * MINUTE, zone=name) for n, name in enumerate(names)]

    assert said(device.post(*rows)) == ["stored"] * 4
    assert Reading.objects.filter(zone=ward).count() == 4


def test_a_name_of_two_zones_is_asked_for_the_number():
    one, other = make.zone(name="East"), make.zone(name="East")
    device = Device(one, other)

    response = device.post(device.row(zone="East"), device.row(zone=other.pk))

    assert said(response) == ["refused", "stored"]
    assert reasons(response)[0] == f"“East” may be zones {one.pk}, {other.pk}; give the number."


def test_a_name_that_is_anothers_number_is_asked_for_too():
    one = make.zone()
    other = make.zone(name=str(one.pk))
    device = Device(one, other)

    response = device.post(device.row(zone=str(one.pk)), device.row(zone=one.pk))

    assert said(response) == ["refused", "stored"]


def test_one_batch_may_be_for_several_zones():
    one, other = make.room().zone, make.room().zone
    device = Device(one, other)

    assert said(device.post(device.row(zone=one.pk), device.row(zone=other.pk))) == ["stored", "stored"]

    assert [zone.rooms.get().facts_version for zone in (one, other)] == [1, 1]


# ---- bodies


HEADER = "zone,at,t_c,rh_pct\n"


def test_the_same_columns_come_as_csv_in_any_order(device):
    body = (
        "\N{ZERO WIDTH NO-BREAK SPACE}rh_pct, zone,at,t_c\r\n"
        f'45.5,"{device.zone.name}",2026-06-10T08:00:00+00:00,20.5\r\n'
        "\r\n"
        f"46,{device.zone.pk},2026-06-10T10:05:00+02:00,2.05e1\r\n"
    )

    assert said(device.send(body, kind="text/csv; charset=utf-8")) == ["stored", "stored"]
    assert {one.temperature for one in Reading.objects.all()} == {20.5}


@pytest.mark.parametrize("number", ["", "nan", "inf", "1e999", "20,5", "0x14", "２０", "1_0", "--1"])
def test_a_csv_cell_that_is_no_number_refuses_its_row(device, number):
    zone = device.zone.pk
    rows = f'{zone},2026-06-10T08:00:00Z,"{number}",45\n{zone},2026-06-10T08:05:00Z,20,45\n'

    assert said(device.send(HEADER + rows, kind=CSV)) == ["refused", "stored"]


def test_a_csv_row_with_too_few_cells_is_refused(device):
    zone = device.zone.pk
    body = f"{HEADER}{zone},2026-06-10T08:00:00Z,20\n{zone},2026-06-10T08:05:00Z,20,45\n"

    response = device.send(body, kind=CSV)

    assert reasons(response) == ["This row has 3 cells and not four.", ""]


@pytest.mark.parametrize(
    ("kind", "body", "why"),
    [
        (JSON, "", "The JSON breaks off or goes wrong at line 1, column 1."),
        (JSON, '{"readings": [{"zone": 1, "at"', "The JSON breaks off or goes wrong at line 1, column 31."),
        (JSON, '{"readings": []}', "There is no reading in it."),
        (JSON, "[]", "The JSON must be an object"),
        (JSON, '{"readings": {}}', "The JSON must be an object"),
        (JSON, '{"readings": [], "unit": "f"}', "The JSON must be an object"),
        (JSON, "[" * 100_000, "The JSON is nested too deep."),
        (JSON, '{"readings": [' + "9" * 5_000 + "]}", "There is a number in the JSON that nobody can read."),
        (JSON, b'{"readings": "\xff"}', "Byte 15 is not UTF-8."),
        (CSV, "", "The first line must name the columns"),
        (CSV, HEADER, "There is no reading in it."),
        (CSV, "zone,at,t_c,rh_pct,unit\n", "it says: zone, at, t_c, rh_pct, unit."),
        (CSV, HEADER + '1,"2026', "The CSV goes wrong at line 2."),
        (CSV, HEADER + "1,\0,2,3\n", "“\0” is no time"),
    ],
    ids=["nothing", "half", "none", "list", "object", "more", "deep", "digits", "bytes", *["csv"] * 5],
)
def test_a_body_that_is_no_batch_is_refused_with_what_is_wrong(device, kind, body, why):
    response = device.send(body, kind=kind)

    if response.status_code == 422:
        assert why in reasons(response)[0]
    else:
        assert response.status_code == 400
        assert why in error(response)
    assert not Reading.objects.exists()


@pytest.mark.parametrize("kind", [JSON, CSV])
def test_more_than_ten_thousand_store_nothing(device, kind):
    rows = [device.row(ago=n * MINUTE) for n in range(10_001)]
    body = json.dumps({"readings": rows})
    if kind == CSV:
        body = HEADER + "".join(f"{one['zone']},{one['at']},20,45\n" for one in rows)

    response = device.send(body, kind=kind)

    assert response.status_code == 413
    assert error(response) == "A batch has at most 10000 readings; send them in parts."
    assert not Reading.objects.exists()


class Unread:
    """A body of which nothing may be kept in memory."""

    def __init__(self, length):
        self.left = length
        self.largest = 0

    def read(self, size=-1):
        assert 0 < size <= MOST_BYTES
        self.largest = max(self.largest, size)
        piece = b"x" * min(size, self.left)
        self.left -= len(piece)
        return piece

    def readline(self, size=-1):
        raise AssertionError("nobody reads it by lines")


def test_ten_megabytes_are_refused_before_they_are_read_into_memory(device):
    body = Unread(10_000_000)

    response = Client().post(
        PATH,
        content_type=JSON,
        headers={"authorization": f"Bearer {device.token}"},
        **{"wsgi.input": body, "CONTENT_LENGTH": "10000000"},
    )

    assert response.status_code == 413
    assert error(response) == "A body has at most 4 MB; send the readings in parts."
    # Heard out piece by piece, so that the logger comes to read why.
    assert (body.left, body.largest <= 256 * 1024) == (0, True)


def test_a_body_that_breaks_off_is_refused(device):
    response = Client().post(
        PATH,
        content_type=JSON,
        headers={"authorization": f"Bearer {device.token}"},
        **{"wsgi.input": Unread(40), "CONTENT_LENGTH": "90"},
    )

    assert (response.status_code, error(response)) == (400, "The body broke off after 40 of 90 bytes.")


def test_a_body_without_a_length_is_asked_for_it(device):
    response = Client().post(
        PATH,
        content_type=JSON,
        headers={"authorization": f"Bearer {device.token}"},
        **{"wsgi.input": Unread(40), "CONTENT_LENGTH": ""},
    )

    assert (response.status_code, error(response)) == (411, "Say with “Content-Length” how long the body is.")


@pytest.mark.parametrize(
    ("kind", "headers", "expected"),
    [
        ("text/plain", {}, {"Accept": "application/json, text/csv"}),
        ("application/x-www-form-urlencoded", {}, {"Accept": "application/json, text/csv"}),
        ("application/json; charset=iso-8859-1", {}, {"Accept": "application/json, text/csv"}),
        (JSON, {"content-encoding": "gzip"}, {"Accept-Encoding": "identity"}),
    ],
)
def test_another_kind_of_body_is_refused_with_what_is_taken(device, kind, headers, expected):
    response = device.send("{}", kind=kind, **headers)

    assert response.status_code == 415
    assert "Readings are taken" in error(response)
    assert {name: response[name] for name in expected} == expected


# ---- tokens


def challenge(response):
    assert response.status_code == 401
    assert response["WWW-Authenticate"].startswith('Bearer realm="readings"')
    return error(response)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (None, "A logger posts with “Authorization: Bearer” and its token."),
        ("Basic YTpi", "“Authorization” is not “Bearer” and a token."),
        ("Bearer", "“Authorization” is not “Bearer” and a token."),
        ("Bearer one two", "“Authorization” is not “Bearer” and a token."),
        ("Bearer Zn9pbGxlZA", "This token is not known here."),
    ],
)
def test_who_has_no_token_is_told_how_to_come(device, said, why):
    headers = {} if said is None else {"authorization": said}

    assert challenge(Client().post(PATH, "{}", content_type=JSON, headers=headers)) == why


def test_a_renewed_token_is_told_so_and_the_new_one_serves(device):
    renewed = loggers.renew_token(device.logger, by=device.boss, now=NOW - timedelta(days=2))

    old = device.send(json.dumps({"readings": [device.row()]}))
    assert challenge(old) == "This token was renewed on 2026-06-08 09:00:00 UTC; use the new one."
    assert 'error="invalid_token", error_description="This token was renewed on' in old["WWW-Authenticate"]
    assert said(device.send(json.dumps({"readings": [device.row()]}), token=renewed)) == ["stored"]


def test_a_token_that_was_renewed_twice_is_still_told_so(device):
    for days in (3, 2):
        loggers.renew_token(device.logger, by=device.boss, now=NOW - timedelta(days=days))

    assert "renewed on 2026-06-07" in challenge(device.post(device.row()))


def test_an_ended_logger_reports_no_more(device):
    loggers.end_logger(device.logger, by=device.boss, now=NOW - timedelta(days=2))

    assert challenge(device.post(device.row())) == "This logger was ended on 2026-06-08 09:00:00 UTC."
    assert not Reading.objects.exists()


def test_a_token_is_kept_as_its_digest_alone(device):
    renewed = loggers.renew_token(device.logger, by=device.boss, now=NOW)
    stored = [str(vars(row)) for row in (*Logger.objects.all(), *SpentToken.objects.all())]

    assert len(device.token) == len(renewed) == 43
    assert not any(token in text for token in (device.token, renewed) for text in stored)


def test_a_token_is_found_in_one_statement(device, django_assert_num_queries):
    with django_assert_num_queries(1):
        assert loggers.sender_of(device.token, now=NOW).name == "L3"


def test_the_scheme_is_read_in_any_case(device):
    response = Client().post(
        PATH,
        json.dumps({"readings": [device.row()]}),
        content_type=JSON,
        headers={"authorization": f"bEARER {device.token}"},
    )

    assert said(response) == ["stored"]


def test_the_last_use_is_written_at_most_once_a_minute(device, monkeypatch):
    noted = []
    for seconds in (0, 59, 60, 61):
        monkeypatch.setattr(clock, "read", lambda at=NOW + timedelta(seconds=seconds): at)
        device.post(device.row(ago=timedelta(hours=1)))
        device.logger.refresh_from_db()
        noted.append((device.logger.last_used_at - NOW).total_seconds())

    assert noted == [0, 0, 60, 60]


def test_no_session_no_cookie_and_no_form_token_is_needed(device, django_assert_max_num_queries):
    client = Client(enforce_csrf_checks=True)
    with django_assert_max_num_queries(40):
        response = client.post(
            PATH,
            json.dumps({"readings": [device.row()]}),
            content_type=JSON,
            headers={"authorization": f"Bearer {device.token}"},
        )

    assert said(response) == ["stored"]
    assert (len(response.cookies), response.get("Vary")) == (0, None)


def test_only_posting_is_answered(device):
    response = Client().get(PATH)

    assert (response.status_code, response["Allow"], error(response)) == (405, "POST", "Readings are posted.")


# ---- clocks


def slow_clock(device, *, minutes=60, since=NOW - timedelta(days=1)):
    return loggers.state_clock(
        make.envelope(device.boss), zone=device.zone, logger="L3", from_at=since, offset=minutes * MINUTE
    )


def test_a_clock_that_is_ahead_may_say_what_is_still_to_come(device):
    ahead = device.row(ago=-60 * MINUTE)
    assert said(device.post(ahead)) == ["refused"]

    slow_clock(device, minutes=-60)

    assert said(device.post(ahead)) == ["stored"]
    assert Reading.objects.get().happened_at == NOW + timedelta(hours=1)


def test_a_slow_clock_that_was_put_right_is_asked_about(device):
    slow_clock(device)

    assert said(device.post(device.row(ago=61 * MINUTE))) == ["stored"]
    assert "once +60 min are added" in reasons(device.post(device.row(ago=30 * MINUTE)))[0]


# ---- what looks wrong


def test_a_reading_that_jumps_out_and_back_is_flagged_and_counts(device):
    device.post(device.row(ago=15 * MINUTE), device.row(ago=10 * MINUTE, t=35.0))
    # Of two that differ nobody knows which is wrong.
    assert [flag.kind for flag in ReadingFlag.objects.all()] == ["jump", "jump"]

    device.post(device.row(ago=20 * MINUTE), device.row(ago=5 * MINUTE))

    flag = ReadingFlag.objects.get()
    assert (flag.kind, flag.reading.temperature, flag.zone) == ("jump", 35.0, device.zone)
    assert Reading.objects.standing().count() == 4


# ---- at once


@pytest.mark.django_db(transaction=True)
def test_two_same_batches_at_once_store_each_reading_once():
    device = Device()
    rows = device.rows(AT_ONCE + 100)

    came = together(*(lambda: device.post(*rows) for _ in range(3)))

    assert errors(came) == []
    found = [said(response) for response in came]
    for index in range(len(rows)):
        assert sorted(one[index] for one in found) == ["known", "known", "stored"]
    assert Reading.objects.count() == len(rows)


@pytest.mark.django_db(transaction=True)
def test_two_loggers_and_a_person_at_once_do_not_lock_each_other():
    one, other = make.room().zone, make.room().zone
    first, second = Device(one, other, name="L1"), Device(one, other, name="L2")
    person = make.crew_lead()
    crews.attach_crew(make.crew(person), one.job, now=NOW)

    def by_hand():
        for number in range(10):
            seen.record_reading(
                make.envelope(person, ago=number * MINUTE, id=UUID(int=number + 1)),
                zone=one, temperature=20.0, unit="c", humidity_pct=45,
            )  # fmt: skip

    def posts(device, zones):
        rows = [device.row(ago=n * MINUTE, zone=zone.pk) for n in range(400) for zone in zones]
        return lambda: said(device.post(*rows))

    came = together(posts(first, (one, other)), posts(second, (other, one)), by_hand)

    assert errors(came) == []
    assert came[0] == came[1] == ["stored"] * 800
    assert Reading.objects.count() == 1_610
