"""Two hundred SIGKILLs at chosen moments: ``pytest tests/bench/kill_200.py``."""

from faults.test_kills import check, folder, killed

__all__ = ["folder"]


def test_two_hundred_kills(folder):
    result = killed(folder, 200, 7)
    print(result)
    check(result, 200)
