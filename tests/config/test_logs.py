import json
import logging

from config.logs import Json, Text, masked, request_named

SECRET = "Zx9_-" * 8 + "abc"  # 43 characters, as secrets.token_urlsafe(32) makes them


def record(message, *arguments):
    return logging.LogRecord("jobs", logging.WARNING, "x.py", 1, message, arguments, None)


def test_no_secret_of_a_link_stands_in_a_line():
    said = record("Not Found: %s", f"/feeds/{SECRET}.ics")

    assert Text().format(said) == "WARNING jobs Not Found: /feeds/….ics"
    assert SECRET not in Json().format(said)


def test_ordinary_paths_and_identifiers_stay_readable():
    line = "POST /rooms/018f3b7e-9c2a-7d10-8a55-0123456789ab/start"

    assert masked(line) == line


def test_lines_carry_the_name_of_their_request():
    with request_named() as name:
        assert Text().format(record("hello")) == f"WARNING jobs hello [{name}]"
        assert json.loads(Json().format(record("hello")))["request"] == name

    assert "request" not in json.loads(Json().format(record("hello")))


def test_an_error_is_one_json_line_with_its_traceback():
    said = record("it broke")
    try:
        raise ValueError("seven")
    except ValueError as error:
        said.exc_info = (ValueError, error, error.__traceback__)

    line = Json().format(said)

    assert "\n" not in line
    assert "ValueError: seven" in json.loads(line)["error"]
