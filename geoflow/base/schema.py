"""The words of geoflow: every limit, verdict and written column, with its meaning, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "COLUMNS",
    "GROUND_COLUMNS",
    "HIGH_LIMITS",
    "LIMITS",
    "LOW_LIMITS",
    "PLAN_COLUMNS",
    "REHEARSED_COLUMNS",
    "VERDICTS",
    "Column",
    "Limit",
    "Verdict",
    "fold",
]


@dataclass(frozen=True, slots=True)
class Limit:
    """What ends the flow window on one side.

    Attributes
    ----------
    name : str
        The word used in every output.
    side : str
        ``"low"`` (too little flow) or ``"high"`` (too much).
    meaning, remedy : str
        One sentence each, for a person.
    """

    name: str
    side: str
    meaning: str
    remedy: str


_ALL = (
    Limit(
        "liquid margin",
        "low",
        "Flow is too low to hold the manifold far enough above the vapour pressure: the ammonia boils ahead of "
        "the orifices and the rows go uneven.",
        "Drive faster, fit smaller orifices, or wait for colder liquid.",
    ),
    Limit(
        "meter minimum",
        "low",
        "Flow is below what the flow meter can count.",
        "Drive faster, or fit a meter with a lower range.",
    ),
    Limit(
        "pump minimum",
        "low",
        "Flow is below the least the pump can be held at.",
        "Drive faster, or return part of the flow to the tank if the bar is built for it.",
    ),
    Limit(
        "pump flow",
        "high",
        "Flow is more than the pump displaces at full drive.",
        "Drive slower, or fit a larger pump.",
    ),
    Limit(
        "pump drive",
        "high",
        "Flow is more than the pump displaces at the speed the tractor drives it at.",
        "Drive slower, or drive the pump faster: more engine speed, or an outlet that gives more oil.",
    ),
    Limit(
        "suction",
        "high",
        "The suction line loses too much pressure: part of the ammonia boils before the pump, and the pump "
        "moves vapour in place of liquid.",
        "Drive slower, clean the strainer, fit a shorter or wider suction line, or wait for warmer liquid.",
    ),
    Limit(
        "excess flow",
        "high",
        "Flow is enough to shut an excess-flow valve or a breakaway coupling, and then nothing flows at all.",
        "Drive slower, feed from two tanks at once, or ask the supplier for a valve that shuts at a higher flow.",
    ),
    Limit(
        "pump pressure",
        "high",
        "Pushing this much through the orifices takes more pressure than the pump can add.",
        "Drive slower or fit larger orifices.",
    ),
    Limit(
        "rated pressure",
        "high",
        "Pushing this much through the orifices would exceed the rated pressure at the pump outlet.",
        "Drive slower, fit larger orifices, or wait for colder liquid.",
    ),
    Limit(
        "meter maximum",
        "high",
        "Flow is above what the flow meter can count.",
        "Drive slower, or fit a larger meter.",
    ),
)
LIMITS: Final[dict[str, Limit]] = {limit.name: limit for limit in _ALL}
LOW_LIMITS: Final[tuple[str, ...]] = tuple(limit.name for limit in _ALL if limit.side == "low")
HIGH_LIMITS: Final[tuple[str, ...]] = tuple(limit.name for limit in _ALL if limit.side == "high")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What geoflow says of a zone: the word, a letter for black-and-white prints, and the meaning."""

    name: str
    letter: str
    meaning: str


VERDICTS: Final[dict[str, Verdict]] = {
    verdict.name: verdict
    for verdict in (
        Verdict(
            "holds", "H", "Deliverable over the whole plan, even at the worse end of every unknown that is counted."
        ),
        Verdict(
            "doubtful",
            "D",
            "Not settled: it depends on how the orifices and the flashing turn out.",
        ),
        Verdict(
            "fails", "F", "Not deliverable somewhere in the plan, even at the better end of every unknown counted."
        ),
        Verdict("off", "Z", "Rate zero: nothing is asked of the bar."),
    )
}


@dataclass(frozen=True, slots=True)
class Column:
    """A column geoflow adds to a layer.

    Attributes
    ----------
    name : str
        Name where long names live (GeoPackage, GeoJSON).
    short : str
        Name of at most ten characters for Shapefile.
    meaning : str
        One sentence.
    title : str
        What a person reads above it, with its unit.
    """

    name: str
    short: str
    meaning: str
    title: str


COLUMNS: Final[tuple[Column, ...]] = (
    Column(
        "gf_zone", "gf_zone", "number of the zone: its row in the file, counted from 1, as in every printout", "Zone"
    ),
    Column("gf_verdict", "gf_verdict", "holds, doubtful, fails or off", "Verdict"),
    Column("gf_side", "gf_side", "low: too little flow; high: too much", "Side"),
    Column("gf_limit", "gf_limit", "the limit that decides", "Limit"),
    Column("gf_rate_lb_n_ac", "gf_lbnac", "the rate read, in pounds of nitrogen per acre", "Rate, lb N/ac"),
    Column("gf_area_ac", "gf_area_ac", "area in acres", "Area, ac"),
    Column(
        "gf_speed_low_mph", "gf_mph_lo", "slowest speed at which this rate certainly holds", "Slowest that holds, mph"
    ),
    Column(
        "gf_speed_high_mph", "gf_mph_hi", "fastest speed at which this rate certainly holds", "Fastest that holds, mph"
    ),
    Column(
        "gf_rate_low_lb_n_ac",
        "gf_rate_lo",
        "lowest rate that certainly holds at the planned speeds",
        "Lowest rate that holds, lb N/ac",
    ),
    Column(
        "gf_rate_high_lb_n_ac",
        "gf_rate_hi",
        "highest rate that certainly holds at the planned speeds",
        "Highest rate that holds, lb N/ac",
    ),
    Column("gf_liquid_margin_psi", "gf_margin", "least liquid margin over the plan, worse end", "Liquid margin, psi"),
    Column("gf_cure", "gf_cure", "what would make the zone hold", "Cure"),
)
PLAN_COLUMNS: Final[tuple[Column, ...]] = (
    Column("gf_plan_low_mph", "gf_drv_lo", "slowest speed the plan drives the zone at", "Drive from, mph"),
    Column("gf_plan_high_mph", "gf_drv_hi", "fastest speed the plan drives the zone at", "Drive to, mph"),
    Column("gf_tank_end", "gf_tank", "tanks that run out in the zone, counted in driving order", "Tanks that end here"),
)
GROUND_COLUMNS: Final[tuple[Column, ...]] = (
    Column("log_row", "log_row", "row of the log, counted from 0", "Row of the log"),
    Column("time_s", "time_s", "time in the log", "Time, s"),
    Column("section", "section", "section of the bar, counted from 0 at the left", "Section"),
    Column("applied_lb_n_ac", "applied", "what went down, in pounds of nitrogen per acre", "Applied, lb N/ac"),
    Column("target_lb_n_ac", "target", "what was asked, in pounds of nitrogen per acre", "Asked, lb N/ac"),
    Column("ratio", "ratio", "applied over asked", "Applied over asked"),
    Column("cause", "cause", "why it is more than 10 % off", "Cause"),
    Column("zone", "zone", "row of the map, counted from 1", "Zone"),
    Column("zone_id", "zone_id", "what the zone is called", "Name of the zone"),
    Column("area_ac", "area_ac", "area in acres", "Area, ac"),
    Column("covered_ac", "covered", "ground under any pass, in acres", "Covered, ac"),
    Column("missed_ac", "missed", "ground under no pass, in acres", "Missed, ac"),
    Column("doubled_ac", "doubled", "ground under more than one pass, in acres", "Doubled, ac"),
    Column("within_10", "within_10", "share of the ground that is off by no more than 10 %", "Share within 10 %"),
    Column("target_lb_n", "target_n", "nitrogen asked, in pounds", "Asked, lb N"),
    Column("applied_lb_n", "applied_n", "nitrogen that went down, in pounds", "Applied, lb N"),
    Column("applied_ticket_lb_n_ac", "ticket", "the same rate by the scale tickets", "By ticket, lb N/ac"),
    Column("kind", "kind", "what was found", "Finding"),
    Column("text", "text", "the finding in a sentence", "What was found"),
    Column("confidence", "confidence", "how sure it is", "How sure"),
)

REHEARSED_COLUMNS: Final[tuple[Column, ...]] = (
    Column("log_row", "log_row", "row of the rehearsed log, counted from 0", "Row of the log"),
    Column("section", "section", "section of the bar, counted from 1 at the left", "Section"),
    Column("asked_lb_n_ac", "asked", "what the map asks, in pounds of nitrogen per acre", "Asked, lb N/ac"),
    Column("expect_lb_n_ac", "expect", "what is to be expected, mean over the days", "To expect, lb N/ac"),
    Column("low_lb_n_ac", "low", "nine days of ten give this at least", "From, lb N/ac"),
    Column("high_lb_n_ac", "high", "nine days of ten give this at most", "To, lb N/ac"),
    Column("ratio", "ratio", "to be expected over asked", "To expect over asked"),
    Column(
        "uneven_share_of_days", "uneven", "share of the days on which the rows go uneven", "Rows uneven, share of days"
    ),
)
"""Of the strips of a rehearsal."""


def fold(name: str) -> str:
    """Fold a column name for comparison: lower case, letters and digits only.

    Parameters
    ----------
    name : str
        As in a file.
    """
    return "".join(character for character in name.casefold() if character.isalnum())
