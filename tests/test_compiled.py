"""The overlay compiled by numba against the plain one, which is the reference."""

from __future__ import annotations

import sys

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from test_swaths import SHAPES, grid, rectangles

from geoflow.ground import compiled, swaths
from geoflow.ground.overlaps import Shared
from geoflow.ground.swaths import Overlay, overlay

pytest.importorskip("numba", reason="the extra `fast` is not installed")


def both(*given: object, **more: object) -> tuple[Overlay, Overlay]:
    with pytest.MonkeyPatch.context() as patch:
        found = []
        for quick in (False, True):
            patch.setattr(swaths, "is_worth", lambda count, quick=quick: quick)
            found.append(overlay(*given, **more))  # type: ignore[arg-type]
    return found[0], found[1]


def refuse_other(plain: Overlay, quick: Overlay) -> None:
    """Areas to a ten-millionth of a square metre on fields of a hectare: the order of the sums differs."""
    for name in ("swept", "covered", "covered_in_field", "doubled", "missed", "error_estimate"):
        assert getattr(quick, name) == pytest.approx(getattr(plain, name), rel=1e-9, abs=1e-7), name
    for name in ("zone_area", "zone_covered", "zone_doubled", "zone_applied", "zone_error"):
        np.testing.assert_allclose(getattr(quick, name), getattr(plain, name), rtol=1e-8, atol=1e-7, err_msg=name)
    for name in ("area", "lone"):
        np.testing.assert_allclose(*(by_part(one, name) for one in (quick, plain)), atol=1e-7, err_msg=name)
    np.testing.assert_allclose(*(by_ground(one.shared) for one in (quick, plain)), atol=1e-6)


def by_part(found: Overlay, name: str) -> np.ndarray:
    """Areas by strip and zone; slivers of rounding are in none of them."""
    size = found.zone_area.size + 1
    return np.bincount(found.strip * size + found.zone + 1, getattr(found, name), 40_000)


def by_ground(shared: Shared) -> np.ndarray:
    """Ground under several strips by zone and layers, and the values on it."""
    key = (shared.zone + 1) * 40 + shared.layers
    return np.stack([np.bincount(key, each, 4000) for each in (shared.area, *(shared.sums * shared.area))])


def drawn_values(count: int) -> np.ndarray:
    return np.random.default_rng(count).integers(-5, 9, (2, count))


@pytest.mark.parametrize("name", SHAPES)
def test_driven_strips_are_laid_alike(name: str) -> None:
    quads = SHAPES[name]
    refuse_other(
        *both(
            quads, np.linspace(0.01, 0.02, len(quads)), grid(5, 5, 22.0, (-3.0, 1.0)), values=drawn_values(len(quads))
        )
    )


@given(seed=st.integers(0, 10**6), n=st.integers(1, 40), bounded=st.booleans())
@laws(25)
def test_any_strips_on_any_zones_are_laid_alike(seed: int, n: int, bounded: bool) -> None:
    """Zones that overlap, with holes and in parts, one missing; strips of any shape, some of several quads."""
    draw = np.random.default_rng(seed)
    quads = np.concatenate([rectangles(seed, n, 40.0), draw.uniform(0.0, 40.0, (3, 4, 2))])
    holed = shapely.difference(shapely.Point(20, 20).buffer(15.0), shapely.box(15, 15, 25, 22))
    apart = shapely.multipolygons([shapely.box(-5, -5, 4, 6), shapely.box(30, 2, 44, 9)])
    zones = np.array([holed, None, apart, *grid(2, 2, 17.0)], dtype=object)
    owner = np.sort(draw.integers(0, n + 3, n + 3))
    owner = np.unique(owner, return_inverse=True)[1]
    count = int(owner.max()) + 1
    boundary = shapely.box(3, 1, 37, 33) if bounded else None
    refuse_other(*both(quads, draw.uniform(0.0, 0.02, count), zones, boundary, strip=owner, values=drawn_values(count)))


def test_many_strips_need_more_room_than_was_made() -> None:
    """Strips across fifty narrow zones, each on many others: parts and shared ground outgrow their first room."""
    quads = rectangles(5, 300, 30.0)
    zones = np.array([shapely.box(x, -20, x + 1.0, 60) for x in np.arange(-10.0, 40.0)])
    refuse_other(*both(quads, np.ones(len(quads)), zones, values=drawn_values(len(quads))))


def test_nothing_is_laid_alike() -> None:
    refuse_other(*both(np.zeros((0, 4, 2)), np.zeros(0), np.zeros(0, dtype=object)))


def test_one_kind_of_array_is_compiled_for() -> None:
    quads = rectangles(6, 20, 40.0)
    frozen = np.asfortranarray(quads)
    frozen.flags.writeable = False
    refuse_other(*both(frozen, np.ones(20), grid(2, 2, 20.0)))
    refuse_other(*both(quads.astype(np.float32), np.ones(20), grid(2, 2, 20.0)))
    spans, sums = compiled.kernels()
    assert len(spans.lay_lines.signatures) == len(sums.add_lines.signatures) == 1


def test_few_strips_load_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled.kernels.cache_clear()
    monkeypatch.setitem(sys.modules, "numba", None)  # an import would fail
    assert not compiled.is_worth(compiled.ALONE - 1) and not compiled.kernels.cache_info().currsize
    compiled.kernels.cache_clear()


@pytest.mark.parametrize("problem", [ImportError, RuntimeError("cannot cache function"), OSError("no space left")])
def test_without_what_it_needs_the_plain_way_is_taken(monkeypatch: pytest.MonkeyPatch, problem: Exception) -> None:
    def fails(_: object) -> None:
        raise problem

    compiled.kernels.cache_clear()
    monkeypatch.setattr(compiled, "_lay_nothing", fails)
    assert compiled.kernels() is None and not compiled.is_worth(10**9)
    compiled.kernels.cache_clear()
