"""The questions whose answers make a bar file, once: terminal, file of answers and page ask the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from geoflow.bar.key import Key
from geoflow.bar.keys import keys_of

__all__ = ["QUESTIONS", "Question", "question_for", "questions_of"]

_Way = Literal[
    "value", "sections", "orifices", "coefficient", "fittings", "pump flow", "pulses", "gauges", "count", "drive"
]


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    name : str
        Of its answer in a file of answers.
    label : str
        What it asks for, in a few words.
    asks : str
        The question, in plain words.
    usual : str
        A usual answer, with its unit; common practice, no source, where the key of the file names none.
    found : str
        How to find out.
    key : tuple of str
        Table and key that the answer is written to, as in `geoflow.bar.keys`.
    unknown : str or None
        The range carried where it is not known, as it is written in the file (common practice, no source); empty: the
        key is left out. None: there is no bar without it.
    way : str
        How the answer is read: as the key's own kind of value, or else.
    none : bool
        Whether the bar may have none of it, so that "none" is an answer.
    needs : str
        Name of a question that is asked before: where its answer is "none" or "no", this one is not asked.
    choice : bool
        Whether it is a wish rather than a fact: who does not say gets the usual one.
    day : bool
        Whether it is one of the second round: what can close a day.
    each : bool
        Whether it may be answered once for every section, left to right.
    """

    name: str
    label: str
    asks: str
    usual: str
    found: str
    key: tuple[str, str]
    unknown: str | None = None
    way: _Way = "value"
    none: bool = False
    needs: str = ""
    choice: bool = False
    day: bool = False
    each: bool = False

    @property
    def of_key(self) -> Key:
        """The key its answer is written to."""
        return keys_of(self.key[0])[self.key[1]]


_TAPE: Final = "with a tape"
_STAMP: Final = "on the hose's own print, or with a caliper at a cut end"
_COUNT: Final = "walk along it and count"

# A table reads best as one.
# fmt: off
QUESTIONS: Final[tuple[Question, ...]] = (
    Question("name", "name",
             "What do you call the bar?", "16-row bar", "any name will do", ("", "name"), choice=True),
    Question("row_spacing", "row spacing",
             "How far apart are the rows?", "30 in", _TAPE, ("", "row_spacing")),
    Question("sections", "rows of each section",
             "How many rows does each section have, left to right? One number where all go together.",
             "5, 6, 5", "count the rows, and the switches in the cab", ("sections", "rows"), way="sections"),
    Question("orifice", "orifice size",
             "Which size are the row orifices: drill number or diameter?", "No. 50",
             "on the plate, or the largest drill shank that just goes in", ("orifices", "diameter"), way="orifices",
             each=True),
    Question("thickness", "thickness of the orifice plate",
             "How thick is the orifice plate, that is, how long is the straight hole?", "1.5 mm",
             "with a caliper on a spare one", ("orifices", "land"), ""),
    Question("coefficient", "discharge coefficient",
             "Which discharge coefficient does the maker state for the orifices?", "0.62",
             "in the maker's sheet; a test with water tells it too", ("orifices", "discharge_coefficient"),
             "0.57..0.86", way="coefficient"),
    Question("feed_length", "length of the section hoses",
             "How long is the hose from the manifold to the rows of a section?", "9 ft", _TAPE,
             ("sections.feed", "length"), "1..20 ft", none=True, each=True),
    Question("feed_bore", "bore of the section hoses",
             "Which bore has that hose?", "0.75 in", _STAMP, ("sections.feed", "bore"), "0.5..1 in",
             needs="feed_length", each=True),
    Question("feed_fittings", "fittings in the section hoses",
             "Which fittings are in it?", "2 elbows, 1 tee", _COUNT, ("sections.feed", "fittings_k"),
             "0..8", way="fittings", none=True, needs="feed_length"),
    Question("row_hose_length", "length of the row hoses",
             "How long is the hose from an orifice to its knife?", "8 ft", _TAPE,
             ("row_hose", "length"), "3..12 ft", none=True),
    Question("row_hose_bore", "bore of the row hoses",
             "Which bore has that hose?", "3/8 in", _STAMP, ("row_hose", "bore"), "0.25..0.5 in",
             needs="row_hose_length"),
    Question("pump_flow", "flow of the pump",
             "How much does the pump move at full drive: from its sheet, or displacement and speed?",
             "45 gpm", "on the pump's plate or sheet; or say it like 20 cu in at 540 rpm", ("pump", "max_flow"),
             "30..60 gpm", way="pump flow"),
    Question("pump_rise", "pressure the pump adds",
             "How much pressure can the pump add?", "110 psi", "on the pump's sheet", ("pump", "max_rise"),
             "80..120 psi"),
    Question("pump_least", "least flow of the pump",
             "What is the least flow the pump can be held at?", "3 gpm",
             "run it down on the meter until it hunts", ("pump", "min_flow"), "0..5 gpm", none=True),
    Question("suction_length", "length of the suction line",
             "How long is the line from the tank to the pump?", "12 ft", _TAPE, ("suction", "length"),
             "6..25 ft", none=True),
    Question("suction_bore", "bore of the suction line",
             "Which bore has that line?", "1 1/2 in", _STAMP, ("suction", "bore"), "1.25..2 in",
             needs="suction_length"),
    Question("suction_fittings", "fittings in the suction line",
             "Which fittings are in it?", "1 strainer, 1 ball valve, 2 elbows", _COUNT,
             ("suction", "fittings_k"), "1..15", way="fittings", none=True, needs="suction_length"),
    Question("head", "liquid above the pump",
             "How high is the liquid above the pump, from a nearly empty tank to a full one?", "0.5..3 ft",
             "with a tape from the pump to the tank's bottom and top", ("suction", "head"), "0..4 ft"),
    Question("meter_pulses", "pulses of the meter",
             "How many pulses does the meter give to a gallon? (Or say it like 1700 per 10 lb N.)",
             "700", "on the meter's tag, or in the display's set-up; a weighed load tells it too",
             ("meter", "pulses_per_gallon"), "", way="pulses"),
    Question("meter_least", "least flow of the meter",
             "From which flow on does the meter count?", "2 gpm", "in the meter's sheet",
             ("meter", "min_flow"), "0.5..5 gpm"),
    Question("meter_most", "greatest flow of the meter",
             "Up to which flow does the meter count?", "60 gpm", "in the meter's sheet",
             ("meter", "max_flow"), "40..80 gpm"),
    Question("meter_loss", "pressure lost in the meter",
             "How much pressure does the meter take at that flow?", "3 psi", "in the meter's sheet",
             ("meter", "loss_at_max_flow"), "0..6 psi", none=True),
    Question("valve", "Cv of the control valve",
             "Which Cv has the control valve wide open?", "30", "in the valve's sheet, by its size and trim",
             ("control_valve", "cv"), "10..50", none=True),
    Question("rated", "rated pressure",
             "For which pressure is the weakest part after the pump rated?", "250 psi",
             "on hoses, meter, valve and manifold: the lowest counts", ("limits", "max_pressure"), "200..250 psi"),
    Question("elevation", "height above the sea",
             "How high above the sea is the field?", "900 ft", "on a map, or a phone tells",
             ("", "elevation"), "0..2000 ft"),
    Question("speed", "speeds",
             "Which speeds are you willing to drive?", "4..7 mph", "your choice", ("limits", "speed"),
             choice=True),
    Question("margin", "wanted liquid margin",
             "How far above the vapour pressure do you want the liquid held?", "5 psi", "your choice",
             ("limits", "liquid_margin"), choice=True),
    Question("gauges", "gauges at hand",
             "Where can you read a pressure: tank, pump outlet, after valve, manifold?",
             "tank, after valve", "look at the bar and the display", ("gauges", "place"), "", way="gauges", none=True),
    Question("tank", "size of the tank",
             "How many gallons of water would the tank hold, all that are drawn together?", "1000 gal",
             "on the tank's plate", ("tank", "capacity"), ""),
    # What can close a day
    Question("pump_slip", "slip of the pump",
             "Which share of the pump's flow leaks back inside at full pressure?", "0.10",
             "a worn pump leaks more; its sheet says what a new one does", ("pump", "slip"), "0.05..0.20", none=True,
             day=True),
    Question("pump_tolerance", "tolerance of the pump's flow",
             "How far may the pump's stated flow be off?", "0.05", "in the pump's sheet",
             ("pump", "flow_tolerance"), "0.10", day=True),
    Question("pump_efficiency", "efficiency of the pump",
             "Which share of the drive's work becomes pressure?", "0.5", "in the pump's sheet",
             ("pump", "efficiency"), "0.35..0.65", day=True),
    Question("drive_full", "oil or speed for full flow",
             "Which oil flow, or which shaft speed, does the pump need for that flow?", "14 gpm",
             "in the motor's or the pump's sheet", ("drive", "full_oil"), "540 rpm", way="drive", none=True, day=True),
    Question("drive_given", "oil or speed the tractor gives",
             "How much of it does the tractor give?", "11 gpm",
             "in the tractor's book, or on its display under load", ("drive", "given_oil"), "430..540 rpm",
             way="drive", needs="drive_full", day=True),
    Question("bypass_flow", "least flow the pump moves, bypass and all",
             "With a bypass or relief: what does the pump move at least?", "15 gpm",
             "about a third of full flow is usual", ("bypass", "pump_flow"), "0.1..15 gpm", none=True, day=True),
    Question("bypass_opens", "rise the relief holds",
             "Which rise does the relief hold while some goes round?", "60 psi",
             "on the relief valve's tag", ("bypass", "opens_at"), "0..80 psi", needs="bypass_flow", day=True),
    Question("tanks", "tanks drawn at once",
             "How many tanks are drawn at the same time?", "1", "count them", ("tank_hoses", "length"),
             way="count", day=True),
    Question("tank_hose_length", "length of the tank hose",
             "How long is the hose from a tank to the suction?", "10 ft", _TAPE,
             ("tank_hoses", "length"), "5..15 ft", needs="tanks", day=True),
    Question("tank_hose_bore", "bore of the tank hose",
             "Which bore has that hose?", "1 1/4 in", _STAMP, ("tank_hoses", "bore"), "1..2 in",
             needs="tanks", day=True),
    Question("tank_hose_fittings", "couplings in the tank hose",
             "Which couplings and fittings are in it?", "1 quick coupling, 1 ball valve", _COUNT,
             ("tank_hoses", "fittings_k"), "0.5..18", way="fittings", none=True, needs="tanks", day=True),
    Question("excess_flow", "flow that shuts the excess-flow valve",
             "At which flow does the excess-flow valve of a tank shut?", "50 gpm", "on its tag",
             ("excess_flow", "closing_flow"), "35..120 gpm", none=True, day=True),
    Question("breakaway", "flow that shuts the breakaway",
             "At which flow does the breakaway coupling shut?", "60 gpm", "on its tag",
             ("breakaway", "closing_flow"), "35..120 gpm", none=True, day=True),
    Question("outlet", "hole at the knife",
             "How wide is the hole at the knife, where it is narrower than the hose?", "0.25 in",
             "with a drill shank", ("row_hose", "outlet"), "0.15..0.5 in", none=True, needs="row_hose_length",
             day=True),
)
# fmt: on


def questions_of(*, day: bool) -> tuple[Question, ...]:
    """Return the questions of one round, in the order they are asked.

    Parameters
    ----------
    day : bool
        Whether of the second round: what can close a day.
    """
    return tuple(one for one in QUESTIONS if one.day == day)


def question_for(table: str, name: str) -> Question | None:
    """Return the question whose answer is written to a key; None where nobody is asked for it.

    Parameters
    ----------
    table, name : str
        Of the key.
    """
    asked = (one for one in QUESTIONS if one.key == (table, name) and one.way != "count")
    return next(asked, None)
