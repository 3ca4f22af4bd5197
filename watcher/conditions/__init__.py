"""Chamber temperature and humidity: readings in whatever way they come, and their band."""

from watcher.conditions.band import Band, Departure, departures
from watcher.conditions.reading import BadReading, read_json, read_number, read_row
from watcher.conditions.tail import Tail

__all__ = [
    "BadReading",
    "Band",
    "Departure",
    "Tail",
    "departures",
    "read_json",
    "read_number",
    "read_row",
]
