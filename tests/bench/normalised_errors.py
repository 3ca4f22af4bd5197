"""Whether the watcher's error bars are honest, over nights whose truth is known.

    python tests/bench/normalised_errors.py NIGHT...

Replays each night through the real command. For every corner lift that was measured at a corner
whose lift is known, the error is divided by the stated sigma. Were the sigmas right, these numbers
would have a mean of 0 and a standard deviation of 1; above 1 the watcher is too sure of itself.
The robust deviation is 1.4826 times the median distance from the median (Rousseeuw and Croux 1993),
which a few wild readings don't move.
"""

from __future__ import annotations

import statistics

from replayed import answers, arguments
from scored import normalised, pairs, robust_deviation


def line(name: str, values: list[float]) -> str:
    """One night's line of the table."""
    if len(values) < 2:
        return f"{name:22}{len(values):6}"
    mean, deviation = statistics.fmean(values), statistics.stdev(values)
    return f"{name:22}{len(values):6}{mean:9.2f}{deviation:9.2f}{robust_deviation(values):9.2f}"


def main() -> None:
    asked = arguments(__doc__).parse_args()
    print(f"{'night':22}{'n':>6}{'mean':>9}{'sd':>9}{'robust':>9}")
    every: list[float] = []
    for name, truth, said in answers(asked.nights, asked.answers):
        values = normalised(pairs(truth, said))
        if values:
            print(line(name, values), flush=True)
        every += values
    print(line("all", every))


if __name__ == "__main__":
    main()
