"""Made-up runs in each state that the view from bed knows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import artificial
import cv2

from watcher.alarms.concern import from_advice
from watcher.records import Advice, Frame
from watcher.store import KeptStop, Store

WATCH = "left"
PATIENCE_S = 3600.0
"""Of the sign of life: tests of the view, not of time, must not wait for it."""


class Hands:
    """Counts what it is asked to do, and keeps an attempt as the real one does."""

    services = ()

    def __init__(self, data: Path, *, works: bool = True, can_stop: bool = True) -> None:
        self._data, self.works, self._can_stop = data, works, can_stop
        self.stopped: list[int] = []

    def stop_words(self, watch: str) -> str:
        return "POST to http://192.0.2.8/stop" if self._can_stop and watch == WATCH else ""

    def stop(self, run_id: int) -> KeptStop:
        self.stopped.append(run_id)
        detail = "the host answered 200" if self.works else "the host answered 503"
        with Store.open(self._data, write=True) as store:
            number = store.book.begin_stop(run_id, "a person", "POST to http://192.0.2.8", False)
            store.book.end_stop(number, self.works, detail)
        return KeptStop(number, 0.0, "a person", "POST", False, self.works, detail)

    def test(self):
        return ()

    def layer(self, name: str, key: str) -> bool:
        return False


@dataclass
class Bed:
    """A run being watched, whose writer lives as long as the store is open."""

    data: Path
    store: Store
    run: int

    @classmethod
    def begin(cls, data: Path, *, toolpath: bool = True, parked: bool = True) -> Bed:
        store = Store.open(data, write=True)
        setup = replace(artificial.SETUP, head_parked_for_frames=parked)
        if toolpath:
            run = artificial.begin(store, "Vent bracket, left", setup)
        else:
            start = artificial.STARTED_UTC_S
            run = store.start_run("Vent bracket, left", setup, "made up", None, start)
        store._db.execute("UPDATE runs SET watch = ? WHERE id = ?", (WATCH, run))
        bed = cls(data, store, run)
        bed.sign()
        return bed

    def sign(self, trouble: str = "", *, patience_s: float = PATIENCE_S) -> None:
        self.store.book.sign(WATCH, self.run, patience_s, trouble)

    def feed(self, numbers: range, *, clean: bool = False) -> None:
        artificial.feed(self.store, self.run, numbers, clean=clean)
        advice = self.store.run(self.run).advice
        concern = from_advice(advice)
        if concern is not None and concern.key not in self.store.book.raised(self.run):
            self.store.book.note_alarm(
                self.run,
                concern=concern.key,
                title="STOP THE PRINT",
                sentence=advice.sentence,
                sent=True,
                detail="",
                answer_before=None,
            )

    def unjudged(self) -> None:
        """One picture that waits to be judged."""
        bgr = artificial.picture(0)
        frame = Frame(0, artificial.name(0), 0.0, bgr, artificial.STARTED_UTC_S)
        self.store.keep_frame(self.run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())

    def advise(self, number: int, advice: Advice) -> None:
        """One picture more, with an advice of one's own."""
        bgr = artificial.picture(number)
        name = artificial.name(number)
        at_s = 60.0 * number
        frame = Frame(number, name, at_s, bgr, artificial.STARTED_UTC_S + at_s)
        self.store.keep_frame(self.run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())
        seen = replace(artificial.seen(number, clean=True), advice=advice)
        self.store.keep_seen(self.run, number, seen)

    def age(self, seconds: float) -> None:
        """Let the newest picture have come so long ago."""
        newest_s = self.store.run(self.run).elapsed_s
        self.store._db.execute(
            "UPDATE runs SET began_s = began_s - ? WHERE id = ?", (newest_s + seconds, self.run)
        )

    def stop(self, *, works: bool, who: str = "a person", dry: bool = False) -> None:
        number = self.store.book.begin_stop(self.run, who, "POST to http://192.0.2.8", dry)
        detail = "the host answered 200" if works else "the host answered 503"
        self.store.book.end_stop(number, works, detail)


def carry_on(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.age(12)


def look(bed: Bed) -> None:
    bed.feed(range(27))
    bed.age(9)


def stop(bed: Bed) -> None:
    bed.feed(range(0, 40, 3))
    bed.age(31)


def answered(bed: Bed) -> None:
    stop(bed)
    bed.store.book.acknowledge(bed.run)


def no_picture(bed: Bed) -> None:
    """The run as it began."""


def no_advice(bed: Bed) -> None:
    bed.unjudged()


def unseen(bed: Bed) -> None:
    bed.feed(range(8), clean=True)  # Picture 7 is too dark.
    bed.age(5)


def cannot_see(bed: Bed) -> None:
    bed.feed(range(20), clean=True)
    sentence = "Have a look: the part can't be seen: all watched corners are hidden."
    bed.advise(
        20, Advice("have a look", sentence, "cannot-see", "all watched corners are hidden", None)
    )


def hindered(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.age(130)
    trouble = "No usable picture has come for 2 min: the camera does not answer."
    bed.sign(f"{trouble} The print is not being watched.")


def late(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.age(400)


def over(bed: Bed) -> None:
    bed.feed(range(0, 60, 3), clean=True)
    bed.store.end_run(bed.run, artificial.STARTED_UTC_S + 3600.0)
    bed.store.book.end_sign(WATCH)


def left_early(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.store.end_run(bed.run, artificial.STARTED_UTC_S + 1500.0, "left early")
    bed.store.book.end_sign(WATCH)


def dead(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.age(200)
    bed.sign(patience_s=0.0)


def stopped(bed: Bed) -> None:
    answered(bed)
    bed.stop(works=True)


def stop_failed(bed: Bed) -> None:
    stop(bed)
    bed.stop(works=False)


def unplanned(bed: Bed) -> None:
    bed.feed(range(24), clean=True)
    bed.age(12)


MOODS = {
    "carry-on": carry_on,
    "look": look,
    "stop": stop,
    "answered": answered,
    "no-picture": no_picture,
    "no-advice": no_advice,
    "unseen": unseen,
    "cannot-see": cannot_see,
    "hindered": hindered,
    "late": late,
    "over": over,
    "left-early": left_early,
    "dead": dead,
    "stopped": stopped,
    "stop-failed": stop_failed,
    "no-toolpath": unplanned,
}
"""What to do to a run that has begun, by state."""
