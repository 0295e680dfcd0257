from datetime import UTC, datetime

import pytest

from jobs.models import SignInLink
from jobs.seconds import Seconds
from tests import make
from tests.conftest import NOW


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("at", "seconds"),
    [
        # RFC 3339 writes the epoch as 1970-01-01T00:00:00Z; the others are worked by hand: 86,400 s a day.
        (datetime(1970, 1, 1, tzinfo=UTC), 0),
        (datetime(1970, 1, 2, 0, 0, 1, tzinfo=UTC), 86_401),
        (datetime(2000, 3, 1, 12, tzinfo=UTC), (30 * 365 + 7 + 31 + 29) * 86_400 + 43_200),
    ],
)
def test_the_database_tells_an_instant_as_whole_seconds(at, seconds):
    SignInLink.objects.create(person=make.person(), digest="d", is_mailed=False, made_at=at, ends_at=NOW)

    (told,) = SignInLink.objects.values_list(Seconds("made_at"), flat=True)

    assert (told, type(told)) == (seconds, int)
