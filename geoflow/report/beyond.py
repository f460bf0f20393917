"""What becomes of zones that hold at the field's edges and at the end of a tank, in words and in JSON."""

from __future__ import annotations

from typing import Any

from geoflow.base.counted import count
from geoflow.base.units import System, number, show
from geoflow.decide.beyond import Beyond
from geoflow.report.json_numbers import in_unit

__all__ = ["beyond_document", "beyond_text"]


def _reasons(one: Beyond) -> list[str]:
    """Limits that decide, by the ground they cost, most first."""
    names = {str(name) for name in one.limited_by[one.lost]}
    return sorted(names, key=lambda name: (-float(one.area[one.lost & (one.limited_by == name)].sum()), name))


def _where(one: Beyond, system: System) -> str:
    if one.temperature is not None:
        return f"At the end of a tank, liquid at {show(one.temperature, 'temperature', system)}"
    return f"At the field's edges, with sections off ({count(len(one.looked_at), 'pattern')} looked at)"


def beyond_text(looked: tuple[Beyond, ...], system: System) -> str:
    """Say what was included beside the whole bar and the planned liquid; empty where nothing was.

    Parameters
    ----------
    looked : tuple of Beyond
        From `look_beyond`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    said = []
    # What is lost stands first: on a phone the rest of it has to be scrolled to.
    for one in sorted(looked, key=lambda found: not found.lost.any()):
        lost, where = one.lost, _where(one, system)
        if not lost.any():
            if (one.verdict == "holds").any():
                said.append(f"{where}, the zones that hold do so too.")
            continue
        ground = (
            f"{number(float(one.area[lost].sum()), 'area', system)} of {show(float(one.area.sum()), 'area', system)}"
        )
        fails = int((lost & (one.verdict == "fails")).sum())
        some = f"{fails:,} of them surely: " if fails else ""
        said.append(
            f"{where}, {count(int(lost.sum()), 'zone')} of those that hold would not ({ground} there), "
            f"{some}{', '.join(_reasons(one))}."
        )
    return " ".join(said)


def beyond_document(looked: tuple[Beyond, ...], names: list[tuple[int, str]], sections: list[str]) -> dict[str, Any]:
    """Give the same to programs, under ``edges`` and ``end_of_tank``; None where it was not looked at.

    Parameters
    ----------
    looked : tuple of Beyond
        From `look_beyond`.
    names : list of tuple
        Of each zone its row, and what the user calls it.
    sections : list of str
        All of the bar.
    """
    found: dict[str, Any] = {"edges": None, "end_of_tank": None}
    for one in looked:
        lost = one.lost
        zones = [
            {
                "zone": names[at][0],
                "zone_id": names[at][1],
                "area_ac": in_unit(float(one.area[at]), "area", "acre"),
                "verdict": str(one.verdict[at]),
                "limited_by": str(one.limited_by[at]),
                "sections_on": str(one.sections[at]).split(","),
            }
            for at in lost.nonzero()[0].tolist()
        ]
        entry = {
            "area_ac": in_unit(float(one.area.sum()), "area", "acre"),
            "area_no_longer_holding_ac": in_unit(float(one.area[lost].sum()), "area", "acre"),
            "limited_by": _reasons(one),
            "zones_no_longer_holding": zones,
        }
        if one.temperature is None:
            found["edges"] = {**entry, "sections_on": [name.split(",") for name in one.looked_at], "sections": sections}
        else:
            found["end_of_tank"] = {**entry, "temperature_degF": in_unit(one.temperature, "temperature", "degF")}
    return found
