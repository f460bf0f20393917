"""The sample files are what their generator makes."""

from __future__ import annotations

import runpy
from pathlib import Path

import geopandas
import numpy as np
import pytest

FIELDS = Path(__file__).parent.parent / "sample_fields"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("scenario")
    runpy.run_path(str(FIELDS / "make_scenario.py"))["make"](folder)
    return folder


@pytest.mark.parametrize("name", ["heron.toml", "wren.toml", "lantern_flat_day.csv"])
def test_bars_and_the_day_are_made_by_the_script(made: Path, name: str) -> None:
    assert (made / name).read_text(encoding="utf-8") == (FIELDS / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["lantern_flat.shp", "kettle_rise.geojson"])
def test_fields_are_made_by_the_script(made: Path, name: str) -> None:
    new, kept = geopandas.read_file(made / name), geopandas.read_file(FIELDS / name)
    assert new.crs == kept.crs
    assert new.drop(columns="geometry").equals(kept.drop(columns="geometry"))
    assert new.geometry.geom_equals_exact(kept.geometry, 1e-6).all()
    assert np.all(kept.geometry.is_valid)
