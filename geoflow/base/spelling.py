"""The spelling that was probably meant: never another unit, nor the other end of a range."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Final

__all__ = ["nearest"]

_ALIKE: Final = 0.6
_TURNED: Final = 0.95
# Words that change what a number means, each group under one name: to swap them is no slip of the keyboard.
_MEANINGS: Final[dict[str, str]] = {
    word: name
    for name, words in {
        "gal": "gal gals gallon gallons gpm gph", "L": "l liter liters litre litres lpm", "m3": "m3 cubic",
        "lb": "lb lbs pound pounds", "kg": "kg kgs kilogram kilograms", "t": "t ton tons tonne tonnes",
        "oz": "oz ounce ounces", "g": "g gram grams", "mg": "mg",
        "ac": "ac acre acres", "ha": "ha hectare hectares", "m2": "m2", "ft2": "ft2",
        "ft": "ft foot feet", "in": "in inch inches", "mm": "mm", "cm": "cm", "m": "m meter meters metre metres",
        "km": "km", "mi": "mi mile miles", "mph": "mph", "kmh": "kmh kph",
        "psi": "psi", "psia": "psia", "kPa": "kpa", "bar": "bar", "MPa": "mpa",
        "degF": "degf fahrenheit", "degC": "degc celsius", "K": "kelvin",
        "s": "s sec second seconds", "ms": "ms", "min": "minute minutes", "h": "h hr hour hours",
        "N": "n nitrogen", "NH3": "nh3 ammonia", "%": "percent pct",
        "10": "10", "100": "100", "1000": "1000",
        "least": "min minimum least lowest low lower", "most": "max maximum most greatest highest high higher upper",
        "first": "first start begin from", "last": "last end stop until",
        "left": "left", "right": "right", "inner": "inner inside inlet", "outer": "outer outside outlet",
        "before": "before", "after": "after", "gauge": "gauge", "absolute": "absolute abs",
        "slow": "slow slowest", "fast": "fast fastest", "small": "small smallest", "large": "large largest",
        "lon": "lon long longitude east easting", "lat": "lat latitude north northing",
    }.items()
    for word in words.split()
}  # fmt: skip
# Units written in one go: lbnac, galnh3, kgha.
_TOGETHER: Final = re.compile(r"(lbs?|kg|gal|l)(nh3|n)?(ac|acre|ha|min|h)?")
_WORDS: Final = re.compile(r"nh3|m3|m2|ft2|[a-z]+|\d+|%")


def _parts(word: str) -> list[str]:
    """Words within a word: at anything that is no letter, where capitals begin, and between letters and digits."""
    apart = re.sub(r"(?<=[a-z])(?<!deg)(?<!\bk)(?=[A-Z])", " ", word).casefold()
    found = []
    for part in _WORDS.findall(apart):
        units = _TOGETHER.fullmatch(part)
        ends = [end for end in ("min", "max", "low", "high") if part.startswith(end) and part not in _MEANINGS]
        if units and part not in _MEANINGS and sum(group is not None for group in units.groups()) > 1:
            found += [group for group in units.groups() if group]
        elif ends:
            found += [ends[0], part.removeprefix(ends[0])]
        else:
            found.append(part)
    return found


def _close(one: str, other: str) -> float:
    # Letters in another order are the likeliest slip of all: mhp is mph rather than MPa.
    turned = one != other and sorted(one) == sorted(other)
    return _TURNED if turned else difflib.SequenceMatcher(None, one, other).ratio()


def _is_slip(meant: str, loose: list[str]) -> bool:
    """Whether one of some words is this one misspelt: nearer to it than to anything of another meaning."""
    best = max((_close(one, meant) for one in loose), default=0.0)
    others = (_close(one, other) for one in loose for other in _MEANINGS if _MEANINGS[other] != _MEANINGS[meant])
    return best >= _ALIKE and best > max(others, default=0.0)


def _means_another(word: str, known: str) -> bool:
    """Whether two words speak of different units, substances or ends of a range."""
    ours, theirs = _parts(word), _parts(known)
    said, wanted = ({_MEANINGS[part] for part in parts if part in _MEANINGS} for parts in (ours, theirs))
    if said - wanted:
        return True
    loose = [part for part in ours if part not in _MEANINGS and part not in theirs]
    lacking = (part for part in theirs if part in _MEANINGS and _MEANINGS[part] not in said)
    return not all(_is_slip(part, loose) for part in lacking)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest known word, or an empty string.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        What could have been: a word that counts in another unit, another substance, or is the other end of a range is
        never suggested, since who follows such a hint keeps the number and changes what it means.
    """
    by_folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_folded, n=max(len(by_folded), 1), cutoff=_ALIKE)
    found = next((by_folded[name] for name in close if not _means_another(word, by_folded[name])), None)
    return f"; did you mean '{found}'?" if found is not None else ""
