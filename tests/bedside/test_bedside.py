"""Alarms, answers and stops of one watch, from the frame to the service, the printer, the store."""

import json
import sys
import time
from dataclasses import replace

import pytest
from bedside.conftest import got_pictures
from patience import wait_for
from sink import sink

from watcher.alarms import Delivery, Manners
from watcher.bedside import Hands
from watcher.conditions import Band
from watcher.config import Alarms, Stop
from watcher.records import Advice
from watcher.stopping import Command, HttpRequest
from watcher.store import Condition, Store
from watcher.trouble import Trouble

LIFTED = 220
"""The judge says stop from a grey of 200 on."""


def told(url, **more):
    return Alarms(services=(url,), **more)


def test_an_alarm_with_its_picture_arrives_within_two_frames_of_the_advice(watch):
    with sink() as (port, got):
        watch.config = replace(
            watch.config, alarms=told(f"json://127.0.0.1:{port}"), address="http://192.0.2.4:8537"
        )
        # Before the second picture after the advice is taken, the message must be there.
        ended = watch([20, 40, LIFTED, 225, lambda: wait_for(lambda: got), 230])
    message = json.loads(got[0].body)
    assert message["title"] == "STOP THE PRINT: left"
    assert "the right corner has lifted 2.2 mm" in message["message"]
    assert "Where: right corner" in message["message"]
    assert f"http://192.0.2.4:8537/run/{ended.run_id}/night" in message["message"]
    assert "no fire or smoke alarm" in message["message"]
    (shown,) = got_pictures(got[0])
    assert shown.mean() == pytest.approx(LIFTED, abs=8)
    (kept,) = watch.book(lambda book: book.alarms(ended.run_id))
    assert kept.sent
    assert "127.0.0.1" in kept.detail


def test_an_alarm_is_repeated_until_somebody_answers(watch):
    with sink() as (port, got):
        watch.config = replace(
            watch.config, alarms=told(f"json://127.0.0.1:{port}", manners=Manners(0.5))
        )

        def answer():
            wait_for(lambda: len(got) >= 3)
            watch.book(lambda book: book.acknowledge(1))
            # What was on its way may still come.
            time.sleep(0.8)
            count.append(len(got))
            time.sleep(0.8)

        count = []
        watch([LIFTED, answer, 225])
        assert len(got) == count[0]


def test_a_service_that_is_down_is_tried_again_and_told(watch):
    watch.config = replace(watch.config, alarms=told("json://127.0.0.1:9", manners=Manners(0.5)))
    watch([LIFTED, lambda: wait_for(lambda: len(watch.book(lambda b: b.alarms(1))) >= 2), 225])
    alarms = watch.book(lambda book: book.alarms(1))
    assert not any(alarm.sent for alarm in alarms)
    assert "failed" in alarms[0].detail


def test_without_a_service_the_alarm_is_told_once_for_the_page(watch):
    watch([LIFTED, lambda: wait_for(lambda: watch.book(lambda b: b.alarms(1))), 225])
    (alarm,) = watch.book(lambda book: book.alarms(1))
    assert "the page alone" in alarm.detail


def test_a_camera_that_went_is_told(watch, monkeypatch):
    monkeypatch.setattr("watcher.bedside.LEAST_PATIENCE_S", 0.5)
    printer = replace(watch.config.printers[0], interval_s=0.1)
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    watch.config = replace(watch.config, printers=(printer,))
    watch([20, None, lambda: wait_for(lambda: messages), 30], send=send)
    assert messages[0].title.startswith("The watch is hindered")
    assert "the camera gives no picture" in messages[0].body
    assert "not being watched" in messages[0].body


@pytest.fixture
def armed(watch):
    """A watch whose run is armed with no time to wait at all."""

    def run(stop, shades=(), **more):
        watch.with_stop(stop)
        return watch(
            [20, lambda: watch.book(lambda b: b.arm(1, 0.0)), LIFTED, *shades, 225], **more
        )

    return run


def test_an_armed_run_is_stopped_where_nobody_answers(watch, armed):
    with sink() as (port, got):
        action = HttpRequest("POST", f"http://127.0.0.1:{port}/stop", (("X-Key", "k"),), "now")
        armed(Stop(action), [lambda: wait_for(lambda: got)])
    (request,) = got
    assert (request.path, request.headers["X-Key"], request.body) == ("/stop", "k", b"now")
    (stop,) = watch.book(lambda book: book.stops(1))
    assert stop.ok
    assert stop.who == "the watch, after 0 min without an answer"
    titles = [alarm.title for alarm in watch.book(lambda book: book.alarms(1))]
    assert "STOP THE PRINT: left" in titles


def test_a_run_that_is_not_armed_is_never_stopped(watch):
    with sink() as (port, got):
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        watch(
            [
                LIFTED,
                lambda: wait_for(lambda: watch.book(lambda b: b.alarms(1))),
                lambda: time.sleep(0.8),
                225,
            ]
        )
    assert got == []
    assert watch.book(lambda book: book.stops(1)) == []


def test_an_answer_keeps_an_armed_run_from_being_stopped(watch):
    with sink() as (port, got):
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        watch(
            [
                20,
                # 1.8 s: the answer comes before.
                lambda: watch.book(lambda b: b.arm(1, 0.03)),
                LIFTED,
                lambda: wait_for(lambda: watch.book(lambda b: b.alarms(1))),
                lambda: watch.book(lambda b: b.acknowledge(1)),
                lambda: time.sleep(3),
                225,
            ]
        )
    assert got == []


def test_a_dry_run_sends_nothing_and_says_so(watch, armed):
    with sink() as (port, got):
        armed(
            Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")),
            [lambda: wait_for(lambda: watch.book(lambda b: b.stops(1)))],
            dry_run=True,
        )
    assert got == []
    (stop,) = watch.book(lambda book: book.stops(1))
    assert stop.dry
    assert "nothing was sent" in stop.detail


@pytest.mark.parametrize(
    "code", ["raise SystemExit(4)", "import time; time.sleep(60)"], ids=["fails", "hangs"]
)
def test_a_stop_that_fails_or_hangs_is_a_louder_alarm(watch, armed, code):
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    action = Command((sys.executable, "-c", code))
    armed(
        Stop(action, timeout_s=1.5),
        [lambda: wait_for(lambda: [m for m in messages if m.urgency == "stop failed"])],
        send=send,
    )
    loud = next(m for m in messages if m.urgency == "stop failed")
    assert loud.title == "STOPPING FAILED – go to the printer: left"
    assert "by hand" in loud.body
    stop = watch.book(lambda book: book.stops(1))[0]
    assert stop.ok is False


def test_a_failed_stop_is_tried_again(watch, armed, monkeypatch):
    monkeypatch.setattr("watcher.bedside.STOP_AGAIN_S", 0.2)
    armed(
        Stop(Command(("/no/such/program",))),
        [
            lambda: wait_for(lambda: len(watch.book(lambda b: b.stops(1))) == 3),
            lambda: time.sleep(0.8),
        ],
    )
    assert [s.ok for s in watch.book(lambda book: book.stops(1))] == [False] * 3


class Killed(BaseException):
    """Ends a night as a power cut would, for the store."""


def kill():
    raise Killed


def test_a_later_process_goes_on_with_alarm_answer_and_arming(watch):
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    with sink() as (port, got):
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        with pytest.raises(Killed):
            watch(
                [
                    20,
                    lambda: watch.book(lambda b: b.arm(1, 0.03)),
                    LIFTED,
                    lambda: wait_for(lambda: watch.book(lambda b: b.alarms(1))),
                    kill,
                ],
                for_good=False,
                send=send,
            )
        with Store.open(watch.data, write=False) as store:
            assert store.runs()[0].state == "interrupted"
            first = store.book.signs()[0]
            assert first.watch == "left"
        # No new picture is needed: the advice of the killed process still holds.
        watch([lambda: wait_for(lambda: got), 30], send=send)
    with Store.open(watch.data, write=False) as store:
        (run,) = store.runs()
        assert run.advice.level == "stop"
        assert run.frames == 3
        assert store.book.signs() == [], "ended in order: no sign is expected"
        assert [s.ok for s in store.book.stops(1)] == [True]


def test_an_alarm_that_was_answered_is_not_sent_again_by_a_later_process(watch):
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    with pytest.raises(Killed):
        watch(
            [LIFTED, lambda: wait_for(lambda: watch.book(lambda b: b.alarms(1))), kill],
            for_good=False,
            send=send,
        )
    watch.book(lambda book: book.acknowledge(1))
    count = len(messages)
    watch([225, lambda: time.sleep(0.8), 230], send=send)
    assert len(messages) == count


def test_a_person_stops_a_run(watch):
    with sink() as (port, got):
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        watch([20, 30])
        kept = Hands(watch.config, watch.data).stop(1)
    assert kept.ok
    assert kept.who == "a person"
    assert len(got) == 1


def test_only_the_run_that_the_printer_is_at_is_stopped(watch):
    with sink() as (port, got):
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        watch([20, 30])
        watch([40, 50])
        with pytest.raises(Trouble, match="at run 2 now"):
            Hands(watch.config, watch.data).stop(1)
        assert got == []
        assert Hands(watch.config, watch.data).stop(2).ok


def test_a_stop_that_is_not_configured_is_refused(watch):
    watch([20, 30])
    with pytest.raises(Trouble, match="at the printer"):
        Hands(watch.config, watch.data).stop(1)


def test_a_failed_stop_by_a_person_is_told_even_where_the_watch_has_died(watch):
    with sink() as (port, got):
        watch.config = replace(watch.config, alarms=told(f"json://127.0.0.1:{port}"))
        watch.with_stop(Stop(Command(("/no/such/program",))))
        watch([20, 30])
        kept = Hands(watch.config, watch.data).stop(1)
    assert not kept.ok
    assert json.loads(got[0].body)["title"].startswith("STOPPING FAILED")


def test_a_camera_that_never_comes_back_ends_the_process(watch, monkeypatch):
    monkeypatch.setattr("watcher.bedside.STUCK_S", 0.3)
    given_up = []
    printer = replace(watch.config.printers[0], interval_s=0.01)
    watch.config = replace(watch.config, printers=(printer,))
    watch([20, lambda: wait_for(lambda: given_up), 30], give_up=lambda: given_up.append(1))
    assert given_up


def test_a_view_that_is_lost_does_not_wait_for_the_morning():
    from watcher.alarms.concern import from_advice  # noqa: PLC0415

    lost = from_advice(Advice("have a look", "The part can't be seen.", "cannot-see", "black"))
    assert lost.urgency == "trouble"


def test_a_chamber_that_leaves_its_band_is_told(watch):
    """Readings that another process keeps: first warm, then a door stands open."""
    with sink() as (port, got):
        band = Band("chamber_c", 50.0, 70.0, patience_s=0.0)
        watch.config = replace(
            watch.config,
            alarms=told(f"json://127.0.0.1:{port}"),
            printers=(replace(watch.config.printers[0], chamber=band),),
        )

        def cool():
            now = time.time()
            with Store.open(watch.data, write=True) as store:
                begin = store.run(1).started_utc_s
                readings = [
                    Condition("left", "chamber_c", begin + (now - begin) * k / 4, value, "test")
                    for k, value in enumerate((60.0, 45.0, 44.0, 42.0))
                ]
                store.ledger.keep_conditions(readings, now)
            wait_for(lambda: got)

        watch([20, cool, 30])
    message = json.loads(got[0].body)
    assert message["title"] == "The chamber left its band: left"
    assert "is at 42 °C, below its band of 50 to 70 °C" in message["message"]
