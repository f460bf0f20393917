"""Whether the rest of an orifice bears what its bar file assumes about the flashing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from geoflow.bar.key_kinds import THIN_PLATE_LONGEST
from geoflow.bar.keys import keys_of, written
from geoflow.bar.values import shown

__all__ = ["check_flashing"]

# For lengths that come from thousandths of an inch.
_AGREEMENT: Final = 0.001


def check_flashing(note: Callable[[str, str, str], None], name: str, orifice: dict[str, Any]) -> None:
    """Note an assumption about the flashing that the rest of the orifice does not bear.

    Parameters
    ----------
    note : callable
        Takes where, what and cure of a problem.
    name : str
        Of the orifice.
    orifice : dict
        Its values in SI, None where they are absent or wrong.
    """
    if orifice.get("flashing") is None:
        return
    place, said = f"[orifices.{name}]", f"flashing = {shown(orifice['flashing'])}"
    land, diameter = orifice.get("land"), orifice.get("diameter")
    if orifice.get("flash_weight") is not None:
        note(place, f"{said} and flash_weight at once", "keep the one you know")
    if land is None:
        note(
            place, f"{said} without land", f"add land = {written(keys_of('orifices')['land'].example)}, or take it out"
        )
    elif diameter and land / diameter > THIN_PLATE_LONGEST * (1.0 + _AGREEMENT):
        what = f"{said}, but its land is {land / diameter:.1f} times its diameter"
        note(place, what, f"up to {THIN_PLATE_LONGEST:g} times counts as thin; take flashing out, or check land")
