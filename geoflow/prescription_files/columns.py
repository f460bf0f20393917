"""Which column holds the rate, and in which unit."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.errors import PrescriptionError
from geoflow.base.rate_units import RATE_UNITS, RateUnit
from geoflow.base.rate_units import rate_unit as unit_named
from geoflow.base.schema import fold
from geoflow.base.spelling import nearest
from geoflow.base.subject import typed
from geoflow.base.units import ACRE, FOOT, MILE
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.number_cells import (
    GROUND_WORDS,
    MASS_WORDS,
    NO_DATA,
    Numbers,
    Suffix,
    contradicts,
    parse_numbers,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.layers.dbf import Dbf

    Floats = NDArray[np.float64]

__all__ = ["GREATEST_LIKELY", "choose_column", "choose_unit", "column_reader", "find_column", "unit_in_name"]

GREATEST_LIKELY: Final = 1000.0  # a column that runs higher is proposed only by name, in any unit

_ID_NAMES = {"id", "fid", "oid", "gid", "uid", "objectid", "zone", "zones", "zoneid", "zoneno", "zonenumber", "zonenum",
             "index", "number", "no", "nr", "row", "polyid", "polygonid", "field", "fieldid", "class", "classid",
             "gridcode", "dn", "recno"}  # fmt: skip
_MEASURE_NAMES = {"area", "acres", "hectares", "shapearea", "shapeleng", "shapelength", "shapelen", "perimeter"}
_NO_DATA = (*NO_DATA, -99.0)
# Units a file may give its zones' areas [m2] and perimeters [m] in: m, ha, acre, ft, km, mile.
_AREA_UNITS = (1.0, 1e4, ACRE, FOOT**2, 1e6, MILE**2)
_LENGTH_UNITS = (1.0, FOOT, 1e3, MILE)


def column_reader(table: Any, dbf: Dbf | None) -> Callable[[int], Numbers | None]:
    """Return what reads a column's cells, from the raw bytes where GDAL would misread them.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        As read.
    dbf : Dbf or None
        Raw records of a Shapefile.

    Returns
    -------
    callable
        From a column's position, the shapes left out, to its numbers; None for a column that is no number or text.
    """
    columns = table.drop(columns=table.geometry.name)

    @functools.cache
    def read(index: int) -> Numbers | None:
        if dbf is not None and len(dbf.fields) == columns.shape[1] and dbf.fields[index].kind in "NF":
            return parse_numbers(dbf.text(index))
        column = columns.iloc[:, index]
        if column.dtype.kind in "bMm":
            return None
        return parse_numbers(column.to_numpy() if column.dtype.kind in "fiu" else column.to_numpy(dtype=object))

    return read


def choose_column(
    names: Sequence[str],
    numbers: Callable[[int], Numbers | None],
    requested: str | None,
    *,
    area: Floats,
    perimeter: Floats,
    where: str,
) -> tuple[int, list[Note]]:
    """Find the rate column: the one asked for, or the only one that can be.

    Parameters
    ----------
    names : sequence of str
        Columns in file order.
    numbers : callable
        What a column's cells say, given its position; None for a column that is no number or text.
    requested : str or None
        The name given with ``--rate-column``.
    area, perimeter : ndarray of float, shape (n,)
        Of every row's shape [m2] and [m], 0 where it has none; a column that repeats them is no rate.
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If the name is unknown or fits several columns, or if none or several columns could be the rate.
    """
    if requested is not None:
        return find_column(list(names), requested, typed("rate-column"), where)
    candidates: list[tuple[int, Numbers]] = []
    for index, name in enumerate(names):
        read = numbers(index)
        if read is not None and _may_be_rate(name, read, area, perimeter):
            candidates.append((index, read))
    if len(candidates) == 1:
        index, read = candidates[0]
        text = f"the rates are taken from the column '{names[index]}' ({_span_text(read)}), the only one that can be"
        return index, [Note("column", text)]
    if not candidates:
        raise PrescriptionError(
            "no column holds numbers that could be rates",
            where=where,
            cure=f"name the rate column with {typed('rate-column')}; the columns are {_listed(names)}",
        )
    lines = "".join(
        f"\n    {typed('rate-column')} {_quoted(names[index])}   {_span_text(read)}" for index, read in candidates
    )
    raise PrescriptionError(
        f"{len(candidates)} columns could hold the rates", where=where, cure=f"say which one with one of{lines}"
    )


def find_column(names: list[str], requested: str, option: str, where: str) -> tuple[int, list[Note]]:
    """Find a column by its name: as given, else as it reads, else as a Shapefile cuts it to ten characters.

    Parameters
    ----------
    names : list of str
        Columns in file order.
    requested : str
        The name given.
    option : str
        What it was given with, as typed, for errors.
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If no column or several are called so.
    """
    short = requested.casefold()[:10]
    cut = re.compile(f"{re.escape(short)}|{re.escape(short[:8])}_[0-9][0-9]?" if len(requested) > 10 else "(?!)")
    ways: tuple[tuple[Callable[[str], object], str], ...] = (
        (lambda name: name == requested, ""),
        (lambda name: fold(name) == fold(requested), "reads as"),
        (lambda name: cut.fullmatch(name.casefold()), "was cut to ten characters:"),
    )
    for fits, text in ways:
        found = [index for index, name in enumerate(names) if fits(name)]
        if len(found) > 1:
            raise PrescriptionError(
                f"{option} '{requested}' fits {len(found)} columns: {_listed(names[i] for i in found)}",
                where=where,
                cure="give the exact name of one" if text else "rename one of them in the file",
            )
        if found:
            name = names[found[0]]
            return found[0], [Note("column", f"the column asked for, '{requested}', {text} '{name}'")] if text else []
    raise PrescriptionError(
        f"there is no column '{requested}'{nearest(requested, names)}",
        where=where,
        cure=f"give {option} one of {_listed(names)}" if names else "the file has no columns at all",
    )


def _may_be_rate(name: str, read: Numbers, area: Floats, perimeter: Floats) -> bool:
    usable = np.isfinite(read.values) & ~np.isin(read.values, _NO_DATA)
    values = read.values[usable]
    if not read.mostly_numbers or fold(name) in _MEASURE_NAMES:
        return False
    if not values.size:
        return bool(read.ambiguous.any())
    if values.min() < 0.0 or values.max() > GREATEST_LIKELY or _are_ids(name, values):
        return False
    measures = ((area, _AREA_UNITS), (perimeter, _LENGTH_UNITS))
    return not any(_repeats(values, measure[usable], units) for measure, units in measures)


def _are_ids(name: str, values: Floats) -> bool:
    """Whether whole numbers count the rows, or are called by a word for numbers of things."""
    if not (values == np.round(values)).all():
        return False
    counted = values.size > 1 and values[0] in (0.0, 1.0) and bool((np.diff(values) == 1.0).all())
    return counted or fold(name) in _ID_NAMES or re.fullmatch(r".*(_id|_ID|[a-z]I[Dd])", name) is not None


def _repeats(values: Floats, measure: Floats, units: tuple[float, ...]) -> bool:
    """Whether values are the zones' areas or perimeters in a known unit, or in step with them in any other."""
    real = measure > 0.0
    values, measure = values[real], measure[real]
    if not values.size or not (values > 0.0).any():
        return False
    ratio = values / measure
    varied = np.ptp(measure) > 0.05 * measure.mean() and values.size > 2
    if varied and np.ptp(ratio) < 0.01 * ratio.mean():
        return True
    decimals = next((d for d in range(7) if np.allclose(values, np.round(values, d), rtol=0.0, atol=1e-9)), 7)
    slack = 0.01 * measure
    for unit in units:
        rounding = 0.5 * 10.0**-decimals * unit
        close = bool((np.abs(values * unit - measure) <= slack + rounding).all())
        if close and rounding <= 0.1 * measure.min():
            return True
    return False


def unit_in_name(name: str) -> RateUnit | None:
    """Return the one rate unit a column name states in full, such as ``rate_lb_n_ac`` or ``RateKgNHa``, or None.

    Parameters
    ----------
    name : str
        Of a column or band.
    """
    words = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", name)
    stretches = {
        _plain("".join(words[start:end])) for start in range(len(words)) for end in range(start + 1, len(words) + 1)
    }
    whole = _plain(fold(name))
    # A name without separators counts if it ends in the unit; a lone "l" could end any word.
    found = [
        unit
        for unit in RATE_UNITS
        if any(alias in stretches or (whole.endswith(alias) and alias[:2] != "ln") for alias in unit.aliases)
    ]
    return found[0] if len(found) == 1 else None


def _plain(text: str) -> str:
    return text.casefold().replace("lbs", "lb").replace("acre", "ac").replace("hectare", "ha")


def _hints(name: str) -> Suffix:
    """Return the parts of a rate unit that a name states between separators; a lone "n" or "l" states nothing."""
    words = [word for word in re.split(r"[\W_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).casefold()) if word]
    mass = {MASS_WORDS[word] for word in words if len(word) > 1 and word in MASS_WORDS}
    ground = {GROUND_WORDS[word] for word in words if word in GROUND_WORDS}
    for word in words:
        together = re.fullmatch(r"(lbs?|kg|gal)(n|nh3)?(ac|ha)", word)
        if together:
            mass.add(MASS_WORDS[together[1]])
            ground.add(together[3])
    return (mass.pop() if len(mass) == 1 else None, None, ground.pop() if len(ground) == 1 else None)


def choose_unit(name: str, option: str | None, numbers: Numbers, *, where: str) -> tuple[RateUnit, list[Note]]:
    """Find the unit of the rates: from the option or an unmistakable column name, never from their size.

    Parameters
    ----------
    name : str
        Of the column.
    option : str or None
        What ``--rate-unit`` says.
    numbers : Numbers
        Of the column.
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If neither says it, or if they contradict each other.
    QuantityError
        If the option is no rate unit.
    """
    stated = unit_in_name(name)
    if option is None:
        if stated is None:
            raise PrescriptionError(
                f"the file does not say what the numbers in '{name}' count ({_span_text(numbers)})",
                where=where,
                cure=f"add {typed('rate-unit')} with the one that is true:{_meanings(numbers)}",
            )
        return stated, [Note("unit", f"the column name '{name}' gives the unit, {stated.text}")]
    unit = unit_named(option, where=typed("rate-unit"))
    if (stated is not None and stated != unit) or contradicts(_hints(name), unit):
        says = stated.text if stated is not None else " per ".join(part for part in _hints(name) if part)
        raise PrescriptionError(
            f"{typed('rate-unit')} says {unit.text}, but the column name '{name}' says {says}",
            where=where,
            cure=f"leave {typed('rate-unit')} out or make it agree; if the name is wrong, rename the column "
            "in the file",
        )
    counts_ammonia = re.search(r"nh3|ammonia", name, re.IGNORECASE) is not None
    if stated is None and counts_ammonia and unit.basis == "nitrogen":
        text = (f"the column '{name}' speaks of ammonia, but its numbers are read as {unit.text}: a factor of "
                f"{NITROGEN_FRACTION:g} apart")  # fmt: skip
        return unit, [Note("unit", text)]
    return unit, []


def _meanings(numbers: Numbers) -> str:
    """One line per unit: what the column's span would be in lb N/ac (of ammonia with 82 % nitrogen)."""
    lines = []
    for unit in RATE_UNITS:
        line = f'\n    {typed("rate-unit")} "{unit.text}"'
        if unit.basis != "ammonia volume" and numbers.span is not None:
            per = unit.to_si / RATE_UNITS[0].to_si * (NITROGEN_FRACTION if unit.basis == "ammonia" else 1.0)
            low, high = (end * per for end in numbers.span)
            line += f"   would be {_g(low)} to {_g(high)} lb N/ac"
        lines.append(line)
    return "".join(lines)


def _g(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _span_text(numbers: Numbers) -> str:
    if numbers.span is None:
        rows = np.flatnonzero(numbers.ambiguous)
        return f"no clear number; see {rows_text(rows)}" if rows.size else "no numbers"
    return f"{_g(numbers.span[0])} to {_g(numbers.span[1])}"


def _quoted(name: str) -> str:
    return name if re.fullmatch(r"\w+", name) else f'"{name}"'


def _listed(names: Any) -> str:
    return ", ".join(f"'{name}'" for name in names) or "none"
