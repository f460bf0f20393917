"""The sample that opens with one click: an invented field, its bar, how it is read, and a plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

__all__ = ["sample"]

_FOLDER: Final = Path(__file__).parent / "sample"
_BAR: Final = "wren.toml"
_FIELD: Final = "kettle_rise.geojson"
_HOW: Final = {"rate_column": "target", "rate_unit": "lb N/ac"}
_PLAN: Final = {
    "us": {"temperature": ["40", "50"], "speed": ["5", "5"]},
    "metric": {"temperature": ["4", "10"], "speed": ["8", "8"]},
}


def sample() -> dict[str, Any]:
    """Return the files as a person would choose them, and what a person would set."""
    bar, field = (_FOLDER.joinpath(name).read_text(encoding="utf-8") for name in (_BAR, _FIELD))
    return {
        "bar": {"name": _BAR, "text": bar},
        "files": [{"name": _FIELD, "text": field}],
        "options": _HOW,
        "plan": _PLAN,
    }
