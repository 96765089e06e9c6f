"""The largest of a rising row that still holds: false position in logarithms, kept between a good and a bad end.

A chance of a jam costs a hundredth to a tenth of a second, and as a power of the speed it is nearly straight: some four
trials do what bisection does in eight. After J. A. Ford, Improved algorithms of Illinois-type for the numerical
solution of nonlinear equations, 1995 (from memory), with every third step a bisection: a cliff costs three times what
bisection asks for, and no more.
"""

import math
from collections.abc import Callable

__all__ = ["last_that_holds"]

_FIRST_STEP = math.log(1.06)
_LEAST = 1e-4  # [-] of the target: what is less is as good as this


def last_that_holds(
    chance: Callable[[float], float],
    target: float,
    low: float,
    at_low: float,
    high: float,
    at_high: float | None,
    close: float,
) -> float:
    """Find the largest x whose chance meets a target.

    Parameters
    ----------
    chance : callable
        Rises with x. [-]
    target : float
        To stay at or under. [-]
    low, high : float
        Ends above 0; the lower holds, and nothing beyond the upper is looked for.
    at_low, at_high : float
        Their chances; None for the upper where it is not known: then it is come near in growing steps. [-]
    close : float
        Ratio of a failing x to the one returned that is near enough, above 1. [-]

    Returns
    -------
    float
        It held when it was tried, or is `low`.
    """

    def over(value: float) -> float:
        return math.log(max(value / target, _LEAST))

    a, b, over_a = math.log(low), math.log(high), over(at_low)
    over_b = None if at_high is None else over(at_high)
    enough, turn, side, step = math.log(close), 0, 0.0, _FIRST_STEP
    while b - a > enough:
        turn += 1
        if over_b is None:
            x, step = min(a + step, b - enough / 2), 2 * step
        elif turn % 3 and over_b > over_a:
            x = a + (b - a) * over_a / (over_a - over_b)
            # a little beyond, to the side that was not tried last: two trials then close in from both ends
            x = min(max(x + side * 0.4 * enough, a + 0.1 * enough), b - 0.1 * enough)
        else:
            x = (a + b) / 2
        value = chance(math.exp(x))
        if value <= target:
            a, over_a, side = x, over(value), 1.0
        else:
            b, over_b, side = x, over(value), -1.0
    return math.exp(a)
