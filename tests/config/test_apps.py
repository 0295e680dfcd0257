import gc

from config.apps import COLLECT_EVERY


def test_cycles_are_looked_for_now_and_then_and_not_with_every_row():
    assert gc.isenabled()
    assert gc.get_threshold()[0] == COLLECT_EVERY
