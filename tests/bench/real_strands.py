"""Scores photographs with the strand measure and prints how well it parts them.

    python tests/bench/real_strands.py FOLDER [FOLDER ...]

A FOLDER holds ``spaghetti/`` and ``normal/`` with pictures. Nothing is trained on them: each whole
picture gets :func:`watcher.measure.strands.tangle_score`, from the lines and the tangle that a run
looks for in its region. The figure is the area under the ROC curve, which is the probability that
a picture with spaghetti scores above one without (Hanley and McNeil 1982; the Mann-Whitney U over
the product of the counts), ties counting half.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import rankdata

from watcher.measure.strands import tangle_score

ENDINGS = {".jpg", ".jpeg", ".png", ".bmp", ".webp", ".tif", ".tiff"}


def area_under_roc(high: list[float], low: list[float]) -> float:
    """Probability that one of ``high`` is above one of ``low``, ties half."""
    ranks = rankdata([*high, *low])
    above = ranks[: len(high)].sum() - len(high) * (len(high) + 1) / 2
    return float(above / (len(high) * len(low)))


def scores_in(folder: Path) -> list[tuple[float, Path]]:
    """Score of each picture in a folder, files that are no pictures left out with a word."""
    found = []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in ENDINGS:
            continue
        picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        if picture is None:
            print(f"{path} is not a picture; it is left out.", file=sys.stderr)
            continue
        found.append((tangle_score(picture), path))
    return found


def main() -> int:
    words = argparse.ArgumentParser(description="How well the strand measure parts photographs.")
    words.add_argument("folder", nargs="+", type=Path, help="holds spaghetti/ and normal/")
    words.add_argument(
        "--list", action="store_true", help="print every picture's score, lowest first"
    )
    asked = words.parse_args()
    kinds: dict[str, list[tuple[float, Path]]] = {"spaghetti": [], "normal": []}
    for folder in asked.folder:
        for kind in kinds:
            if not (folder / kind).is_dir():
                print(f"There is no folder {folder / kind}.", file=sys.stderr)
                return 2
            kinds[kind] += scores_in(folder / kind)
    empty = [kind for kind, found in kinds.items() if not found]
    if empty:
        print(f"There are no pictures in any {empty[0]} folder.", file=sys.stderr)
        return 2
    if asked.list:
        for score, path in sorted(kinds["spaghetti"] + kinds["normal"]):
            print(f"{score:.3f} {path.parent.name}/{path.name}")
    high, low = ([score for score, _ in kinds[kind]] for kind in ("spaghetti", "normal"))
    print(f"AUROC {area_under_roc(high, low):.3f} n={len(high) + len(low)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
