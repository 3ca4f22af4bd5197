"""What is left on a spool, from what was written down."""

import pytest

from watcher.before.filament import per_mm_g
from watcher.before.spool import density_of, dried_at, stock_of
from watcher.store import Spool, SpoolEvent
from watcher.trouble import BadFacts


def spool(**more):
    values = {
        "density_g_cm3": 1.24,
        "price_per_kg": None,
        "marked_g": 1000.0,
        "empty_g": 250.0,
        "sealed": False,
        "added_utc_s": 0.0,
    }
    return Spool(1, "white", "PLA", 1.75, **(values | more))


GRAM_PER_M = per_mm_g(1.75, 1.24) * 1000


def used(at, metres):
    return SpoolEvent(at, "used", length_mm=metres * 1000)


def test_a_new_spool_is_counted_down():
    # 1000 g / 2.98255 g/m = 335.28 m, less 35.28 m.
    assert stock_of(spool(), [used(1, 30), used(2, 5.28)]).length_mm == pytest.approx(
        300_000, abs=20
    )


def test_a_weighing_settles_it_and_later_use_counts_down_from_there():
    events = [used(1, 100), SpoolEvent(2, "weighed", gross_g=850.0), used(3, 20)]
    # 600 g are 201.17 m; 20 m were used since, what was used before does not count.
    assert stock_of(spool(), events).length_mm == pytest.approx(181_170, abs=20)


def test_nothing_known_is_told():
    with pytest.raises(BadFacts, match="Weigh it"):
        stock_of(spool(marked_g=None), [])
    with pytest.raises(BadFacts, match="when empty is not known"):
        stock_of(spool(empty_g=None), [SpoolEvent(2, "weighed", gross_g=850.0)])


def test_density_of_the_data_sheet_goes_before_the_class():
    assert density_of(spool())[0] == 1.24
    middle, sigma = density_of(spool(density_g_cm3=None))
    assert middle == pytest.approx(1.24)
    assert sigma == pytest.approx(0.005)


def test_the_last_drying():
    assert dried_at([]) is None
    assert dried_at([SpoolEvent(5, "dried", hours=4, celsius=50), used(9, 1)]) == 5
