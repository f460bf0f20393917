"""Which options the page has a field for, part by part, and the reference of all options as a document."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from geoflow.options.table import COMMANDS, OPTION_KINDS, OPTIONS, Option, options_of

__all__ = ["PAGE_PARTS", "READING", "option_table_markdown"]

READING: Final = (
    "rate_column", "rate_unit", "layer", "crs", "volume_temperature", "zones", "swap_axes", "take_as_ammonia",
    "zone_id",
)  # fmt: skip
"""Options that say how a prescription is read."""
_ABOVE: Final = ("prescription", "temperature", "speed", "rows")  # stand where the map is opened and the day planned


def _fields(command: str, without: Collection[str] = ()) -> tuple[Option, ...]:
    return tuple(one for name, one in options_of(command).items() if one.label and name not in without)


def _beyond(command: str, before: str) -> tuple[Option, ...]:
    """The fields a command has beside those of another."""
    return _fields(command, {*READING, *_ABOVE, *(one.name for one in _fields(before))})


PAGE_PARTS: Final[Mapping[str, tuple[Option, ...]]] = {
    "options": tuple(options_of("vet")[name] for name in READING),
    "planning": (options_of("vet")["rows"],),
    "rules": _fields("rewrite", (*READING, *_ABOVE)),
    "log": _fields("reconcile"),
    **{one: _fields(one, (*READING, *_ABOVE)) for one in ("vet", "report vet", "plan", "report plan", "rehearse")},
    "card": _fields("card", ("rows",)),
    **{one: _fields(one) for one in ("size", "learn", "convert")},
    # What these rest on stands in the parts of the rules and of the log.
    **{one: _beyond(one, one.removeprefix("report ")) for one in ("report rewrite", "report reconcile")},
}
"""What a question of the page says: each part with the options it has a field for."""


def option_table_markdown() -> str:
    """Return the reference of all options as Markdown: what each takes, what it means, and where it is known."""
    lines = ["| Option | Value | Meaning | Commands | On the page |", "|---|---|---|---|---|"]
    on_page = [option for options in PAGE_PARTS.values() for option in options]
    several = {COMMANDS: "all", COMMANDS[:-1]: "all but `page`"}
    for option in OPTIONS:
        commands = (f"`{name}`{' (required)' * (name in option.required)}" for name in option.commands)
        cells = (
            f"`{option.dashed}`",
            ", ".join(f"`{choice}`" for choice in option.choices) or OPTION_KINDS[option.kind].said,
            option.help.replace("|", "\\|"),
            several.get(option.commands) or ", ".join(commands),
            "yes" * (option in on_page),
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
