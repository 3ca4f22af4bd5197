"""Several watches, each in a process of its own that is started again when it dies."""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from types import FrameType
from typing import Any

from watcher.alarms import Concern, Rounds, Services
from watcher.alarms.concern import written
from watcher.bedside import CAUTION, SIGN_PATIENCE_S, Bedside, layer_file
from watcher.carried import packed, unpacked
from watcher.config import Config, Printer
from watcher.records import Frame, Seen, Setup, Toolpath, Weights
from watcher.run import Ended, Judge, Label, Listener, Live, catch_up, run_night
from watcher.settings import read_setup
from watcher.sources.address import read_address
from watcher.sources.choose import open_live
from watcher.sources.clock import Clock, NightClock, Tempo
from watcher.sources.retry import pauses_s
from watcher.sources.taken import Missed, Source
from watcher.sources.vigil import Vigil
from watcher.store import Store
from watcher.toolpath import read_toolpath
from watcher.trouble import BadToolpath, FullDisk, Trouble
from watcher.typed import settings_of
from watcher.weights import read_weights

CARRY_ON_WITHIN_S = 1800.0
"""A run that was interrupted longer ago is not carried on: another print may lie on the bed."""
SUMMARY_EVERY_S = 3600.0
SETTLED_S = 600.0
"""A watch that lived so long is started again without a pause when it dies."""
SHORT_LIFE_S = 60.0
HANGS_AFTER_S = 3 * SIGN_PATIENCE_S
STARTS_WITHIN_S = 300.0
"""Long, for a toolpath of a hundred megabytes is read before the first turn."""
END_PATIENCE_S = 20.0
LIVE_STORE_WAIT_S = 3.0
"""A picture waits no longer for a locked store, or the next ones would be late."""
STUCK_STATUS = 3

MakeJudge = Callable[[Setup, Toolpath | None, Weights], Judge]

log = logging.getLogger("watcher")


class Shifted:
    """A clock whose elapsed time goes on where an interrupted run was."""

    def __init__(self, clock: Clock, by_s: float) -> None:
        self._clock = clock
        self._by_s = by_s

    def elapsed_s(self) -> float:
        return self._clock.elapsed_s() + self._by_s

    def utc_s(self) -> float:
        return self._clock.utc_s()

    def wait(self, seconds: float) -> None:
        self._clock.wait(seconds)


@dataclass(frozen=True)
class Hooks:
    """Who is told what happens beside the pictures of a live night."""

    on_begun: Callable[[int], None] = lambda run_id: None
    on_kept: Callable[[str], None] = lambda hindrance: None
    on_carried: Callable[[int, int], None] = lambda run_id, again: None
    """The run that goes on, and how many pictures were looked at again for it."""


def live_night(
    store: Store,
    label: Label,
    make_judge: MakeJudge,
    clock: Clock,
    open_source: Callable[[Clock], Source],
    *,
    listeners: Sequence[Listener] = (),
    hooks: Hooks = Hooks(),
    anew: bool = False,
) -> Ended:
    """Watch one print to its end. An interrupted run of the same label is carried on with its
    evidence intact, unless it is too old or ``anew`` is set.

    Raises ``Trouble`` as ``run.run_night`` and ``open_source`` do.
    """
    judge = make_judge(label.setup, label.toolpath, label.weights)
    run_id, after = None, 0
    if not anew:
        run_id = store.interrupted(label.of_run(), label.toolpath, CARRY_ON_WITHIN_S)
    if run_id is not None:
        try:
            elapsed_s = store.carry_on(run_id)
        except FullDisk:
            store.thin()
            elapsed_s = store.carry_on(run_id)
        clock = Shifted(clock, elapsed_s - clock.elapsed_s())
        judge, again = _carried(store, run_id, judge)
        after = store.last_number(run_id)[1]
        hooks.on_carried(run_id, again)
    source = open_source(clock)
    live = Live(hooks.on_begun, hooks.on_kept, lambda: packed(judge), run_id)
    return run_night(
        Vigil(source, after), judge, store, label, clock=clock, listeners=listeners, live=live
    )


def _carried(store: Store, run_id: int, judge: Judge) -> tuple[Judge, int]:
    """The judge as it stood when the run was interrupted."""
    state = store.evidence(run_id)
    known = unpacked(state, type(judge)) if state is not None else None
    after = store.evidence_number(run_id) if known is not None else -1
    if known is not None:
        judge = known
    return judge, catch_up(store, run_id, judge, after)


def shown(source: str) -> str:
    """The source as people may see it: no password."""
    return read_address(source).shown if "://" in source else source


class Diary:
    """Writes into the log what a person wants to read in the morning."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._level = ""
        self._missed = ""
        self._count = self._missed_count = 0
        self._due_s = clock() + SUMMARY_EVERY_S

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        self._count += 1
        if self._missed:
            log.info("Pictures come again (%s).", frame.name)
            self._missed = ""
        if seen.advice.level != self._level:
            self._level = seen.advice.level
            how = logging.WARNING if self._level != "carry on" else logging.INFO
            log.log(how, "%s: %s", frame.name, seen.advice.sentence)
        if self._clock() >= self._due_s:
            self._due_s += SUMMARY_EVERY_S
            log.info(
                "%d pictures so far, %d unusable, layer %d. %s",
                self._count,
                self._missed_count,
                seen.view.layer,
                seen.advice.sentence,
            )

    def heard_missed(self, missed: Missed) -> None:
        self._missed_count += 1
        if missed.reason != self._missed:
            log.warning("%s can't be used: %s", missed.name, missed.reason)
        self._missed = missed.reason


class Hurry:
    """Makes pictures come quicker while evidence grows."""

    def __init__(self, tempo: Tempo) -> None:
        self._tempo = tempo

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        shares = [s.strength / s.threshold for s in seen.suspicions if s.threshold > 0]
        self._tempo.follow(max(shares, default=0.0))

    def heard_missed(self, missed: Missed) -> None:
        """A missed picture tells nothing of evidence."""


def start_log(name: str) -> None:
    """Log to standard error: local time with its offset, the watch, and what happened."""
    logging.basicConfig(
        level=logging.WARNING,
        format=f"%(asctime)s {name}: %(levelname)s %(message)s",
        datefmt="%Y-%m-%d %H:%M:%S%z",
        force=True,
    )
    log.setLevel(logging.INFO)


def _night(setup: Setup, toolpath: Toolpath | None, weights: Weights) -> Judge:
    # Late: it brings scipy and scikit-image, which the process that only supervises can spare.
    from watcher.night import Night  # noqa: PLC0415

    return Night(setup, toolpath, weights)


def read_program(path: Path) -> Toolpath:
    """Read a G-code file. Raises ``BadToolpath``."""
    try:
        with path.open("rb") as file:
            return read_toolpath(iter(lambda: file.read(2**20), b""))
    except OSError as error:
        raise BadToolpath(f"{path} can't be read ({error.strerror}).", "Check it.") from None


class _Ended(BaseException):
    """The service ends: leave the run so that the next start carries it on."""


def watch_printer(
    config: Config,
    printer: Printer,
    data: Path,
    *,
    dry_run: bool = False,
    make_judge: MakeJudge = _night,
    parent: int | None = None,
    on_tick: Callable[[], None] = lambda: None,
) -> int:
    """Watch one printer until it ends; the process's exit status comes back.

    SIGINT ends the run in order; SIGTERM ends the process alone, and the next one carries the run
    on.
    """
    start_log(printer.name)

    def end(number: int, frame: FrameType | None) -> None:
        # Once is enough: a second signal must not break off the closing.
        for sign in (signal.SIGTERM, signal.SIGINT):
            signal.signal(sign, signal.SIG_IGN)
        raise KeyboardInterrupt if number == signal.SIGINT else _Ended

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, end)
        signal.signal(signal.SIGINT, end)
    if parent is not None:
        threading.Thread(target=_follow, args=(parent,), daemon=True).start()
    bedside: Bedside | None = None
    ended_in_order = False
    try:
        setup = read_setup(printer.setup)
        toolpath = read_program(printer.program())
        file = layer_file(data, printer) if printer.layers else None
        tempo = Tempo(printer.interval_s, printer.quick_interval_s, file)
        with Store.open(data, write=True, wait_s=LIVE_STORE_WAIT_S) as store:
            store.claim(printer.name)
            label = Label(
                printer.program().stem,
                shown(printer.source),
                setup,
                toolpath,
                Weights() if printer.settings is None else read_weights(printer.settings),
                printer.name,
                settings_of(printer.program()),
            )
            bedside = Bedside(
                config,
                printer,
                data,
                dry_run=dry_run,
                give_up=lambda: os._exit(STUCK_STATUS),
                on_tick=on_tick,
            )
            log.info("Watching %s, printing %s.", label.source, label.name)
            live_night(
                store,
                label,
                make_judge,
                NightClock(),
                lambda clock: open_live(printer.source, setup.frame_size, tempo, clock),
                listeners=[bedside, Diary(), Hurry(tempo)],
                hooks=Hooks(
                    bedside.begun,
                    bedside.kept,
                    lambda run_id, again: log.warning(
                        "Run %d was interrupted and goes on; %d pictures were looked at again.",
                        run_id,
                        again,
                    ),
                ),
            )
            ended_in_order = True
            log.info("The watch has ended.")
            return 0
    except KeyboardInterrupt:
        ended_in_order = True
        return 0
    except _Ended:
        log.info("The watch is ended by the service; its run can be carried on.")
        return 0
    except Trouble as trouble:
        log.error("%s", trouble)
        return 2
    finally:
        if bedside is not None:
            bedside.close(for_good=ended_in_order)


def _follow(parent: int) -> None:
    """A watch whose supervisor was killed must not hold the camera against its successor."""
    while os.getppid() == parent:
        time.sleep(1.0)
    os.kill(os.getpid(), signal.SIGTERM)


def _child(
    config: Config, printer: Printer, data: Path, dry_run: bool, pulse: Any, options: Any
) -> None:
    def beat() -> None:
        pulse.value = time.monotonic()

    raise SystemExit(
        watch_printer(
            config,
            printer,
            data,
            dry_run=dry_run,
            parent=os.getppid(),
            on_tick=beat,
            **options,
        )
    )


@dataclass
class _Watched:
    """One printer's process and how often it had to be started."""

    printer: Printer
    pulse: Any
    """Monotonic seconds of its last turn, in memory that both processes share: a full disk must
    not make a watch look dead."""
    process: SpawnProcess | None = None
    started_s: float = 0.0
    due_s: float = 0.0
    deaths: int = 0
    short_lives: int = 0
    """How many of its last lives, one after the other, were short."""
    finished: bool = False
    last: str = ""
    pauses: Iterator[float] = field(default_factory=pauses_s)


class Supervisor:
    """Starts the watches, starts them again, and tells when one can't be."""

    def __init__(
        self,
        config: Config,
        data: Path,
        *,
        dry_run: bool = False,
        options: Any = None,
        on_turn: Callable[[], object] = lambda: None,
    ) -> None:
        """``options`` go to ``watch_printer``; ``on_turn`` is called about once a second."""
        self._config = config
        self._data = data
        self._dry_run = dry_run
        self._options = options or {}
        self._on_turn = on_turn
        self._context = multiprocessing.get_context("spawn")
        self._watches = [
            _Watched(printer, self._context.RawValue("d", 0.0)) for printer in config.printers
        ]
        self._rounds = Rounds(config.alarms.manners)
        self._services = Services.read(config.alarms.services)

    def run(self) -> None:
        """Supervise until every watch has ended in order, or the user interrupts."""
        sign = signal.SIGINT
        try:
            while not all(watch.finished for watch in self._watches):
                self._turn()
        except (KeyboardInterrupt, SystemExit) as how:
            sign = signal.SIGTERM if isinstance(how, SystemExit) else signal.SIGINT
        finally:
            self._end_all(sign)

    def _turn(self) -> None:
        now_s = time.monotonic()
        for watch in self._watches:
            if watch.process is None and not watch.finished and now_s >= watch.due_s:
                self._start(watch)
        running = [w.process.sentinel for w in self._watches if w.process is not None]
        wait(running, timeout=1.0)
        for watch in self._watches:
            if watch.process is not None and watch.process.exitcode is not None:
                self._died(watch)
        self._look_at_pulses()
        self._on_turn()

    def _start(self, watch: _Watched) -> None:
        watch.process = self._context.Process(
            target=_child,
            args=(
                self._config,
                watch.printer,
                self._data,
                self._dry_run,
                watch.pulse,
                self._options,
            ),
            name=f"watch {watch.printer.name}",
        )
        watch.process.start()
        watch.started_s = time.monotonic()

    def _died(self, watch: _Watched) -> None:
        assert watch.process is not None
        status = watch.process.exitcode
        watch.process.close()
        watch.process = None
        if status == 0:
            watch.finished = True
            return
        lived_s = time.monotonic() - watch.started_s
        watch.deaths += 1
        watch.short_lives = watch.short_lives + 1 if lived_s < SHORT_LIFE_S else 0
        if lived_s >= SETTLED_S:
            watch.pauses = pauses_s()
        pause_s = next(watch.pauses)
        watch.due_s = time.monotonic() + pause_s
        watch.last = (
            f"signal {-status}" if status is not None and status < 0 else f"exit status {status}"
        )
        log.error(
            "The watch of %s died (%s); it is started again in %.0f s.",
            watch.printer.name,
            watch.last,
            pause_s,
        )

    def _look_at_pulses(self) -> None:
        """Kill what hangs, and alarm for what does not come up again."""
        now_s = time.monotonic()
        concerns = []
        for watch in self._watches:
            lived_s = now_s - watch.started_s
            lives = watch.process is not None and watch.pulse.value >= watch.started_s
            quiet_s = now_s - max(watch.pulse.value, watch.started_s)
            if watch.process is not None and quiet_s > (
                HANGS_AFTER_S if lives else STARTS_WITHIN_S
            ):
                log.error("The watch of %s hangs and is killed.", watch.printer.name)
                watch.process.kill()
            # One that is up again at once is worth a line in the log, not a night's sleep.
            if watch.short_lives >= 2 and not watch.finished and lived_s < SHORT_LIFE_S:
                concerns.append(
                    Concern(
                        watch.printer.name,
                        "trouble",
                        f"The watch of {watch.printer.name} has died {watch.deaths} times "
                        f"({watch.last}) and is being started again. The print is not being "
                        "watched.",
                    )
                )
        local = datetime.now().astimezone().time()
        for concern in self._rounds.due(concerns, None, now_s, local):
            self._tell(concern)

    def _tell(self, concern: Concern) -> None:
        log.error("%s", concern.sentence)
        alarm = written(concern, concern.key, self._config.address, None, CAUTION)
        threading.Thread(target=self._services.send, args=(alarm,), daemon=True).start()

    def _end_all(self, sign: signal.Signals) -> None:
        running = [w.process for w in self._watches if w.process is not None]
        for process in running:
            with contextlib.suppress(OSError):
                if process.pid is not None and process.is_alive():
                    os.kill(process.pid, sign)
        end_s = time.monotonic() + END_PATIENCE_S
        for process in running:
            process.join(max(0.0, end_s - time.monotonic()))
            if process.is_alive():
                log.error("%s did not end and is killed.", process.name)
                process.kill()
                process.join()
