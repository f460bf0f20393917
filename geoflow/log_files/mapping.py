"""What a person names: the columns of a log by their role, as options and as a file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geoflow.base.errors import LogError
from geoflow.base.spelling import nearest
from geoflow.base.subject import called
from geoflow.files.output import replace_file
from geoflow.log_files.log_units import ROLES

__all__ = ["load_mapping", "named_columns", "save_mapping"]


def save_mapping(
    path: Path,
    columns: Mapping[str, tuple[str, str | None]],
    *,
    replace: bool = False,
    protect: tuple[Path, ...] = (),
) -> None:
    """Write roles as a small JSON file of ``"role": "NAME:UNIT"`` that `load_mapping` and a person can read.

    Parameters
    ----------
    path : Path
        The file to write.
    columns : mapping
        Role to the name of its column and its unit.
    replace : bool
        Whether a file that exists may be replaced.
    protect : tuple of Path
        Inputs, which are never written over.

    Raises
    ------
    OutputError
        If the file exists and `replace` is false, or cannot be written.
    """

    text = json.dumps({role: f"{name}:{unit or ''}" for role, (name, unit) in columns.items()}, indent=1)

    def write(target: Path) -> None:
        target.write_text(text + "\n", encoding="utf-8")

    replace_file(path, write, replace=replace, protect=protect)


def load_mapping(path: Path) -> dict[str, tuple[str, str | None]]:
    """Read a mapping of role to column and unit.

    Parameters
    ----------
    path : Path
        A JSON file of ``"role": "NAME:UNIT"``.

    Raises
    ------
    LogError
        If it is missing, no such file, or names an unknown role.
    """
    document = _json_of(path)
    if not isinstance(document, dict) or not all(isinstance(value, str) for value in document.values()):
        raise _no_roles(path)
    found: dict[str, tuple[str, str | None]] = {}
    for role, value in document.items():
        _known_role(role, called(path))
        name, mark, unit = value.rpartition(":")
        found[role] = (name, unit.strip() or None) if mark else (value, None)
    return found


def _no_roles(path: Path) -> LogError:
    return LogError(
        "the mapping is no list of roles", where=called(path), cure='write it like {"applied": "Rate:lb N/ac"}'
    )


def _json_of(path: Path) -> Any:
    try:
        if path.exists() and not path.is_file():
            raise OSError("it is no ordinary file")  # a pipe would let us wait for ever
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as problem:
        raise LogError(
            f"the mapping cannot be opened ({problem})", where=called(path), cure="check the name and the folder"
        ) from problem
    except json.JSONDecodeError as problem:
        place, cure = f"{called(path)}, line {problem.lineno}", _no_roles(path).cure
        raise LogError(f"the mapping is no JSON ({problem.msg})", where=place, cure=cure) from problem
    except (RecursionError, ValueError) as problem:  # nested too deep, or a number of thousands of digits
        raise _no_roles(path) from problem


def _known_role(role: str, where: str) -> None:
    if role not in ROLES:
        raise LogError(
            f"there is no role '{role}'{nearest(role, ROLES)}", where=where, cure=f"one of {', '.join(ROLES)}"
        )


def named_columns(
    columns: Sequence[str], mapping: Path | None, names: Sequence[str]
) -> dict[str, tuple[str, str | None]]:
    """Return what a person named: the options over the mapping file.

    Parameters
    ----------
    columns : sequence of str
        What ``--column`` says.
    mapping : Path or None
        File of roles.
    names : sequence of str
        Columns of the log.
    """
    found = load_mapping(mapping) if mapping is not None else {}
    told: set[str] = set()
    for option in columns:
        role, mark, value = option.partition("=")
        where = f'--column "{option}"'
        if not mark or not value.strip():
            raise LogError("this names no column", where=where, cure='write it like --column "applied=Rate:lb N/ac"')
        role = role.strip().casefold()
        _known_role(role, where)
        if role in told:
            raise LogError(f"the role '{role}' is given twice", where=where, cure="leave one of them out")
        told.add(role)
        name, mark, unit = value.rpartition(":")
        found[role] = (value.strip(), None) if not mark or value in names else (name.strip(), unit.strip() or None)
    return found
