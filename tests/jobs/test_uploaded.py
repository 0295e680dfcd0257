"""Names of uploaded files: what is left of one that is a path, a device or a trick of the eye."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.uploaded import LONGEST_NAME, clean_name, sha256_of


@pytest.mark.parametrize(
    ("given_name", "cleaned"),
    [
        pytest.param("chip 1.jpg", "chip 1.jpg", id="plain"),
        pytest.param("../../etc/passwd", "passwd", id="a-path"),
        pytest.param("C:\\Users\\ann\\chip.jpg", "chip.jpg", id="a-path-of-another-machine"),
        pytest.param("/", "unnamed", id="only-a-path"),
        pytest.param("", "unnamed", id="nothing"),
        pytest.param("...", "unnamed", id="only-stops"),
        pytest.param(".htaccess", "htaccess", id="hidden"),
        pytest.param("a\x00b\r\nc.pdf", "a b c.pdf", id="unseen-letters"),
        # U+202E turns the reading order round: this reads `photo_exe.jpg` but ends in `.exe`.
        pytest.param("photo_\u202egpj.exe", "photo_ gpj.exe", id="turned-round"),
        pytest.param('a<b>:"|?*.pdf', "a_b______.pdf", id="signs-of-file-systems"),
        pytest.param("CON.pdf", "_CON.pdf", id="a-device"),
        pytest.param("console.pdf", "console.pdf", id="only-like-a-device"),
        pytest.param("e\u0301.jpg", "\u00e9.jpg", id="one-letter-in-two"),
        pytest.param("x" * 300 + ".jpeg", "x" * (LONGEST_NAME - 5) + ".jpeg", id="too-long"),
        pytest.param("x" * 300, "x" * LONGEST_NAME, id="too-long-without-an-end"),
        pytest.param(
            "x" * 300 + "." + "y" * 10, "x" * (LONGEST_NAME - 11) + "." + "y" * 10, id="the-longest-end"
        ),
        pytest.param("x" * 300 + "." + "y" * 11, "x" * LONGEST_NAME, id="too-long-to-be-an-end"),
        pytest.param("a." + "x" * 300, "a." + "x" * (LONGEST_NAME - 2), id="too-long-an-end"),
    ],
)
def test_a_name_is_no_path_and_nothing_unseen(given_name, cleaned):
    assert clean_name(given_name) == cleaned


@given(st.text(max_size=200))
def test_a_cleaned_name_is_short_and_stays_as_it_is(name):
    cleaned = clean_name(name)

    assert cleaned
    assert len(cleaned) <= LONGEST_NAME
    assert not set(cleaned) & set('/\\\x00\r\n<>:"|?*')
    assert not cleaned.startswith(".")
    assert clean_name(cleaned) == cleaned


def test_the_hash_is_of_the_bytes_as_they_came():
    # FIPS 180-2, appendix B.1: the message "abc".
    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    # The empty message, as the byte-oriented test vectors of the same standard have it; from memory.
    assert sha256_of(b"") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
