"""What is at stake: what stopping now and carrying on may cost, in grams, hours and money.

Stopping a print that is good throws away what was spent on it, and the part is not there in the
morning. Carrying on with a print that is failing spends the rest for nothing, and the head may run
into what stands up. What was spent on a failing print is lost either way and weighs on neither
side.
"""

from __future__ import annotations

import math
from bisect import bisect_right

from watcher.records import Prices, Stake, Toolpath
from watcher.toolpath.filament import filament_mass_g

USUAL_PACE = 1.05
"""common practice, no source: acceleration and waiting add about 5 % to nominal times."""
PACE_KNOWN_S = 600.0
"""From so much nominal time on the pace of this night is believed."""


class Course:
    """How much of a toolpath is done, by layer. Built once a run."""

    def __init__(self, toolpath: Toolpath) -> None:
        self._numbers = [layer.number for layer in toolpath.layers]
        self._ends_s = [layer.start_s + layer.duration_s for layer in toolpath.layers]
        self._heights_mm = [layer.height_mm for layer in toolpath.layers]
        self._done_mm: list[float] = []
        total = 0.0
        for layer in toolpath.layers:
            total += layer.filament_mm
            self._done_mm.append(total)
        self.filament_mm = max(total, toolpath.filament_mm)
        if self._done_mm:
            # What no layer counts, purging and priming, is all in by the end.
            self._done_mm[-1] = self.filament_mm
        self.duration_s = max(toolpath.duration_s, self._ends_s[-1] if self._ends_s else 0.0)

    def _at(self, layer: int) -> int:
        return min(max(bisect_right(self._numbers, layer) - 1, 0), len(self._numbers) - 1)

    def done_mm(self, layer: int) -> float:
        """Filament that went in up to and with this layer, mm."""
        return self._done_mm[self._at(layer)]

    @staticmethod
    def grams(length_mm: float, prices: Prices) -> float:
        """Mass of a length of this filament, g."""
        diameter, density = prices.filament_diameter_mm, prices.filament_density_g_cm3
        return filament_mass_g(length_mm, diameter, density)

    def height_mm(self, layer: int) -> float:
        """Height of this layer, mm."""
        return self._heights_mm[self._at(layer)]

    def to_come_s(self, layer: int, elapsed_s: float) -> float:
        """Seconds until the end, at the pace of this night so far."""
        nominal = self._ends_s[self._at(layer)]
        pace = USUAL_PACE
        if nominal >= PACE_KNOWN_S:
            pace = min(max(elapsed_s / nominal, 0.8), 2.0)
        return max(0.0, self.duration_s - nominal) * pace


def collision_chance(lift_mm: float, layer_mm: float, even_at: float) -> float:
    """Chance that the head runs into a lifted edge before the print ends.

    It is 1 - 2^(-q / even_at) with q the lift over the layer height: none for a flat part, even at
    ``even_at`` layers of lift, near certain beyond (a working rule of ours, no source).
    """
    if lift_mm <= 0 or layer_mm <= 0:
        return 0.0
    return 1.0 - math.exp2(-lift_mm / layer_mm / even_at)


def weigh_stake(
    course: Course, layer: int, elapsed_s: float, lift_mm: float, chance: float, prices: Prices
) -> Stake:
    """Weigh stopping now against carrying on.

    Args:
        course: of the toolpath being printed.
        layer: the layer that is done, or being printed.
        elapsed_s: since the print began.
        lift_mm: how high the highest suspected place stands up, mm.
        chance: that the print is failing, 0 to 1.
        prices: what things are worth; without a filament price and a machine hour no money and no
            break-even are given.

    """
    done_mm = course.done_mm(layer)
    rest_mm = max(0.0, course.filament_mm - done_mm)
    rest_s = course.to_come_s(layer, elapsed_s)
    part, collision = prices.part or 0.0, prices.collision or 0.0
    crash = collision_chance(lift_mm, course.height_mm(layer), prices.collision_ratio)
    spent_g, rest_g = course.grams(done_mm, prices), course.grams(rest_mm, prices)
    spent = _money(spent_g, elapsed_s, prices)
    rest = _money(rest_g, rest_s, prices)
    break_even = loss_stop = loss_carry_on = None
    if spent is not None and rest is not None:
        if_good = spent + part
        if_failing = rest + crash * collision
        loss_stop = (1 - chance) * if_good
        loss_carry_on = chance * if_failing
        if if_good + if_failing > 0:
            break_even = if_good / (if_good + if_failing)
    return Stake(
        spent_g=spent_g,
        spent_m=done_mm / 1000.0,
        spent_s=elapsed_s,
        to_come_g=rest_g,
        to_come_m=rest_mm / 1000.0,
        to_come_s=rest_s,
        spent_money=spent,
        to_come_money=rest,
        part_money=part,
        collision_money=collision,
        collision_chance=crash,
        chance=chance,
        break_even=break_even,
        loss_stop=loss_stop,
        loss_carry_on=loss_carry_on,
    )


def _money(filament_g: float, seconds: float, prices: Prices) -> float | None:
    if prices.filament_per_kg is None or prices.machine_hour is None:
        return None
    return filament_g / 1000.0 * prices.filament_per_kg + seconds / 3600.0 * prices.machine_hour


def worth_stopping(stake: Stake) -> bool:
    """Whether carrying on is expected to lose at least as much; true where no prices are set.

    After the last layer there is nothing left to stop.
    """
    if stake.to_come_g <= 0:
        return False
    if stake.loss_stop is None or stake.loss_carry_on is None:
        return True
    return stake.loss_carry_on >= stake.loss_stop


def sum_of(stake: Stake) -> tuple[str, ...]:
    """The sum line by line, to be read by a person."""
    spent = f"Spent so far: {_used(stake.spent_g, stake.spent_m, stake.spent_s)}"
    rest = f"Still to come: {_used(stake.to_come_g, stake.to_come_m, stake.to_come_s)}"
    if (
        stake.spent_money is None
        or stake.to_come_money is None
        or stake.loss_stop is None
        or stake.loss_carry_on is None
    ):
        return (
            f"{spent}.",
            f"{rest}.",
            "No money is weighed: give the filament's price per kg and the machine's hour in the "
            "settings to see it.",
        )
    if_good = stake.spent_money + stake.part_money
    crash = stake.collision_chance * stake.collision_money
    if_failing = stake.to_come_money + crash
    good = 1 - stake.chance
    lines = [
        f"{spent}, worth {stake.spent_money:.2f}.",
        f"{rest}, worth {stake.to_come_money:.2f}.",
        f"Stopping a good print loses {stake.spent_money:.2f} spent + {stake.part_money:.2f} for "
        f"the part = {if_good:.2f}.",
        f"Carrying on with a failing print loses {stake.to_come_money:.2f} to come + "
        f"{stake.collision_chance:.2f} x {stake.collision_money:.2f} for a collision = "
        f"{if_failing:.2f}.",
        f"It is failing with a chance of {stake.chance:.2f}: stopping now loses {good:.2f} x "
        f"{if_good:.2f} = {stake.loss_stop:.2f} on average, carrying on {stake.chance:.2f} x "
        f"{if_failing:.2f} = {stake.loss_carry_on:.2f}.",
    ]
    if stake.break_even is None:
        lines.append("Nothing is worth anything here, so neither choice loses.")
    else:
        lines.append(f"From a chance of {stake.break_even:.2f} on stopping loses less.")
    return tuple(lines)


def _used(grams: float, metres: float, seconds: float) -> str:
    return f"{grams:.1f} g of filament ({metres:.1f} m) and {seconds / 3600.0:.1f} h"
