"""What a bar file leaves out, and the defaults that count in its place."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from geoflow.bar.key import Key
from geoflow.bar.keys import keys_of
from geoflow.bar.liquid import tank_gauge
from geoflow.bar.measured import TANK_GAUGE, usual_flow_tolerance

__all__ = ["left_out_keys"]

_ONCE: Final = ("suction", "pump", "meter", "control_valve", "tank", "bypass", "excess_flow", "breakaway")
_MEASURED: Final = "orifices.measured"


def left_out_keys(content: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    """Keys with a default that a bar file leaves out, as a path to each and the value that counts.

    Parameters
    ----------
    content : dict
        The bar file as TOML gives it; it has been read without error before.
    """
    return tuple(
        (f"{place}{key.name}", _counts(path, key, table))
        for path, place, table in _tables(content)
        for key in keys_of(path).values()
        if key.default is not None and key.name not in table
    )


def _counts(path: str, key: Key, table: Mapping[str, Any]) -> str:
    """The value that counts for a key that is left out."""
    if path == _MEASURED and key.name == "flow_tolerance":
        return str(usual_flow_tolerance(table))
    if path == _MEASURED and key.name == "temperature_tolerance" and tank_gauge(table.get("temperature"), 0.0):
        return TANK_GAUGE + " on the tank's gauge"
    return str(key.default)


def _tables(content: Mapping[str, object]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every table that is there: its path in the description of the file, what stands before its keys, and itself."""
    once = [("", "", content), *((name, f"{name}.", content.get(name)) for name in _ONCE)]
    for path, place, table in (*once, *_below(content), *_of_orifices(content.get("orifices"))):
        if isinstance(table, dict):
            yield path, place, table


def _below(content: Mapping[str, object]) -> Iterator[tuple[str, str, object]]:
    hose = content.get("row_hose")
    if isinstance(hose, dict) and "back_pressure" not in hose:
        yield "row_hose", "row_hose.", hose
    for number, tank_hose in enumerate(_each(content.get("tank_hoses", [])), 1):
        yield "tank_hoses", f"tank_hoses {number}: ", tank_hose
    for section in _each(content.get("sections", [])):
        if isinstance(section, dict):
            yield "sections.feed", f"section {section.get('name')}: feed.", section.get("feed")


def _of_orifices(orifices: object) -> Iterator[tuple[str, str, object]]:
    for name, orifice in orifices.items() if isinstance(orifices, dict) else ():
        yield "orifices", f"orifices.{name}.", orifice
        for number, point in enumerate(_each(orifice.get("measured", []) if isinstance(orifice, dict) else []), 1):
            yield _MEASURED, f"orifices.{name}.measured {number}: ", point


def _each(value: object) -> Iterable[object]:
    return value if isinstance(value, list) else [value]
