"""What is at stake, against sums done by hand. Invented prices."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.advice.stake import Course, collision_chance, sum_of, weigh_stake, worth_stopping
from watcher.records import Layer, Prices, Toolpath

# 100 layers of 0.2 mm, three minutes and 400 mm of filament each: 40 m and 5 h.
PATH = Toolpath(
    tuple(Layer(n, 0.2 * n, 0.2, (), 180.0 * (n - 1), 180.0, 400.0) for n in range(1, 101)),
    40_000.0,
    18_000.0,
    0.45,
)
PRICES = Prices(
    filament_per_kg=30.0,
    machine_hour=2.0,
    part=12.0,
    collision=40.0,
    collision_ratio=10.0,
    filament_diameter_mm=1.75,
    filament_density_g_cm3=1.24,
)


def stake(layer=40, elapsed_s=7920.0, lift_mm=2.0, chance=0.9, prices=PRICES):
    return weigh_stake(Course(PATH), layer, elapsed_s, lift_mm, chance, prices)


def test_the_sum_done_by_hand():
    """Layer 40 of 100 is done after 2 h 12 min: nominally 2 h, so the pace is 1.1.

    A metre of 1.75 mm filament is pi * 0.875^2 * 1000 = 2405.28 mm3, at 1.24 g/cm3 2.98255 g.
    Spent: 16 m = 47.7208 g, 1.43162 in filament, and 2.2 h * 2 = 4.40: 5.83162.
    To come: 24 m = 71.5812 g, 2.14744, and 3 h * 1.1 = 3.3 h, 6.60: 8.74744.
    2.0 mm of lift are 10 layers: a collision is even, 0.5 * 40 = 20.
    Stopping a good print loses 5.83162 + 12 = 17.83162, carrying on a failing one 28.74744.
    With 0.9 that it fails: stopping 0.1 * 17.83162 = 1.783162, carrying on 25.872696.
    Break-even: 17.83162 / (17.83162 + 28.74744) = 0.382826.
    """
    told = stake()
    assert told.spent_m == 16.0
    assert told.spent_g == pytest.approx(47.7208, abs=1e-3)
    assert told.spent_s == 7920.0
    assert told.to_come_m == 24.0
    assert told.to_come_g == pytest.approx(71.5812, abs=1e-3)
    assert told.to_come_s == pytest.approx(3.3 * 3600)
    assert told.spent_money == pytest.approx(5.83162, abs=1e-4)
    assert told.to_come_money == pytest.approx(8.74744, abs=1e-4)
    assert told.collision_chance == pytest.approx(0.5)
    assert told.loss_stop == pytest.approx(1.783162, abs=1e-4)
    assert told.loss_carry_on == pytest.approx(25.872696, abs=1e-4)
    assert told.break_even == pytest.approx(0.382826, abs=1e-5)
    assert worth_stopping(told)


def test_the_sum_is_shown_line_by_line():
    assert sum_of(stake()) == (
        "Spent so far: 47.7 g of filament (16.0 m) and 2.2 h, worth 5.83.",
        "Still to come: 71.6 g of filament (24.0 m) and 3.3 h, worth 8.75.",
        "Stopping a good print loses 5.83 spent + 12.00 for the part = 17.83.",
        "Carrying on with a failing print loses 8.75 to come + 0.50 x 40.00 for a collision = "
        "28.75.",
        "It is failing with a chance of 0.90: stopping now loses 0.10 x 17.83 = 1.78 on average, "
        "carrying on 0.90 x 28.75 = 25.87.",
        "From a chance of 0.38 on stopping loses less.",
    )


def test_the_break_even_is_where_both_lose_the_same():
    told = stake()
    even = stake(chance=told.break_even)
    assert even.loss_stop == pytest.approx(even.loss_carry_on)
    assert worth_stopping(stake(chance=told.break_even + 1e-6))
    assert not worth_stopping(stake(chance=told.break_even - 1e-6))


@pytest.mark.parametrize(
    ("lift_mm", "chance"), [(0.0, 0.0), (-1.0, 0.0), (1.0, 1 - 0.5**0.5), (2.0, 0.5), (6.0, 0.875)]
)
def test_a_collision_grows_likelier_with_lift_over_layer_height(lift_mm, chance):
    assert collision_chance(lift_mm, 0.2, 10.0) == pytest.approx(chance)
    # The same lift is worse for thinner layers.
    if lift_mm > 0:
        assert collision_chance(lift_mm, 0.1, 10.0) > chance


def test_near_the_end_little_is_saved_by_stopping():
    cheap = replace(PRICES, collision=None, part=None)
    assert worth_stopping(stake(10, 1980.0, prices=cheap))
    late = stake(99, 19_602.0, prices=cheap)
    assert late.to_come_m == pytest.approx(0.4)
    assert not worth_stopping(late)
    # What a collision would cost can still tip it.
    assert worth_stopping(stake(99, 19_602.0, prices=replace(cheap, collision=500.0)))


def test_after_the_last_layer_nothing_is_to_come():
    told = stake(100, 19_800.0)
    assert (told.to_come_g, told.to_come_s) == (0.0, 0.0)
    assert stake(400, 99_000.0).to_come_m == 0.0
    assert not worth_stopping(told)
    assert not worth_stopping(stake(100, 19_800.0, prices=Prices()))
    # Filament that no layer counts is in by then, too.
    purged = Course(replace(PATH, filament_mm=41_000.0))
    assert weigh_stake(purged, 100, 19_800.0, 2.0, 0.9, PRICES).to_come_m == 0.0
    assert weigh_stake(purged, 99, 19_700.0, 2.0, 0.9, PRICES).to_come_m == pytest.approx(1.4)


def test_without_prices_grams_and_hours_are_told_and_no_money():
    told = stake(prices=Prices())
    assert told.spent_g == pytest.approx(47.7208, abs=1e-3)
    assert told.spent_money is told.break_even is told.loss_stop is None
    assert worth_stopping(told)
    assert "give the filament's price per kg and the machine's hour" in sum_of(told)[-1]
    assert sum_of(stake(prices=Prices(filament_per_kg=30.0))) == sum_of(told)


def test_where_everything_is_free_no_choice_loses():
    free = stake(prices=Prices(filament_per_kg=0.0, machine_hour=0.0))
    assert free.break_even is None
    assert free.loss_stop == free.loss_carry_on == 0.0
    assert worth_stopping(free)
    assert sum_of(free)[-1] == "Nothing is worth anything here, so neither choice loses."


@given(
    layer=st.integers(0, 150),
    elapsed_s=st.floats(0, 1e6),
    lift_mm=st.floats(-5, 50),
    chance=st.floats(0, 1),
    per_kg=st.floats(0.01, 1e4),
    hour=st.floats(0.001, 1e4),
)
def test_no_loss_is_negative_and_the_break_even_is_a_chance(
    layer, elapsed_s, lift_mm, chance, per_kg, hour
):
    prices = replace(PRICES, filament_per_kg=per_kg, machine_hour=hour)
    told = stake(layer, elapsed_s, lift_mm, chance, prices)
    assert told.loss_stop >= 0
    assert told.loss_carry_on >= 0
    assert 0 <= told.break_even <= 1
    assert 0 <= told.collision_chance <= 1
    assert told.spent_m + told.to_come_m == pytest.approx(40.0)
    assert all(line.endswith(".") for line in sum_of(told))
