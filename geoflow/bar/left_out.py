"""What a bar file leaves out, and the defaults that count in its place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

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
    found: list[tuple[str, str]] = []

    def look(path: str, place: str, table: object) -> None:
        if isinstance(table, dict):
            for key in keys_of(path).values():
                if key.default is not None and key.name not in table:
                    found.append((f"{place}{key.name}", str(key.default)))

    def each(value: object) -> Iterable[object]:
        return value if isinstance(value, list) else [value]

    look("", "", content)
    for name in ("suction", "pump", "meter", "control_valve", "tank", "bypass", "excess_flow", "breakaway"):
        look(name, f"{name}.", content.get(name))
    hose = content.get("row_hose")
    if isinstance(hose, dict) and "back_pressure" not in hose:
        look("row_hose", "row_hose.", hose)
    for number, tank_hose in enumerate(each(content.get("tank_hoses", [])), 1):
        look("tank_hoses", f"tank_hoses {number}: ", tank_hose)
    for section in each(content.get("sections", [])):
        if isinstance(section, dict) and "feed" in section:
            look("sections.feed", f"section {section.get('name')}: feed.", section["feed"])
    orifices = content.get("orifices")
    for name, orifice in orifices.items() if isinstance(orifices, dict) else ():
        look("orifices", f"orifices.{name}.", orifice)
        points = orifice.get("measured", []) if isinstance(orifice, dict) else []
        for number, point in enumerate(each(points), 1):
            look("orifices.measured", f"orifices.{name}.measured {number}: ", point)
            if isinstance(point, dict) and "flow_tolerance" not in point:
                place = f"orifices.{name}.measured {number}: flow_tolerance"
                found[:] = [(key, str(usual_flow_tolerance(point)) if key == place else said) for key, said in found]
            if isinstance(point, dict) and tank_gauge(point.get("temperature"), 0.0) is not None:
                place = f"orifices.{name}.measured {number}: temperature_tolerance"
                found[:] = [(key, TANK_GAUGE + " on the tank's gauge" if key == place else said) for key, said in found]
    return tuple(found)
