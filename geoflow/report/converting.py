"""A converted prescription as JSON and in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.units import System, from_si, show
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.json_numbers import in_unit, in_units, reading_document
from geoflow.report.model import Block, BulletList, Paragraph, Report, Section, Table
from geoflow.report.reading import reading_section

if TYPE_CHECKING:
    from geoflow.outcomes import ConvertOutcome

__all__ = ["convert_document", "converted_report"]

_SMALLEST_SHOWN: Final = 5e-6  # of the total; less is the rounding of coordinates


def convert_document(outcome: ConvertOutcome) -> dict[str, Any]:
    """Give the conversion as JSON, the unit in every key.

    Parameters
    ----------
    outcome : ConvertOutcome
        What the workflow gave.
    """
    prescription, written = outcome.prescription, outcome.written
    kelvin = outcome.counting_temperature
    kept = written.kept
    return {
        "input": reading_document(prescription),
        "output": {
            "file": str(written.path),
            "format": written.file_format,
            "rate_column": written.column,
            "rate_unit": written.rates.unit.text,
            "coordinate_system": written.crs,
            "cell_m": written.cell,
            "zones_without_cell": list(written.lost),
            "renamed": written.renamed,
            "notes": list(written.notes),
        },
        "zones": [
            {"zone": zone, "zone_id": name, "before": before, "after": after, "area_ac": area}
            for zone, name, before, after, area in zip(
                prescription.row.tolist(),
                prescription.zone_id,
                prescription.rate.tolist(),
                written.rates.values.tolist(),
                in_units(prescription.area, "area", "acre"),
                strict=True,
            )
        ],
        "totals": {
            "zones": len(prescription.row),
            "area_ac": in_unit(prescription.area.sum(), "area", "acre"),
            "nitrogen_before_lb": in_unit(outcome.nitrogen_before, "mass", "lb"),
            "nitrogen_after_lb": in_unit(outcome.nitrogen_after, "mass", "lb"),
            "nitrogen_off_share": None if math.isnan(kept) else round(kept - 1.0, 9),
        },
        "nitrogen_fraction": outcome.nitrogen_fraction if prescription.other_product is None else None,
        "volumes_counted_at_degF": None if kelvin is None else round(float(from_si(kelvin, "temperature", "degF")), 3),
    }


def _rates(outcome: ConvertOutcome) -> str:
    before, after = outcome.before, outcome.written.rates
    same = before.unit == after.unit and np.array_equal(before.values, after.values)
    return f"rates {after}, as they were" if same else f"rates {after}, before {before}"


def _basis_lines(outcome: ConvertOutcome, system: System) -> list[str]:
    units = (outcome.before.unit, outcome.written.rates.unit)
    lines = []
    if outcome.changes_basis or any(unit.basis != "nitrogen" for unit in units):
        lines.append(f"ammonia is taken as {100.0 * outcome.nitrogen_fraction:g} % nitrogen (--nitrogen-fraction)")
    if outcome.counting_temperature is not None:
        at = show(outcome.counting_temperature, "temperature", system)
        lines.append(f"volumes are counted as liquid at {at} (--volume-temperature)")
    return lines


def _written_section(outcome: ConvertOutcome, system: System) -> Section:
    written = outcome.written
    renamed = [f"column '{old}' is called '{new}'" for old, new in written.renamed.items() if new != written.column]
    after = show(outcome.nitrogen_after, "mass", system)
    if abs(written.kept - 1.0) > _SMALLEST_SHOWN:
        after += f" ({100.0 * (written.kept - 1.0):+.3f} %)"
    rows = (("before", show(outcome.nitrogen_before, "mass", system)), ("after", after))
    notes = (f"coordinates in {written.crs}", *written.notes, *renamed, *_basis_lines(outcome, system))
    blocks: tuple[Block, ...] = (
        *(Paragraph(f"{warning}.", "warning") for warning in written.warnings()),
        Table("Nitrogen of the field", ("when", "N"), rows, "<>", (2.0, 3.0)),
        BulletList(notes),
    )
    return Section("written", "What was written", blocks)


def converted_report(outcome: ConvertOutcome, system: System) -> Report:
    """Say what was read, what was written, and what became of the nitrogen.

    Parameters
    ----------
    outcome : ConvertOutcome
        From `convert_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    prescription, written = outcome.prescription, outcome.written
    area = show(float(prescription.area.sum()), "area", system)
    column = "band" if written.file_format == "geotiff" else "column"
    answer = (
        f"{written.path.name} ({written.file_format}): {count(written.zones, 'zone')}, {area}, {column} "
        f"'{written.column}' in {written.rates.unit.text}; {_rates(outcome)}."
    )
    last = "Whether a bar can deliver these rates is another matter: 'geoflow vet' tells."
    if prescription.other_product is not None:
        last = "These rates are the nitrogen of another product: never vet them, or give them to a bar, as ammonia."
    sections = (
        _written_section(outcome, system),
        reading_section(prescription, system),
        Section("cautions", "", (Paragraph(f"{last} {SHORT_CAUTION}"),)),
    )
    return Report(f"{prescription.path.name} converted", "", answer, sections, SHORT_CAUTION, "")
