"""Opening task data: where TASKDATA.XML may be, what is refused, and what is only told."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from taskdata_files import element, field, polygon, root, square, taskdata, two_zones, write_folder, write_zip

from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.task_files import is_taskdata, open_taskdata
from geoflow.isoxml.xml import parse_xml
from geoflow.isoxml.zones import read_taskdata_zones


def refusal(path: Path) -> PrescriptionError:
    with pytest.raises(PrescriptionError) as caught:
        open_taskdata(path)
    assert caught.value.what and caught.value.where and caught.value.cure, "what, where and cure"
    return caught.value


@pytest.mark.parametrize("name", ["TASKDATA.XML", "TASKDATA.xml", "taskdata.xml"])
@pytest.mark.parametrize("inside", ["", "TASKDATA/", "Taskdata/", "export 2026/TASKDATA/"])
def test_any_case_and_place_in_a_zip(tmp_path: Path, name: str, inside: str) -> None:
    # Public sample sets mix upper and lower case.
    path = write_zip(tmp_path / "a.zip", {name: root(field(), two_zones())}, inside)
    assert is_taskdata(path)
    assert len(open_taskdata(path).root.all("TSK")) == 1


def test_a_zip_packed_with_backslashes(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", {"TASKDATA.XML": root(field(), two_zones())}, "TASKDATA\\")
    assert is_taskdata(path)
    assert open_taskdata(path).root.all("TSK")


@pytest.mark.parametrize("folder", ["TASKDATA", "taskdata", "."])
def test_a_folder_or_the_folder_around_it_or_the_file(tmp_path: Path, folder: str) -> None:
    home = write_folder(tmp_path / folder, {"taskData.Xml": root(field(), two_zones())})
    for path in (tmp_path, home, home / "taskData.Xml"):
        assert is_taskdata(path)
        assert len(open_taskdata(path).root.all("TSK")) == 1


def test_binary_files_are_found_whatever_their_case(tmp_path: Path) -> None:
    path = taskdata(tmp_path, two_zones(), files={"grd00001.Bin": b"abc"})
    assert open_taskdata(path).file("GRD00001.BIN") == b"abc"
    assert open_taskdata(path).file("GRD00002.BIN") is None


def test_capitals_count_where_names_differ_only_in_case(tmp_path: Path) -> None:
    path = taskdata(tmp_path, two_zones(), files={"TLG00001.BIN": b"big", "tlg00001.bin": b"small"})
    if len(list(path.iterdir())) < 3:
        pytest.skip("this disk does not tell cases apart")
    assert open_taskdata(path).file("tlg00001.BIN") == b"big"


def test_nothing_else_is_task_data(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    (tmp_path / "bad.zip").write_bytes(b"no zip")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("zones.shp", b"")
    assert not any(is_taskdata(tmp_path / name) for name in ("a.txt", "bad.zip", "other.zip", "missing", "."))


def test_external_parts_stand_in_place_of_their_reference(tmp_path: Path) -> None:
    # ISO 11783-10, published schema V4-3: TASKDATA.XML may name external parts with XFR, whose root is XFC.
    part = '<?xml version="1.0"?><XFC><TSK A="TSK7" B="Elsewhere" G="1"/></XFC>'
    reference = element("XFR", A="TSK00001", B=1)
    path = taskdata(tmp_path, reference, files={"tsk00001.xml": part})
    assert [task.text("A") for task in open_taskdata(path).root.all("TSK")] == ["TSK7"]
    bare = taskdata(tmp_path / "b", reference)
    assert any("TSK00001.XML" in note.text and "missing" in note.text for note in open_taskdata(bare).notes)


def test_parts_that_name_parts_are_not_followed(tmp_path: Path) -> None:
    part = '<XFC><XFR A="TSK00001" B="1"/></XFC>'
    path = taskdata(tmp_path, element("XFR", A="TSK00001", B=1), files={"TSK00001.XML": part})
    data = open_taskdata(path)
    assert data.root.all("TSK") == []
    assert [note.count for note in data.notes if "names further parts (TSK00001)" in note.text] == [1]


@pytest.mark.parametrize(
    ("major", "minor", "read_as", "told"),
    [(4, 3, 4, None), (3, 3, 3, None), (4, 0, 4, None), (3, 0, 3, "no published"), (2, 1, 3, "read as version 3"),
     ("", "", 4, "does not state"), (5, 0, 4, "read as version 4")],
)  # fmt: skip
def test_versions(tmp_path: Path, major: object, minor: object, read_as: int, told: str | None) -> None:
    data = open_taskdata(taskdata(tmp_path, two_zones(), major=major, minor=minor))
    assert data.version[0] == read_as
    assert [told in note.text for note in data.notes] == ([True] if told else [])


def test_a_makers_own_attributes_are_told_and_ignored(tmp_path: Path) -> None:
    path = taskdata(tmp_path, field(), two_zones().replace('A="TSK1"', 'A="TSK1" P123_Secret="1"'))
    assert [note.count for note in open_taskdata(path).notes if "own attributes" in note.text] == [1]


BOMB = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;">]>\n'
OUTSIDE = '<!DOCTYPE x [<!ENTITY secret SYSTEM "file:///etc/passwd">]>\n'


@pytest.mark.parametrize("head", [BOMB, OUTSIDE, "<!DOCTYPE x>\n"])
def test_document_types_are_refused(tmp_path: Path, head: str) -> None:
    for code in ("utf-8", "utf-16"):
        text = root(field(name="&c;"), two_zones(), head=head).replace("&amp;", "&").replace('encoding="UTF-8"', "")
        (tmp_path / f"{code}.xml").write_bytes(text.encode(code))
        problem = refusal(tmp_path / f"{code}.xml")
        assert "DOCTYPE" in problem.what
        assert "line" in problem.where


def test_deep_nesting_is_refused(tmp_path: Path) -> None:
    path = taskdata(tmp_path, "<PDV>" * 100_000 + "</PDV>" * 100_000)
    assert "nested" in refusal(path).what


def test_too_many_elements_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoflow.isoxml.xml._MOST_NODES", 1000)
    assert "more than 1,000 elements" in refusal(taskdata(tmp_path, "<PNT/>" * 1001)).what


def test_a_huge_file_is_refused_before_it_is_parsed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoflow.isoxml.xml._MOST_BYTES", 100)
    assert "MB" in refusal(taskdata(tmp_path, two_zones())).what


def test_a_zip_that_unpacks_to_far_more_is_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "bomb.zip", {"TASKDATA.XML": root(two_zones()), "GRD00001.BIN": bytes(150_000_000)})
    assert "would unpack" in refusal(path).what


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "no whole XML"),
        (b"\x00\x01", "no whole XML"),
        (b"<ISO11783_TaskData", "no whole XML"),
        (b"<html></html>", "no task data"),
        (b'<TIM A="" D="4"/>', "one part of task data"),
        (b'<?xml version="1.0" encoding="klingon"?><a/>', "unknown encoding"),
        (b'<?xml version="1.0" encoding="shift_jis"?><a/>', "code that cannot be read"),
    ],
)
def test_what_is_no_task_data_is_refused(tmp_path: Path, content: bytes, what: str) -> None:
    path = tmp_path / "TASKDATA.XML"
    path.write_bytes(content)
    assert what in refusal(path).what


def test_missing_and_damaged_zips_are_refused(tmp_path: Path) -> None:
    (tmp_path / "field.zip").write_bytes(b"PK broken")
    assert "cannot be opened" in refusal(tmp_path / "field.zip").what
    assert "did you mean 'field.zip'" in refusal(tmp_path / "feld.zip").what
    assert "no TASKDATA.XML" in refusal(tmp_path).what
    two = tmp_path / "two.zip"
    with zipfile.ZipFile(two, "w") as archive:
        for folder in ("a/", "b/"):
            archive.writestr(folder + "TASKDATA.XML", root())
    assert "2 TASKDATA.XML" in refusal(two).what


def test_a_cut_zip_member_is_refused(tmp_path: Path) -> None:
    path = write_zip(tmp_path / "a.zip", {"TASKDATA.XML": root(field(), two_zones())})
    whole = bytearray(path.read_bytes())
    whole[60:90] = bytes(30)
    path.write_bytes(whole)
    refusal(path)


def test_text_in_another_code_than_claimed_is_read_and_told() -> None:
    text = '<?xml version="1.0" encoding="UTF-8"?><a B="Süd"/>'
    node, notes = parse_xml(text.encode("latin-1"), "x.xml")
    assert node.text("B") == "Süd"
    assert len(notes) == 1


def test_several_tasks_need_a_name(tmp_path: Path) -> None:
    one = two_zones()
    other = one.replace('A="TSK1"', 'A="TSK2"').replace("Spring", "Side-dress")
    path = taskdata(tmp_path, field(), one, other)
    with pytest.raises(PrescriptionError) as caught:
        read_taskdata_zones(path)
    assert "--layer TSK1   'Spring'" in caught.value.cure
    assert "--layer TSK2   'Side-dress'" in caught.value.cure
    for name in ("TSK2", "side-dress", " Side-dress "):
        assert read_taskdata_zones(path, layer=name).task == "TSK2"
    with pytest.raises(PrescriptionError, match="did you mean 'Spring'"):
        read_taskdata_zones(path, layer="Sprong")
    same = taskdata(tmp_path / "same", field(), one, one.replace('A="TSK1"', 'A="TSK2"'))
    with pytest.raises(PrescriptionError, match="2 tasks are called 'Spring'"):
        read_taskdata_zones(same, layer="Spring")


def test_attributes_that_are_no_numbers_say_where(tmp_path: Path) -> None:
    shape = polygon(2, square(0, 0))
    for wrong, cure in (("42,0", "decimal point"), ("north", "correct it"), ("1_0", "correct it"), ("", "correct it")):
        bad = shape.replace('C="42.0000000"', f'C="{wrong}"', 1)
        path = taskdata(tmp_path / f"w{wrong}", two_zones().replace(polygon(2, square(1, 0)), bad))
        with pytest.raises(PrescriptionError) as caught:
            read_taskdata_zones(path)
        assert "TASKDATA.XML, line" in caught.value.where
        assert cure in caught.value.cure
