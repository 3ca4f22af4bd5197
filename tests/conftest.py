"""What holds for all tests."""

import socket

import pytest
from hypothesis import settings

# The machine may be busy: a property holds or not, however long an example takes.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


@pytest.fixture
def free_port():
    """A port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]
