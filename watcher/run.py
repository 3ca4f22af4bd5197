"""One night from source to store: the same path for a live watch and for a replay."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from watcher.records import Answer, Frame, Seen, Setup, Toolpath, Weights
from watcher.sources.clock import Clock
from watcher.sources.jpeg import Unusable, usable
from watcher.sources.taken import Missed, Source, Taken
from watcher.store import Ending, RunLabel, Store
from watcher.trouble import BadNight, BadSetup, BadStore, FullDisk

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
    watch: str = ""
    """Name of the watch, where there are several."""

    def of_run(self) -> RunLabel:
        """What tells the runs of this printer from others'."""
        return RunLabel(self.name, self.source, self.setup, self.watch)


@dataclass(frozen=True)
class Ended:
    """How a night ended."""

    run_id: int
    how: Ending


@dataclass(frozen=True)
class Live:
    """What a live night needs beyond a replay: it must not end because a disk is full, and a
    later process must be able to carry it on."""

    on_begun: Callable[[int], None]
    """Told the run's id as soon as there is one."""
    on_kept: Callable[[str], None]
    """Told with each picture what hinders the keeping, or an empty string."""
    pack: Callable[[], bytes]
    """The judge's state, kept now and then in one transaction with an advice."""
    run_id: int | None = None
    """The interrupted run that goes on, if any."""
    pack_every: int = 20
    """Frames between two kept states: those since are judged again by a later process."""


def catch_up(store: Store, run_id: int, judge: Judge, after: int) -> int:
    """Let the judge see the kept pictures after number ``after`` again, and keep what it tells of
    those that had not been judged. Returns how many it saw.

    The judge then stands where the killed one stood, for it is given the same pictures.
    """
    seen_again = 0
    heard: dict[int, list[Answer]] = {}
    for one in store.answers(run_id):
        if one.heard is not None:
            heard.setdefault(one.heard, []).append(one.answer)
    for kept in store.frames(run_id, after + 1):
        path = store.frame_path(run_id, kept.name)
        if path is None:
            continue
        try:
            _, bgr = usable(path.read_bytes(), kept.size)
        except (OSError, Unusable):
            continue
        fresh = store.hear_answers(run_id, kept.number) if kept.view is None else []
        for answer in [*heard.get(kept.number, []), *fresh]:
            judge.hear(answer)
        seen = judge.see(Frame(kept.number, kept.name, kept.elapsed_s, bgr, kept.utc_s))
        if kept.view is None:
            store.keep_seen(run_id, kept.number, seen)
        seen_again += 1
    return seen_again


def run_night(
    source: Source,
    judge: Judge,
    store: Store,
    label: Label,
    *,
    clock: Clock,
    listeners: Sequence[Listener] = (),
    live: Live | None = None,
) -> Ended:
    """Keep each picture, then judge it, then keep what it told, until the source ends or the user
    interrupts.

    A picture that can't be used is counted and left out. Raises ``BadNight`` where the source ends
    without one usable picture, ``BadSetup`` where the first pictures are all of another size than
    the setup gives; neither leaves a run behind. Any other error leaves the run without an end, so
    that the store calls it interrupted.

    With ``live`` a store that fails in the middle of the night does not end it: old pictures are
    thinned on a full disk, and if that does not help the night is watched on without being kept.
    """
    run = _Run(judge, store, label, clock=clock, listeners=listeners, live=live)
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
        live: Live | None,
    ) -> None:
        self._judge = judge
        self._store = store
        self._label = label
        self._clock = clock
        self._listeners = listeners
        self._live = live
        self._run_id = live.run_id if live else None
        self._count = 0
        if live and self._run_id is not None:
            self._count = store.last_number(self._run_id)[0] + 1
            live.on_begun(self._run_id)
        self._unpacked = 0
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
        run_id = self._begun(taken.elapsed_s)
        frame = Frame(self._count, taken.name, taken.elapsed_s, taken.bgr, taken.utc_s)
        hindrance = self._kept(run_id, frame, taken.jpeg)
        self._count += 1
        if not hindrance:
            hindrance = self._heard(run_id, frame.index)
        seen = self._judge.see(frame)
        if not hindrance:
            hindrance = self._told(run_id, frame, seen)
        for listener in self._listeners:
            listener.heard_frame(frame, seen)
        if self._live:
            self._live.on_kept(hindrance)

    def _kept(self, run_id: int, frame: Frame, jpeg: bytes) -> str:
        """Keep a picture; empty, or why a live night goes on without it being kept."""
        try:
            try:
                self._store.keep_frame(run_id, frame, jpeg)
            except FullDisk:
                if self._live is None or not self._store.thin():
                    raise
                self._store.keep_frame(run_id, frame, jpeg)
        except BadStore as trouble:
            if self._live is None:
                raise
            return str(trouble)
        return ""

    def _heard(self, run_id: int, number: int) -> str:
        """Hand on what persons have answered; empty, or why that could not be read."""
        try:
            for answer in self._store.hear_answers(run_id, number):
                self._judge.hear(answer)
        except BadStore as trouble:
            if self._live is None:
                raise
            return str(trouble)
        return ""

    def _told(self, run_id: int, frame: Frame, seen: Seen) -> str:
        self._unpacked += 1
        state = None
        if self._live and self._unpacked >= self._live.pack_every:
            state, self._unpacked = self._live.pack(), 0
        try:
            self._store.keep_seen(run_id, frame.index, seen, state)
        except BadStore as trouble:
            if self._live is None:
                raise
            return str(trouble)
        return ""

    def _miss(self, missed: Missed) -> None:
        for listener in self._listeners:
            listener.heard_missed(missed)
        if self._run_id is not None:
            self._skip(self._run_id, missed)
            return
        self._early.append(missed)
        if sum(each.wrong_size for each in self._early) >= WRONG_SIZES:
            raise BadSetup(
                f"The pictures do not fit the setup's frame_size: {missed.reason}.",
                "Set frame_size to the camera's picture and click the bed points anew.",
            )

    def _skip(self, run_id: int, missed: Missed) -> None:
        hindrance = ""
        try:
            self._store.skip_frame(run_id, missed.name, missed.reason)
        except BadStore as trouble:
            if self._live is None:
                raise
            hindrance = str(trouble)
        if self._live:
            self._live.on_kept(hindrance)

    def _begun(self, elapsed_s: float) -> int:
        if self._run_id is None:
            try:
                self._run_id = self._start(elapsed_s)
            except FullDisk:
                if self._live is None or not self._store.thin():
                    raise
                self._run_id = self._start(elapsed_s)
            for missed in self._early:
                self._skip(self._run_id, missed)
            self._early.clear()
            if self._live:
                self._live.on_begun(self._run_id)
        return self._run_id

    def _start(self, elapsed_s: float) -> int:
        label = self._label
        return self._store.start_run(
            label.name,
            label.setup,
            label.source,
            label.toolpath,
            self._clock.utc_s(),
            label.weights,
            elapsed_s=elapsed_s,
            watch=label.watch,
        )

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
