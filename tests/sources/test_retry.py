"""Pauses before a camera is tried again."""

from itertools import islice

import pytest

from watcher.sources import retry


def test_pauses_grow_and_chance_spreads_them(monkeypatch):
    monkeypatch.setattr(retry, "JITTER", 0.25)
    assert list(islice(retry.pauses_s(lambda: 0.5), 8)) == [1, 2, 4, 8, 16, 30, 30, 30]
    assert list(islice(retry.pauses_s(lambda: 0.0), 2)) == [0.75, 1.5]
    assert list(islice(retry.pauses_s(lambda: 1.0), 2)) == [1.25, 2.5]
    first = {next(retry.pauses_s()) for _ in range(20)}
    assert len(first) > 1, "two watches do not come back at the same moment"
    assert all(pause == pytest.approx(1, abs=0.25) for pause in first)
