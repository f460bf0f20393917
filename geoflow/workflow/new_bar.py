"""A bar file made of answers: written, and told what is not known of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from geoflow.bar.answers import Answer
from geoflow.bar.answers_agree import agreed
from geoflow.bar.bar_file import read_bar_text
from geoflow.bar.new_bar import new_bar_text
from geoflow.base.errors import QuantityError
from geoflow.base.progress import tell
from geoflow.base.ranges import parse_range, planned_speed
from geoflow.decide.unknowns import NewBar, Write, unknowns
from geoflow.files.output import OutputFolder, replace_file

__all__ = ["USUAL_TEMPERATURE", "check_free", "make_bar", "write_bar"]

USUAL_TEMPERATURE = "45 degF"
"""At which it is reckoned what things cost, where nothing else is said."""


def check_free(path: str, *, replace: bool, protect: tuple[Path, ...] = ()) -> None:
    """Refuse a file that must not be written, before anybody answers questions for it.

    Parameters
    ----------
    path : str
        Where it is to go.
    replace : bool
        Whether one that is there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Raises
    ------
    OutputError
        If it may not be written.
    """
    target = Path(path)
    OutputFolder(target.parent, replace=replace, protect=protect).claim((target.name,))


def make_bar(
    answers: Mapping[str, Answer], temperature: str | None, speed: str | None, write: Write = new_bar_text
) -> NewBar:
    """Make a bar of answers and work out what each thing costs that is not known.

    Parameters
    ----------
    answers : Mapping
        By name of their question.
    temperature, speed : str or None
        At which that is reckoned, of a range its middle; 45 degF, and the middle of the speeds of the bar.
    write : callable
        Makes the bar file of the answers, where it holds more than they say.

    Raises
    ------
    GeoflowError
        If the answers make no bar, or cannot be read.
    """
    answers = agreed(answers)
    text = write(answers)
    bar = read_bar_text(text.encode(), "the new bar file")
    kelvin = 0.5 * sum(parse_range(temperature or USUAL_TEMPERATURE, "temperature", where="--temperature"))
    pace = 0.5 * sum(bar.limits.speed if speed is None else planned_speed(speed))
    if pace <= 0.0:
        raise QuantityError(f"'{speed}' is no speed to drive", where="--speed", cure='give it like "5 mph"')
    tell("working out what each thing costs that is not known")
    return NewBar(text, bar, dict(answers), unknowns(answers, kelvin, pace, write))


def write_bar(new: NewBar, path: str, *, replace: bool, protect: tuple[Path, ...]) -> None:
    """Write the bar file, whole or not at all.

    Parameters
    ----------
    new : NewBar
        From `make_bar`.
    path : str
        Where it goes.
    replace : bool
        Whether one that is there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Raises
    ------
    OutputError
        If it may not or cannot be written.
    """

    def write(target: Path) -> None:
        target.write_text(new.text, encoding="utf-8")

    replace_file(Path(path), write, replace=replace, protect=protect)
