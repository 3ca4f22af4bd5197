"""How good the watcher is over nights whose truth is known.

    python tests/bench/nights_table.py FOLDER...

Replays each night through the real command and prints a line for it: what happens in it, whether
that was found, frames and layers from the onset to the stop, the share of the then remaining
filament that the stop saved, and for corner lifts the root mean square error, the share of frames
measured, and the 95th percentile of the lift measured where nothing lifts.
"""

from __future__ import annotations

from replayed import answers, arguments
from scored import Scored, scored

HEAD = ("night", "happens", "verdict", "frames", "layers", "saved", "rmse", "cover", "phantom")
WIDTHS = (20, 10, 24, 7, 7, 6, 6, 6, 8)


def row(one: Scored) -> tuple[str, ...]:
    """A night's cells."""
    return (
        one.night,
        one.kind,
        one.verdict,
        _said(one.delay_frames, "d"),
        _said(one.delay_layers, "d"),
        _said(one.saved, ".0%"),
        _said(one.rmse_mm, ".2f"),
        _said(one.coverage, ".0%"),
        _said(one.phantom_mm, ".2f"),
    )


def line(cells: tuple[str, ...]) -> str:
    """Words to the left, numbers to the right."""
    places = zip(cells, WIDTHS, "<<<>>>>>>", strict=True)
    return "".join(f"{cell:{side}{width}}" for cell, width, side in places).rstrip()


def summary(every: list[Scored]) -> str:
    """One sentence on all nights."""
    bad = [one for one in every if one.kind != "good"]
    found = sum(one.verdict.startswith("found") for one in bad)
    false = sum(one.verdict == "false stop" for one in every)
    saved = sum(one.saved or 0.0 for one in bad) / len(bad) if bad else 0.0
    return (
        f"Right: {sum(one.right for one in every)} of {len(every)} nights; "
        f"faults found: {found} of {len(bad)}; false stops: {false}; filament saved: {saved:.0%}."
    )


def _said(value: float | None, how: str) -> str:
    return "-" if value is None else format(value, how)


def main() -> None:
    asked = arguments(__doc__).parse_args()
    every = []
    print(line(HEAD))
    for name, truth, said in answers(asked.nights, asked.answers):
        every.append(scored(name, truth, said))
        print(line(row(every[-1])), flush=True)
    print(summary(every))


if __name__ == "__main__":
    main()
