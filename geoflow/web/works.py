"""The works of the page beside vetting: which commands each does, what it takes from above, and its fields."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

from geoflow.base.errors import UsageError
from geoflow.options.page_parts import PAGE_PARTS, READING
from geoflow.options.table import TARGET, Option

__all__ = [
    "TASK_FOLDER",
    "WORKS",
    "Act",
    "Work",
    "described_field",
    "described_works",
    "find_work",
    "fold_of",
    "folder_of",
    "page_fields",
]

TASK_FOLDER: Final = "TASKDATA"
"""The new format that is no ending: a folder of task data."""

_Use = Literal["needs", "may", "no"]
_HOW_READ: Final = "How that file is read"
_LOG_READ: Final = "How the logs are read"
_PAPER: Final = "For the report"
_READ: Final = READING[:-1]  # sizes call no zones by name


@dataclass(frozen=True, slots=True)
class Act:
    """A command that a work does: what its button says, what is told while it goes on, and the zip's name."""

    command: str
    button: str
    doing: str
    zipped: str


@dataclass(frozen=True, slots=True)
class Work:
    """A work of the page.

    Attributes
    ----------
    name : str
        Of its place on the page.
    title, lead : str
        What a person reads above its fields.
    acts : tuple of Act
        What can be done with the same fields.
    map, bar : str
        Whether it ``"needs"`` the one that is open, ``"may"`` take it, or does not know one.
    plan : bool
        Whether temperature and sections are those of the plan; the speed may be left open where no command needs it.
    folds : dict
        Headings of fields that are seldom needed, with the fields of each; a field not named stands above.
    instead : tuple of str
        Fields that stand in place of the open map.
    """

    name: str
    title: str
    lead: str
    acts: tuple[Act, ...]
    map: _Use = "no"
    bar: _Use = "no"
    plan: bool = False
    folds: dict[str, tuple[str, ...]] = field(default_factory=dict)
    instead: tuple[str, ...] = ()

    @property
    def fields(self) -> tuple[Option, ...]:
        """Its options, each once."""
        return tuple({one.name: one for act in self.acts for one in PAGE_PARTS[act.command]}.values())

    @property
    def map_option(self) -> str:
        """The option that the map stands in."""
        return "map" if self.acts[0].command == "size" else "prescription"

    @property
    def speed_open(self) -> bool:
        """Whether the best speed is looked for where none is said."""
        return self.acts[0].command in ("plan", "rehearse")


_REPORT: Final = "Report (HTML and PDF)"
WORKS: Final = (
    Work(
        "plan", "Plan",
        "Speeds, orifices, liquid temperature, hours and tank loads for this field, and what other speeds would gain.",
        (Act("plan", "Plan", "Planning", "planned.zip"),
         Act("report plan", _REPORT, "Making the report", "plan_report.zip")),
        map="needs", bar="needs", plan=True,
        folds={_PAPER: ("paper", "date")},
    ),
    Work(
        "rehearse", "Rehearse",
        "The planned field driven before the day: what will lie where, what is lost at borders and what would save it. "
        "After the day, give the log the rehearsal.json of the download: it says what was off as it was to be "
        "expected.",
        (Act("rehearse", "Rehearse", "Rehearsing", "rehearsed.zip"),),
        map="needs", bar="needs", plan=True,
        folds={
            "How the field is driven": ("headlands", "headlands_last", "turn_radius", "turn_time", "tank_change"),
            "How display and controller answer":
                ("look_ahead", "antenna", "delay", "time_constant", "opens_late", "shuts_late"),
            "Days drawn from what is unknown": ("draws", "seed"),
        },
    ),
    Work(
        "card", "Field card",
        "One sheet for the tailgate: which speed holds each rate, what to enter in the controller, what each gauge "
        "should read, and what it means if it does not.",
        (Act("card", "Make the card", "Making the card", "card.zip"),),
        map="may", bar="needs", plan=True, instead=("prescription", "rates", *READING),
        folds={_HOW_READ: READING, "Paper and date": ("paper", "date")},
    ),
    Work(
        "sizes", "Orifice sizes",
        "Which diameters of the row orifices hold which rates, with a bar file or before there is one. What is not "
        "said of the bar is carried as a range, and told.",
        (Act("size", "Find orifices", "Sizing orifices", "sizes.zip"),),
        map="may", bar="may", plan=True, instead=("map", *_READ),
        folds={
            "What is known of the bar, where no bar file says it":
                ("land", "thin_plate", "coefficient", "pump", "loss", "back_pressure", "rated", "margin", "elevation"),
            _HOW_READ: READING,
        },
    ),
    Work(
        "learn", "Learn",
        "What the bar's orifices pass, learned from the steady moments of its logs and put into its bar file. Logs "
        "need flow, bar pressure and liquid temperature; scale tickets of the same loads make it surer.",
        (Act("learn", "Learn", "Learning", "learned.zip"),),
        bar="needs",
        folds={_LOG_READ: ("column", "columns_file", "accept", "rate_unit", "volume_temperature", "take_as_ammonia",
                           "width", "crs", "layer", "swap_axes")},
    ),
    Work(
        "convert", "Convert",
        "The prescription in another format or rate unit, task data among them.",
        (Act("convert", "Convert", "Converting", "converted.zip"),),
        map="may", instead=("prescription", *READING),
        folds={_HOW_READ: READING},
    ),
    Work(
        "vet", "Zones with speeds of their own",
        "The whole answer for the plan, as it is printed: also for a rewritten prescription whose zones have speeds of "
        "their own.",
        (Act("vet", "Vet", "Vetting", "vetted.zip"),
         Act("report vet", _REPORT, "Making the report", "report.zip")),
        map="needs", bar="needs", plan=True,
        folds={_PAPER: ("heading", "start", "heel", "efficiency", "paper", "date")},
    ),
    Work(
        "rewrite-report", "Report on the rewriting",
        "What rewriting by the rules above changes, to print and file. It changes no file itself.",
        (Act("report rewrite", _REPORT, "Making the report", "rewrite_report.zip"),),
        map="needs", bar="needs", plan=True,
        folds={_PAPER: ("start", "heel", "efficiency", "paper", "date")},
    ),
    Work(
        "log-report", "Report on the log",
        "What went where and what the log tells about the bar, to print and file, for what is chosen above.",
        (Act("report reconcile", _REPORT, "Making the report", "reconcile_report.zip"),),
        folds={_PAPER: ("paper", "date")},
    ),
)  # fmt: skip
"""Each with a place on the page; the last two add to forms that are there already."""


def find_work(command: object) -> tuple[Work, Act]:
    """Return the work that does a command.

    Parameters
    ----------
    command : object
        As the page sent it.

    Raises
    ------
    UsageError
        If there is none.
    """
    for work in WORKS:
        for act in work.acts:
            if act.command == command:
                return work, act
    raise UsageError("there is no such work on the page", where="the page", cure="reload the page and try again")


def folder_of(command: str) -> str:
    """Return the folder that the zip of a command unpacks to.

    Parameters
    ----------
    command : str
        One that a work does.
    """
    return find_work(command)[1].zipped.removesuffix(".zip")


def fold_of(work: Work, name: str) -> str:
    """Return the heading below which a field stands; empty where it stands above all.

    Parameters
    ----------
    work : Work
        Whose field.
    name : str
        Of the option.
    """
    return next((title for title, names in work.folds.items() if name in names), "")


def described_field(option: Option, fold: str = "") -> dict[str, Any]:
    """Describe a field for the page to make it.

    Parameters
    ----------
    option : Option
        What it asks.
    fold : str
        Heading below which it stands, folded away.
    """
    return {
        "name": option.name,
        "option": option.dashed,
        "label": option.label,
        "kind": "files" if option.name == "logs" else option.kind,
        "example": option.example,
        "choices": [[one, words] for one, words in _choices(option).items()],
        "usual": "" if option.presents else str(option.default or next(iter(option.choices), "")),
        "fold": fold,
    }


def _choices(option: Option) -> dict[str, str]:
    """What can be chosen, and how it is said."""
    if option.kind != "output":
        return {str(choice): str(choice) for choice in option.choices}
    from geoflow.prescription_patch.new_file import WRITTEN_FORMATS

    first = {name: ending for ending, name in reversed(WRITTEN_FORMATS.items())}
    endings = sorted(first.items(), key=lambda pair: list(WRITTEN_FORMATS).index(pair[1]))
    return {ending: f"{name} ({ending})" for name, ending in endings} | {TASK_FOLDER: "ISO 11783 task data (a folder)"}


def page_fields() -> dict[str, list[dict[str, Any]]]:
    """Describe the fields of the parts that are no works, for the page to make them."""
    parts = ("options", "planning", "rules", "log")
    found = {part: [described_field(option) for option in PAGE_PARTS[part]] for part in parts}
    for one in found["log"]:
        if one["name"].startswith((TARGET.rstrip("_"), "zone_id")):
            one["fold"] = "Another target map, and how it is read"
    return found


def _work_field(work: Work, option: Option) -> dict[str, Any]:
    described = described_field(option, fold_of(work, option.name))
    if option.name in ("temperature", "speed"):
        described["label"] += ", if other than in \u201cThe day\u201d"
    return described


def described_works() -> list[dict[str, Any]]:
    """Describe all works for the page to make their forms."""
    return [
        {
            "name": work.name,
            "title": work.title,
            "lead": work.lead,
            "map": work.map,
            "bar": work.bar,
            "plan": work.plan,
            "speedOpen": work.speed_open,
            "mapOption": work.map_option,
            "instead": work.instead,
            "fields": [_work_field(work, one) for one in work.fields],
            "acts": [
                {"command": act.command, "button": act.button, "doing": act.doing, "zipped": act.zipped}
                for act in work.acts
            ],
        }
        for work in WORKS
    ]
