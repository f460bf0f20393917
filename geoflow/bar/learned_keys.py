"""Keys of what `geoflow learn` writes into a bar file."""

from __future__ import annotations

from typing import Final

from geoflow.bar.key import Key, Table

__all__ = ["LEARNED_KEYS", "LEARNED_TABLES"]

# A table reads best as one.
# fmt: off
LEARNED_TABLES: Final[tuple[Table, ...]] = (
    Table("orifices.learned", "one",
          "What `geoflow learn` found of it in your logs; it counts more than coefficient, land and measured points. "
          "Written by the program; take the table out to forget it."),
    Table("orifices.learned.likely", "one", "The most likely way it passes ammonia.", required=True),
    Table("orifices.learned.cases", "list", "Ways that bound what remains possible at 95 % coverage.",
          required=True),
    Table("orifices.learned.spread", "list", "Directions in which it may stray, one standard deviation each."),
    Table("orifices.learned.logs", "list", "The logs it was learned from."),
    Table("orifices.learned.evidence", "list", "What their steady moments say together, for learning again."),
)

_LIQUID: Final = ("-40 degF", "140 degF")
_DIFFERENCE: Final = ("-60 psi", "60 psi")
_WAYS: Final = ("orifices.learned.likely", "orifices.learned.cases", "orifices.learned.spread")
LEARNED_KEYS: Final[tuple[Key, ...]] = (
    Key("orifices.learned", "date", "text", "2026-11-28", "Day it was learned.", required=True),
    Key("orifices.learned", "margin", "pressure difference", "25 psi", "Liquid margin at which the weights below are.",
        required=True, accepted=("0.1 psi", "500 psi")),
    Key("orifices.learned", "at_temperature", "temperature", "50 degF", "Temperature at which they are.",
        required=True, accepted=_LIQUID),
    Key("orifices.learned", "pressure", "gauge pressure range", "80..120 psi", "Pressures it was learned at.",
        required=True, accepted=("0 psi", "1000 psi")),
    Key("orifices.learned", "temperature", "temperature range", "45..52 degF", "Temperatures it was learned at.",
        required=True, accepted=_LIQUID),
    Key("orifices.learned", "moments", "whole number", 5200, "Steady moments that counted.", required=True,
        accepted=(0, 1000000000)),
    Key("orifices.learned", "passes", "whole number", 24, "Passes they come from.", required=True,
        accepted=(0, 1000000000)),
    *(
        key
        for path in _WAYS
        for key in (
            Key(path, "coefficient", "number", 0.62, "Discharge coefficient.", required=True, accepted=(-2, 2)),
            Key(path, "flash_weight", "number", 0.7, "Flashing weight.", required=True, accepted=(-1, 2)),
            Key(path, "rise", "number", 0.05, "How the weight rises with the margin.", required=True,
                accepted=(-1, 1)),
            Key(path, "warming", "number", 0.0, "How it changes with each kelvin.", required=True,
                accepted=(-0.1, 0.1)),
            Key(path, "below", "pressure difference", "0.4 psi", "Pressure below over what the row hose gives.",
                required=True, accepted=_DIFFERENCE),
        )
    ),
    Key("orifices.learned.logs", "name", "text", "my_log.csv", "Name of the file.", required=True),
    Key("orifices.learned.logs", "sha256", "text", "9f86d081...", "SHA-256 of the file.", required=True),
    Key("orifices.learned.logs", "date", "text", "2026-11-28", "Day it was learned from.", required=True),
    Key("orifices.learned.logs", "moments", "whole number", 5200, "Steady moments that counted.", required=True,
        accepted=(0, 1000000000)),
    Key("orifices.learned.logs", "passes", "whole number", 24, "Passes they come from.", required=True,
        accepted=(0, 1000000000)),
    Key("orifices.learned.logs", "standing", "pressure difference", "0.6 psi",
        "Bar pressure as read over the vapour pressure while standing shut.", accepted=_DIFFERENCE),
    Key("orifices.learned.logs", "standing_temperature", "temperature", "50 degF", "Of the liquid then.",
        accepted=_LIQUID),
    Key("orifices.learned.logs", "ticket", "number", 1.02, "Weight on the tickets over the weight logged.",
        accepted=(0.3, 3)),
    Key("orifices.learned.evidence", "log", "whole number", 1, "Which of the logs.", required=True,
        accepted=(1, 1000)),
    Key("orifices.learned.evidence", "flow", "ammonia flow", "5.1 lb NH3/min", "Through one row, as logged.",
        required=True, accepted=("0.001 lb NH3/min", "1000 lb NH3/min")),
    Key("orifices.learned.evidence", "pressure", "gauge pressure", "95 psi", "Above the orifice, as read.",
        required=True, accepted=("0.1 psi", "1000 psi")),
    Key("orifices.learned.evidence", "temperature", "temperature", "50 degF", "Of the liquid, as read.",
        required=True, accepted=_LIQUID),
    Key("orifices.learned.evidence", "error", "number", 0.004, "Standard error of that flow.", required=True,
        accepted=(0.0001, 1)),
)
# fmt: on
