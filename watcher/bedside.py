"""What goes on beside the pictures of one watch: alarms, the armed stop, and signs of life.

A thread of its own does it, so that neither a camera nor a message service holds it up. Its state
lives in the store: a later process goes on where a killed one was.
"""

from __future__ import annotations

import hmac
import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from watcher.alarms import Alarm, Concern, Delivery, Post, Rounds, Services
from watcher.alarms.concern import from_advice, written
from watcher.alarms.heartbeat import Heartbeat
from watcher.alarms.services import Send
from watcher.conditions import Band, Departure, departures
from watcher.config import Config, Printer, Stop
from watcher.records import Advice, Frame, Seen, Stake
from watcher.sources.taken import Missed
from watcher.stopping import Announcer, perform
from watcher.store import TEST, KeptStop, Store, disk
from watcher.trouble import BadStore, Trouble

TICK_S = 1.0
SIGN_EVERY_S = 5.0
CHAMBER_EVERY_S = 5.0
SIGN_PATIENCE_S = 30.0
LEAST_PATIENCE_S = 45.0
"""So long without a usable picture is a trouble, however quickly they should come."""
STUCK_S = 300.0
"""A camera library that has not come back for so long never will."""
STORE_WAIT_S = 2.0
STOP_TRIES = 3
STOP_AGAIN_S = 30.0

BY_A_PERSON = "a person"
CAUTION = "This is no fire or smoke alarm. Nozzle and bed stay hot after a stop."

AnsweredAt = Callable[[Store, int], float | None]

log = logging.getLogger("watcher")


def acknowledged_at(store: Store, run_id: int) -> float | None:
    """UTC seconds of the newest sign that a person has heard the alarms of a run."""
    return store.book.answered_at(run_id)


def at_stake(stake: Stake | None) -> str:
    """What a person loses or saves: the part of the print that is still to come."""
    if stake is None:
        return ""
    hours, metres = stake.to_come_s / 3600, stake.to_come_m
    money = "" if stake.to_come_money is None else f", worth {stake.to_come_money:.2f},"
    return (
        f"about {hours:.1f} h of printing and {metres:.1f} m of filament{money} are still to come"
    )


def attempt(store: Store | None, run_id: int, who: str, stop: Stop, *, dry_run: bool) -> KeptStop:
    """Stop a print once. The attempt is in the store before it is made, and its result after; a
    store that fails does not keep it from being made."""
    dry, action = dry_run or stop.dry_run, stop.action.shown()
    number = 0
    try:
        if store is not None:
            number = store.book.begin_stop(run_id, who, action, dry)
    except BadStore as trouble:
        log.error("%s", trouble)
    if dry:
        ok, detail = True, "dry run: nothing was sent"
    else:
        outcome = perform(stop.action, stop.timeout_s)
        ok, detail = outcome.ok, outcome.detail
    log.log(
        logging.INFO if ok else logging.ERROR,
        "Run %s, stop by %s with %s: %s, %s",
        run_id,
        who,
        action,
        "done" if ok else "FAILED",
        detail,
    )
    try:
        if store is not None and number:
            store.book.end_stop(number, ok, detail)
    except BadStore as trouble:
        log.error("%s", trouble)
    return KeptStop(number, time.time(), who, action, dry, ok, detail)


@dataclass
class _Now:
    """How the watch stands, as the frames tell it."""

    run_id: int | None = None
    advice: Advice | None = None
    layer: int = 0
    picture: str = ""
    heard_s: float = 0.0
    """Monotonic seconds of the newest picture, usable or not."""
    usable_s: float = 0.0
    """Of the newest usable one."""
    missed: str = ""
    hindrance: str = ""


class Bedside:
    """Listens to one watch and does what is to be done beside it."""

    def __init__(
        self,
        config: Config,
        printer: Printer,
        data: Path,
        *,
        send: Send | None = None,
        dry_run: bool = False,
        answered_at: AnsweredAt = acknowledged_at,
        give_up: Callable[[], None] | None = None,
        on_tick: Callable[[], None] = lambda: None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """``give_up`` is called where the frames' own thread hangs for good, ``on_tick`` about once
        a second."""
        self._config = config
        self._printer = printer
        self._data = data
        self._has_services = bool(config.alarms.services) or send is not None
        self._post = Post(send or Services.read(config.alarms.services).send)
        self._dry_run = dry_run
        self._answered_at = answered_at
        self._give_up = give_up
        self._on_tick = on_tick
        self._monotonic_s = monotonic_s
        self._changed = threading.Condition()
        self._ended = False
        start_s = monotonic_s()
        self._now = _Now(heard_s=start_s, usable_s=start_s)
        self._rounds = Rounds(config.alarms.manners)
        self._known_run: int | None = None
        self._delivered: deque[tuple[Concern, Alarm, tuple[Delivery, ...]]] = deque()
        self._armed_min: float | None = None
        self._answer: float | None = None
        self._stops: list[KeptStop] = []
        self._departures: list[Departure] = []
        self._next_chamber_s = 0.0
        self._tries = 0
        self._next_try_s = 0.0
        self._next_sign_s = 0.0
        self._signed_run: int | None = None
        self._announcer: Announcer | None = None
        if config.mqtt is not None:
            self._announcer = Announcer(
                config.mqtt.broker, f"{config.mqtt.topic}/{printer.name.replace('/', '-')}"
            )
        self._heartbeat: Heartbeat | None = None
        if config.alarms.heartbeat:
            self._heartbeat = Heartbeat(
                config.alarms.heartbeat, config.alarms.heartbeat_every_s, self._is_well
            )
        self._thread = threading.Thread(target=self._work, name="bedside", daemon=True)
        self._thread.start()

    # What the frames tell

    def begun(self, run_id: int) -> None:
        """The run has its number."""
        with self._changed:
            self._now = replace(self._now, run_id=run_id)
            self._changed.notify()

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        """A frame was judged."""
        now_s = self._monotonic_s()
        with self._changed:
            self._now = replace(
                self._now,
                advice=seen.advice,
                layer=seen.view.layer,
                picture=frame.name,
                heard_s=now_s,
                usable_s=now_s,
                missed="",
            )
            self._changed.notify()

    def heard_missed(self, missed: Missed) -> None:
        """A picture could not be used."""
        with self._changed:
            self._now = replace(self._now, heard_s=self._monotonic_s(), missed=missed.reason)

    def kept(self, hindrance: str) -> None:
        """The picture could be kept, or why it could not."""
        with self._changed:
            self._now = replace(self._now, hindrance=hindrance)

    def close(self, *, for_good: bool) -> None:
        """End; ``for_good`` where no other process is going to carry the run on."""
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(SIGN_PATIENCE_S)
        if self._heartbeat is not None:
            self._heartbeat.close()
        self._post.close()
        try:
            with Store.open(self._data, write=True, wait_s=STORE_WAIT_S) as store:
                self._take_delivered(store)
                if for_good:
                    store.book.end_sign(self._printer.name)
        except BadStore as trouble:
            log.error("%s", trouble)
        if self._announcer is not None:
            self._announcer.close()

    # The thread

    def _work(self) -> None:
        while not self._ended:
            try:
                try:
                    with Store.open(self._data, write=True, wait_s=STORE_WAIT_S) as store:
                        self._work_with(store)
                except BadStore as trouble:
                    # Alarms go out all the same, with what was last known of answers and arming.
                    log.error("%s", trouble)
                    self._tick(None)
            except Exception:
                # Whatever it is, the person who sleeps beside it needs this thread.
                log.exception("A fault of the program")
            self._pause()

    def _work_with(self, store: Store) -> None:
        while not self._ended:
            self._tick(store)
            self._pause()

    def _pause(self) -> None:
        with self._changed:
            if not self._ended:
                self._changed.wait(TICK_S)

    def _tick(self, store: Store | None) -> None:
        """One turn. What the store fails at is made up for by the next."""
        self._on_tick()
        with self._changed:
            now = self._now
        now_s = self._monotonic_s()
        if store is not None and now.run_id is not None:
            self._read(store, now.run_id)
            with self._changed:
                now = self._now
        concerns = self._concerns(now, now_s)
        local = datetime.now().astimezone().time()
        for concern in self._rounds.due(concerns, self._answer, now_s, local):
            self._tell(concern, now)
        self._stop_where_armed(store, now, concerns, now_s)
        if store is not None:
            self._take_delivered(store)
            self._give_sign(store, now, concerns, now_s)
        if self._announcer is not None:
            self._announcer.tell(self._state(now, concerns))
        if self._give_up is not None and now_s - now.heard_s > self._stuck_after_s():
            log.error("The camera has not come back for %.0f s; starting anew.", STUCK_S)
            self._give_up()

    def _read(self, store: Store, run_id: int) -> None:
        if run_id != self._known_run:
            raised = store.book.raised(run_id)
            self._rounds.known.update(
                {key: (first.answer_before, first.age_s) for key, first in raised.items()}
            )
            run = store.run(run_id)
            with self._changed:
                # An advice that an earlier process gave holds until the first picture.
                if self._now.advice is None and run is not None:
                    self._now = replace(self._now, advice=run.advice)
            self._known_run = run_id
        self._answer = self._answered_at(store, run_id)
        self._armed_min = store.book.armed_min(run_id)
        self._stops = store.book.stops(run_id)
        now_s = self._monotonic_s()
        if self._printer.chamber is not None and now_s >= self._next_chamber_s:
            self._next_chamber_s = now_s + CHAMBER_EVERY_S
            self._departures = self._left_band(store, run_id, self._printer.chamber)

    def _left_band(self, store: Store, run_id: int, band: Band) -> list[Departure]:
        """Where the chamber is out of its band now."""
        run = store.run(run_id)
        if run is None:
            return []
        own = store.ledger.conditions(run.started_utc_s, time.time(), self._printer.name)
        return [one for one in departures(own, band) if one.ended_utc_s is None]

    def _concerns(self, now: _Now, now_s: float) -> list[Concern]:
        found = []
        if now.advice is not None:
            concern = from_advice(now.advice, at_stake(now.advice.stake))
            if concern is not None:
                found.append(concern)
        away_s = now_s - now.usable_s
        if away_s > self._patience_s():
            why = f": {now.missed}" if now.missed else ""
            found.append(
                Concern(
                    "no picture",
                    "trouble",
                    f"No usable picture has come for {away_s / 60:.0f} min{why}. The print is not "
                    "being watched.",
                )
            )
        if now.hindrance:
            found.append(
                Concern(
                    "not kept",
                    "trouble",
                    f"Pictures are judged but can't be kept. {now.hindrance}",
                )
            )
        found += [
            Concern(f"chamber {one.began_utc_s:.0f}", "chamber", one.sentence)
            for one in self._departures
        ]
        if self._heartbeat is not None and self._heartbeat.trouble:
            found.append(Concern("heartbeat", "trouble", self._heartbeat.trouble))
        if self._stops and self._stops[-1].ok and self._stops[-1].who != BY_A_PERSON:
            found.append(
                Concern(
                    f"stop {self._stops[-1].id} done",
                    "stopped",
                    f"{self._stops[-1].who[0].upper()}{self._stops[-1].who[1:]}: "
                    f"{self._stops[-1].action}; {self._stops[-1].detail}. See whether the printer "
                    "stands still; nozzle and bed are hot.",
                )
            )
        failed = [stop for stop in self._stops if stop.ok is False]
        if failed and not any(stop.ok and stop.id > failed[-1].id for stop in self._stops):
            found.append(
                Concern(
                    f"stop {failed[-1].id} failed",
                    "stop failed",
                    f"The print was to be stopped with {failed[-1].action}, but "
                    f"{failed[-1].detail}. Go to the printer and stop it by hand.",
                )
            )
        return found

    def _patience_s(self) -> float:
        return max(LEAST_PATIENCE_S, 3 * self._printer.interval_s)

    def _stuck_after_s(self) -> float:
        return STUCK_S + 3 * self._printer.interval_s

    # Alarms

    def _tell(self, concern: Concern, now: _Now) -> None:
        # An advice is in the log already, from the frame that gave it.
        told = logging.INFO if concern.urgency in ("look", "stop") else logging.WARNING
        log.log(told, "%s", concern.sentence)
        alarm = written(concern, self._printer.name, self._link(now), self._picture(now), CAUTION)
        if not self._has_services:
            self._delivered.append((concern, alarm, ()))
            return

        def done(deliveries: tuple[Delivery, ...]) -> None:
            self._delivered.append((concern, alarm, deliveries))
            with self._changed:
                self._changed.notify()

        if not self._post.take(alarm, done):
            self._rounds.came_through(concern.key, False, self._monotonic_s())

    def _link(self, now: _Now) -> str:
        if not self._config.address:
            return ""
        # Whoever is woken needs one glance, not the time-lapse.
        run = "" if now.run_id is None else f"/run/{now.run_id}"
        return f"{self._config.address}{run}/night"

    def _picture(self, now: _Now) -> Path | None:
        if now.run_id is None or not now.picture:
            return None
        path = self._data / "runs" / str(now.run_id) / "frames" / now.picture
        return path if path.is_file() else None

    def _take_delivered(self, store: Store) -> None:
        while self._delivered:
            concern, alarm, deliveries = self._delivered[0]
            sent = any(delivery.sent for delivery in deliveries)
            words = "; ".join(delivery.words() for delivery in deliveries)
            store.book.note_alarm(
                self._now.run_id,
                concern=concern.key,
                title=alarm.title,
                sentence=concern.sentence,
                sent=sent,
                detail=words or "no service is configured; the page alone tells it",
                answer_before=self._rounds.answer_before(concern.key),
            )
            self._delivered.popleft()
            self._rounds.came_through(
                concern.key, sent or not self._has_services, self._monotonic_s()
            )
            if self._has_services:
                log.log(logging.INFO if sent else logging.ERROR, "Alarm: %s", words)

    # The stop

    def _stop_where_armed(
        self, store: Store | None, now: _Now, concerns: list[Concern], now_s: float
    ) -> None:
        """Stop where a person armed this run, asked for it long ago and had no answer."""
        stop = self._printer.stop
        if stop is None or self._armed_min is None or now.run_id is None:
            return
        urgent = next((c for c in concerns if c.urgency == "stop"), None)
        if urgent is None or any(kept.ok for kept in self._stops):
            return
        waited_s = self._rounds.unanswered_s(urgent.key, self._answer, now_s)
        if waited_s is None or waited_s < 60 * self._armed_min:
            return
        if self._tries >= STOP_TRIES or now_s < self._next_try_s:
            return
        self._tries += 1
        who = f"the watch, after {self._armed_min:g} min without an answer"
        kept = attempt(store, now.run_id, who, stop, dry_run=self._dry_run)
        self._stops = [*self._stops, kept]
        self._next_try_s = self._monotonic_s() + STOP_AGAIN_S
        with self._changed:
            self._changed.notify()

    # Signs of life

    def _is_well(self) -> bool:
        now_s = self._monotonic_s()
        with self._changed:
            now = self._now
        return now_s - now.usable_s <= self._patience_s() and not now.hindrance

    def _give_sign(self, store: Store, now: _Now, concerns: list[Concern], now_s: float) -> None:
        if now_s < self._next_sign_s and now.run_id == self._signed_run:
            return
        troubles = [c.sentence for c in concerns if c.urgency in ("trouble", "stop failed")]
        store.book.sign(self._printer.name, now.run_id, SIGN_PATIENCE_S, " ".join(troubles))
        self._next_sign_s = now_s + SIGN_EVERY_S
        self._signed_run = now.run_id

    def _state(self, now: _Now, concerns: list[Concern]) -> dict[str, str | float | None]:
        advice = now.advice
        return {
            "watch": "watching",
            "run": now.run_id,
            "advice": advice.level if advice else None,
            "sentence": advice.sentence if advice else None,
            "kind": advice.kind if advice else None,
            "place": advice.place if advice else None,
            "layer": now.layer,
            "trouble": " ".join(c.sentence for c in concerns if c.urgency == "trouble"),
            "answered": self._answer is not None,
            "armed_min": self._armed_min,
        }


class Hands:
    """What a person may do from the page or the command line."""

    def __init__(self, config: Config, data: Path, *, dry_run: bool = False) -> None:
        self._config = config
        self._data = data
        self._dry_run = dry_run
        self._services = Services.read(config.alarms.services)

    @property
    def services(self) -> tuple[str, ...]:
        """The alarm services, without secrets."""
        return tuple(service.shown for service in self._services.all)

    def stop_of(self, watch: str) -> Stop | None:
        """How the printer of a watch is stopped; ``None`` where that is not configured."""
        found = [printer.stop for printer in self._config.printers if printer.name == watch]
        return found[0] if found else None

    def stop_words(self, watch: str) -> str:
        """How it is stopped, in words; empty where that is not configured."""
        stop = self.stop_of(watch)
        if stop is None:
            return ""
        dry = " (dry run: nothing will be sent)" if self._dry_run or stop.dry_run else ""
        return stop.action.shown() + dry

    def stop(self, run_id: int) -> KeptStop:
        """Stop a run for a person who pressed and confirmed. Raises ``Trouble``.

        A failure is told by the watch of that run; where that has died it is told from here.
        """
        with Store.open(self._data, write=True) as store:
            watch = store.book.watch_of(run_id)
            stop = self.stop_of(watch)
            if stop is None:
                raise Trouble(
                    "No way to stop this printer is configured.", "Stop it at the printer."
                )
            newest = store.book.newest_run(watch)
            if run_id != newest:
                # A page that was left open must not stop another print.
                raise Trouble(
                    f"Run {run_id} is over: {watch} is at run {newest} now.", "Stop that one."
                )
            kept = attempt(store, run_id, BY_A_PERSON, stop, dry_run=self._dry_run)
            alive = any(sign.watch == watch and sign.fresh for sign in store.book.signs())
        if not kept.ok and not alive:
            self._services.send(
                written(
                    Concern("", "stop failed", f"{kept.action}: {kept.detail}."),
                    watch,
                    self._config.address,
                    None,
                    CAUTION,
                )
            )
        return kept

    def test(self) -> tuple[Delivery, ...]:
        """Send a message that says it is a test, and keep what became of it."""
        deliveries = self._services.send(
            Alarm(
                "Test of the alarm",
                "This is a test: no print is meant. If it woke you, the alarm works.\n"
                f"{CAUTION}\n{self._config.address}".rstrip(),
                "look",
            )
        )
        if deliveries:
            with Store.open(self._data, write=True) as store:
                store.book.note_alarm(
                    None,
                    concern=TEST,
                    title="Test of the alarm",
                    sentence="",
                    sent=all(delivery.sent for delivery in deliveries),
                    detail="; ".join(delivery.words() for delivery in deliveries),
                    answer_before=None,
                )
        return deliveries

    def layer(self, name: str, key: str) -> bool:
        """Call for a picture of a printer; false where the key is wrong or nothing waits."""
        if not self._config.layer_key or not hmac.compare_digest(
            key.encode(), self._config.layer_key.encode()
        ):
            return False
        waiting = [p for p in self._config.printers if p.layers and name in ("", p.name)]
        for printer in waiting:
            touch(layer_file(self._data, printer))
        return bool(waiting)


def layer_file(data: Path, printer: Printer) -> Path:
    """The file whose touch calls for a picture."""
    return printer.layer_file or data / "layers" / disk.plain(printer.name)


def touch(path: Path) -> None:
    """Give a file a new time, whatever the wall clock says."""
    path.parent.mkdir(parents=True, exist_ok=True)
    before = path.stat().st_mtime_ns if path.exists() else 0
    path.touch()
    if path.stat().st_mtime_ns == before:
        os.utime(path, ns=(before + 1, before + 1))
