"""Fixtures of the sources' tests."""

import contextlib

import pytest
from stand_ins import FakeClock, http_server


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture(autouse=True)
def no_jitter(monkeypatch):
    """Pauses without chance, so that times can be foretold; ``test_retry`` looks at chance."""
    monkeypatch.setattr("watcher.sources.retry.JITTER", 0.0)


@pytest.fixture
def serve():
    """``http_server`` as a function; all servers end with the test."""
    with contextlib.ExitStack() as stack:
        yield lambda answer: stack.enter_context(http_server(answer))
