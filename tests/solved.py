"""The same bar over the same plan is solved once in a run of the tests, not once for every command that is tested.

Solving is a pure function of frozen values, most of the time of a command, and held by test_circuit.py and
test_window.py, whose bars differ from one example to the next. Every caller gets a copy of its own. The processes that
share a run's tests share what they solved. What a test has changed among the solver's own figures is solved anew.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from geoflow.hydraulics import coefficients, curves, readings, rows, window
from geoflow.physics import lines

__all__ = ["Solutions", "folder", "shared"]


def folder(run: str) -> Path:
    """Where the processes of a run keep what they solved."""
    return Path(tempfile.gettempdir()) / f"geoflow-solved-{run}"


def _figures() -> list[Any]:
    """What tests change of the solver's own figures: the numbers of its modules."""
    return [value for one in (coefficients, lines) for value in vars(one).values() if isinstance(value, int | float)]


def shared(solve: Callable[..., Any]) -> Callable[..., Any]:
    """Return the function with its results kept by the content of its arguments, for all processes of a run."""
    kept: dict[bytes, bytes] = {}
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")

    def solved(key: bytes, given: tuple[Any, ...], named: dict[str, Any]) -> bytes:
        if run is None:
            return pickle.dumps(solve(*given, **named))
        path = folder(run) / f"{solve.__name__.strip('_')}-{key.hex()}"
        if not path.exists():
            path.parent.mkdir(0o700, exist_ok=True)
            own = path.with_suffix(f".{os.getpid()}")
            own.write_bytes(pickle.dumps(solve(*given, **named)))
            own.replace(path)
        return path.read_bytes()

    @functools.wraps(solve)
    def found(*given: Any, **named: Any) -> Any:
        asked = pickle.dumps((given, sorted(named.items()), _figures()))
        key = hashlib.blake2b(asked, digest_size=16).digest()
        if key not in kept:
            kept[key] = solved(key, given, named)
        return pickle.loads(kept[key])

    return found


def _share(*solvers: tuple[Any, str]) -> None:
    for module, name in solvers:
        setattr(module, name, shared(getattr(module, name)))


_share((window, "flow_window"), (curves, "pressure_curve"), (rows, "row_split"), (readings, "gauge_readings"))
# These take the solver by its name, so they come after it is shared.
from geoflow.bar.equipment import Bar  # noqa: E402
from geoflow.decide import faults, odds, vet  # noqa: E402

_share((odds, "_windows"), (faults, "_read"))


class Solutions(Mapping[str, vet.Solution]):
    """Bars solved over their plans by name, each when it is first asked for: collecting tests solves nothing."""

    def __init__(self, **plans: tuple[Bar, vet.Plan]) -> None:
        self._plans = plans
        self._solve = functools.cache(lambda name: vet.solve(*plans[name]))

    def __getitem__(self, name: str) -> vet.Solution:
        return self._solve(name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._plans)

    def __len__(self) -> int:
        return len(self._plans)
