"""Writes odd prescription files for tests, down to the bytes where no library would write such a file."""

from __future__ import annotations

import json
import struct
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path

import pyproj
import shapely

# A made-up field near the central meridian of UTM zone 15N: the corner every test builds from [m].
EAST, NORTH, UTM = 500_000.0, 4_650_000.0, "EPSG:26915"
Ring = Sequence[tuple[float, float]]
RATE = ("RATE", "N", 12, 3)


def square(column: float = 0, row: float = 0, size: float = 100.0, *, hole: float = 0.0) -> list[Ring]:
    """Rings of a square in metres from the corner; outline clockwise, hole anticlockwise, as a shapefile wants."""
    x, y = EAST + column * size, NORTH + row * size
    rings = [[(x, y), (x, y + size), (x + size, y + size), (x + size, y), (x, y)]]
    if hole:
        a, b = x + (size - hole) / 2, y + (size - hole) / 2
        rings.append([(a, b), (a + hole, b), (a + hole, b + hole), (a, b + hole), (a, b)])
    return rings


def strip_of(count: int) -> list[list[Ring]]:
    return [square(column) for column in range(count)]


def shp_bytes(zones: Iterable[list[Ring]]) -> tuple[bytes, bytes]:
    """The .shp and .shx of polygons with rings exactly as given: any order, any direction, closed or not."""
    body, index, offset = b"", b"", 50
    for number, rings in enumerate(zones, 1):
        points = [point for ring in rings for point in ring]
        if points:
            starts = [sum(len(ring) for ring in rings[:at]) for at in range(len(rings))]
            x, y = [p[0] for p in points], [p[1] for p in points]
            content = struct.pack("<i4d2i", 5, min(x), min(y), max(x), max(y), len(rings), len(points))
            content += struct.pack(f"<{len(starts)}i", *starts)
            content += b"".join(struct.pack("<2d", *point) for point in points)
        else:
            content = struct.pack("<i", 0)
        words = len(content) // 2
        body += struct.pack(">2i", number, words) + content
        index += struct.pack(">2i", offset, words)
        offset += 4 + words

    def head(size: int) -> bytes:
        return struct.pack(">7i", 9994, 0, 0, 0, 0, 0, size // 2) + struct.pack("<2i8d", 1000, 5, *[0.0] * 8)

    return head(100 + len(body)) + body, head(100 + len(index)) + index


def dbf_bytes(
    fields: Sequence[tuple[str, str, int, int]], rows: Sequence[Sequence[str]], deleted: Iterable[int] = ()
) -> bytes:
    """A dBase table whose cells hold exactly the text given, right-aligned as numbers are."""
    length = 1 + sum(width for _, _, width, _ in fields)
    head = struct.pack("<4BIHH20x", 3, 125, 1, 1, len(rows), 33 + 32 * len(fields), length)
    for name, kind, width, decimals in fields:
        head += struct.pack("<11sc4xBB14x", name.encode(), kind.encode(), width, decimals)
    gone = set(deleted)
    cells = b"".join(
        (b"*" if number in gone else b" ")
        + b"".join(
            cell.encode("latin-1").rjust(width) if kind in "NF" else cell.encode("latin-1").ljust(width)
            for cell, (_, kind, width, _) in zip(row, fields, strict=True)
        )
        for number, row in enumerate(rows)
    )
    return head + b"\r" + cells + b"\x1a"


def write_shapefile(
    path: Path,
    zones: Sequence[list[Ring]],
    rates: Sequence[str] | None = None,
    *,
    fields: Sequence[tuple[str, str, int, int]] = (RATE,),
    rows: Sequence[Sequence[str]] | None = None,
    crs: str | None = UTM,
    prj: str | None = None,
    deleted: Iterable[int] = (),
) -> Path:
    """Write .shp, .shx, .dbf and, unless `crs` is None, .prj."""
    shp, shx = shp_bytes(zones)
    table = rows if rows is not None else [[rate] for rate in (rates or ["100"] * len(zones))]
    path.write_bytes(shp)
    path.with_suffix(".shx").write_bytes(shx)
    path.with_suffix(".dbf").write_bytes(dbf_bytes(fields, table, deleted))
    if prj is not None or crs is not None:
        path.with_suffix(".prj").write_text(prj if prj is not None else pyproj.CRS(crs).to_wkt("WKT1_ESRI"))
    return path


def zip_up(
    path: Path, shapefile: Path, folder: str = "", *, leave_out: str = "", more: dict[str, bytes] | None = None
) -> Path:
    """Zip a shapefile's parts under a folder, with more members if given."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in sorted(shapefile.parent.glob(f"{shapefile.stem}.*")):
            if part.suffix not in (leave_out, path.suffix):
                archive.write(part, folder + part.name)
        for name, content in (more or {}).items():
            archive.writestr(name, content)
    return path


def in_degrees(zones: Sequence[list[Ring]], crs: str = UTM) -> list[list[Ring]]:
    """The same rings as longitude and latitude."""
    forward = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform
    return [[[forward(x, y) for x, y in ring] for ring in rings] for rings in zones]


def exchanged(zones: Sequence[list[Ring]]) -> list[list[Ring]]:
    """The same rings with x and y exchanged."""
    return [[[(y, x) for x, y in ring] for ring in rings] for rings in zones]


def write_geojson(
    path: Path, zones: Sequence[object], properties: Sequence[dict[str, object]], *, crs: str | None = None
) -> Path:
    """Write rings, shapely shapes or None as GeoJSON, coordinates untouched, with a crs member only if given."""

    def geometry(zone: object) -> object:
        if zone is None:
            return None
        if isinstance(zone, list):
            return {"type": "Polygon", "coordinates": [[list(point) for point in ring] for ring in zone]}
        return json.loads(shapely.to_geojson(zone))

    document: dict[str, object] = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": own, "geometry": geometry(zone)}
            for zone, own in zip(zones, properties, strict=True)
        ],
    }
    if crs is not None:
        document["crs"] = {"type": "name", "properties": {"name": crs}}
    path.write_text(json.dumps(document))
    return path
