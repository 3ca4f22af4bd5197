"""Several watches, each in its own process: one that dies is started again and carries on."""

import json
import os
import signal
import urllib.request

from patience import wait_for
from sink import sink


def page(workshop, path="/"):
    url = f"http://127.0.0.1:{workshop.port}{path}"
    with urllib.request.urlopen(url, timeout=10) as answer:
        return answer.read().decode()


def test_one_page_shows_all_and_ctrl_c_ends_them_in_order(workshop):
    workshop.write("left", "right")
    workshop.start()
    wait_for(lambda: len(workshop.signs()) == 2, 120)
    workshop.keep_dropping("left", 2)
    workshop.keep_dropping("right", 2)
    shown = page(workshop)
    assert "<b>left</b>" in shown
    assert "<b>right</b>" in shown
    life = json.loads(page(workshop, "/api/life"))
    assert [(w["name"], w["fresh"], w["loud"]) for w in life["watches"]] == [
        ("left", True, False),
        ("right", True, False),
    ]
    log = workshop.end()
    assert workshop.process.returncode == 0, log
    assert {run.state for run in workshop.runs().values()} == {"left early"}
    assert workshop.signs() == {}
    assert "left: INFO Watching" in log
    assert "Traceback" not in log


def test_a_killed_watch_carries_its_run_on_even_with_a_configuration_broken_meanwhile(workshop):
    workshop.write("left", "right")
    workshop.start()
    workshop.keep_dropping("left", 3)
    workshop.keep_dropping("right", 1)
    children = workshop.children()
    first = workshop.runs()
    workshop.config.write_text("broken = = =")
    assert len(children) == 2
    for child in children:
        os.kill(child, signal.SIGKILL)
    wait_for(lambda: len(set(workshop.children()) - set(children)) == 2, 120)
    workshop.keep_dropping("left", 6)
    workshop.keep_dropping("right", 2)
    log = workshop.end()
    runs = workshop.runs()
    assert workshop.process.returncode == 0, log
    assert len(runs) == 2
    assert runs["left"].id == first["left"].id
    assert "died (signal 9)" in log
    assert "was interrupted and goes on" in log


def test_a_watch_that_hangs_is_killed_and_started_again(workshop):
    workshop.write("left")
    workshop.start(HANGS_AFTER_S="8")
    workshop.keep_dropping("left", 2)
    (child,) = workshop.children()
    os.kill(child, signal.SIGSTOP)
    wait_for(lambda: set(workshop.children()) - {child}, 120)
    workshop.keep_dropping("left", 4)
    log = workshop.end()
    assert "The watch of left hangs and is killed" in log
    assert len(workshop.runs()) == 1


def test_the_service_ends_without_ending_the_runs(workshop):
    workshop.write("left")
    workshop.start()
    workshop.keep_dropping("left", 2)
    workshop.end(signal.SIGTERM)
    assert workshop.runs()["left"].state == "interrupted"
    workshop.start()
    workshop.keep_dropping("left", 4)
    workshop.end()
    (run,) = workshop.runs().values()
    assert run.state == "left early"
    assert run.frames >= 4


def test_watches_end_when_their_supervisor_is_killed(workshop):
    workshop.write("left")
    workshop.start()
    workshop.keep_dropping("left", 1)
    children = workshop.children()
    assert len(children) == 1
    workshop.process.kill()
    workshop.process.wait()

    def gone():
        for child in children:
            try:
                with open(f"/proc/{child}/stat") as file:
                    if file.read().rsplit(")", 1)[1].split()[0] != "Z":
                        return False
            except FileNotFoundError:
                continue
        return True

    wait_for(gone, 60)
    # And the next supervisor finds the printer free.
    workshop.start()
    workshop.keep_dropping("left", 2)
    log = workshop.end()
    assert "being watched by another" not in log


def test_a_second_supervisor_does_not_take_the_same_printer(workshop):
    workshop.write("left")
    first = workshop.start()
    workshop.keep_dropping("left", 1)
    second = workshop.start("--port", "0")
    wait_for(lambda: "is being watched by another watcher already" in workshop.log.read_text(), 120)
    second.send_signal(signal.SIGINT)
    second.wait(40)
    workshop.process = first
    workshop.keep_dropping("left", 3)
    workshop.end()
    assert len(workshop.runs()) == 1


def test_a_watch_that_can_not_start_is_an_alarm_and_the_others_go_on(workshop):
    with sink() as (port, got):
        head = f'[alarms]\nservices = ["json://127.0.0.1:{port}"]\n'
        workshop.write("left", "right", head=head)
        (workshop.folder / "right").rmdir()
        workshop.start()
        workshop.keep_dropping("left", 2)
        wait_for(lambda: got, 120)
        message = json.loads(got[0].body)
        assert "watch of right has died" in message["message"]
        # Its camera comes back.
        (workshop.folder / "right").mkdir()
        workshop.keep_dropping("right", 2)
        workshop.end()


def test_a_stop_advice_reaches_a_service_through_all_processes(workshop):
    with sink() as (port, got):
        workshop.write("left", head=f'[alarms]\nservices = ["json://127.0.0.1:{port}"]\n')
        workshop.start()
        workshop.keep_dropping("left", 2)
        workshop.drop("left", 230)
        wait_for(lambda: got, 60)
        life = wait_for(lambda: json.loads(page(workshop, "/api/life"))["stops"])
        workshop.end()
    assert json.loads(got[0].body)["title"] == "STOP THE PRINT: left"
    assert "Stop the print" in life[0]["sentence"]
