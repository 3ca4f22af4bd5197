"""What a run took and what stopping it saved, from its toolpath and the answers."""

import artificial_run
import pytest

from watcher.page.learnt import is_failed, months, printed
from watcher.records import Answer
from watcher.store import Spool, Store


@pytest.fixture
def store(tmp_path):
    artificial_run.keep_two(tmp_path)
    with Store.open(tmp_path, write=True) as opened:
        yield opened


def test_a_run_to_its_end_took_all(store):
    came = printed(store, store.run(2))
    assert (came.used_mm, came.rest_mm) == (6000.0, 0.0)


def test_a_stop_that_a_person_told_ends_it_there(store):
    """30 layers of 60 s and 200 mm, one after the other; stopped after 630 s at the usual
    pace of 1.05: 600 nominal seconds, which is ten layers. By hand: 10 * 200 = 2000 mm."""
    store.keep_answer(1, Answer("stopped", 1.75e9 + 630.0))
    came = printed(store, store.run(1))
    assert came.used_mm == pytest.approx(2000.0)
    assert came.rest_mm == pytest.approx(4000.0)
    assert came.rest_s == pytest.approx(1800 * 1.05 - 630)
    store.ledger.keep_job(
        1,
        spool_id=store.ledger.add_spool(
            Spool(0, "black", "PLA", 1.75, 1.24, 20.0, 1000.0, 250.0, False, 0.0)
        ),
    )
    (month,) = months(store)
    # 4 m * 2.98255 g/m = 11.93 g, at 20 a kg 0.239.
    assert month.saved_g == pytest.approx(11.93, abs=0.01)
    assert month.saved_money == pytest.approx(0.2386, abs=0.001)


def test_who_says_that_a_run_failed(store):
    stop, fine = store.run(1), store.run(2)
    assert is_failed(store, stop, store.ledger.job(1))
    assert not is_failed(store, fine, store.ledger.job(2))
    store.keep_answer(1, Answer("still fine", 1.75e9 + 60.0))
    assert not is_failed(store, stop, store.ledger.job(1))
    store.ledger.keep_job(1, outcome="failed")
    assert is_failed(store, stop, store.ledger.job(1))
