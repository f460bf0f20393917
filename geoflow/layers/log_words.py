"""Refusals of readers that logs share with prescriptions, in the words of a log."""

from __future__ import annotations

import re
from typing import Final

from geoflow.base.errors import LogError, PrescriptionError

__all__ = ["LOG_FORMATS", "in_log_words"]


def in_log_words(problem: PrescriptionError) -> LogError:
    """Return a refusal by the readers shared with prescriptions, speaking of a log."""

    def worded(text: str) -> str:
        text = re.sub(r"\bzones\b", "records", re.sub(r"\bprescription\b", "log", text))
        return text.replace("a .shp, a .zip with one, a .geojson or a .gpkg", LOG_FORMATS)

    return LogError(worded(problem.what), where=problem.where, cure=worded(problem.cure))


LOG_FORMATS: Final = "a .csv, .shp, .zip with one, .geojson, .gpkg, .parquet or a TASKDATA folder (also zipped)"
