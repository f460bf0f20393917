"""What must agree between keys of pump, drive, bypass and tank hoses that are right one by one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from geoflow.bar.keys import COUPLING_K
from geoflow.bar.ranges import ends_of
from geoflow.bar.values import shown
from geoflow.base.spelling import nearest

__all__ = ["check_pump", "check_tank_hoses"]

_Note = Callable[[str, str, str], None]


def check_pump(note: _Note, values: Mapping[str, Any], given: Mapping[str, Any]) -> None:
    """Note what does not agree between pump, drive and bypass.

    Parameters
    ----------
    note : callable
        Takes where, what and cure of a problem.
    values : Mapping
        In SI; None where something is left out or wrong.
    given : Mapping
        As written.
    """
    if values["drive"] is not None and isinstance(given.get("drive"), Mapping):
        written = [name for name in ("full_oil", "given_oil", "full_speed", "given_speed") if name in given["drive"]]
        if written not in (["full_oil", "given_oil"], ["full_speed", "given_speed"]):
            what = f"the share of full drive does not follow from {' and '.join(written) or 'nothing'}"
            note("[drive]", what, "write full_oil and given_oil, or full_speed and given_speed")
    pump, bypass = values["pump"] or {}, values["bypass"] or {}
    for key, most in (("pump_flow", "max_flow"), ("opens_at", "max_rise")):
        if None not in (bypass.get(key), pump.get(most)) and ends_of(bypass[key])[1] > ends_of(pump[most])[0]:
            what = f"{key} = {shown(given['bypass'][key])} is above the pump's {most} = {shown(given['pump'][most])}"
            note("[bypass]", what, "check both and their units")


def check_tank_hoses(note: _Note, values: Mapping[str, Any]) -> None:
    """Note what does not agree in the hoses from the tanks.

    Parameters
    ----------
    note : callable
        Takes where, what and cure of a problem.
    values : Mapping
        In SI; None where something is left out or wrong.
    """
    hoses = values["tank_hoses"] or []
    for number, hose in enumerate(hoses, 1):
        for count, coupling in enumerate(hose.get("couplings") or (), 1):
            place = f"[[tank_hoses]] {number}: couplings {count}"
            kind, own = coupling.get("kind"), [name for name in ("k", "cv") if coupling.get(name) is not None]
            if len(own) > 1:
                note(place, "k and cv at once", "keep the one you know")
            elif not own and kind is None:
                note(place, "nothing tells its loss", f"give k or cv, or a kind: {', '.join(COUPLING_K)}")
            elif not own and kind not in COUPLING_K:
                what = f"there is no usual loss for the kind {shown(kind)}{nearest(str(kind), COUPLING_K)}"
                note(place, what, f"give k or cv, or a kind: {', '.join(COUPLING_K)}")
