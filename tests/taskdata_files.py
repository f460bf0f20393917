"""Writes task data for tests by hand, as ISO 11783-10 has it, right and wrong."""

from __future__ import annotations

import struct
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

from geoflow.isoxml.check import Version
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.write import Basis, Form, Layout, Naming, write_taskdata
from geoflow.layers.notes import Note

Ring = Sequence[tuple[float, float]]

# A made-up field; corners are exact in seven decimals.
WEST, SOUTH = -95.0, 42.0
STEP = 0.001


def square(column: float, row: float, size: float = 1.0) -> list[tuple[float, float]]:
    """Four corners, not closed, as (longitude, latitude), in steps of a thousandth of a degree."""
    x, y = WEST + column * STEP, SOUTH + row * STEP
    side = size * STEP
    return [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]


def element(tag: str, *children: str, **attributes: object) -> str:
    """An element with attributes as given; None leaves one out."""
    written = "".join(f" {key}={quoteattr(str(value))}" for key, value in attributes.items() if value is not None)
    return f"<{tag}{written}>{''.join(children)}</{tag}>\n" if children else f"<{tag}{written}/>\n"


def line(kind: int, ring: Ring, *, close: bool = True) -> str:
    """LSG: 1 outline, 2 hole. C is north and D is east."""
    points = [*ring, ring[0]] if close and ring else ring
    return element("LSG", *(element("PNT", A=2, C=f"{y:.7f}", D=f"{x:.7f}") for x, y in points), A=kind)


def polygon(kind: int, outline: Ring, *holes: Ring, close: bool = True) -> str:
    return element("PLN", line(1, outline, close=close), *(line(2, hole, close=close) for hole in holes), A=kind)


def rate(ddi: str, value: object, **more: object) -> str:
    return element("PDV", A=ddi, B=value, **more)


def root(*children: str, major: object = 4, minor: object = 3, head: str = "") -> str:
    inner = element(
        "ISO11783_TaskData", *(children or ("\n",)), VersionMajor=major, VersionMinor=minor,
        ManagementSoftwareManufacturer="by hand", ManagementSoftwareVersion="1", DataTransferOrigin=1,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{head}{inner}'


def field(*children: str, name: str = "North 40") -> str:
    return element("PFD", *children, A="PFD1", C=name, D=1000)


def task(*children: str, key: str = "TSK1", name: str | None = "Spring", fallback: object = 0, **more: object) -> str:
    given = {"H": fallback, "I": fallback, "J": fallback, **more}
    return element("TSK", *children, A=key, B=name, E="PFD1", G=1, **given)


def two_zones(ddi: str = "01B0", *, close: bool = True) -> str:
    """A task with a square with a hole at 120 kg/ha, one beside it at 60, and the fallback with nothing."""
    return task(
        element("TZN", rate(ddi, 0), A=0, B="outside"),
        element("TZN", rate(ddi, 12000), polygon(2, square(0, 0), square(0.25, 0.25, 0.5), close=close), A=1, B="West"),
        element("TZN", rate(ddi, 6000), polygon(2, square(1, 0), close=close), A=2, B="East"),
    )


def write_folder(folder: Path, files: Mapping[str, str | bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


def write_zip(path: Path, files: Mapping[str, str | bytes], inside: str = "TASKDATA/") -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(inside + name, content)
    return path


def taskdata(folder: Path, *children: str, files: Mapping[str, str | bytes] | None = None, **more: object) -> Path:
    """A TASKDATA folder with one main file."""
    return write_folder(folder / "TASKDATA", {"TASKDATA.XML": root(*children, **more), **(files or {})})  # type: ignore[arg-type]


def grid(rows: int, columns: int, kind: int, **more: object) -> str:
    given = {"A": SOUTH, "B": WEST, "C": 0.0001, "D": 0.0002, "E": columns, "F": rows, "G": "GRD00001", "I": kind}
    return element("GRD", **{**given, **more})


def write_map(
    path: Path, zones: Sequence[Any], rates: Any, *, basis: Basis, field: str, version: Version = 4,
    form: Form = "outlines", cell: float = 10.0, names: Sequence[str] | None = None, task: str | None = None,
    product: str = "Anhydrous ammonia", replace: bool = False, protect: tuple[Path, ...] = (),
) -> tuple[Note, ...]:  # fmt: skip
    """What geoflow writes of zones and rates."""
    naming = Naming(field=field, task=task, zones=names, product=product)
    layout = Layout(version=version, form=form, cell=cell)
    return write_taskdata(Delivery(path, replace, protect), zones, rates, basis, naming, layout)


# Fields of PTN, in the order of the bytes: attribute and format.
FIELDS = {"A": "i", "B": "i", "C": "i", "D": "B", "E": "H", "F": "H", "G": "B", "H": "I", "I": "H"}


def header(
    variables: Sequence[tuple[str, str]], *, place: Mapping[str, object] | None = None, values: Sequence[object] = ()
) -> str:
    """Header of a time log: of PTN the attributes given, empty ones stored per record; all north, east and status."""
    where = {"A": "", "B": "", "D": ""} if place is None else place
    given = [*values, *[""] * len(variables)]
    dlv = [element("DLV", A=ddi, B=value, C=key) for (ddi, key), value in zip(variables, given, strict=False)]
    return '<?xml version="1.0"?>\n' + element("TIM", element("PTN", **where), *dlv, A="", D=4)


def record(
    ms: int, day: int, place: Mapping[str, int], values: Sequence[tuple[int, int]] = (), *, count: int | None = None
) -> bytes:
    """A record: time of day [ms], days since 1980-01-01, what of PTN is stored, and (index, value) pairs."""
    own = b"".join(struct.pack("<" + FIELDS[key], value) for key, value in sorted(place.items()))
    body = b"".join(struct.pack("<Bi", index, value) for index, value in values)
    return struct.pack("<IH", ms, day) + own + bytes([len(values) if count is None else count]) + body


def at(lon: float, lat: float, status: int = 4) -> dict[str, int]:
    """Position as stored: whole steps of 1e-7 degree."""
    return {"A": round(lat * 1e7), "B": round(lon * 1e7), "D": status}


DAY = 16902  # 2026-04-11: days since 1980-01-01, from the calendar
EPOCH = 315_532_800  # 1980-01-01 as Unix time


def bar(sections: Sequence[float], *, offsets: bool = True) -> str:
    """A machine: device, function, and sections of the given widths [m] from the left; listed from the right."""
    total = sum(sections)
    parts, properties = [], []
    left = -total / 2
    for at_, width in enumerate(sections):
        middle = left + width / 2
        left += width
        number = 100 + 10 * at_
        links = [element("DOR", A=number + 1)] + ([element("DOR", A=number + 2)] if offsets else [])
        parts.append(element("DET", *links, A=f"DET{at_ + 3}", B=number, C=4, D=f"S{at_}", E=at_ + 2, F=2))
        properties.append(element("DPT", A=number + 1, B="0046", C=round(width * 1000)))
        if offsets:
            properties.append(element("DPT", A=number + 2, B="0087", C=round(middle * 1000)))
    return element(
        "DVC", element("DET", A="DET1", B=1, C=1, D="Bar", E=0, F=0), element("DET", A="DET2", B=2, C=2, E=1, F=1),
        *reversed(parts), *properties, A="DVC1", D="A000000000000000",
    )  # fmt: skip


def log_files(name: str, head: str, data: bytes) -> dict[str, str | bytes]:
    return {f"{name}.XML": head, f"{name}.BIN": data}


def log_task(*names: str, key: str = "TSK1", title: str = "Spring", **more: object) -> str:
    return element("TSK", *(element("TLG", A=name, C=1, **more) for name in names), A=key, B=title, G=4)
