"""Every key of the bar file, once: the reader, the JSON Schema and the reference in docs/ come from it."""

from __future__ import annotations

import json
from typing import Final

from geoflow.bar.key import Key, Table, Written
from geoflow.bar.key_kinds import THIN_PLATE, THIN_PLATE_FLASHING, THIN_PLATE_LONGEST
from geoflow.bar.learned_keys import LEARNED_KEYS, LEARNED_TABLES

__all__ = [
    "COUPLING_K",
    "KEYS",
    "NITROGEN_FRACTION",
    "TABLES",
    "Key",
    "Table",
    "Written",
    "heading",
    "keys_of",
    "subtables_of",
    "table_of",
    "written",
]

NITROGEN_FRACTION: Final = 0.82
"""Of ammonia, by weight: grade 82-0-0, as on the label."""


# A table reads best as one.
# fmt: off
TABLES: Final[tuple[Table, ...]] = (
    Table("", "one", "The bar as a whole; these keys stand above the first table.", required=True),
    Table("sections", "list", "Rows switched together, one table per section, left to right.", required=True),
    Table("sections.feed", "one", "Line from the manifold to its orifices; without it no loss is counted."),
    Table("orifices", "named", "The row orifices you own, each under a name of your choice.", required=True),
    Table("orifices.measured", "list", "Points measured on ammonia with it; they narrow what is unknown."),
    *LEARNED_TABLES,
    Table("row_hose", "one",
          "What is below the orifice: `back_pressure` where you know it, else `length` and `bore`, never "
          "both; without the table the orifice blows into open air."),
    Table("suction", "one",
          "Tank to pump; `length` and `bore` come together; without the table no loss is counted."),
    Table("tank_hoses", "list",
          "Hose from a tank to the suction, one table for each tank drawn at the same time; two side by side share "
          "the flow so that both lose the same."),
    Table("tank_hoses.couplings", "list",
          "Quick couplings and valves in it, each by its kind, or with its own `k` or `cv`."),
    Table("excess_flow", "one", "The valve at each tank that shuts when too much flows; without it nothing shuts."),
    Table("breakaway", "one", "A coupling that passes the whole flow and shuts when too much flows."),
    Table("pump", "one", "The pump that pushes the liquid to the bar.", required=True),
    Table("drive", "one",
          "What turns the pump: `full_oil` and `given_oil` of a hydraulic motor, or `full_speed` and `given_speed` of "
          "a shaft; without it the tractor gives full drive."),
    Table("bypass", "one",
          "A bypass or relief that lets part of the flow go round, back to the pump's inlet; without it the pump makes "
          "just the bar's flow and pressure."),
    Table("meter", "one", "The flow meter.", required=True),
    Table("control_valve", "one", "The valve that throttles the flow; without it no loss is counted."),
    Table("limits", "one", "What the bar must stay within.", required=True),
    Table("controller", "one", "How fast the rate control answers."),
    Table("tank", "one", "The tank the bar draws from."),
    Table("gauges", "list", "The pressure gauges you can read, one table each; without any all places count as read."),
)

_HOSE_LENGTH: Final = ("0 ft", "500 ft")
_HOSE_BORE: Final = ("0.05 in", "12 in")
_ROUGHNESS: Final = ("0 mm", "5 mm")
_FITTINGS: Final = (0, 1000)
_FLOW: Final = ("0 gpm", "2000 gpm")
_LIQUID: Final = ("-40 degF", "140 degF")
_SOME_FLOW: Final = ("0.01 gpm", "2000 gpm")

_TURNS: Final = ("1 rpm", "20000 rpm")
COUPLING_K: Final[dict[str, float]] = {
    "full bore": 0.5, "globe valve": 10.0, "poppet": 8.0, "breakaway": 6.0, "flat face": 4.0,
}
"""Loss coefficients of couplings by kind, on the bore of the hose, so give `k` or `cv` where known.

The globe valve, fully open, has that of handbook tables of minor losses (tests/published/lines.csv); no table was found
that tells quick couplings by kind, so those are from memory, and below the most that ISO 14541 lets couplings lose.
"""
_COUPLINGS: Final = ", ".join(f"{kind} {k:g}" for kind, k in COUPLING_K.items())

KEYS: Final[tuple[Key, ...]] = (
    Key("", "name", "text", "16-row bar", "What you call the bar.", required=True),
    Key("", "row_spacing", "length", "30 in", "Distance between neighbouring rows.", required=True,
        accepted=("1 in", "200 in")),
    Key("", "rows", "whole number", 16, "Number of rows on the whole bar; checked against the sections.",
        accepted=(1, 1000)),
    Key("", "width", "length", "40 ft", "Working width; checked against rows times row spacing (within 1 %).",
        accepted=("1 in", "1000 ft")),
    Key("", "nitrogen_fraction", "number", NITROGEN_FRACTION,
        "Nitrogen by weight in the ammonia; 0.82 is the grade 82-0-0 on the label.",
        default=NITROGEN_FRACTION,
        accepted=(0.1, 0.8225), note="82-0-0 is written 0.82; pure ammonia holds 0.8224"),
    Key("", "elevation", "length range", "900 ft",
        "Height of the site above the sea; it sets the air pressure (US Standard Atmosphere 1976).",
        default="0 ft", accepted=("-1500 ft", "15000 ft")),
    Key("sections", "name", "text", "left", "What you call the section; no comma, no name twice.",
        required=True),
    Key("sections", "rows", "whole number", 8, "Rows in this section.", required=True, accepted=(1, 1000)),
    Key("sections", "orifice", "text", "small", "Name of the orifice in its rows, from `[orifices]`.",
        required=True),
    Key("sections.feed", "length", "length range", "9 ft", "Length of the line.", required=True,
        accepted=_HOSE_LENGTH),
    Key("sections.feed", "bore", "length range", "0.75 in", "Inside diameter of the line.", required=True,
        accepted=_HOSE_BORE),
    Key("sections.feed", "fittings_k", "number range", 3.0, "Sum of the loss coefficients of its fittings.",
        default=0.0, accepted=_FITTINGS),
    Key("sections.feed", "roughness", "length", "0.05 mm", "Roughness of its wall; 0 is a smooth hose.",
        default="0 mm", accepted=_ROUGHNESS),
    Key("orifices", "diameter", "length", "0.070 in", "Bore of the orifice.", required=True,
        accepted=("0.005 in", "2 in")),
    Key("orifices", "discharge_coefficient", "number", 0.62,
        "Discharge coefficient on liquid that does not boil; about 0.62 sharp-edged, 0.80 for a short tube "
        "(handbooks, from memory).",
        required=True, accepted=(0.1, 1)),
    Key("orifices", "coefficient_tolerance", "number", 0.05,
        "How far the coefficient may be off, as a fraction; 0 is exact, 0.08 serves where nobody tested it "
        "(common practice, no source).",
        default=0.08, accepted=(0, 0.9)),
    Key("orifices", "land", "length", "1.5 mm",
        "Length of the straight bore (plate thickness): what is likely of the flashing, and from five "
        "diameters on its bounds too, after tests of refrigerants.",
        accepted=("0.001 in", "4 in")),
    Key("orifices", "flash_weight", "number", 0.0,
        "Flashing weight where you know it, from 0 (the jet stays liquid) to 1 (it boils in full).",
        accepted=(0, 1)),
    Key("orifices", "flashing", "flashing", THIN_PLATE,
        f"Your assumption that the liquid flashes to a weight of {THIN_PLATE_FLASHING:g} at most; it needs a `land` of "
        f"up to {THIN_PLATE_LONGEST:g} diameters. Nobody measured it on ammonia, and reports say what it decides."),
    Key("orifices", "row_spread", "number", 0.03,
        "How far the flow of one row may be off the mean of the rows with this orifice, as a fraction, at the "
        "same pressure; it goes with the area, from the tolerance of new ones or from wear.",
        default=0.0, accepted=(0, 0.5)),
    Key("orifices.measured", "flow", "ammonia flow", "5.1 lb NH3/min", "Ammonia through one orifice.",
        accepted=("0.001 lb NH3/min", "1000 lb NH3/min")),
    Key("orifices.measured", "bar_flow", "liquid flow", "14 gpm",
        "Or what the meter says of the whole bar: gpm, L/min, pulses/s or lb NH3/min."),
    Key("orifices.measured", "rate", "nitrogen rate", "150 lb N/ac",
        "Or the rate the display says, held at `speed`; the meter's `reference_temperature` is allowed for.",
        accepted=("1 lb N/ac", "1000 lb N/ac")),
    Key("orifices.measured", "speed", "speed", "5 mph", "Ground speed while `rate` was read.",
        accepted=("0.1 mph", "30 mph")),
    Key("orifices.measured", "load", "ammonia mass", "2400 lb NH3",
        "Or what the tank lost on a scale while the bar ran steadily for `time`.",
        accepted=("1 lb NH3", "100000 lb NH3")),
    Key("orifices.measured", "time", "time", "30 min", "How long the bar ran for `load`.", accepted=("1 s", "24 h")),
    Key("orifices.measured", "sections", "text", "left,right",
        "Sections that were on for `bar_flow`, `rate` or `load`; all if left out. They must have this orifice."),
    Key("orifices.measured", "pressure", "gauge pressure", "95 psi", "Pressure just above the orifice.",
        accepted=("1 psi", "1000 psi")),
    Key("orifices.measured", "pressure_after_valve", "gauge pressure", "97 psi",
        "Or the gauge between control valve and feeds; what the feeds lose comes off it, after the bar's own lines.",
        accepted=("1 psi", "1000 psi")),
    Key("orifices.measured", "temperature", "liquid temperature", "50 degF",
        'Temperature of the liquid there, or the gauge on the tank it is drawn from ("78 psi").',
        required=True, accepted=_LIQUID),
    Key("orifices.measured", "flow_tolerance", "number", 0.03,
        "How far the flow may be off, as a fraction; 0.03 counts for a meter, 0.05 for a `rate` (its speed errs too), "
        "0.02 for a `load` (common practice, no source).",
        default=0.03, accepted=(0, 0.9)),
    Key("orifices.measured", "pressure_tolerance", "pressure difference", "2 psi",
        "How far the gauge may be off; 2 psi counts where you don't say (common practice, no source).",
        default="2 psi", accepted=("0 psi", "50 psi")),
    Key("orifices.measured", "temperature_tolerance", "temperature difference", "2 degF",
        "How far the thermometer may be off, 2 degF where you don't say; with the tank's gauge given, what 2 psi of "
        "it make (common practice, no source).",
        default="2 degF", accepted=("0 degF", "20 degF")),
    *LEARNED_KEYS,
    Key("row_hose", "back_pressure", "gauge pressure range", "4..8 psi", "Pressure just below the orifice.",
        accepted=("0 psi", "500 psi")),
    Key("row_hose", "length", "length range", "8 ft", "Length of the hose, for an estimate of that pressure.",
        accepted=_HOSE_LENGTH),
    Key("row_hose", "bore", "length range", "0.375 in", "Inside diameter of the hose.", accepted=_HOSE_BORE),
    Key("row_hose", "tolerance", "number", 0.4,
        "How far the estimate may be off, as a fraction; 0.4 covers the correlations for separated flow (Friedel 1979; "
        "Mueller-Steinhagen and Heck 1986).", default=0.4, accepted=(0, 1)),
    Key("row_hose", "outlet", "length range", "0.25 in",
        "Diameter of the hole at the knife, where it is narrower than the hose.", accepted=("0.02 in", "4 in")),
    Key("row_hose", "outlet_coefficient", "number", 0.8,
        "Discharge coefficient of that hole; 0.8 is usual for a drilled tube end (from memory).", default=0.8,
        accepted=(0.3, 1)),
    Key("suction", "head", "length range", "0.5..3 ft",
        "Height of the liquid above the pump inlet, from nearly empty to full; negative where the pump lifts.",
        default="0 ft", accepted=("-30 ft", "30 ft")),
    Key("suction", "length", "length range", "12 ft", "Length of the line.", accepted=_HOSE_LENGTH),
    Key("suction", "bore", "length range", "1.5 in", "Inside diameter of the line.", accepted=_HOSE_BORE),
    Key("suction", "fittings_k", "number range", 8.0, "Sum of the loss coefficients of strainer, valves and bends.",
        default=0.0, accepted=_FITTINGS),
    Key("suction", "roughness", "length", "0.05 mm", "Roughness of its wall; 0 is a smooth hose.",
        default="0 mm", accepted=_ROUGHNESS),
    Key("tank_hoses", "length", "length range", "10 ft", "Length of the hose.", required=True, accepted=_HOSE_LENGTH),
    Key("tank_hoses", "bore", "length range", "1.25 in",
        "Inside diameter of the hose; 1 to 2 in is usual (common practice, no source).", required=True,
        accepted=_HOSE_BORE),
    Key("tank_hoses", "fittings_k", "number range", 2.0, "Sum of the loss coefficients of its other fittings.",
        default=0.0, accepted=_FITTINGS),
    Key("tank_hoses", "roughness", "length", "0.05 mm", "Roughness of its wall; 0 is a smooth hose.",
        default="0 mm", accepted=_ROUGHNESS),
    Key("tank_hoses.couplings", "kind", "text", "poppet",
        f"Sets the loss where neither `k` nor `cv` is given, on the hose's bore: {_COUPLINGS} (the globe valve from "
        "handbook tables of minor losses, the others from memory)."),
    Key("tank_hoses.couplings", "k", "number", 4.0, "Its loss coefficient on the hose's bore.", accepted=_FITTINGS),
    Key("tank_hoses.couplings", "cv", "number", 60, "Its flow coefficient: US gpm of water at a loss of 1 psi.",
        accepted=(0.01, 10000)),
    Key("excess_flow", "closing_flow", "volume flow range", "50 gpm",
        "Flow of liquid at which it shuts, from its tag; one and a half to two times the greatest flow is usual "
        "(common practice, no source).", required=True, accepted=_SOME_FLOW),
    Key("excess_flow", "tolerance", "number", 0.10,
        "How far that may be off, as a fraction; 0.10 is usual (from memory).", default=0.10, accepted=(0, 0.9)),
    Key("breakaway", "closing_flow", "volume flow range", "60 gpm", "Flow of liquid at which it shuts.", required=True,
        accepted=_SOME_FLOW),
    Key("breakaway", "tolerance", "number", 0.10,
        "How far that may be off, as a fraction; 0.10 is usual (from memory).", default=0.10, accepted=(0, 0.9)),
    Key("pump", "max_flow", "volume flow range", "45 gpm", "Liquid displaced at full drive.", required=True,
        accepted=_SOME_FLOW),
    Key("pump", "max_rise", "pressure difference range", "110 psi", "Most pressure the pump can add.",
        required=True, accepted=("0.1 psi", "1000 psi")),
    Key("pump", "min_flow", "volume flow range", "3 gpm", "Least flow the pump can be held at.", default="0 gpm",
        accepted=_FLOW),
    Key("pump", "efficiency", "number range", 0.5,
        "Share of the drive's work that becomes pressure; the rest heats the liquid. 0.5 is a guess (no source).",
        default=0.5,
        accepted=(0.05, 1)),
    Key("pump", "flow_tolerance", "number", 0.05,
        "How far `max_flow` may be off, as a fraction; 0.05 is usual for a nameplate (common practice, no source).",
        default=0.0, accepted=(0, 0.5)),
    Key("pump", "slip", "number range", 0.10,
        "Share of `max_flow` that leaks back inside at `max_rise`; 0.05 to 0.20 is usual on thin liquid (from memory).",
        default=0.0, accepted=(0, 0.9)),
    Key("drive", "full_oil", "volume flow range", "14 gpm", "Oil the motor takes at the pump's `max_flow`.",
        accepted=_SOME_FLOW),
    Key("drive", "given_oil", "volume flow range", "11 gpm",
        "Oil the tractor gives; 10 to 30 gpm an outlet is usual (common practice, no source).", accepted=_SOME_FLOW),
    Key("drive", "full_speed", "turning speed range", "540 rpm", "Shaft speed at the pump's `max_flow`.",
        accepted=_TURNS),
    Key("drive", "given_speed", "turning speed range", "450 rpm",
        "Shaft speed the tractor is driven at; 540 or 1000 rpm is a full one (ISO 500, from memory).", accepted=_TURNS),
    Key("bypass", "pump_flow", "volume flow range", "15 gpm",
        "What the pump moves at least: what the bar does not take goes round. About a third of `max_flow` is usual "
        "(common practice, no source).", required=True, accepted=_SOME_FLOW),
    Key("bypass", "opens_at", "pressure difference range", "60 psi",
        "Rise a relief holds while some goes round; 0 where the pump makes only what the bar needs. 50 to 120 psi is "
        "usual (from memory).", default="0 psi", accepted=("0 psi", "1000 psi")),
    Key("meter", "pulses_per_gallon", "number", 700,
        "Pulses for one US gallon of liquid, not for 10 lb N. Without it nothing read in pulses tells a flow, and a "
        "field card has no number to enter.",
        accepted=(0.01, 1000000)),
    Key("meter", "min_flow", "volume flow range", "2 gpm", "Least flow it counts.", required=True, accepted=_FLOW),
    Key("meter", "max_flow", "volume flow range", "60 gpm", "Greatest flow it counts.", required=True,
        accepted=_SOME_FLOW),
    Key("meter", "reference_temperature", "temperature", "60 degF",
        "Set it where the controller takes the density at one fixed temperature, whatever the liquid's own.",
        accepted=_LIQUID),
    Key("meter", "loss_at_max_flow", "pressure difference range", "3 psi",
        "Pressure lost in the meter at its greatest flow.", default="0 psi", accepted=("0 psi", "200 psi")),
    Key("control_valve", "cv", "number range", 30,
        "Flow coefficient wide open: US gpm of water at a loss of 1 psi.", required=True,
        accepted=(0.01, 10000)),
    Key("control_valve", "recovery_factor", "number", 0.9,
        "Pressure recovery factor FL of IEC 60534; 0.9 is a globe valve's (IEC 60534-2-1).",
        default=0.9, accepted=(0.3, 1)),
    Key("limits", "max_pressure", "gauge pressure range", "200 psi", "Rated pressure at the pump outlet.",
        required=True, accepted=("1 psi", "1000 psi")),
    Key("limits", "liquid_margin", "pressure difference", "5 psi",
        "Wanted pressure above the vapour pressure, above every orifice.", required=True,
        accepted=("0.1 psi", "200 psi"), note="with no margin the ammonia boils ahead of the orifices"),
    Key("limits", "speed", "speed range", "3.5..7.5 mph", "Speeds you are willing to drive.", required=True,
        accepted=("0.1 mph", "30 mph")),
    Key("controller", "delay", "time", "0.8 s", "Dead time before the flow starts to change.", required=True,
        accepted=("0 s", "60 s")),
    Key("controller", "time_constant", "time", "1.5 s", "Time in which the flow covers 63 % of a change.",
        required=True, accepted=("0 s", "60 s")),
    Key("tank", "capacity", "volume", "1000 gal",
        "Water capacity; of all tanks drawn at the same time together, of which [[tank_hoses]] says how many.",
        required=True, accepted=("1 gal", "50000 gal")),
    Key("tank", "fill", "number", 0.85,
        "Share of the capacity that is filled; 0.85 where you don't say (common practice, no source).", default=0.85,
        accepted=(0.05, 0.85),
        note="the usual rule is 85 % of the capacity at most, so that the liquid has room to expand; "
        "the local code decides, ask the supplier"),
    Key("gauges", "place", "gauge place", "after valve", "Where it sits.", required=True),
    Key("gauges", "zero", "voltage", "0.5 V", "Output of a transmitter at no pressure, on its label or data sheet.",
        accepted=("-1 V", "12 V")),
    Key("gauges", "span", "transmitter slope", "20 mV/psi", "How far that output rises with the pressure.",
        accepted=("0.1 mV/psi", "1000 mV/psi")),
)
# fmt: on


def keys_of(path: str) -> dict[str, Key]:
    """Return the keys of one table by name.

    Parameters
    ----------
    path : str
        Of a `Table`.
    """
    return {key.name: key for key in KEYS if key.table == path}


def subtables_of(path: str) -> dict[str, Table]:
    """Return the tables directly within one table by their name there.

    Parameters
    ----------
    path : str
        Of a `Table`.
    """
    parent = f"{path}." if path else ""
    return {
        table.path.removeprefix(parent): table
        for table in TABLES
        if table.path and table.path.startswith(parent) and "." not in table.path.removeprefix(parent)
    }


def table_of(path: str) -> Table:
    """Return the table at a path.

    Parameters
    ----------
    path : str
        As in `Table`.
    """
    return next(table for table in TABLES if table.path == path)


def heading(path: str) -> str:
    """Return how a table is opened in the file, for example ``[[sections]]``.

    Parameters
    ----------
    path : str
        Of a `Table`.
    """
    if not path:
        return "the top of the file"
    table = table_of(path)
    if "." in path:
        name = path.rpartition(".")[2]
        return f"{name} = [ {{ ... }} ]" if table.shape == "list" else f"{name} = {{ ... }}"
    return {"one": f"[{path}]", "list": f"[[{path}]]", "named": f"[{path}.NAME]"}[table.shape]


def written(value: Written) -> str:
    """Return a value as it stands in the file.

    Parameters
    ----------
    value : str, int or float
        As TOML gives it.
    """
    return json.dumps(value, ensure_ascii=False)
