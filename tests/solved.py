"""The same bar over the same plan is solved once in a run of the tests, not once for every command that is tested.

Solving is a pure function of frozen values, most of the time of a command, and held by test_circuit.py and
test_window.py, whose bars differ from one example to the next. Every caller gets a copy of its own.
"""

from __future__ import annotations

import functools
import pickle
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

from geoflow.hydraulics import curves, rows, window

__all__ = ["shared"]

_MOST = 500


def shared(solve: Callable[..., Any]) -> Callable[..., Any]:
    """Return the function with its results kept by the content of its arguments."""
    kept: OrderedDict[bytes, bytes] = OrderedDict()

    @functools.wraps(solve)
    def found(*given: Any, **named: Any) -> Any:
        key = pickle.dumps((given, sorted(named.items())))
        if key not in kept:
            kept[key] = pickle.dumps(solve(*given, **named))
            if len(kept) > _MOST:
                kept.popitem(last=False)
        return pickle.loads(kept[key])

    return found


for module, name in ((window, "flow_window"), (curves, "pressure_curve"), (rows, "row_split")):
    setattr(module, name, shared(getattr(module, name)))
