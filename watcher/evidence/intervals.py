"""How well a share is known from few cases.

Wilson, "Probable inference, the law of succession, and statistical inference", Journal of the
American Statistical Association 22, 1927.
"""

from __future__ import annotations

import math

Z_95 = 1.959963984540054
"""Two-sided 95 per cent point of the normal distribution."""


def wilson(hits: int, cases: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson's score interval of a share; (0, 1) where there is no case.

    Raises ``ValueError`` unless 0 <= hits <= cases.
    """
    if not 0 <= hits <= cases:
        raise ValueError("hits must lie between zero and the number of cases")
    if cases == 0:
        return 0.0, 1.0
    share = hits / cases
    wide = 1 + z * z / cases
    middle = (share + z * z / (2 * cases)) / wide
    half = z / wide * math.sqrt(share * (1 - share) / cases + z * z / (4 * cases * cases))
    # At the ends the formula gives exactly 0 or 1, up to rounding.
    low = 0.0 if hits == 0 else max(0.0, middle - half)
    high = 1.0 if hits == cases else min(1.0, middle + half)
    return low, high
