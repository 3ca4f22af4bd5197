"""One night from source to store: the same path for a live watch and for a replay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Protocol

from watcher.before import footprint
from watcher.records import Answer, Frame, Seen, Setup, Toolpath, Weights
from watcher.sources.clock import Clock
from watcher.sources.taken import Missed, Source, Taken
from watcher.store import Ending, Store
from watcher.trouble import BadNight, BadSetup

WRONG_SIZES = 5
"""So many pictures of a wrong size, and no right one, mean that the setup is wrong."""


class Judge(Protocol):
    """What makes sense of one frame after the other, as ``night.Night`` does."""

    def see(self, frame: Frame) -> Seen:
        """Measure and judge one frame."""

    def hear(self, answer: Answer) -> None:
        """Take in what a person said."""


class Listener(Protocol):
    """Is told as the night goes on."""

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        """A frame was kept and judged."""

    def heard_missed(self, missed: Missed) -> None:
        """A picture could not be used."""


@dataclass(frozen=True)
class Label:
    """What the store keeps of a night beside its pictures."""

    name: str
    source: str
    """For people; without secrets."""
    setup: Setup
    toolpath: Toolpath | None
    weights: Weights = field(default_factory=Weights)
    settings: Mapping[str, str] = field(default_factory=dict)
    """``key = value`` comments of the G-code."""


@dataclass(frozen=True)
class Ended:
    """How a night ended."""

    run_id: int
    how: Ending


def run_night(
    source: Source,
    judge: Judge,
    store: Store,
    label: Label,
    *,
    clock: Clock,
    listeners: Sequence[Listener] = (),
) -> Ended:
    """Keep each picture, then judge it, then keep what it told, until the source ends or the user
    interrupts.

    A picture that can't be used is counted and left out. Raises ``BadNight`` where the source ends
    without one usable picture, ``BadSetup`` where the first pictures are all of another size than
    the setup gives; neither leaves a run behind. Any other error leaves the run without an end, so
    that the store calls it interrupted.
    """
    run = _Run(judge, store, label, clock=clock, listeners=listeners)
    how: Ending = "finished"
    try:
        for item in source.pictures():
            run.take(item)
    except KeyboardInterrupt:
        how = "left early"
    finally:
        source.close()
    return run.end(how)


class _Run:
    """A night under way. It begins in the store with its first usable picture."""

    def __init__(
        self,
        judge: Judge,
        store: Store,
        label: Label,
        *,
        clock: Clock,
        listeners: Sequence[Listener],
    ) -> None:
        self._judge = judge
        self._store = store
        self._label = label
        self._clock = clock
        self._listeners = listeners
        self._run_id: int | None = None
        self._count = 0
        self._early: list[Missed] = []

    def take(self, item: Taken | Missed) -> None:
        if isinstance(item, Missed):
            self._miss(item)
        else:
            self._keep(item)

    def end(self, how: Ending) -> Ended:
        if self._run_id is None:
            raise self._nothing_usable(how)
        self._store.end_run(self._run_id, self._clock.utc_s(), how)
        return Ended(self._run_id, how)

    def _keep(self, taken: Taken) -> None:
        run_id = self._begun()
        frame = Frame(self._count, taken.name, taken.elapsed_s, taken.bgr, taken.utc_s)
        self._store.keep_frame(run_id, frame, taken.jpeg)
        self._count += 1
        for answer in self._store.hear_answers(run_id, frame.index):
            self._judge.hear(answer)
        seen = self._judge.see(frame)
        self._store.keep_seen(run_id, frame.index, seen)
        for listener in self._listeners:
            listener.heard_frame(frame, seen)

    def _miss(self, missed: Missed) -> None:
        for listener in self._listeners:
            listener.heard_missed(missed)
        if self._run_id is not None:
            self._store.skip_frame(self._run_id, missed.name, missed.reason)
            return
        self._early.append(missed)
        if sum(each.wrong_size for each in self._early) >= WRONG_SIZES:
            raise BadSetup(
                f"The pictures do not fit the setup's frame_size: {missed.reason}.",
                "Set frame_size to the camera's picture and click the bed points anew.",
            )

    def _begun(self) -> int:
        if self._run_id is None:
            label = self._label
            self._run_id = self._store.start_run(
                label.name,
                label.setup,
                label.source,
                label.toolpath,
                self._clock.utc_s(),
                label.weights,
            )
            foot = None if label.toolpath is None else footprint(label.toolpath)
            self._store.ledger.keep_job(
                self._run_id, settings=label.settings, facts=asdict(foot) if foot else {}
            )
            for missed in self._early:
                self._store.skip_frame(self._run_id, missed.name, missed.reason)
            self._early.clear()
        return self._run_id

    def _nothing_usable(self, how: Ending) -> BadNight:
        if not self._early:
            if how == "left early":
                return BadNight("The watch was ended before a picture came.", "Nothing was kept.")
            return BadNight("The source gave no picture.", "Check that it holds any.")
        first = self._early[0]
        return BadNight(
            f"None of the {len(self._early)} pictures could be used; the first, {first.name}: "
            f"{first.reason}.",
            "Check the camera and the files.",
        )
