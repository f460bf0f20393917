"""What we write, read by another author's reader (npm isoxml 1.11.2), and logs read by both."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import numpy as np
import pytest
import shapely
from taskdata_files import DAY, SOUTH, STEP, WEST, header, log_files, log_task, record, root, write_map, write_zip
from taskdata_reader import run_reader

from geoflow.isoxml.binary_log import decode_log
from geoflow.isoxml.check import Version
from geoflow.isoxml.data_dictionary import ACTUAL_STATES, ASKED_STATES, ENTRIES
from geoflow.isoxml.write import Form
from geoflow.isoxml.xml import parse_xml
from geoflow.isoxml.zones import read_taskdata_zones

HOLED = shapely.Polygon(
    [(WEST, SOUTH), (WEST + STEP, SOUTH), (WEST + STEP, SOUTH + STEP), (WEST, SOUTH + STEP)],
    [[(WEST + x, SOUTH + y) for x, y in ((0.0002, 0.0002), (0.0008, 0.0003), (0.000512345, 0.000712345))]],
)
TWO_PARTS = shapely.MultiPolygon(
    [
        shapely.box(WEST + STEP, SOUTH, WEST + 2 * STEP, SOUTH + STEP),
        shapely.box(WEST + 3 * STEP, SOUTH, WEST + 4 * STEP, SOUTH + STEP),
    ]
)
ZONES = [HOLED, TWO_PARTS]
RATES = np.array([0.0168134, 0.0])


def same(rings: object, wanted: object) -> bool:
    found = shapely.MultiPolygon([shapely.Polygon(part[0], part[1:]) for part in rings])  # type: ignore[attr-defined]
    wanted = shapely.MultiPolygon(shapely.get_parts(wanted))
    return bool(shapely.equals_exact(shapely.normalize(found), shapely.normalize(wanted), tolerance=0.51e-9))


@pytest.mark.parametrize("version", [3, 4])
@pytest.mark.parametrize("basis", ["nitrogen", "ammonia"])
def test_outlines(tmp_path: Path, version: Version, basis: str) -> None:
    path = tmp_path / "rx.zip"
    name = "Süd 40 — 北 №1"
    write_map(path, ZONES, RATES, basis=basis, field=name, version=version, names=["Поле", "κάτω"])  # type: ignore[arg-type]
    seen = run_reader(str(path))
    assert seen["warnings"] == []
    assert seen["version"] == str(version)
    (field,) = seen["fields"]
    assert field["name"] == name
    assert same(field["boundary"], shapely.union_all(ZONES))
    (task,) = seen["tasks"]
    assert task["status"] == "1"
    assert task["fallback"] == [0, 0, 0]
    assert [(zone["code"], zone["name"]) for zone in task["zones"]] == [(0, "no rate"), (1, "Поле"), (2, "κάτω")]
    ddi, unit = {"nitrogen": ("01B0", "kg N/ha"), "ammonia": ("0006", "kg NH3/ha")}[basis]
    wanted = [{"ddi": ddi, "value": value, "product": "Anhydrous ammonia", "unit": unit} for value in (0, 16813, 0)]
    assert [zone["variables"] for zone in task["zones"]] == [[each] for each in wanted]
    assert task["zones"][0]["rings"] == []
    assert same(task["zones"][1]["rings"], HOLED)
    assert same(task["zones"][2]["rings"], TWO_PARTS)


@pytest.mark.parametrize("version", [3, 4])
@pytest.mark.parametrize("form", ["grid of zones", "grid of rates"])
def test_grids(tmp_path: Path, version: Version, form: Form) -> None:
    path = tmp_path / "rx.zip"
    # Two strips of rows: 100 kg/ha in the south, 200 in the north, and nothing around them in the box they span.
    south = shapely.box(WEST, SOUTH, WEST + STEP, SOUTH + STEP / 2)
    north = shapely.box(WEST, SOUTH + STEP / 2, WEST + STEP / 2, SOUTH + STEP)
    rates = np.array([0.01, 0.02])
    write_map(path, [south, north], rates, basis="nitrogen", field="F", version=version, form=form, cell=12.0)
    seen = run_reader(str(path))
    # The standard has capitals; the other reader finds them but would rather see ".bin".
    assert [text for text in seen["warnings"] if "Letter case" not in text] == []
    grid = seen["tasks"][0]["grid"]
    assert (grid["south"], grid["west"]) == (SOUTH, WEST)
    ours = read_taskdata_zones(path)
    cells = {}
    for row in range(grid["rows"]):
        for column in range(grid["columns"]):
            at = row * grid["columns"] + column
            cells[row, column] = grid["bytes"][at] if form == "grid of zones" else struct.unpack(
                "<i", bytes(grid["bytes"][4 * at : 4 * at + 4]))[0]  # fmt: skip
    for (row, column), stored in cells.items():
        middle = shapely.Point(
            grid["west"] + (column + 0.5) * grid["eastSize"], grid["south"] + (row + 0.5) * grid["northSize"]
        )
        zone = 1 if south.contains(middle) else 2 if north.contains(middle) else 0
        assert stored == (zone if form == "grid of zones" else 10_000 * zone), (row, column)
        found = [
            rate
            for rate, shape in zip(ours.table["rate_01B0_kg_n_ha"], ours.table.geometry, strict=True)
            if shape.contains(middle)
        ]
        assert found == ([100.0 * zone] if zone else [])
    if form == "grid of rates":
        # The other reader's own cells: it leaves out those with nothing, and the first is in the south-west.
        assert grid["features"][0] == {"rate": 10_000, "corner": [WEST, SOUTH]}
        assert len(grid["features"]) == sum(value != 0 for value in cells.values())
        assert grid["features"][-1]["rate"] == 20_000


def test_logs_are_read_alike(tmp_path: Path) -> None:
    """Random records with sparse values."""
    random.seed(11783)
    place = dict.fromkeys("ABCDEFGHI", "")
    variables = [("01B1", "DET1"), ("01B0", "DET1"), ("00A1", "DET2")]
    data = b""
    for s in range(300):
        where = {"A": 420_000_000 + 137 * s, "B": -950_000_001 - 89 * s, "C": 300_000, "D": random.choice([1, 2, 4, 5]),
                 "E": 12, "F": 8, "G": 14, "H": 50_000_000 + 1000 * s, "I": DAY}  # fmt: skip
        chosen = sorted(random.sample(range(3), random.randint(0, 3)))
        data += record(
            43_200_000 + 1000 * s, DAY, where, [(k, random.randint(-(2**31) + 1, 2**31 - 1)) for k in chosen]
        )
    head = header(variables, place=place)
    path = write_zip(
        tmp_path / "log.zip", {"TASKDATA.XML": root(log_task("TLG00001")), **log_files("TLG00001", head, data)}
    )
    (theirs,) = run_reader(str(path))["tasks"][0]["logs"]
    ours = decode_log("TLG00001", parse_xml(head.encode(), "x")[0], data)
    assert theirs["errors"] == []
    assert len(theirs["records"]) == ours.local.size == 300
    for at, seen in enumerate(theirs["records"]):
        assert seen["time"] == round(ours.local[at] * 1000)
        assert (seen["east"], seen["north"]) == (ours.lon[at], ours.lat[at])
        assert int(seen["status"]) == ours.status[at]
        assert 315_532_800 + seen["utcDate"] * 86_400 + seen["utcTime"] / 1000 == ours.utc[at]
        own = {f"{ddi}_{det}": values[at] for (ddi, det), values in ours.values.items() if np.isfinite(values[at])}
        assert seen["values"] == own


def test_the_standards_example_in_both_readers(tmp_path: Path) -> None:
    # The example printed in the standard; the JavaScript reader returns it exactly.
    data = bytes.fromhex("00348c0325245804671ee4d998030102000a000000010f000000")
    head = header([("0815", "DET1"), ("4711", "DET1")])
    path = write_zip(
        tmp_path / "log.zip", {"TASKDATA.XML": root(log_task("TLG00001")), **log_files("TLG00001", head, data)}
    )
    (record_,) = run_reader(str(path))["tasks"][0]["logs"][0]["records"]
    assert record_["time"] == np.datetime64("2005-05-02T16:32:00", "ms").astype(int)
    assert (record_["north"], record_["east"]) == (51.00678, 6.03489)
    assert record_["values"] == {"0815_DET1": 10, "4711_DET1": 15}


# What one step of the dictionary's unit is in ours.
IN_OURS = {("mg/m²", "kg NH3/ha"): 0.01, ("mg/m²", "kg N/ha"): 0.01, ("mm³/m²", "L NH3/ha"): 0.01,
           ("ml/m²", "L NH3/ha"): 10.0, ("mg/s", "kg NH3/min"): 6e-5, ("mm³/s", "L/min"): 6e-5, ("mm/s", "m/s"): 1e-3,
           ("mm", "m"): 1e-3, ("Pa", "kPa"): 1e-3, ("mK", "K"): 1e-3, ("ms", "s"): 1e-3,
           ("kg", "kg"): 1.0, ("g", "kg"): 1e-3,
           ("m²", "ha"): 1e-4, ("s", "s"): 1.0, ("L", "L"): 1.0, ("l", "L"): 1.0, ("n.a.", ""): 1.0}  # fmt: skip
NAMED = {"0006": "Setpoint Mass Per Area", "0007": "Actual Mass Per Area", "01B0": "Nitrogen", "01B1": "Nitrogen",
         "0001": "Setpoint Volume Per Area", "0002": "Actual Volume Per Area", "018D": "Actual Speed",
         "0043": "Actual Working Width", "002A": "Actual Mass Per Time", "0025": "Actual Volume Per Time",
         "00C2": "Actual Product Pressure", "0243": "Actual Temperature", "008D": "Actual Work State",
         "008E": "Physical Setpoint Time Latency", "008F": "Physical Actual Value Time Latency",
         "0086": "Offset X", "0087": "Offset Y",
         "0161": "Nitrogen", "0162": "Ammonium", "0051": "Application Total Mass in [kg]"}  # fmt: skip


def test_units_and_resolutions_agree_with_another_copy_of_the_dictionary() -> None:
    dictionary = run_reader("--dictionary")
    for ddi, entry in ENTRIES.items():
        theirs = dictionary[str(int(ddi, 16))]
        step = IN_OURS[theirs["unit"], entry.unit] * theirs["bitResolution"]
        assert 1.0 / entry.steps == pytest.approx(step, rel=1e-12), (ddi, theirs)
        assert NAMED.get(ddi, "") in theirs["name"]
    for words, kind in ((ACTUAL_STATES, "Actual"), (ASKED_STATES, "Setpoint")):
        for at, ddi in enumerate(words):
            name = dictionary[str(int(ddi, 16))]["name"]
            assert kind in name and f"{16 * at + 1}-{16 * at + 16}" in name.replace(" ", ""), (ddi, name)
