"""The server comes up and goes down in an orderly way, however busy it is."""

import threading
import urllib.request

import pytest
from flask import Flask

from watcher.page import listen

# Whatever a thread of the server fails on would land in the user's terminal.
pytestmark = pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")


def app():
    made = Flask("busy")
    made.add_url_rule("/", view_func=lambda: "x" * 100_000)
    return made


def test_closing_from_another_thread_ends_run_and_frees_the_port():
    for _ in range(20):
        server = listen(app(), "127.0.0.1", 0)
        thread = threading.Thread(target=server.run)
        thread.start()
        with urllib.request.urlopen(server.url, timeout=10) as answer:
            answer.read(10)
            server.close()
        thread.join(timeout=10)
        assert not thread.is_alive()
        with pytest.raises(OSError, match="refused"):
            urllib.request.urlopen(server.url, timeout=10)


def test_closing_before_and_after_running():
    server = listen(app(), "127.0.0.1", 0)
    server.close()
    server.close()
    server.run()
    listen(app(), "127.0.0.1", int(server.url.rsplit(":", 1)[1].strip("/"))).close()
