"""Which sections of a bar are on."""

from __future__ import annotations

from geoflow.bar.equipment import Bar
from geoflow.base.errors import UsageError
from geoflow.base.spelling import nearest

__all__ = ["choose_sections"]


def choose_sections(bar: Bar, names: list[str] | None) -> tuple[int, ...]:
    """Indices of the sections in use; all of them for None.

    Parameters
    ----------
    bar : Bar
        The equipment.
    names : list of str or None
        Of the sections that are on.

    Raises
    ------
    UsageError
        For an unknown name, or none at all.
    """
    known = [section.name for section in bar.sections]
    if names is None:
        return tuple(range(len(known)))
    for name in names:
        if name not in known:
            raise UsageError(
                f"the bar has no section '{name}'{nearest(name, known)}",
                where="--sections",
                cure=f"name some of: {', '.join(known)}",
            )
    if not names:
        raise UsageError("no section is on", where="--sections", cure=f"name some of: {', '.join(known)}")
    return tuple(index for index, name in enumerate(known) if name in names)
