"""Filament as a cylinder."""

import math

import pytest

from watcher.toolpath import filament_mass_g, filament_volume_mm3


def test_volume_of_a_cylinder():
    # V = pi d² l / 4.
    assert filament_volume_mm3(1000, 1.75) == pytest.approx(2405.28, abs=0.01)
    assert filament_volume_mm3(1000, 2.85) == pytest.approx(6379.40, abs=0.01)
    assert filament_volume_mm3(4, 2) == pytest.approx(4 * math.pi)


@pytest.mark.parametrize(
    ("density", "metres_a_kilogram"),
    # Densities from memory of handbook tables (amorphous polymers at 23 °C): PLA 1.24, ABS 1.04,
    # PETG 1.27, PA6 1.13 g/cm³. Lengths: 1 kg / (density x 2.40528 cm³/m), by hand.
    [(1.24, 335.3), (1.04, 399.8), (1.27, 327.4), (1.13, 367.9)],
)
def test_length_of_a_kilogram(density, metres_a_kilogram):
    mass = filament_mass_g(metres_a_kilogram * 1000, 1.75, density)
    assert mass == pytest.approx(1000, abs=0.5)


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="diameter"):
        filament_volume_mm3(1, 0)
    with pytest.raises(ValueError, match="density"):
        filament_mass_g(1, 1.75, -1)
