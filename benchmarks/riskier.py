"""Is a change for the better ever riskier? Thousands of pairs that nobody owns, one thing changed at a time.

python benchmarks/riskier.py [COUNT] [FIRST SEED]
"""

import sys
import time
import warnings
from pathlib import Path

from pliant.errors import ValidityWarning

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from riskier import drawn_pair, wrongs


def main(count: int, first: int) -> None:
    """Print every wrong, and how many pairs were looked at."""
    warnings.simplefilter("ignore", ValidityWarning)  # these pairs are outside of everything
    begin, looked, found = time.process_time(), 0, 0
    for seed in range(first, first + count):
        looked += drawn_pair(seed) is not None
        for wrong in wrongs(seed):
            found += 1
            print(f"{seed}: {wrong}", flush=True)
    print(f"{looked} pairs, {found} wrong, {time.process_time() - begin:.0f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
