"""Cases of a bar: ways in which everything that is not known of its orifices may turn out together."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from geoflow.bar.equipment import Bar, Orifice
from geoflow.base.arrays import FloatArray, distinct
from geoflow.base.errors import BarError
from geoflow.hydraulics.case import LOSSLESS, Case, feed_ways
from geoflow.hydraulics.coefficients import (
    central_coefficients,
    corner_coefficients,
    measured_margins,
    patch_corners,
    refuse_contradiction,
)
from geoflow.hydraulics.learned_ways import way_columns
from geoflow.hydraulics.long_bores import is_bounded_as_long

__all__ = [
    *(
        "bounding_cases",
        "central_cases",
        "drawn_cases",
        "inner_cases",
        "likely_cases",
    ),
    "open_cases",
]

_MOST_ORIFICE_KINDS: Final = 6
_DIRECTIONS: Final = 16
# Share of what is not known below the orifices by which it may move from a log to the plan: judgement, no source.
_MOVES: Final = 0.25


def _hose_ends(bar: Bar) -> tuple[float, ...]:
    """Ends of what is not known below the orifices at which the bar has to be looked at, -1 to +1, rising."""
    known = bar.row_hose.back_pressure
    sure = bar.row_hose.line is None if known is None else known[0] == known[1]
    if all(bar.orifices[section.orifice].learned is not None for section in bar.sections):
        # What lay below was learned with the rest; only what moves between the logs and the plan is left.
        return (0.0,) if sure else (-_MOVES, _MOVES)
    strays = any(measured_margins(orifice) is not None for orifice in bar.orifices.values())
    return (0.0,) if sure and not strays else (-1.0, 1.0)


def _kinds(bar: Bar, sections: tuple[int, ...]) -> list[str]:
    """Orifices in use, each once.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice, or more than six kinds of orifice are in use at once.
    """
    kinds = list(dict.fromkeys(bar.sections[index].orifice for index in sections))
    if len(kinds) > _MOST_ORIFICE_KINDS:
        raise BarError(
            f"{len(kinds)} kinds of orifice are in use at once; geoflow bounds at most {_MOST_ORIFICE_KINDS}",
            where="sections",
            cure="give sections with nearly the same orifice the same key",
        )
    for kind in kinds:
        refuse_contradiction(bar, bar.orifices[kind])
    return kinds


def _case(bar: Bar, sections: tuple[int, ...], ways: dict[str, FloatArray], end: float, **more: Any) -> Case:
    """Case of one row of `_ways` for each kind."""
    fitted = [ways[bar.sections[index].orifice].tolist() for index in sections]
    coefficient, weight, way, *turns = (tuple(column) for column in zip(*fitted, strict=True))
    return Case(coefficient, weight, end, way=way, turns=tuple(zip(*turns, strict=True)), **more)


def _ways(
    bar: Bar, orifice: Orifice, pairs: Callable[[Bar, Orifice], FloatArray], tube: tuple[float, ...]
) -> FloatArray:
    """Ways in which an orifice may turn out, shape (n, 6): Cd, b, `Case.way`, `Case.turns`; `tube` of a long bore."""
    if orifice.learned is not None:
        return np.insert(way_columns(orifice.learned.cases), 2, 0.0, axis=1)
    if is_bounded_as_long(bar, orifice):
        return np.array([(orifice.discharge_coefficient, np.nan, way, 0.0, 0.0, 0.0) for way in tube])
    found = pairs(bar, orifice)
    return np.column_stack([found, np.zeros((len(found), 4))])


def bounding_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, ...]:
    """Cases that bound the bar: every corner of every orifice kind in use, with both ends of the back pressure.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice, or more than six kinds of orifice are in use at once.
    """
    kinds = _kinds(bar, sections)
    more = {"boiling": bar.two_ended, "strays": True, "machine": -1.0 if bar.is_open else 0.0}
    corners = [_ways(bar, bar.orifices[kind], corner_coefficients, (-1.0, 1.0)) for kind in kinds]
    return tuple(
        _case(bar, sections, dict(zip(kinds, picked, strict=True)), end, feeds=feeds, **more)
        for feeds in feed_ways(bar, sections)
        for end in _hose_ends(bar)
        for picked in itertools.product(*corners)
    )


def inner_cases(bar: Bar, sections: tuple[int, ...], end: float, better: float) -> tuple[Case, ...]:
    """Cases between which everything lies that the orifices in use may turn out to be, at one end below them.

    All corners of a single kind. Of several kinds those where all lie furthest the same way, in sixteen directions
    of the plane of Cd^2 and Cd^2 b: a mixture of them stands for kinds that turn out differently. How a long bore's
    flow goes with the pressure is not known within its bounds, so it may also do for each limit what is best for that.
    Of feeds that are known as ranges the least flow at a margin is that of feeds that lose nothing: whatever they lose,
    no section then has less above its orifices than the margin.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    end : float
        Of the back pressure, -1 to +1.
    better : float
        +1 where less flow is better for the limit asked about, -1 where more is.
    """
    kinds = _kinds(bar, sections)
    patches = [_ways(bar, bar.orifices[kind], patch_corners, (-1.0, 1.0, -better)) for kind in kinds]
    feeds = LOSSLESS * len(sections) if len(feed_ways(bar, sections)) > 1 else ()
    long = np.array([bool(np.isnan(patch).any()) for patch in patches])
    if len(kinds) == 1:
        reached = np.arange(len(patches[0]))[:, None]
    else:
        turns = (np.arange(_DIRECTIONS) + 0.5) * (2.0 * np.pi / _DIRECTIONS)
        along = np.stack([np.cos(turns), np.sin(turns)])
        places = [
            (along[0] > along[1]).astype(np.int64) if tube else np.argmax(_plane(patch) @ along, axis=0)
            for patch, tube in zip(patches, long, strict=True)
        ]
        reached = distinct(np.stack(places, axis=1), axis=0)
        reached = distinct(np.concatenate([reached, np.where(long, 2, reached)]), axis=0)
    return tuple(
        _case(
            bar,
            sections,
            {kind: patch[at] for kind, patch, at in zip(kinds, patches, places, strict=True)},
            end,
            strays=True,
            machine=1.0 if bar.is_open else 0.0,
            feeds=feeds if better > 0.0 else (),
        )
        for places in reached
    )


def _plane(patch: FloatArray) -> FloatArray:
    """Ways as points of Cd^2 and Cd^2 b."""
    return np.asarray(np.square(patch[:, :1]) * np.column_stack([np.ones(len(patch)), patch[:, 1]]))


def open_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, ...]:
    """Greatest and least flow the orifices allow without their measured points; none where nothing was measured.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    kinds = _kinds(bar, sections)
    orifices = [bar.orifices[kind] for kind in kinds]
    if any(one.learned for one in orifices) or not any(measured_margins(one) for one in orifices):
        return ()
    cases = []
    for end, pick in ((-1.0, max), (1.0, min)):
        ways = {}
        for kind in kinds:
            bare = replace(bar.orifices[kind], measured=())
            found = _ways(bar, bare, corner_coefficients, (-2.0 * end,))
            # The greatest coefficient and then the least weight pass the most.
            ways[kind] = np.array(pick(found, key=_freedom))
        more = {"boiling": bar.two_ended, "machine": -1.0 if bar.is_open else 0.0}
        cases += [_case(bar, sections, ways, end, feeds=feeds, **more) for feeds in feed_ways(bar, sections)]
    return tuple(cases)


def _freedom(pair: FloatArray) -> tuple[float, float]:
    return float(pair[0]), -float(pair[1])


def _likely(bar: Bar, sections: tuple[int, ...], way: float) -> Case:
    """What is likely of the orifices, from the least flow (-1) to the greatest (+1); 0 is the middle case."""
    ways = {}
    for kind in _kinds(bar, sections):
        orifice = bar.orifices[kind]
        if orifice.learned is not None:
            ways[kind] = np.insert(way_columns((orifice.learned.likely,))[0], 2, 0.0)
            continue
        coefficient, weight = central_coefficients(bar, orifice)
        if way and _is_open(orifice):
            weight = orifice.most_flashing * 0.5 * (1.0 - way)
        ways[kind] = np.array([coefficient, weight, way if np.isnan(weight) else 0.0, 0.0, 0.0, 0.0])
    return _case(bar, sections, ways, 0.0)


def _is_open(orifice: Orifice) -> bool:
    """Whether nothing is known of the flashing, not even the length of the bore."""
    told = orifice.learned, orifice.flash_weight, orifice.land
    return not orifice.measured and all(one is None for one in told)


def central_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, Case, Case]:
    """Return the likely cases: of the least flow, the middle one, and of the greatest flow.

    Nothing is certain of them. Where no land is given the flashing may be anything, else it is as far along as
    refrigerants in short tubes let expect; a long bore is within its bounds. What was measured is its middle.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    low, middle, high = (_likely(bar, sections, way) for way in (-1.0, 0.0, 1.0))
    return low, middle, high


def likely_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, ...]:
    """Return likely cases to try something out on, each once, from the least flow to the greatest.

    Where nothing is known of the flashing four of them stand for anything from 0 to 1, and the middle case, a mere
    guess then, is none of them.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    guessed = any(_is_open(bar.orifices[kind]) for kind in _kinds(bar, sections))
    ways = (-1.0, -0.5, 0.5, 1.0) if guessed else (-1.0, 0.0, 1.0)
    return tuple(dict.fromkeys(_likely(bar, sections, way) for way in ways))


def drawn_cases(bar: Bar, sections: tuple[int, ...], count: int, random: np.random.Generator) -> tuple[Case, ...]:
    """Draw ways in which the bar may turn out, for odds.

    A learned orifice strays from its likely way as its logs leave it. Of any other, nothing is known within its bounds:
    all of what its points leave, or of coefficient and weight without points, is as likely, and so is all that may lie
    below; a long bore is at either bound as often as at the likely one. Kinds turn out each for itself.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        In use.
    count : int
        How many ways.
    random : Generator
        Draws them.
    """
    kinds = _kinds(bar, sections)
    drawn = {kind: _drawn_ways(bar, bar.orifices[kind], count, random) for kind in kinds}
    reach = max((abs(end) for end in _hose_ends(bar)), default=0.0)
    ends = random.uniform(-reach, reach, count)
    boils = random.random(count) < 0.5
    machines = random.integers(-1, 2, count) if bar.is_open else np.zeros(count)
    return tuple(
        _case(
            bar,
            sections,
            {kind: ways[at] for kind, ways in drawn.items()},
            float(ends[at]),
            boiling=bool(boils[at]) and bar.suction is not None,
            strays=True,
            machine=float(machines[at]),
        )
        for at in range(count)
    )


def _drawn_ways(bar: Bar, orifice: Orifice, count: int, random: np.random.Generator) -> FloatArray:
    if orifice.learned is not None:
        spread = way_columns(orifice.learned.spread)
        ways = way_columns((orifice.learned.likely,)) + random.standard_normal((count, len(spread))) @ spread
        return np.insert(ways, 2, 0.0, axis=1)
    if is_bounded_as_long(bar, orifice):
        nothing = np.zeros((count, 3))
        way = random.choice(np.array([-1.0, 0.0, 0.0, 1.0]), count)
        fixed = np.array([[orifice.discharge_coefficient, np.nan]]).repeat(count, axis=0)
        return np.column_stack([fixed, way, nothing])
    plane = _plane(patch_corners(bar, orifice))
    middle = plane.mean(axis=0)
    plane = plane[np.argsort(np.arctan2(plane[:, 1] - middle[1], plane[:, 0] - middle[0]))]
    # Evenly over the patch, by triangles about its middle.
    first, last = plane, np.roll(plane, -1, axis=0)
    one, other = first - middle, last - middle
    area = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
    if area.sum() <= 0.0:
        share = random.random((count, 1))
        found = plane[0] * share + plane[-1] * (1.0 - share)
    else:
        pick = random.choice(len(plane), count, p=area / area.sum())
        along, across = random.random((2, count, 1))
        along, across = (
            np.where(along + across > 1.0, 1.0 - along, along),
            np.where(along + across > 1.0, 1.0 - across, across),
        )
        found = middle + along * one[pick] + across * other[pick]
    return np.column_stack([np.sqrt(found[:, 0]), found[:, 1] / found[:, 0], np.zeros((count, 4))])
