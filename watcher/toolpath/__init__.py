"""G-code in, layers with outlines and times out. No file is opened here."""

from watcher.toolpath.filament import filament_mass_g, filament_volume_mm3
from watcher.toolpath.gcode import Moves, arc_points, read_moves
from watcher.toolpath.read import read_toolpath
from watcher.toolpath.settings import bed_temperature_c, read_settings
from watcher.toolpath.timing import layer_at, move_durations

__all__ = [
    "Moves",
    "arc_points",
    "bed_temperature_c",
    "filament_mass_g",
    "filament_volume_mm3",
    "layer_at",
    "move_durations",
    "read_moves",
    "read_settings",
    "read_toolpath",
]
