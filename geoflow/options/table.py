"""Every option, once: command line, catalog columns, page fields, typed objects and the table in docs come from it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from geoflow.options.option import OPTION_KINDS, Option, OptionKind

__all__ = [
    "COMMANDS",
    "OPTIONS",
    "OPTION_KINDS",
    "TARGET",
    "Option",
    "OptionKind",
    "options_of",
]


COMMANDS: Final = (
    "window", "vet", "rewrite", "plan", "rehearse", "card", "size", "convert", "reconcile", "learn", "report vet",
    "report rewrite", "report plan",
    "report reconcile", "bar", "season", "page",
)  # fmt: skip
TARGET: Final = "target_"
"""Begins the options that say how the target map of a log is read."""

_VET: Final = ("vet", "report vet")
_REWRITE: Final = ("rewrite", "report rewrite")
_LOG: Final = ("reconcile", "report reconcile")
_PLAN: Final = ("plan", "report plan")
_DRIVEN: Final = (*_PLAN, "rehearse")
_LOGS: Final = (*_LOG, "learn")
_REPORT: Final = ("report vet", "report rewrite", "report plan", "report reconcile")
_ZONES: Final = (*_VET, *_REWRITE, *_DRIVEN)
_MAP: Final = (*_ZONES, "convert")
_READ: Final = (*_ZONES, "card", "convert", "size")
_PLANNED: Final = ("window", *_ZONES, "card")
_SHEET: Final = (*_REPORT, "card")
_PRESCRIPTION: Final = (
    "Shapefile (also zipped), GeoJSON, GeoPackage, FlatGeobuf, GeoParquet, GeoTIFF, or ISO 11783-10 task data "
    "(a folder or a zip)"
)

# A table reads best as one.
# fmt: off
_READING: Final = (
    Option("rate_column", "text", _READ, 'column that holds the rate; of a raster, "band 2"', "C",
           label="Rate column"),
    Option("rate_unit", "rate unit", _READ, '"lb N/ac", "kg N/ha", "lb NH3/ac", "gal NH3/ac", ...', "U",
           label="Rate unit", example="lb N/ac"),
    Option("layer", "text", _READ, "which layer or task of a file that holds several", "NAME", label="Layer"),
    Option("crs", "text", _READ, "coordinate system of a file that does not state it: EPSG:4326", "CRS",
           label="Coordinate system", example="EPSG:4326"),
    Option("volume_temperature", "temperature", _READ,
           "temperature at which gallons or litres are counted (default the meter's of the bar, else 60 degF)", "T",
           label="Gallons or litres counted at", example="60 degF"),
    Option("zones", "choice", _READ, "zones of a raster: adjacent cells of equal value (class), or every cell",
           choices=("class", "cell"), label="Zones of a raster: of equal cells, or every cell"),
    Option("swap_axes", "flag", _READ, "the file has latitude before longitude",
           label="latitude stands before longitude"),
    Option("take_as_ammonia", "flag", _READ,
           "the product of task data is anhydrous ammonia, though its name does not say so",
           label="the product of task data is ammonia, whatever its name"),
)
_ZONE_ID: Final = Option(
    "zone_id", "text", (*_MAP, "card", *_LOG),
    "column that says what each zone is called (default: the one column that can be it, else counted from 1)", "C",
    label="Column with the zones' own names",
)
OPTIONS: Final[tuple[Option, ...]] = (
    # What is read
    Option("prescription", "file", _MAP, _PRESCRIPTION, "RX", required=_MAP, positional=True,
           label="Another prescription"),
    Option("prescription", "file", ("card",), _PRESCRIPTION, "RX", positional=True, label="Another prescription"),
    Option("log", "file", _LOG, "as-applied log: CSV, Shapefile, GeoJSON, GeoPackage, Parquet or ISO 11783 task data",
           "LOG",
           required=_LOG, positional=True),
    Option("logs", "list", ("learn",), "as-applied logs with flow, bar pressure and temperature, oldest first", "LOG",
           required=("learn",), positional=True, label="As-applied logs, the oldest first"),
    Option("bar", "file", (*_PLANNED, "learn"), "bar file (TOML)", "BAR", required=(*_PLANNED, "learn")),
    Option("bar", "file", ("size",), "bar file (TOML) for everything but the orifices", "BAR"),
    Option("bar", "file", _LOG, "bar file (TOML): widths, meter, and the diagnosis of the bar", "BAR"),
    # The plan
    Option("rates", "text", ("card",), 'rates in place of a map: "85, 100, 115 lb N/ac"', "RATES",
           label="Rates in place of a map", example="85, 100, 115 lb N/ac"),
    Option("temperature", "temperature range", (*_PLANNED, "size"),
           'liquid in the tank: "40 degF", "35..62 degF", or what its gauge reads: "78 psi"', "T",
            required=(*_PLANNED, "size"), label="Liquid in the tank", example="35..50 degF"),
    Option("speed", "speed range", (*_PLANNED, "size"), 'planned ground speed: "5 mph" or "4..6.5 mph"', "V",
           required=(*_VET, *_REWRITE, "card", "size"), label="Ground speed", example="5 mph"),
    Option("sections", "text", (*_PLANNED, "size"), "sections that are on: left,right (default all)", "NAMES"),
    Option("rows", "choice", _PLANNED, "of which row a rate has to hold (default mean)", default="mean",
           choices=("mean", "worst"), label="Row of which a rate has to hold"),
    # How a prescription is read, and the map a log is compared with
    *_READING,
    _ZONE_ID,
    Option("target", "file", _LOG, "target map; without it the log's own target column serves", "RX",
           label="Another target map"),
    *(replace(option, name=TARGET + option.name, commands=_LOG, help=f"of the target map: {option.help}")
      for option in _READING),
    Option("boundary", "file", _LOG, "outline of the field (default: the target map's)", "FILE",
           label="Outline of the field"),
    Option("boundary_crs", "text", _LOG, "coordinate system of a boundary that does not state it", "CRS",
           label="Coordinate system of the outline", example="EPSG:4326"),
    # Vetting
    Option("zone_speeds", "file", _VET, "side file of 'geoflow rewrite' with a speed per zone", "CSV",
           label="Speeds by zone: the _changes.csv of a rewriting"),
    # Rewriting
    Option("policy", "text", _REWRITE,
           "hold-speed (clip the rate), hold-rate (change the zone's speed, clip what no speed reaches) or "
           "hold-total (clip, then move the difference onto zones with room, which takes --allow-raise)", "P",
           required=_REWRITE),
    Option("max_rate", "rate", _REWRITE, 'no zone above this: "180 lb N/ac" (or in the file\'s unit)', "R",
           label="No zone above", example="180 lb N/ac"),
    Option("heading", "angle", (*_REWRITE, *_DRIVEN, "report vet"),
           'direction of the passes: "90 deg" (default: longest side)', "DEG",
           label="Direction of the passes", example="90 deg"),
    Option("allow_raise", "flag", _REWRITE, "rates may be raised above the prescription; each raise is listed",
           label="rates may be raised above the prescription; each raise is listed"),
    Option("most_raise", "share", _REWRITE,
           "with --allow-raise, no rate raised by more of its prescription, nor lowered by more to make up for raises "
           "(default 0.1 with hold-total, else no limit)", "SHARE",
           label="No rate raised by more than", example="10 %"),
    Option("round", "rate", _REWRITE,
           'round rates to multiples of this, inside the window and never silently up: "5 lb N/ac"', "R",
           label="Round rates to multiples of", example="5 lb N/ac"),
    Option("presets", "text", _REWRITE,
           'use only these rates, inside the window and never silently up: "85,100,115"', "R,R,R",
           label="Use only these rates", example="85,100,115"),
    Option("leave_doubtful", "flag", _REWRITE, "leave doubtful zones as they are",
           label="leave doubtful zones as they are"),
    Option("merge_short", "flag", _REWRITE, "give zones too short for a rate of their own a neighbour's",
           label="zones too short for a rate of their own take a neighbour's"),
    Option("nitrogen_price", "number", _REWRITE, "your money per pound of nitrogen: 0.52", "M",
           label="Your money per pound of nitrogen", example="0.52"),
    Option("yield_response", "text", _REWRITE, "your yield response per acre, B N + C N^2 with N in lb/ac", "B,C",
           label="Your yield response per acre, B,C of B N + C N² with N in lb/ac", example="0.9,-0.0022"),
    Option("crop_price", "number", _REWRITE, "your money per unit of that yield: 4.20", "M",
           label="Your money per unit of that yield", example="4.20"),
    # The day
    Option("speeds", "whole number", _DRIVEN,
           "plan up to N different speeds by zone (default: the best single one)", "N",
           label="Different speeds by zone, at most", example="3"),
    Option("start", "text", (*_DRIVEN, "report vet", "report rewrite"),
           'where pass 1 starts, for the tanks: a corner like "southwest", or longitude,latitude', "PLACE",
           label="Where pass 1 starts", example="southwest"),
    Option("heel", "share", (*_DRIVEN, "card", "report vet", "report rewrite"),
           "share of the tank left when it is taken off (default 0.05)", "SHARE", example="0.05",
           label="Left in a tank when it is taken off"),
    Option("efficiency", "share", (*_PLAN, "report vet", "report rewrite"),
           "field efficiency (default by rows, from ISU Extension)", "SHARE", example="65 %", label="Field efficiency"),
    # The rehearsal
    Option("headlands", "whole number", ("rehearse",), "rounds along the outline (default 1; 0 for none)", "N",
           label="Rounds along the outline", example="1"),
    Option("headlands_last", "flag", ("rehearse",), "the rounds come after the passes",
           label="the rounds come after the passes"),
    Option("turn_radius", "length", ("rehearse",), 'of a turn: "30 ft" (the default)', "R", example="30 ft",
           label="Radius of a turn"),
    Option("turn_time", "time", ("rehearse",), 'of every turn: "25 s" (default worked out from the radius)', "TIME",
           example="25 s", label="Time of every turn"),
    Option("tank_change", "time", ("rehearse",), 'standing for another tank: "15 min" (the default)', "TIME",
           example="15 min", label="Standing for another tank"),
    Option("look_ahead", "time", ("rehearse",), 'the display reads the map so long ahead: "1.5 s" (default none)',
           "TIME", example="1.5 s", label="The display reads the map ahead by"),
    Option("antenna", "length", ("rehearse",),
           'the map is read so far ahead of the knives: "12 ft" (default 0, the display takes it off)', "L",
           example="12 ft", label="The map is read ahead of the knives by"),
    Option("delay", "time range", ("rehearse",),
           'dead time of the rate control: "0.5..1.5 s" (default the bar file\'s, a quarter either way)', "TIME",
           example="0.5..1.5 s", label="Dead time of the rate control"),
    Option("time_constant", "time range", ("rehearse",),
           'in which the rate does two thirds of a change: "1..3 s" (default the bar file\'s, a quarter either way)',
           "TIME", example="1..3 s", label="Time in which the rate does two thirds of a change"),
    Option("opens_late", "time", ("rehearse",), 'sections open so long after they should: "0.3 s" (the default)',
           "TIME", example="0.3 s", label="Sections open late by"),
    Option("shuts_late", "time", ("rehearse",), 'sections shut so long after they should: "0.3 s" (the default)',
           "TIME", example="0.3 s", label="Sections shut late by"),
    Option("draws", "whole number", ("rehearse",), "days drawn from what is unknown (default 20)", "N",
           label="Days drawn", example="20"),
    Option("seed", "whole number", ("rehearse",), "of these days; the same seed gives the same (default 1)", "N",
           label="Seed of the days drawn", example="1"),
    Option("rehearsed", "file", _LOG, "folder that geoflow rehearse wrote for this map: what was to be expected",
           "DIR", label="Rehearsal of this map: its rehearsal.json"),
    Option("day", "file", _PLAN,
           "the day by the hour (CSV: hour, air or liquid temperature, sun, tank gauge): which hours hold what", "CSV",
           label="The day by the hour: a CSV file"),
    # Orifices from nothing
    Option("rates", "text", ("size",), 'rates asked: "85, 100, 115 lb N/ac"', "R",
           label="Rates asked", example="85, 100, 115 lb N/ac"),
    Option("map", "file", ("size",), "prescription whose rates are asked, weighed by their acres", "RX",
           label="Another prescription whose rates are asked"),
    Option("rows", "whole number", ("size",), "rows of the bar, where there is no bar file", "N",
           label="Rows of the bar", example="16"),
    Option("row_spacing", "length", ("size",), 'distance between neighbouring rows: "30 in"', "S",
           label="Distance between rows", example="30 in"),
    Option("diameters", "text", ("size",), 'sizes to choose from: "0.063, 0.067 in" (default any)', "LIST",
           label="Sizes to choose from", example="0.063, 0.067 in"),
    Option("drills", "flag", ("size",), "choose from the number drills, no. 80 to no. 1",
           label="choose from the number drills, no. 80 to no. 1"),
    Option("land", "length", ("size",), 'length of the straight bore: "1.5 mm" (default not known)', "L",
           label="Length of the straight bore", example="1.5 mm"),
    Option("thin_plate", "flag", ("size",),
           "your assumption that the plates are thin and the liquid hardly flashes in them; needs --land",
           label="your assumption: the plates are thin and the liquid hardly flashes in them"),
    Option("coefficient", "text", ("size",), 'discharge coefficient: "0.62" (default 0.57..0.67)', "CD",
           label="Discharge coefficient", example="0.62"),
    Option("pump", "text", ("size",),
           'flow at full drive and most pressure added: "30 gpm at 120 psi" (default 30..60 gpm at 80..120 psi)', "P",
           label="Pump: flow at full drive and most pressure added", example="30 gpm at 120 psi"),
    Option("loss", "text", ("size",),
           'lost between pump and orifices at the greatest flow asked: "8 psi" (default 2..15 psi)', "DP",
           label="Lost between pump and orifices at the greatest flow", example="8 psi"),
    Option("back_pressure", "text", ("size",), 'just below the orifices: "4..8 psi" (default 2..10 psi)', "P",
           label="Pressure just below the orifices", example="4..8 psi"),
    Option("rated", "text", ("size",), 'rated pressure at the pump outlet: "250 psi" (default 200..250 psi)', "P",
           label="Rated pressure at the pump outlet", example="250 psi"),
    Option("margin", "text", ("size",),
           'wanted pressure above the vapour pressure before the orifices (default "5 psi")', "DP",
           label="Wanted pressure above the vapour pressure", example="5 psi"),
    Option("elevation", "text", ("size",), 'height of the site: "900 ft" (default 0..2000 ft)', "H",
           label="Height of the site", example="900 ft"),
    # Converting
    Option("to_unit", "rate unit", ("convert",), "unit of the rates written (default: the input's)", "U",
           example="lb N/ac", label="Unit of the rates written"),
    Option("nitrogen_fraction", "share", ("convert",), "nitrogen in the ammonia (default 0.82)", "W", example="0.82",
           label="Nitrogen in the ammonia"),
    Option("nitrogen", "text", ("convert",), 'nitrogen in another product than ammonia: "3.55 lb N/gal" or "0.28"', "N",
           example="3.55 lb N/gal", label="Nitrogen in another product"),
    Option("task_version", "whole number", ("convert",),
           "write ISO 11783-10 task data of this version (a folder: 4)", choices=(3, 4), label="Version of task data"),
    Option("task_form", "choice", ("convert",),
           "task data as outlines of the zones (default), as a grid of zone numbers or as a grid of rates",
           choices=("outlines", "grid-1", "grid-2"), label="Task data as"),
    # How a log is read
    Option("column", "list", _LOGS,
           'which column means what, as "applied=Rate:lb N/ac" or "heading=-" for none; may be repeated',
           "ROLE=NAME[:UNIT]", label="Columns, one a line: role=name:unit", example="applied=Rate:lb N/ac"),
    Option("columns_file", "file", _LOGS, "column roles saved earlier with --save-columns", "FILE",
           label="Columns saved earlier"),
    Option("accept", "flag", _LOGS, "take the columns that are proposed where names do not say it for certain",
           label="take the columns that are proposed where names do not say it for certain"),
    Option("rate_unit", "rate unit", _LOGS, 'unit of the log\'s rates: "lb N/ac", "lb NH3/ac", "gal/ac", ...', "U",
           label="Rate unit", example="lb N/ac"),
    Option("nitrogen", "text", _LOG, 'nitrogen in another product, of log and map: "3.55 lb N/gal" or "0.28"', "N",
           label="Nitrogen in another product", example="3.55 lb N/gal"),
    Option("volume_temperature", "temperature", _LOGS,
           "temperature at which the log counts gallons or litres (default the meter's of the bar)", "T",
           label="Gallons or litres of the log counted at", example="60 degF"),
    Option("take_as_ammonia", "flag", _LOGS,
           "the product of a task-data log is anhydrous ammonia, though its name does not say so",
           label="the product of the log is ammonia, whatever its name"),
    Option("ticket", "list", _LOGS, 'scale ticket: "12400 lb NH3"; may be repeated', "MASS",
           label="Scale tickets, one a line", example="12400 lb NH3"),
    Option("width", "length", _LOGS, 'width of the bar where log and bar file lack it: "40 ft"', "W",
           label="Width of the bar", example="40 ft"),
    Option("temperature", "temperature range", _LOG, "liquid temperature where the log has none", "T",
           label="Liquid temperature, if not logged", example="42 degF"),
    Option("crs", "text", _LOGS, "coordinate system of a log that does not state it: EPSG:4326", "CRS",
           label="Coordinate system", example="EPSG:4326"),
    Option("layer", "text", _LOGS, "which layer of a log file that holds several", "NAME", label="Layer"),
    Option("swap_axes", "flag", _LOGS, "the log has latitude before longitude",
           label="latitude stands before longitude"),
    # A bar by itself
    Option("check", "file", ("bar",), "bar file to read and say back in words", "BAR"),
    Option("schema", "flag", ("bar",), "print the JSON Schema of the bar file"),
    Option("new", "output", ("bar",), "ask for the bar in plain words, write its file, and say what each unknown costs",
           "FILE"),
    Option("answers", "file", ("bar",), "with --new: take the answers from this file and ask nothing", "FILE"),
    Option("questions", "flag", ("bar",), "print all the questions as a file of answers to fill in"),
    Option("temperature", "temperature range", ("bar",),
           "with --new: liquid temperature at which costs are reckoned (default 45 degF)", "T"),
    Option("speed", "speed range", ("bar",),
           "with --new: speed at which they are (default the middle of the bar's speeds)", "V"),
    # A season
    Option("catalog", "file", ("season",), "CSV or Parquet, one row per field; path or URL", "CATALOG",
           positional=True),
    Option("out", "output", ("season",), "folder for the results, of its own; path or URL", "DIR"),
    Option("workers", "whole number", ("season",), "processes on this machine (default one per core)", "N"),
    Option("scheduler", "text", ("season",), "use this Dask cluster: tcp://host:8786", "ADDRESS"),
    Option("retries", "whole number", ("season",), "tries more for a field whose worker died (default 3)", "N",
           default=3),
    Option("full", "flag", ("season",), "also write all that the single command's --out gives, for every field"),
    Option("bar", "file", ("season",), "bar file for all fields, in place of the catalog's", "BAR"),
    Option("temperature", "temperature range", ("season",), "temperature for all fields, in place of the catalog's",
           "T"),
    Option("speed", "speed range", ("season",), "speed for all fields, in place of the catalog's", "V"),
    Option("job", "text", ("season",), "vet, rewrite, plan, card or reconcile, for all fields", "JOB"),
    Option("set", "list", ("season",),
           'any other column for all fields: "rate_unit=lb N/ac", "target=maps/{field}.shp"; may be repeated',
           "COLUMN=VALUE"),
    Option("make", "output", ("season",), "write a catalog in place of running one", "FILE"),
    Option("glob", "text", ("season",), 'with --make: the files, one field each: "fields/*.zip"', "PATTERN"),
    Option("maps", "text", ("season",),
           'with --make: logs of many fields, split by these maps, one a field: "maps/*.zip", or a folder', "PATTERN"),
    Option("outlines", "text", ("season",),
           'with --make: logs of many fields, split by these outlines, one a field: "outlines/*.shp", or a folder',
           "PATTERN"),
    Option("beyond", "length", ("season",),
           'with --maps or --outlines: records so far beyond an outline still are the field\'s (default "100 ft")',
           "L"),
    Option("machine", "text", ("season",),
           "with --maps or --outlines: column of the logs that tells machines apart; each gets logs of its own", "C"),
    # The page
    Option("port", "whole number", ("page",), "default 8765; 0 takes any free one", "N", default=8765),
    Option("open", "flag", ("page",), "open it in the browser"),
    Option("share", "flag", ("page",),
           "let phones on the local network that have the code see the sheet you share (read-only)"),
    Option("share_on", "text", ("page",),
           "with --share: the address of this machine to listen on (default the one its network knows it by)",
           "ADDRESS"),
    # How a result is shown, and where it is written
    Option("cell", "length", ("convert",),
           'side of a raster\'s cells: "10 m" or "30 ft" (default: fine enough)', "SIDE", example="10 m",
           label="Side of a cell"),
    Option("cell", "length", ("reconcile",), 'cell of the rasters: "3 ft" (default by the field\'s size)', "SIZE",
           example="3 ft", presents=True, label="Side of a raster's cells"),
    Option("out", "output", ("vet",), "folder for zones with verdicts, maps and JSON", "DIR"),
    Option("out", "output", ("plan",), "folder for maps of speeds and rates, zones and JSON", "DIR"),
    Option("out", "output", ("rehearse",), "folder for log, maps, zones and JSON", "DIR", required=("rehearse",)),
    Option("out", "output", ("rewrite",), "the new prescription; its ending says the format, best the input's own",
           "FILE", required=("rewrite",)),
    Option("out", "output", ("convert",), "the file to write; its ending says the format", "FILE",
           required=("convert",), label="New format"),
    Option("out", "output", ("learn",), "the bar file with what was learned in it", "FILE", required=("learn",)),
    Option("figures", "output", ("learn",), "folder for the picture of each orifice as a PNG", "DIR"),
    Option("out", "output", ("reconcile",), "folder for zones, rasters, layers, pictures and JSON", "DIR"),
    Option("out", "output", _REPORT, "the report: one HTML file that needs no network", "FILE", required=_REPORT),
    Option("out", "output", ("card",), "the card: one HTML file that needs no network", "FILE", required=("card",)),
    Option("out", "output", ("size",), "the result with its chart as one HTML file", "FILE"),
    Option("pdf", "output", _REPORT, "the same report as a PDF", "FILE"),
    Option("pdf", "output", ("card",), "the same card as a PDF", "FILE"),
    Option("phone", "output", ("card",), "the same card with the map on it: one HTML file for a phone", "FILE"),
    Option("figures", "output", _REPORT, "folder for every figure as a PNG", "DIR"),
    Option("save_columns", "output", ("reconcile",), "save the column roles used, for the next log", "FILE"),
    Option("paper", "choice", _SHEET, "paper of the PDF (default letter, with --units metric a4)",
           choices=("letter", "a4"), presents=True, label="Paper of the PDF"),
    Option("date", "text", _SHEET, "date it bears: 2026-04-30 (default SOURCE_DATE_EPOCH, else today)", "DATE",
           presents=True, label="Date it bears", example="2026-04-30"),
    Option("all_zones", "flag", (*_VET, "report rewrite"), "list every zone, not only the worst",
           presents=True, label="list every zone, not only the worst"),
    Option("all_zones", "flag", ("rehearse",), "list every zone, not only the furthest off", presents=True,
           label="list every zone, not only the furthest off"),
    Option("all_zones", "flag", _PLAN, "name every zone and tank", presents=True, label="name every zone and tank"),
    Option("all_zones", "flag", _LOG, "list every zone, not only the furthest off", presents=True,
           label="list every zone, not only the furthest off"),
    Option("json", "output", COMMANDS[:-1], "write the result as JSON; - for standard output", "FILE"),
    Option("units", "choice", COMMANDS, "what people read (default us)", default="us", choices=("us", "metric"),
           presents=True),
    Option("replace", "flag", COMMANDS[:-1], "allow output files that exist to be replaced", presents=True),
)
# fmt: on


def options_of(command: str) -> dict[str, Option]:
    """Return the options of a command by name, in the order of its help.

    Parameters
    ----------
    command : str
        One of `COMMANDS`.
    """
    return {option.name: option for option in OPTIONS if command in option.commands}
