"""What holds for all tests, and the browser that some of them share."""

import socket
from pathlib import Path

import pytest
from hypothesis import settings

CHROMIUM = Path("/usr/bin/chromium")

# The machine may be busy: a property holds or not, however long an example takes.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


@pytest.fixture(scope="session")
def browser():
    """Headless Chromium; skips where the system has none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"the browser tests drive {CHROMIUM}, which is not there")
    with sync_api.sync_playwright() as play:
        running = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def free_port():
    """A port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]
