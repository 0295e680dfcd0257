"""Files kept between the page that shows them and the act that reads them in."""

from __future__ import annotations

import hashlib
from datetime import timedelta

import pytest

from jobs.models import KeptFile
from jobs.services.kept import KEPT_FOR, forget_files, keep_file, kept_file
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


def test_a_file_is_found_again_by_the_hash_of_its_bytes():
    keep_file("a.csv", b"one", by=make.manager(), now=NOW)

    found = kept_file(hashlib.sha256(b"one").hexdigest())

    assert (found.name, bytes(found.body)) == ("a.csv", b"one")
    assert kept_file("0" * 64) is None


def test_the_same_bytes_are_kept_once_and_longer():
    keep_file("a.csv", b"one", by=make.manager(), now=NOW)

    kept = keep_file("b.csv", b"one", by=make.manager(), now=NOW + timedelta(days=1))

    assert (KeptFile.objects.count(), kept.name, kept.kept_at) == (1, "b.csv", NOW + timedelta(days=1))
    assert bytes(kept_file(kept.sha256).body) == b"one"


def test_what_nobody_came_back_for_is_forgotten():
    keep_file("a.csv", b"old", by=make.manager(), now=NOW)
    keep_file("b.csv", b"new", by=make.manager(), now=NOW + timedelta(seconds=1))

    assert forget_files(now=NOW + KEPT_FOR) == 0
    assert forget_files(now=NOW + KEPT_FOR + timedelta(seconds=1)) == 1

    assert KeptFile.objects.get().name == "b.csv"


def test_a_very_long_name_keeps_its_ending():
    kept = keep_file("x" * 300 + ".csv", b"one", by=make.manager(), now=NOW)

    assert (len(kept.name), kept.name[-4:]) == (200, ".csv")
