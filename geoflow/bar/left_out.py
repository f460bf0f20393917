"""What a bar file leaves out, and the defaults that count in its place."""

from __future__ import annotations

from collections.abc import Mapping

from geoflow.bar.keys import keys_of
from geoflow.bar.liquid import tank_gauge
from geoflow.bar.measured import TANK_GAUGE, usual_flow_tolerance

__all__ = ["left_out_keys"]


def left_out_keys(content: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    """Keys with a default that a bar file leaves out, as a path to each and the value that counts.

    Parameters
    ----------
    content : dict
        The bar file as TOML gives it; it has been read without error before.
    """
    found = _absent("", "", content)
    for name in ("suction", "pump", "meter", "control_valve", "tank", "bypass", "excess_flow", "breakaway"):
        found += _absent(name, f"{name}.", content.get(name))
    if "back_pressure" not in _table(content.get("row_hose")):
        found += _absent("row_hose", "row_hose.", content.get("row_hose"))
    for number, tank_hose in enumerate(_each(content.get("tank_hoses", [])), 1):
        found += _absent("tank_hoses", f"tank_hoses {number}: ", tank_hose)
    for section in map(_table, _each(content.get("sections", []))):
        found += _absent("sections.feed", f"section {section.get('name')}: feed.", section.get("feed"))
    for name, orifice in _table(content.get("orifices")).items():
        found += _absent("orifices", f"orifices.{name}.", orifice)
        for number, point in enumerate(_each(_table(orifice).get("measured", [])), 1):
            found += _of_point(f"orifices.{name}.measured {number}: ", point)
    return tuple(found)


def _table(value: object) -> dict[str, object]:
    return value if isinstance(value, dict) else {}


def _each(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


def _absent(path: str, place: str, table: object) -> list[tuple[str, str]]:
    """Keys with a default that one table leaves out; none of a table that is not there."""
    if not isinstance(table, dict):
        return []
    left = (key for key in keys_of(path).values() if key.default is not None and key.name not in table)
    return [(f"{place}{key.name}", str(key.default)) for key in left]


def _of_point(place: str, point: object) -> list[tuple[str, str]]:
    """The same of a measured point, whose defaults hang on how it was read."""
    absent, given = dict(_absent("orifices.measured", place, point)), _table(point)
    if f"{place}flow_tolerance" in absent:
        absent[f"{place}flow_tolerance"] = str(usual_flow_tolerance(given))
    if f"{place}temperature_tolerance" in absent and tank_gauge(given.get("temperature"), 0.0) is not None:
        absent[f"{place}temperature_tolerance"] = TANK_GAUGE + " on the tank's gauge"
    return list(absent.items())
