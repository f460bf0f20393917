"""The styles that layers carry for other programs, in the colours of the pictures, as SLD 1.0.0 [OGC 02-070].

That standard has six marks to fill a ground with and no lines, so a pattern is the nearest of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as Xml

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.layers.package_tables import LayerStyle
from geoflow.report.symbology import INK, PAPER, RATIO_CLASSES, STEPS, VERDICT_SYMBOLS, RatioClass, Symbol

__all__ = ["FINDING_STYLE", "RATIO_STYLE", "VERDICT_STYLE", "rate_style"]

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_MOST: Final = 1e9  # of a ratio, where there is no end
_MARKS: Final = {"//": "triangle", "\\\\": "square", "xx": "x", "..": "circle", "++": "cross"}


def _named(parent: Xml.Element, tag: str, text: str = "", **attributes: str) -> Xml.Element:
    child = Xml.SubElement(parent, f"{{{_SLD}}}{tag}", attributes)
    child.text = text or None
    return child


def _css(parent: Xml.Element, name: str, text: str) -> None:
    _named(parent, "CssParameter", text, name=name)


def _mark(parent: Xml.Element, mark: str, colour: str, size: float, edge: str = "") -> None:
    graphic = _named(parent, "Graphic")
    shape = _named(graphic, "Mark")
    _named(shape, "WellKnownName", mark)
    _css(_named(shape, "Fill"), "fill", colour)
    _css(_named(shape, "Stroke"), "stroke", edge or colour)
    _named(graphic, "Size", f"{size:g}")


def _filled(rule: Xml.Element, fill: str, mark: str = "", colour: str = "") -> None:
    ground = _named(rule, "PolygonSymbolizer")
    _css(_named(ground, "Fill"), "fill", fill)
    edge = _named(ground, "Stroke")
    _css(edge, "stroke", INK)
    _css(edge, "stroke-width", "0.5")
    if mark:
        pattern = _named(_named(_named(rule, "PolygonSymbolizer"), "Fill"), "GraphicFill")
        _mark(pattern, mark, colour, 8.0)


def _rule(style: Xml.Element, name: str, title: str) -> Xml.Element:
    rule = _named(style, "Rule")
    _named(rule, "Name", name)
    _named(rule, "Title", title)
    return rule


def _compared(parent: Xml.Element, how: str, column: str, value: str) -> None:
    test = Xml.SubElement(parent, f"{{{_OGC}}}{how}")
    Xml.SubElement(test, f"{{{_OGC}}}PropertyName").text = column
    Xml.SubElement(test, f"{{{_OGC}}}Literal").text = value


def _begun(layer: str) -> tuple[Xml.Element, Xml.Element]:
    Xml.register_namespace("", _SLD)
    Xml.register_namespace("ogc", _OGC)
    sheet = Xml.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    named = _named(sheet, "NamedLayer")
    _named(named, "Name", layer)
    style = _named(named, "UserStyle")
    _named(style, "Name", layer)
    return sheet, _named(style, "FeatureTypeStyle")


def _by_word(layer: str, column: str, symbols: dict[str, Symbol]) -> str:
    """A rule for each class, told by the word in a column."""
    sheet, style = _begun(layer)
    for name, symbol in symbols.items():
        rule = _rule(style, name, f"{symbol.letter} {symbol.word}")
        _compared(Xml.SubElement(rule, f"{{{_OGC}}}Filter"), "PropertyIsEqualTo", column, name)
        _filled(rule, symbol.fill, _MARKS.get(symbol.hatch, ""), symbol.hatch_colour)
    return Xml.tostring(sheet, encoding="unicode")


def _by_ratio(layer: str, column: str, classes: Iterable[RatioClass]) -> str:
    """A rule for each range of a ratio; the middle one holds both its ends, as the pictures have it."""
    sheet, style = _begun(layer)
    for one in classes:
        rule = _rule(style, one.name, one.name)
        both = Xml.SubElement(Xml.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}And")
        above = "PropertyIsGreaterThan" if one.low in (0.8, 1.1, 1.2) else "PropertyIsGreaterThanOrEqualTo"
        below = "PropertyIsLessThan" if one.high == 0.9 else "PropertyIsLessThanOrEqualTo"
        _compared(both, above, column, f"{max(one.low, 0.0):g}")
        _compared(both, below, column, f"{min(one.high, _MOST):g}")
        _filled(rule, one.fill, "square" if one.stripe else "", one.stripe)
    return Xml.tostring(sheet, encoding="unicode")


def _stretches(rates: FloatArray, unit: str) -> list[tuple[str, float, float]]:
    """Name and both ends of the stretches of rate that a map tells apart: each rate where there are few."""
    asked = np.unique(rates[rates > 0.0])
    if not asked.size:
        return []
    if asked.size <= len(STEPS):
        edges = np.concatenate([[0.0], 0.5 * (asked[1:] + asked[:-1]), [_MOST]])
        names = [f"{rate:g} {unit}" for rate in asked.tolist()]
    else:
        edges = np.linspace(asked[0], asked[-1], len(STEPS) + 1)
        names = [f"{low:.4g} to {high:.4g} {unit}" for low, high in pairwise(edges.tolist())]
        edges[0], edges[-1] = 0.0, _MOST
    return list(zip(names, edges[:-1].tolist(), edges[1:].tolist(), strict=True))


def rate_style(column: str, rates: FloatArray, unit: str) -> LayerStyle:
    """Return the style of a prescription: each rate, or stretch of rates, in its step of the scale.

    Parameters
    ----------
    column : str
        With the rates.
    rates : ndarray
        Of the zones, in the column's own unit.
    unit : str
        That unit in words.
    """
    sheet, style = _begun("zones")
    none = _rule(style, "nothing", "no ammonia")
    _compared(Xml.SubElement(none, f"{{{_OGC}}}Filter"), "PropertyIsLessThanOrEqualTo", column, "0")
    _filled(none, VERDICT_SYMBOLS["off"].fill)
    classes = _stretches(np.asarray(rates, dtype=np.float64), unit)
    steps = np.linspace(0, len(STEPS) - 1, len(classes)).round().astype(int).tolist()
    for step, (name, low, high) in zip(steps, classes, strict=True):
        rule = _rule(style, name, name)
        both = Xml.SubElement(Xml.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}And")
        _compared(both, "PropertyIsGreaterThan", column, f"{low:.15g}")
        _compared(both, "PropertyIsLessThanOrEqualTo", column, f"{high:.15g}")
        _filled(rule, STEPS[step].fill)
    return LayerStyle("rates", "Every zone in the colour of its rate.", Xml.tostring(sheet, encoding="unicode"))


def _points(layer: str) -> str:
    sheet, style = _begun(layer)
    symbol = _named(_rule(style, "finding", "what the log tells about the bar"), "PointSymbolizer")
    _mark(symbol, "star", VERDICT_SYMBOLS["fails"].fill, 14.0, PAPER)
    return Xml.tostring(sheet, encoding="unicode")


VERDICT_STYLE: Final = LayerStyle(
    "verdicts", "Every zone in the colour of its verdict.", _by_word("zones", "gf_verdict", VERDICT_SYMBOLS)
)
RATIO_STYLE: Final = LayerStyle(
    "applied over target", "The more went down, the darker.", _by_ratio("ground", "ratio", RATIO_CLASSES)
)
FINDING_STYLE: Final = LayerStyle("findings", "Where the log tells of the bar.", _points("findings"))
