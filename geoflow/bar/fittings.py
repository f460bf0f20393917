"""Loss coefficients of fittings by kind, as ranges over what handbooks say of the sizes this trade uses."""

from __future__ import annotations

import re
from typing import Final

from geoflow.base.errors import QuantityError
from geoflow.base.spelling import nearest

__all__ = ["FITTINGS", "fittings_k"]

# Least and greatest K on the bore of the line, sizes of 3/4 to 2 in wide open, and where they come from. HI: K factors
# of screwed tees and valves by size, Hydraulic Institute Engineering Data Book, read as tables 3.10 and 3.11 in
# J. B. Rishel, HVAC Pump Handbook, 2006; LMNO: table of minor loss coefficients, lmnoeng.com/surface.htm, read; Crane:
# Technical Paper 410, multiples of its turbulent friction factor (0.024 at 3/4 in, 0.019 at 2 in), from memory.
FITTINGS: Final[dict[str, tuple[float, float, str]]] = {
    "elbow": (0.55, 1.5, "90 degrees: 30 times Crane's factor (memory) to LMNO's threaded 1.5"),
    "45 elbow": (0.2, 0.4, "LMNO 0.2 to 0.4"),
    "tee through": (0.35, 0.9, "20 times Crane's factor (memory) to the screwed 0.90 of HI and LMNO"),
    "tee branch": (1.1, 2.1, "60 times Crane's factor (memory) to HI's screwed 2.10 at 3/4 in"),
    "coupling": (0.02, 0.1, "pipe coupling or union: 0.08 and less, from memory"),
    "reducer": (0.05, 0.5, "from memory"),
    "ball valve": (0.05, 0.15, "full bore: 3 times Crane's factor (memory)"),
    "gate valve": (0.15, 0.32, "LMNO 0.15, HI 0.17 to 0.28"),
    "globe valve": (6.4, 10.0, "HI 6.9 to 10.0, LMNO 10, 340 times Crane's factor (memory)"),
    "check valve": (0.9, 2.5, "swing: 50 to 100 times Crane's factor (memory), LMNO 2"),
    "strainer": (2.0, 5.0, "clean; from memory"),
    "excess-flow valve": (3.0, 10.0, "from memory"),
    "quick coupling": (0.5, 16.0, "full bore, from memory, to the most that ISO 14541 lets a coupling lose, 20 mm"),
    "inlet": (0.5, 0.8, "sharp edge of a tank's outlet; LMNO and Crane 0.5, from memory"),
    "outlet": (1.0, 1.0, "into a wide manifold: the speed is lost"),
}

_ALSO: Final = {
    "90 elbow": "elbow", "bend": "elbow", "90": "elbow", "45": "45 elbow", "tee straight through": "tee through",
    "tee run": "tee through", "straight tee": "tee through", "branch tee": "tee branch", "union": "coupling",
    "valve": "ball valve", "entrance": "inlet", "exit": "outlet", "excess flow valve": "excess-flow valve",
    "poppet": "quick coupling", "quick coupler": "quick coupling", "screen": "strainer", "filter": "strainer",
}  # fmt: skip
# A tee of which it is not said how the flow goes may be either.
_TEE: Final = (FITTINGS["tee through"][0], FITTINGS["tee branch"][1])


def _one(text: str) -> tuple[float, float]:
    match = re.fullmatch(r"(?:(\d+)\s*x?\s+|(one|two|three|four|an?)\s+)?(.+?)", text.strip().casefold())
    assert match is not None
    words = {"one": 1, "two": 2, "three": 3, "four": 4, "a": 1, "an": 1}
    count = int(match[1]) if match[1] else words.get(match[2] or "one", 1)
    kind = re.sub(r"[\u00b0]|\bdegrees?\b|\bdeg\b|\bstandard\b", "", match[3])
    kind = re.sub(r"\s+", " ", kind).strip()
    singular = re.sub(r"s(?=$|\s)", "", kind) if kind not in FITTINGS else kind
    for name in (kind, singular):
        name = _ALSO.get(name, name)
        if name == "tee":
            return count * _TEE[0], count * _TEE[1]
        if name in FITTINGS:
            least, most, _ = FITTINGS[name]
            return count * least, count * most
    known = ["tee", *FITTINGS]
    raise QuantityError(f"'{text.strip()}' is no fitting known here{nearest(singular, known)}")


def fittings_k(text: str) -> tuple[float, float]:
    """Least and greatest sum of loss coefficients of fittings told by kind, as "2 elbows, 1 tee, 1 strainer".

    Parameters
    ----------
    text : str
        Kinds with how many there are, or a sum of K by itself, as "3.0" or "2..4".

    Raises
    ------
    QuantityError
        For a kind nobody knows.
    """
    plain = text.strip().casefold().removeprefix("k").strip(" =")
    if span := re.fullmatch(r"(\d*\.?\d+)(?:\s*(?:\.\.|to)\s*(\d*\.?\d+))?", plain):
        least, most = float(span[1]), float(span[2] or span[1])
        if least > most:
            raise QuantityError(f"the range '{text}' runs backwards")
        return least, most
    parts = [part for part in re.split(r",|;|\band\b|\+", text) if part.strip()]
    ends = [_one(part) for part in parts]
    return sum(least for least, _ in ends), sum(most for _, most in ends)
