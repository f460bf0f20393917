"""Whether bars with ranges in their file bound every exact bar within the ranges.

Run ``PYTHONPATH=tests .venv/bin/python tests/campaigns/ranged_bars.py --seed 3 --count 300``. Each bar is drawn with
about half of its values as ranges, and exact bars are drawn from it, values at the ends more often than not. The
certain window of the ranged bar has to lie within each exact one's, and each exact possible window within its own.
"""

from __future__ import annotations

import argparse
import random

from ranged_bars import random_ranged, range_breaches

from geoflow.base.errors import GeoflowError

__all__ = ["breaches_of", "main"]


def breaches_of(seed: int, number: int, draws: int) -> list[str]:
    """What is wrong with one bar of a seed; one more text, its name, for a bar that is refused."""
    draw = random.Random(seed * 100003 + number)
    content = random_ranged(draw)
    return range_breaches(content, draw, draw.uniform(273.0, 298.0), draws)


def main() -> None:
    """Count them."""
    parser = argparse.ArgumentParser()
    for name, usual in (("seed", 1), ("count", 300), ("draws", 3), ("first", 0)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    options = parser.parse_args()
    wrong = refused = 0
    for number in range(options.first, options.first + options.count):
        try:
            found = breaches_of(options.seed, number, options.draws)
        except GeoflowError as problem:
            refused += 1
            print(number, problem)
            continue
        wrong += bool(found)
        if found:
            print(number, *found, sep="\n  ")
    print(f"{options.count} bars, {options.draws} exact ones of each: {wrong} not bounded, {refused} refused")


if __name__ == "__main__":
    main()
