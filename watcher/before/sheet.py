"""Makes the list before the print from what is known. No file and no clock: all is handed in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from watcher.before.checklist import Item, Sheet, State
from watcher.before.clock import hours_unwatched, learnt_pace
from watcher.before.drying import OVEN, dryness
from watcher.before.eye import BRIGHT, DARK, SOFT_PX, Eye
from watcher.before.filament import Forecast, Place, Stock, forecast
from watcher.before.materials import Material
from watcher.before.spool import density_of
from watcher.before.warp import ROOM_C, footprint, index_mm, standing, to_try
from watcher.evidence.intervals import wilson
from watcher.records import Toolpath
from watcher.store import Spool

CAUTIONS = (
    "This list is no leave to print unattended: the maker's manual, your local codes and qualified "
    "people decide that. It is no fire or smoke alarm.",
    "Filament gives off fumes and fine particles: air the room, keep your distance.",
)
SPARE_DISK = 1.2
GOOD_LEAST_MM = 0.5
"""A lift of half a millimetre is what a stop is about."""


@dataclass(frozen=True)
class Trial:
    """What is known of a test of alarm or stop."""

    set_up: bool
    """Whether there is anything to test."""
    when: str = ""
    """Of the last test that went well, in words; empty where there was none."""
    failed: str = ""
    """Why the last test failed; empty where it did not."""


@dataclass(frozen=True)
class Known:
    """All that the list is made of."""

    title: str
    toolpath: Toolpath
    material: Material
    spool: Spool | None
    stock: Stock | None
    stock_trouble: str
    """Why ``stock`` is not known."""
    others: Sequence[tuple[Spool, Stock]]
    """Other spools of the same material and diameter."""
    start: datetime
    """With its zone."""
    watched: tuple[time, time] | None
    paces: Sequence[float]
    past: Sequence[tuple[float, bool]]
    """Index of warp of earlier runs, and whether a corner lifted."""
    chamber_c: float | None
    bed_c: float | None
    humidity_percent: float | None
    hours_dry: float | None
    eye: Eye | None
    corner_names: Sequence[str]
    free_bytes: int | None
    frame_bytes: float | None
    interval_s: float
    alarm: Trial
    stop: Trial


def make_sheet(known: Known) -> Sheet:
    """Judge each point and put them together."""
    pace, sigma = learnt_pace(known.paces)
    seconds = known.toolpath.duration_s * pace
    items = [
        _filament(known, pace),
        _drying(known),
        *_camera(known),
        _disk(known, seconds),
        _tested("alarm", known.alarm, "watcher alarm test"),
        _tested("stop", known.stop, "watcher stop --dry-run"),
        _warp(known),
        _end(known, seconds, seconds * sigma / pace),
    ]
    return Sheet(known.title, tuple(items), CAUTIONS)


def _filament(known: Known, pace: float) -> Item:
    spool, stock = known.spool, known.stock
    if spool is None or stock is None:
        metres = known.toolpath.filament_mm / 1000
        said = known.stock_trouble or "No spool was named."
        return Item("filament", "not tested", f"It takes {metres:.1f} m. {said}")
    density, _ = density_of(spool)
    found = forecast(
        known.toolpath,
        stock,
        spool.diameter_mm,
        density,
        price_per_kg=spool.price_per_kg,
        pace=pace,
    )
    cost = "" if found.cost is None else f", which cost {found.cost:.2f}"
    purge = f", of it {found.start_mm:.0f} mm before the first layer" if found.start_mm > 1 else ""
    need = f"It takes {found.need_mm / 1000:.1f} m ({found.mass_g:.0f} g{cost}){purge}."
    have = (
        f"On {spool.name} there are {stock.length_mm / 1000:.1f} ± {stock.sigma_mm / 1000:.1f} m "
        f"({stock.how})."
    )
    states: dict[str, State] = {"enough": "ready", "in doubt": "not ready", "runs out": "not ready"}
    more = [need, have]
    if found.judgement != "enough":
        more.append(_who_else(known, found))
    return Item("filament", states[found.judgement], verdict(found), tuple(more))


def verdict(found: Forecast) -> str:
    """Enough, in doubt or where it runs out, in one sentence."""
    spare = found.spare_mm / 1000
    if found.judgement == "enough":
        return f"Enough, with {spare:.1f} m to spare."
    if found.judgement == "in doubt":
        at = f"; at worst it runs out {_place(found.earliest)}" if found.earliest else ""
        return f"In doubt: {spare:+.1f} ± {found.sigma_mm / 1000:.1f} m{at}."
    assert found.ends is not None
    first = found.earliest.layer if found.earliest else found.ends.layer
    last = found.latest.layer if found.latest else found.ends.layers
    return f"It runs out {_place(found.ends)} (between layers {first} and {last})."


def _place(place: Place | None) -> str:
    assert place is not None
    minutes = int(place.elapsed_s // 60)
    return (
        f"at layer {place.layer} of {place.layers}, {minutes // 60}:{minutes % 60:02} h into the "
        f"print at {place.z_mm:.1f} mm"
    )


def _who_else(known: Known, found: Forecast) -> str:
    enough = [
        spool.name
        for spool, stock in known.others
        if stock.length_mm - 2 * stock.sigma_mm >= found.need_mm
    ]
    if enough:
        return f"Enough is on: {', '.join(enough)}."
    return "No other spool of this material is known to hold enough."


def _drying(known: Known) -> Item:
    sealed = known.spool is not None and known.spool.sealed
    found = dryness(known.material, known.hours_dry, known.humidity_percent, sealed)
    more = [f"To dry it: {found.recipe}."]
    if known.material.hygroscopic or not found.ready:
        more.append(OVEN)
    if known.material.fumes:
        more.append(known.material.fumes)
    return Item(
        "drying", "ready" if found.ready else "not ready", f"{found.sentence}.", tuple(more)
    )


def _camera(known: Known) -> list[Item]:
    eye = known.eye
    if eye is None:
        return [Item("camera", "not tested", "No picture was given; name one with --picture.")]
    if eye.blind:
        return [Item("camera", "not ready", f"Nothing can be seen: {eye.blind}.")]
    return [_sharpness(eye), _light(eye), _corners(known, eye)]


def _sharpness(eye: Eye) -> Item:
    if eye.blur_px is None:
        return Item("sharpness", "not ready", "No clear edge in the picture. Focus and light it.")
    said = f"Edges are blurred by {eye.blur_px:.1f} px (sigma)."
    if eye.blur_px > SOFT_PX:
        return Item("sharpness", "not ready", f"{said} Focus the camera on the part's place.")
    return Item("sharpness", "ready", said)


def _light(eye: Eye) -> Item:
    said = f"Middle grey is {eye.level:.0f} of 255, noise {eye.noise:.1f}."
    if not DARK <= eye.level <= BRIGHT or eye.clipped > 0.1:
        mend = "Turn the lamp down or away." if eye.level > DARK else "Give it more light."
        return Item("light", "not ready", f"{said} {mend}")
    return Item("light", "ready", said)


def _corners(known: Known, eye: Eye) -> Item:
    if not eye.corners:
        return Item("corners", "to know", "The part has no corner that could lift.")
    named = list(zip(known.corner_names, eye.corners, strict=True))
    hidden = [name for name, corner in named if not corner.visible]
    seen = [(name, corner) for name, corner in named if corner.visible]
    least = tuple(f"{name}: from {corner.least_mm:.2f} mm on" for name, corner in seen)
    if not seen:
        return Item("corners", "not ready", "The camera sees none of the part's corners. Move it.")
    count = f"{len(seen)} of {len(named)} are seen"
    worst = max(corner.least_mm for _, corner in seen)
    said = f"{count}; the smallest lift that can be told there is {worst:.2f} mm (3 sigma)."
    if hidden:
        said += f" Not watched: {', '.join(hidden)}."
    state: State = "ready" if not hidden and worst <= GOOD_LEAST_MM else "not ready"
    return Item("corners", state, said, least)


def _disk(known: Known, seconds: float) -> Item:
    if known.free_bytes is None or known.frame_bytes is None:
        return Item("disk", "not tested", "How large a picture is, is not known; give --picture.")
    need = seconds / known.interval_s * known.frame_bytes * SPARE_DISK
    said = f"The night takes about {need / 1e6:.0f} MB, {known.free_bytes / 1e6:.0f} MB are free."
    enough = known.free_bytes > need
    return Item("disk", "ready" if enough else "not ready", said)


def _tested(name: str, tested: Trial, how: str) -> Item:
    if tested.failed:
        return Item(name, "not ready", f"The last test failed: {tested.failed}")
    if not tested.set_up:
        return Item(name, "not tested", f"No {name} is known to be set up.")
    if not tested.when:
        return Item(name, "not tested", f"It was never tested: {how}.")
    return Item(name, "ready", f"Tested {tested.when}.")


def _warp(known: Known) -> Item:
    foot = footprint(known.toolpath)
    chamber = ROOM_C if known.chamber_c is None else known.chamber_c
    index = index_mm(foot, known.material, chamber)
    glass = known.material.glass_c
    facts = (
        f"Longest span {foot.span_mm:.0f} mm, {foot.sharp_corners} sharp "
        f"{'corner' if foot.sharp_corners == 1 else 'corners'}, {foot.layers} "
        f"layers of {foot.layer_mm:.2f} mm, brim {foot.brim_mm:.0f} mm.",
        f"Shrinkage {known.material.expansion_per_k.middle * 1e6:.0f} µm/(m K) "
        f"({known.material.expansion_per_k.source}), glass transition {glass.middle:.0f} °C "
        f"({glass.source}), chamber {chamber:.0f} °C"
        + (" (assumed, not measured)" if known.chamber_c is None else "")
        + (f", bed {known.bed_c:.0f} °C." if known.bed_c is not None else "."),
    )
    tries = tuple(
        f"Try {one.what}: {one.why}."
        for one in to_try(foot, known.material, known.chamber_c, known.bed_c)
    )
    if index is None:
        said = (
            f"The model says nothing of {known.material.name}, whose glass transition lies below "
            "its surroundings."
        )
        return Item("warp", "to know", said, facts + tries)
    said = f"Index {index:.2f} mm: curl of a free strip (Wang, Xi and Jin 2007), to compare by."
    if known.material.semi_crystalline:
        said += " For a semi-crystalline material it is likely too low."
    stand = standing(index, known.past)
    if not stand.runs:
        said += " No earlier run to compare it with."
    elif stand.as_high:
        low, high = wilson(stand.lifted, stand.as_high)
        said += (
            f" Of {stand.as_high} of your runs with an index as high, {stand.lifted} lifted (95 %: "
            f"{low:.0%} to {high:.0%})."
        )
    else:
        said += f" Higher than all your {stand.runs} runs."
    return Item("warp", "to know", said, facts + tries)


def _end(known: Known, seconds: float, sigma_s: float) -> Item:
    end = known.start + timedelta(seconds=seconds)
    learnt = f"pace of {len(known.paces)} runs" if known.paces else "usual pace, none learnt yet"
    said = (
        f"Begun at {known.start:%H:%M}, it ends at {end:%H:%M} on {end:%d %B}, ± "
        f"{max(1.0, sigma_s / 60):.0f} min ({learnt}); heating not counted."
    )
    if known.watched is None:
        return Item("end", "to know", said)
    alone = hours_unwatched(known.start, end, known.watched)
    if not alone:
        return Item("end", "to know", f"{said} Somebody is there all the time.")
    hours = "; ".join(f"{h.begin:%a %H:%M} to {h.end:%a %H:%M}" for h in alone)
    return Item("end", "to know", f"{said} Nobody looks: {hours}.")
