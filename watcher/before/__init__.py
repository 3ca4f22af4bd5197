"""Before the print starts: filament, end on the clock, warp, drying, camera, as one list."""

from watcher.before.checklist import Item, Sheet
from watcher.before.clock import Hours, hours_unwatched
from watcher.before.eye import Eye, look_at, spread_px
from watcher.before.filament import Forecast, Place, Stock, counted, forecast, reached, weighed
from watcher.before.materials import MATERIALS, Material, material
from watcher.before.warp import Footprint, curl_mm, footprint

__all__ = [
    "MATERIALS",
    "Eye",
    "Footprint",
    "Forecast",
    "Hours",
    "Item",
    "Material",
    "Place",
    "Sheet",
    "Stock",
    "counted",
    "curl_mm",
    "footprint",
    "forecast",
    "hours_unwatched",
    "look_at",
    "material",
    "reached",
    "spread_px",
    "weighed",
]
