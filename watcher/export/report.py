"""Tells a run in one HTML file that needs no network: to open in the morning, keep, send, print."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

import cv2
from jinja2 import Environment, PackageLoader, StrictUndefined

from watcher.advice.sentence import OFF
from watcher.advice.stake import sum_of
from watcher.export.curves import Curve, Mark, Point, span_of, svg_of
from watcher.export.kept_run import KeptRun, drawn, picture_of, seen_in, title_of
from watcher.page.words import CAUTIONS, amount, beside_level, duration, fault, how_sure, in_words
from watcher.records import BedMotion, FaultKind, Prices, Setup, Weights
from watcher.store import KeptFrame, Series, Store, ToolpathFacts

MOST_PICTURES = 12
"""A report with more moments shows the stops' pictures first; all moments are told in words."""
PICTURE_QUALITY = 80
ORDER: tuple[FaultKind, ...] = (
    *("corner-lift", "overhang-curl", "spaghetti", "detached", "layer-step", "no-growth"),
)
_HEADINGS: dict[FaultKind, str] = {
    "corner-lift": "Lift of the corners",
    "overhang-curl": "Curl of overhangs",
    "spaghetti": "Loose strands",
    "detached": "Motion of the part",
    "layer-step": "Step between layers",
    "no-growth": "Missing growth",
}
_MOTIONS: dict[BedMotion, str] = {
    "bed-y": "the bed slides back and forth",
    "bed-z": "the bed sinks",
    "fixed": "the bed stands still",
}
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Shown:
    """A picture in the report."""

    heading: str
    sentence: str
    address: str
    """The picture itself, as a data address (RFC 2397)."""
    alt: str
    caption: str
    size: tuple[int, int]


@dataclass(frozen=True)
class Drawing:
    """A curve in the report."""

    svg: str
    caption: str


@dataclass(frozen=True)
class Chapter:
    """The curves of one kind of fault, and their figures as a table."""

    heading: str
    drawings: list[Drawing]
    rows: list[tuple[str, str, str, str]]
    """Place, greatest value and when, last value, pictures in which it was not seen."""


def report_of(store: Store, kept: KeptRun, progress: Progress) -> bytes:
    """Write a run as an HTML page with pictures, curves, advice and settings in it.

    Pictures whose files are gone or broken are named instead of shown.
    """
    run = kept.run
    advice = run.advice
    by_number = {frame.number: frame for frame in kept.frames}
    pages = Environment(
        loader=PackageLoader("watcher.export", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # The sum that mattered is the one at the first stop; without a stop, the last one.
    sums = [a for a in kept.advice if a.advice.stake and a.number in by_number]
    weighed = next((a for a in sums if a.advice.level == "stop"), sums[-1] if sums else None)
    changes = [
        (_time(by_number[each.number]), each.advice.level, beside_level(each.advice))
        for i, each in enumerate(kept.advice)
        if each.number in by_number and (i == 0 or _matter(kept, i) != _matter(kept, i - 1))
    ]
    return (
        pages.get_template("report.html")
        .render(
            words=in_words(run),
            started=datetime.fromtimestamp(run.started_utc_s, UTC).isoformat(timespec="seconds"),
            level=advice.level if advice else "",
            sentence=beside_level(advice) if advice else "",
            sure=how_sure(advice) if advice else "",
            unseen=advice.unseen if advice else (),
            stake=sum_of(weighed.advice.stake) if weighed and weighed.advice.stake else (),
            stake_when=f"{_time(by_number[weighed.number])} into the print" if weighed else "",
            off="" if run.toolpath else OFF,
            pictures=_pictures(store, kept, progress),
            moments=[
                (duration(m.moment.elapsed_s), m.moment.name, m.moment.level, m.moment.sentence)
                for m in kept.moments
            ],
            chapters=_chapters(kept),
            changes=changes,
            answers=[
                (
                    datetime.fromtimestamp(each.answer.utc_s, UTC).strftime("%Y-%m-%d %H:%M UTC"),
                    each.answer.said,
                    _about(each.answer.kind, each.answer.place),
                )
                for each in kept.answers
            ],
            skipped=kept.skipped,
            settings=_settings(run.setup, run.toolpath, kept.plan.weights if kept.plan else None),
            points=run.setup.bed_points,
            cautions=" ".join(CAUTIONS),
        )
        .encode()
    )


def _matter(kept: KeptRun, place: int) -> tuple[object, ...]:
    """What makes advice another one; its figures change with nearly every picture."""
    advice = kept.advice[place].advice
    return advice.level, advice.kind, advice.place


def _about(kind: FaultKind | None, place: str) -> str:
    return ", ".join(word for word in (fault(kind) if kind else "", place) if word)


def _time(frame: KeptFrame) -> str:
    return duration(frame.elapsed_s)


# Pictures


def _pictures(store: Store, kept: KeptRun, progress: Progress) -> list[Shown]:
    """The flagged pictures and the last one, in order of time."""
    by_number = {frame.number: frame for frame in kept.frames}
    flagged: dict[int, list[int]] = {}
    for i, each in enumerate(kept.moments):
        if each.moment.index in by_number:
            flagged.setdefault(each.moment.index, []).append(i)

    def worth(number: int) -> tuple[bool, int]:
        stops = any(kept.moments[i].moment.level == "stop" for i in flagged[number])
        return not stops, number

    chosen = set(sorted(flagged, key=worth)[:MOST_PICTURES])
    frames = [by_number[number] for number in sorted(chosen | {kept.frames[-1].number})]
    shown = []
    for done, (frame, seen) in enumerate(zip(frames, seen_in(store, kept, frames), strict=True), 1):
        here = flagged.get(frame.number, []) if frame.number in chosen else []
        numbers = " and ".join(str(i + 1) for i in here)
        heading = f"Moment {numbers}" if len(here) == 1 else f"Moments {numbers}"
        sentence = " ".join(dict.fromkeys(kept.moments[i].moment.sentence for i in here))
        if not here:
            heading, sentence = "The last picture", ""
        bgr = picture_of(store, kept, frame)
        if bgr is None:
            gone = f"The picture {frame.name} is gone or broken."
            shown.append(Shown(heading, sentence, "", gone, title_of(frame), (0, 0)))
        else:
            sheet = drawn(bgr, frame, seen)
            quality = [cv2.IMWRITE_JPEG_QUALITY, PICTURE_QUALITY]
            coded = cv2.imencode(".jpg", sheet, quality)[1].tobytes()
            address = "data:image/jpeg;base64," + base64.b64encode(coded).decode("ascii")
            alt = f"The print {_time(frame)} after its beginning; {_lines(seen.outlines)}."
            size = (sheet.shape[1], sheet.shape[0])
            shown.append(Shown(heading, sentence, address, alt, title_of(frame), size))
        progress(done, len(frames))
    return shown


def _lines(outlines: tuple[object, ...]) -> str:
    return "what was measured is drawn over it" if outlines else "nothing is drawn over it"


# Curves


def _chapters(kept: KeptRun) -> list[Chapter]:
    marks = [
        Mark(each.moment.elapsed_s, str(i), each.moment.level == "stop")
        for i, each in enumerate(kept.moments, 1)
    ]
    chapters = []
    for kind in ORDER:
        watched = [_watched(s, kept.frames) for s in kept.series if s.kind == kind]
        if not watched:
            continue
        curves = [_curve(w, f"curve-{kind}-{i}") for i, w in enumerate(watched) if w.seen]
        span = span_of(curves)
        drawings = [
            Drawing(svg_of(curve, marks, kept.frames[-1].elapsed_s, span), w.series.place)
            for w, curve in zip([w for w in watched if w.seen], curves, strict=True)
        ]
        chapters.append(Chapter(_HEADINGS[kind], drawings, [_figures(w) for w in watched]))
    return chapters


@dataclass(frozen=True)
class _Watched:
    """One place over the pictures from the first in which it was looked for."""

    series: Series
    times: list[float]
    points: list[Point | None]

    @property
    def seen(self) -> list[Point]:
        return [point for point in self.points if point]


def _watched(series: Series, frames: list[KeptFrame]) -> _Watched:
    """A picture that could not be placed has no readings at all: there, nothing was seen either."""
    read = dict(zip(series.numbers, zip(series.values, series.sigmas, strict=True), strict=True))
    times: list[float] = []
    points: list[Point | None] = []
    for frame in frames:
        if frame.number >= series.numbers[0]:
            value, sigma = read.get(frame.number, (None, None))
            times.append(frame.elapsed_s)
            known = None if value is None else Point(frame.elapsed_s, value, sigma or 0.0)
            points.append(known)
    return _Watched(series, times, points)


def _curve(watched: _Watched, name: str) -> Curve:
    unseen: list[tuple[float, float]] = []
    later = [*watched.times[1:], watched.times[-1]]
    for start, stop, point in zip(watched.times, later, watched.points, strict=True):
        if point:
            continue
        if unseen and unseen[-1][1] == start:
            unseen[-1] = (unseen[-1][0], stop)
        else:
            unseen.append((start, stop))
    place, greatest, last, hidden = _figures(watched)
    kind = fault(watched.series.kind).capitalize()
    title = f"{kind}, {place}, over time: greatest {greatest}, last {last}, not seen in {hidden}"
    return Curve(name, title, watched.series.unit, watched.points, unseen)


def _figures(watched: _Watched) -> tuple[str, str, str, str]:
    seen, count = watched.seen, len(watched.points)
    hidden = f"{count - len(seen)} of {count} pictures"
    place, unit = watched.series.place, watched.series.unit
    if not seen:
        return place, "never measured", "", hidden
    most = max(seen, key=lambda point: point.value)
    greatest = f"{amount(most.value, most.sigma, unit)} at {duration(most.elapsed_s)}"
    return place, greatest, amount(seen[-1].value, seen[-1].sigma, unit), hidden


# Settings


def _settings(
    setup: Setup, toolpath: ToolpathFacts | None, weights: Weights | None
) -> list[tuple[str, str]]:
    told = [
        ("Picture", f"{setup.frame_size[0]} by {setup.frame_size[1]} px"),
        ("Bed", f"{setup.bed_mm[0]:g} by {setup.bed_mm[1]:g} mm; {_MOTIONS[setup.bed_motion]}"),
        ("Head aside for each picture", "yes" if setup.head_parked_for_frames else "no"),
    ]
    if toolpath:
        told += [
            ("Layers", f"{toolpath.layers}, {toolpath.height_mm:.2f} mm high together"),
            ("Filament of the whole print", f"{toolpath.filament_mm / 1000:.1f} m"),
            ("Nominal time of the toolpath", duration(toolpath.duration_s)),
        ]
    else:
        told.append(("Toolpath", "none was given"))
    if weights is None:
        return [*told, ("Budget and prices", "not kept")]
    return [
        *told,
        ("False stops in 100 nights", f"{weights.false_stops_per_100_nights:g}"),
        ("Failing nights in 100", f"{weights.failing_nights_per_100:g}"),
        *_prices(weights.prices),
    ]


def _prices(prices: Prices) -> list[tuple[str, str]]:
    named = {
        "Filament, a kg": prices.filament_per_kg,
        "Machine, an hour": prices.machine_hour,
        "The part": prices.part,
        "A collision": prices.collision,
    }
    return [(name, "not said" if x is None else f"{x:.2f}") for name, x in named.items()]
