"""Each way to stop reaches its end, and each way to fail is told as a failure."""

import os
import sys
import time

import pytest
from sink import sink
from stand_ins import http_server

from watcher.stopping import Command, HttpRequest, perform


def test_an_http_request_arrives_as_configured():
    with sink() as (port, got):
        asked = HttpRequest(
            "POST",
            f"http://127.0.0.1:{port}/stop?job=1",
            (("X-Key", "k3y"), ("Content-Type", "application/json")),
            '{"do": "stop"}',
        )
        outcome = perform(asked, 5)
    assert outcome.ok, outcome
    (request,) = got
    assert (request.method, request.path) == ("POST", "/stop?job=1")
    assert request.headers["X-Key"] == "k3y"
    assert request.body == b'{"do": "stop"}'
    assert "k3y" not in repr(asked) + asked.shown() + outcome.detail
    assert "job" not in asked.shown()


@pytest.mark.parametrize("status", [302, 400, 404, 500, 503])
def test_an_http_answer_other_than_success_is_a_failure(status):
    with sink(status) as (port, _):
        outcome = perform(HttpRequest("POST", f"http://127.0.0.1:{port}/"), 5)
    assert not outcome.ok
    if status != 302:
        assert str(status) in outcome.detail


def test_a_printer_that_hangs_is_a_failure():
    with sink(before=lambda: time.sleep(1.5)) as (port, _):
        outcome = perform(HttpRequest("POST", f"http://127.0.0.1:{port}/"), 0.3)
    assert not outcome.ok
    assert "0.3 s" in outcome.detail


def test_a_printer_that_is_off_or_talks_nonsense_is_a_failure():
    assert "can't be reached" in perform(HttpRequest("POST", "http://127.0.0.1:9/"), 5).detail

    def nonsense(handler):
        handler.wfile.write(b"\0\1\2 garbage\r\n\r\n")

    with http_server(nonsense) as url:
        outcome = perform(HttpRequest("GET", url), 5)
    assert not outcome.ok
    assert "web server" in outcome.detail


def test_a_command_is_run_without_a_shell(tmp_path):
    out = tmp_path / "got"
    code = "import sys; open(sys.argv[1], 'w').write(sys.argv[2]); print('done')"
    command = Command((sys.executable, "-c", code, str(out), "$HOME; true"))
    outcome = perform(command, 20)
    assert outcome.ok, outcome
    assert outcome.detail.endswith("done")
    assert out.read_text() == "$HOME; true"
    assert str(out) not in command.shown()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("/no/such/program",), "can't be started"),
        ((sys.executable, "-c", "print('jammed'); raise SystemExit(3)"), "status 3: jammed"),
    ],
)
def test_a_command_that_fails_is_a_failure(words, said):
    outcome = perform(Command(words), 20)
    assert not outcome.ok
    assert said in outcome.detail


def test_a_command_that_hangs_is_killed_with_what_it_started(tmp_path):
    note = tmp_path / "pid"
    code = (
        "import subprocess, sys, time;"
        "p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)']);"
        f"open({str(note)!r}, 'w').write(str(p.pid)); time.sleep(60)"
    )
    begun = time.monotonic()
    outcome = perform(Command((sys.executable, "-c", code)), 3)
    assert not outcome.ok
    assert "killed" in outcome.detail
    assert time.monotonic() - begun < 30
    child = int(note.read_text())
    for _ in range(200):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        with open(f"/proc/{child}/stat") as file:
            if file.read().split(")")[1].split()[0] == "Z":
                return
        time.sleep(0.02)
    pytest.fail("what the command started lives on")
