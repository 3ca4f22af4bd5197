"""What a run took and what stopping it saved, from its toolpath and the answers."""

import json
from dataclasses import asdict

import artificial_run
import pytest

from watcher.page.learnt import has_failed, months, printed, spent
from watcher.records import Answer, Prices, Weights
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
    def failed():
        return {one.id: has_failed(one) for one in store.shelf.listed()}

    assert failed() == {1: True, 2: False, 3: False}
    store.keep_answer(1, Answer("still fine", 1.75e9 + 60.0))
    assert not failed()[1]
    store.ledger.keep_job(1, outcome="failed")
    assert failed()[1]


def test_money_by_spool_or_by_the_runs_own_prices(tmp_path):
    """6 m of 1.75 mm at 1.24: 6000 * 2.40528 * 0.00124 = 17.895 g; watched for 29 * 66 s."""
    artificial_run.keep_two(tmp_path)
    with Store.open(tmp_path, write=True) as store:
        weights = {**asdict(Weights()), "prices": asdict(Prices(20.0, 1.5))}
        store._db.execute("UPDATE plans SET weights = ? WHERE run_id = 2", (json.dumps(weights),))
        spool = Spool(0, "black", "PLA", 1.75, 1.24, 40.0, 1000.0, 250.0, False, 0.0)
        store.ledger.keep_job(3, spool_id=store.ledger.add_spool(spool))
        bills = spent(store, store.shelf.listed())
    assert (bills[1].mass_g, bills[1].money) == (None, None)
    assert bills[1].filament_mm == 6000.0
    assert bills[2].mass_g == pytest.approx(17.895, abs=0.001)
    assert bills[2].money == pytest.approx(17.895 * 0.02 + 29 * 66 / 3600 * 1.5, abs=0.001)
    assert bills[3].money == pytest.approx(17.895 * 0.04, abs=0.001)


def test_a_deleted_run_counts_no_more(store):
    assert months(store)[0].runs == 3
    store.shelf.delete([1])
    (month,) = months(store)
    assert (month.runs, month.failed) == (2, 0)
