"""Rewriting task data changes bytes of rates and no others, in every form, code and wrapping."""

from __future__ import annotations

import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from taskdata_files import (
    element,
    grid,
    polygon,
    rate,
    root,
    square,
    task,
    two_zones,
    write_folder,
    write_map,
    write_zip,
)
from taskdata_reader import run_reader

from geoflow.base.errors import OutputError
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.edit import Edit, edited
from geoflow.isoxml.members import Members
from geoflow.isoxml.xml import parse_xml
from geoflow.isoxml.zones import read_taskdata_zones
from geoflow.prescription_files.read_prescription import Prescription, read_prescription
from geoflow.prescription_patch.patch import changes_of, rate_decimals
from geoflow.prescription_patch.patch_taskdata import patch_task_data

FIELD = element("PFD", polygon(1, [*square(0, 0)[:1], *square(1, 0)[1:3], square(0, 0)[3]]), A="PFD1", C="F", D=1000)
REST = (
    element("DVC", A="DVC1", B="bar's \"own\" & more", C="1", D="00", F="00", G="00") + "<!-- kept > -->\n"
    + element("PDT", A="PDT1", B="Anhydrous ammonia", H="5", P999_mark="x>y")
    + task(element("TZN", rate("01B0", 777), A=1), key="TSK2", name="other")
)  # fmt: skip
LOG = b"\0\1\2 a time log, not touched \xff"
OTHERS: dict[str, str | bytes] = {"TLG00001.BIN": LOG, "notes.txt": b"of the maker\r\n"}


def patched(path: Path, target: Path, new: dict[int, float], layer: str | None = "TSK1", **how: object) -> Prescription:
    """Write the rates given by zone, of the first task."""
    read = read_prescription(path, layer=layer, take_as_ammonia=True, **how)  # type: ignore[arg-type]
    after, changed = read.rate.copy(), np.zeros(read.rate.size, dtype=bool)
    for at, value in new.items():
        after[at], changed[at] = value, True
    patch_task_data(read, changes_of(read, after, changed), Delivery(target))
    return read_prescription(target, layer=layer, take_as_ammonia=True, **how)  # type: ignore[arg-type]


def contents(path: Path) -> dict[str, bytes]:
    if path.is_dir():
        return {entry.name: entry.read_bytes() for entry in (path / "TASKDATA").iterdir()}
    with zipfile.ZipFile(path) as archive:
        return {name.rpartition("/")[2]: archive.read(name) for name in archive.namelist()}


@pytest.mark.parametrize("after", ["R", "R.zip"])
@pytest.mark.parametrize("before", ["T", "T.zip"])
def test_outlines_keep_every_other_byte(tmp_path: Path, before: str, after: str) -> None:
    text = root(FIELD, REST, two_zones().replace('B="12000"', "B = '&#49;2000'"), major=3, minor=3)
    files: dict[str, str | bytes] = {"TASKDATA.XML": text, **OTHERS}
    path = tmp_path / before
    write_zip(path, files) if path.suffix else write_folder(path / "TASKDATA", files)
    again = patched(path, tmp_path / after, {0: 98.765})
    assert again.rate.tolist() == [98.77, 60.0] or again.rate.tolist() == [98.76, 60.0], "steps of 0.01 kg/ha"
    old, new = contents(path), contents(tmp_path / after)
    wanted = text.replace("&#49;2000", "9876" if again.rate[0] == 98.76 else "9877").encode()
    assert new == {**old, "TASKDATA.XML": wanted}


@pytest.mark.parametrize("code", ["utf-16", "iso-8859-1", "utf-8-sig"])
def test_other_codes_of_letters(tmp_path: Path, code: str) -> None:
    said = {"utf-16": "UTF-16", "iso-8859-1": "ISO-8859-1", "utf-8-sig": "UTF-8"}[code]
    text = root(FIELD, two_zones().replace("West", "Wést ø")).replace("UTF-8", said)
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": text.encode(code)}).parent
    again = patched(path, tmp_path / "R", {0: 98.5})
    assert again.rate.tolist() == [98.5, 60.0]
    assert contents(tmp_path / "R")["TASKDATA.XML"] == text.replace('"12000"', '"9850"').encode(code)


def test_a_part_in_a_file_of_its_own(tmp_path: Path) -> None:
    part = '<?xml version="1.0"?>\n' + element("XFC", two_zones())
    files: dict[str, str | bytes] = {
        "TASKDATA.XML": root(FIELD, element("XFR", A="TSK00001", B=1)),
        "tsk00001.xml": part,
    }
    path = write_folder(tmp_path / "T/TASKDATA", files).parent
    patched(path, tmp_path / "R", {1: 50.0})
    assert contents(tmp_path / "R") == {**contents(path), "tsk00001.xml": part.replace('"6000"', '"5000"').encode()}


def zoned_grid(kind: int) -> tuple[str, bytes]:
    """Two by three cells; zones 1 and 2 of 120 and 60 kg/ha, each of several cells, two values in a cell."""
    zones = [element("TZN", rate("01B0", 0), rate("0043", 5), A=0)]
    zones += [element("TZN", rate("01B0", value), rate("0043", 5), A=at) for at, value in ((1, 12000), (2, 6000))]
    codes = [1, 2, 2, 1, 1, 2]
    pairs = [[0, 0], [12000, 5], [6000, 5]]
    data = bytes(codes) if kind == 1 else b"".join(struct.pack("<ii", *pairs[code]) for code in codes)
    more = {"J": 1} if kind == 2 else {}
    return task(*zones, grid(2, 3, kind, H=len(data), **more)), data


def test_a_grid_of_zones_changes_one_value_and_no_cell(tmp_path: Path) -> None:
    spoken, data = zoned_grid(1)
    text = root(FIELD, REST, spoken)
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": text, "GRD00001.bin": data}).parent
    again = patched(path, tmp_path / "R.zip", {0: 100.0})
    assert again.rate.tolist() == [100.0, 60.0]
    wanted = text.replace('"12000"', '"10000"').encode()
    assert contents(tmp_path / "R.zip") == {"TASKDATA.XML": wanted, "GRD00001.bin": data}


def test_a_grid_of_rates_changes_its_cells_and_no_xml(tmp_path: Path) -> None:
    spoken, data = zoned_grid(2)
    text = root(FIELD, REST, spoken)
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": text, "GRD00001.BIN": data + b"end"}).parent
    at = int(np.argmax(read_prescription(path, layer="TSK1").rate))
    again = patched(path, tmp_path / "R", {at: 60.0})
    assert again.rate.tolist() == [60.0], "both are one zone now"
    new = contents(tmp_path / "R")
    assert new["TASKDATA.XML"] == text.encode()
    assert new["GRD00001.BIN"] == data.replace(struct.pack("<i", 12000), struct.pack("<i", 6000)) + b"end"


def test_a_grid_of_two_tasks_and_a_zone_that_holds_elsewhere_are_refused(tmp_path: Path) -> None:
    spoken, data = zoned_grid(2)
    both = spoken + spoken.replace("TSK1", "TSK3")
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": root(FIELD, both), "GRD00001.BIN": data}).parent
    with pytest.raises(OutputError, match="GRD00001 also holds the rates of task TSK3"):
        patched(path, tmp_path / "R", {0: 50.0})
    shared = two_zones().replace('I="0"', 'I="1"')
    path = write_folder(tmp_path / "U/TASKDATA", {"TASKDATA.XML": root(FIELD, shared)}).parent
    with pytest.raises(OutputError, match="zone 1 is ground of the field and also holds where the position is lost"):
        patched(path, tmp_path / "R", {0: 50.0})
    patched(path, tmp_path / "R", {1: 50.0})


def test_a_volume_keeps_its_dictionary_number_and_steps(tmp_path: Path) -> None:
    for ddi, decimals, largest in (("0001", 4, (2**31 - 1) / 1e4), ("024C", 0, 2**31 - 1)):
        path = write_folder(tmp_path / ddi / "TASKDATA", {"TASKDATA.XML": root(FIELD, two_zones(ddi))}).parent
        read = read_prescription(path, take_as_ammonia=True)
        assert rate_decimals(read) == decimals
        patched(path, tmp_path / f"M{ddi}", {0: largest})
        with pytest.raises(OutputError, match="does not fit"):
            patched(path, tmp_path / f"R{ddi}", {0: 2.0 * largest})


def test_the_input_is_never_written_over(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": root(FIELD, two_zones())}).parent
    read = read_prescription(path)
    changes = changes_of(read, read.rate / 2.0, np.ones(2, dtype=bool))
    with pytest.raises(OutputError, match="input"):
        patch_task_data(read, changes, Delivery(path, replace=True))


def test_a_tag_is_searched_beyond_marks_in_its_values() -> None:
    data = b"<a  x='1>2' \n B = \"5\" y=\"B='9'\"/>"
    node, _ = parse_xml(data, "a.xml")
    assert edited(data, [Edit(node.begin, "B", "67")]) == data.replace(b'"5"', b'"67"')
    with pytest.raises(ValueError, match="no attribute Q"):
        edited(data, [Edit(node.begin, "Q", "1")])


@pytest.mark.parametrize("form", ["outlines", "grid of zones", "grid of rates"])
def test_another_authors_reader_finds_the_new_rate(tmp_path: Path, form: str) -> None:
    import shapely

    boxes = [shapely.Polygon(square(0, 0)), shapely.Polygon(square(1, 0))]
    write_map(tmp_path / "T.zip", boxes, np.array([0.012, 0.006]), basis="nitrogen", field="F", form=form)  # type: ignore[arg-type]
    read = read_prescription(tmp_path / "T.zip")
    at = int(np.argmax(read.rate))
    patched(tmp_path / "T.zip", tmp_path / "R.zip", {at: 98.5})
    before, after = (str(run_reader(str(tmp_path / name))["tasks"]) for name in ("T.zip", "R.zip"))
    bytes_of = {value: str(list(struct.pack("<i", value)))[1:-1] for value in (12000, 9850)}
    assert after != before
    assert after == before.replace("12000", "9850").replace("120.00 kg", "98.50 kg").replace(*bytes_of.values())


def test_names_that_state_a_rate_follow_it(tmp_path: Path) -> None:
    import shapely

    write_map(tmp_path / "T", [shapely.Polygon(square(0, 0))], np.array([0.012]), basis="nitrogen", field="F")
    patched(tmp_path / "T", tmp_path / "R", {0: 98.5})
    assert read_taskdata_zones(tmp_path / "R").table["name"].tolist() == ["98.50 kg N/ha"]


def test_what_cannot_be_copied_or_is_not_as_meant_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_folder(tmp_path / "T/TASKDATA", {"TASKDATA.XML": root(FIELD, two_zones())}).parent
    with monkeypatch.context() as patch:
        patch.setattr("geoflow.prescription_patch.patch_taskdata._difference", lambda *_: "zone 1 holds 3")
        with pytest.raises(OutputError, match=r"the check of the new file failed \(zone 1 holds 3\)"):
            patched(path, tmp_path / "R", {0: 50.0})

    def unreadable(self: Members) -> dict[str, bytes]:
        raise OSError("the stick was pulled")

    monkeypatch.setattr(Members, "read", unreadable)
    with pytest.raises(OutputError, match="cannot be copied") as caught:
        patched(path, tmp_path / "R", {0: 50.0})
    assert "the stick was pulled" in str(caught.value)
    assert not (tmp_path / "R").exists()
