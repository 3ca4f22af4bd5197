"""The made-up run in a store, and what is read from it."""

import made_up
import pytest

from watcher.export.kept_run import read_run
from watcher.store import Store


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    """Tests must not change it."""
    path = tmp_path_factory.mktemp("kept")
    with Store.open(path, write=True) as store:
        made_up.fill(store)
    return path


@pytest.fixture
def store(folder):
    with Store.open(folder, write=False) as opened:
        yield opened


@pytest.fixture
def kept(store):
    return read_run(store, 1)


def nothing(done, total):
    """Progress that nobody looks at."""


@pytest.fixture
def progress():
    return nothing
