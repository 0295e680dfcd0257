"""Two managers at one rule at the same moment, and a fact that comes in beside a change."""

from __future__ import annotations

import pytest

from jobs.facts import AlreadyDone
from jobs.models import Change, Room
from jobs.services import seen
from materials.models import Product, RestOverride
from materials.services.rules import FactsMoved, RuleEdit, change_rule, facts_mark, version_of
from scheduling import states
from scheduling.models import RoomState
from tests import make
from tests.conftest import NOW
from tests.threads import errors, together

pytestmark = pytest.mark.django_db(transaction=True)


def change(record, changes, by, *, facts):
    edit = RuleEdit(record, changes)
    return change_rule(edit, seen=version_of(record), facts=facts, by=by, now=NOW, reason="as agreed")


def test_of_two_who_save_at_once_one_is_told():
    product, room = make.sheet(), make.room()
    make.requirement(room, product, 4)
    facts = facts_mark(RuleEdit(product, {}).rooms())
    one, other = make.manager(), make.manager()

    came = together(
        lambda: change(product, {"rest_required_s": 3600}, one, facts=facts),
        lambda: change(product, {"rest_required_s": 7200}, other, facts=facts),
    )

    (refused,) = errors(came)
    # Whoever read the version last may have seen the other's change, and then finds the facts moved on.
    assert isinstance(refused, AlreadyDone | FactsMoved)
    assert Change.objects.filter(record="materials.product").count() == 1
    assert Product.objects.get().rest_required_s in (3600, 7200)
    assert Room.objects.get().facts_version == 1


def test_of_two_who_make_one_override_one_is_told():
    job = make.room().job
    facts = facts_mark(RuleEdit(job, {}).rooms())
    one, other = make.manager(), make.manager()

    def save(by):
        return change(RestOverride(job=job), {"rest_required_s": 3600}, by, facts=facts)

    came = together(lambda: save(one), lambda: save(other))

    (refused,) = errors(came)
    assert isinstance(refused, AlreadyDone | FactsMoved)
    assert RestOverride.objects.count() == 1


def test_a_fact_beside_a_change_of_rule_leaves_no_state_of_the_old_rule():
    product, room, boss = make.sheet(), make.room(), make.manager()
    make.requirement(room, product, 4)
    states.refresh_due(now=NOW)
    facts = facts_mark(RuleEdit(product, {}).rooms())

    came = together(
        lambda: change(product, {"rest_required_s": 0}, boss, facts=facts),
        lambda: seen.record_wetting(make.envelope(boss), room=room),
        lambda: states.refresh_due(now=NOW),
    )

    assert all(isinstance(one, FactsMoved) for one in errors(came)), came
    states.refresh_due(now=NOW)
    state, stands = RoomState.objects.get(), Product.objects.get()
    assert state.facts_version == Room.objects.get().facts_version
    rest = next(hold for hold in state.answer["holds"] if hold["kind"] == "rest")
    assert (rest["state"] == "not_needed") == (stands.rest_required_s == 0)
