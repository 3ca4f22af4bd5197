"""The measurements of a run as tables: CSV (RFC 4180) and JSON (RFC 8259)."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import asdict
from typing import Any

from watcher.export.kept_run import NOT_JUDGED, KeptRun, readings_of
from watcher.records import Reading
from watcher.store import KeptFrame, Store

COLUMNS = (
    *("number", "picture", "elapsed_s", "utc_s", "layer"),
    *("kind", "place", "x_mm", "y_mm", "z_mm", "value", "sigma", "unit", "unseen"),
)
Progress = Callable[[int, int], None]


def csv_of(store: Store, kept: KeptRun, progress: Progress) -> bytes:
    """One line for each reading; a picture without any has one that says why.

    Numbers are written so that reading them gives the same ones; what is not known is empty.
    """
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for done, (frame, readings) in enumerate(readings_of(store, kept), 1):
        table.writerows(_rows(frame, readings))
        progress(done, len(kept.frames))
    return text.getvalue().encode()


def json_of(store: Store, kept: KeptRun, progress: Progress) -> bytes:
    """All that is kept of a run but its pictures, lines and the place they came from.

    What is not known or not finite is null.
    """
    run = kept.run
    pictures = []
    for done, (frame, readings) in enumerate(readings_of(store, kept), 1):
        pictures.append(asdict(frame) | {"readings": [asdict(reading) for reading in readings]})
        progress(done, len(kept.frames))
    told = {
        "run": {
            "id": run.id,
            "name": run.name,
            "started_utc_s": run.started_utc_s,
            "ended_utc_s": run.ended_utc_s,
            "state": run.state,
        },
        "setup": asdict(run.setup),
        "toolpath": asdict(run.toolpath) if run.toolpath else None,
        "weights": asdict(kept.plan.weights) if kept.plan else None,
        "pictures": pictures,
        "advice": [{"number": each.number} | asdict(each.advice) for each in kept.advice],
        "moments": [
            asdict(each.moment)
            | {"noticed": each.noticed, "truth": each.truth, "cause": each.cause}
            for each in kept.moments
        ],
        "answers": [asdict(each.answer) | {"heard": each.heard} for each in kept.answers],
        "left_out": [asdict(each) for each in kept.skipped],
    }
    return json.dumps(_finite(told), indent=1, ensure_ascii=False, allow_nan=False).encode()


def _rows(frame: KeptFrame, readings: tuple[Reading, ...]) -> Iterator[tuple[object, ...]]:
    view = frame.view
    layer = view.layer if view else None
    start = (frame.number, frame.name, frame.elapsed_s, frame.utc_s, layer)
    for r in readings:
        place_mm = r.place_mm or (None, None, None)
        yield (*start, r.kind, r.place, *place_mm, r.value, r.sigma, r.unit, r.unseen)
    if not readings:
        yield (*start, *[None] * 8, view.reason if view else NOT_JUDGED)


def _finite(told: Any) -> Any:
    """The same with ``None`` for numbers that JSON has no word for."""
    if isinstance(told, dict):
        return {name: _finite(value) for name, value in told.items()}
    if isinstance(told, (list, tuple)):
        return [_finite(value) for value in told]
    return None if isinstance(told, float) and not math.isfinite(told) else told
