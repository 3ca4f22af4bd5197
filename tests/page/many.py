"""Fills a store with many made-up runs, for what a list of them takes.

``python tests/page/many.py FOLDER [RUNS [PICTURES]]`` makes them to look at.
"""

from __future__ import annotations

import sys
from pathlib import Path

import artificial
import cv2
import numpy as np

from watcher.records import Answer, Frame
from watcher.store import Spool, Store

PARTS = ("Vent bracket, left", "Vent bracket, right", "Hinge pin", "Handle", "Latch, upper half")
MATERIALS = ("PETG", "PA6-CF", "PLA")
NIGHT_S = 24 * 3600.0


def fill(folder: Path, runs: int = 500, pictures: int = 3) -> None:
    """A run a night, the last one the newest; every seventh fails. The end picture of each has
    1280 by 720 pixels."""
    large = cv2.resize(artificial.picture(40), (1280, 720), interpolation=cv2.INTER_CUBIC)
    jpeg = cv2.imencode(".jpg", large, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()
    blank = np.zeros((1, 1, 3), np.uint8)
    with Store.open(folder, write=True) as store:
        spool = store.ledger.add_spool(
            Spool(0, "black", "PETG", 1.75, 1.27, 25.0, 1000.0, 200.0, True, 1.7e9)
        )
        for n in range(runs):
            run = artificial.begin(store, PARTS[n % len(PARTS)])
            began = artificial.STARTED_UTC_S + NIGHT_S * n
            store._db.execute("UPDATE runs SET started_utc_s = ? WHERE id = ?", (began, run))
            failing = n % 7 == 3
            for k in range(pictures):
                number = artificial.STOP if failing and k == pictures - 1 else k
                at = 60.0 * number + n
                frame = Frame(number, artificial.name(number), at, blank, began + at)
                store.keep_frame(run, frame, jpeg)
                store.keep_seen(run, number, artificial.seen(number, clean=not failing))
            store.ledger.keep_job(
                run,
                material=MATERIALS[n % len(MATERIALS)],
                notes=f"night {n}",
                outcome="good" if n % 4 == 0 and not failing else "",
                spool_id=spool if n % 3 == 0 else None,
            )
            if failing and n % 2:
                store.keep_answer(run, Answer("stopped", began + 60.0 * artificial.STOP))
            store.end_run(run, began + 3600.0)


if __name__ == "__main__":
    fill(Path(sys.argv[1]), *map(int, sys.argv[2:]))
