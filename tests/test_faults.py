"""Kills, full disks, two runs at once, Ctrl-C, inputs that change: old or new is there, and the message says which."""

from __future__ import annotations

import json
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from campaigns import kills

from geoflow import cli
from geoflow.base.errors import InputError, OutputError
from geoflow.files import journal
from geoflow.files.inputs import InputSnapshot, watching
from geoflow.files.output import OutputFolder, replace_file

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
VET = ["vet", "rx.geojson", "--bar", str(FIELDS / "wren.toml"), "--temperature", "45..52 degF", "--speed", "5 mph",
       "--rate-column", "target", "--rate-unit", "lb N/ac"]  # fmt: skip
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture
def field(tmp_path, monkeypatch):
    shutil.copy(FIELDS / "kettle_rise.geojson", tmp_path / "rx.geojson")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def tree(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in sorted(folder.iterdir()) if p.is_file()}


def write(folder: Path, text: str, *names: str) -> None:
    with OutputFolder(folder, replace=True, protect=()) as out:
        for name in names:
            out.stage(name).write_text(text)


# --- slices of the campaign ------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("scenario", kills.SCENARIOS, ids=lambda scenario: scenario.name)
def test_killed_at_steps_of_writing(tmp_path, scenario):
    assert kills.kill_at_every_step(scenario, tmp_path, every=9, again=random.Random(1)) >= 3


@pytest.mark.slow
@pytest.mark.parametrize("scenario", kills.SCENARIOS, ids=lambda scenario: scenario.name)
def test_killed_at_random(tmp_path, scenario):
    # On a busy machine a few kills may all come before the work begins.
    for seed in range(3, 15):
        count, met = kills.kill_at_random(scenario, tmp_path, random.Random(seed), 4)
        if met:
            break
    assert count == 4 and met > 0


@pytest.mark.slow
@pytest.mark.parametrize("once", [True, False])
@pytest.mark.parametrize("scenario", kills.SCENARIOS, ids=lambda scenario: scenario.name)
def test_refused_at_steps_of_writing(tmp_path, scenario, once):
    assert kills.fail_at_every_step(scenario, tmp_path, once=once, every=5) > 10


def test_the_campaign_sees_a_mixture(tmp_path, monkeypatch):
    """The campaign itself can fail: files moved without a journal are caught."""

    def careless(staging, folder, names, stale):
        for name in names:
            (staging.new / name).replace(folder / name)

    monkeypatch.setattr("geoflow.files.output.move_in", careless)
    among = next(one for one in kills.SCENARIOS if one.name == "shapefile")
    with pytest.raises(kills.WrongError):
        kills.kill_at_every_step(among, tmp_path)


# --- what the next run does ------------------------------------------------------------------------------------------


def cut_short(folder: Path, *names: str, after: int = 1) -> Path:
    """A folder in which moving new files was killed after some moves; returns the hidden folder."""
    kept = folder / "mine.txt"
    folder.mkdir(exist_ok=True)
    kept.write_text("mine")
    write(folder, "old", *names)
    child = os.fork()
    if child == 0:
        move, moves = Path.replace, []

        def counted(self, target):
            if Path(target).parent == folder.resolve():
                moves.append(target)
                if len(moves) > after:
                    os.kill(os.getpid(), signal.SIGKILL)
            return move(self, target)

        Path.replace = counted
        write(folder, "new", *names)
        os._exit(0)
    assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
    (hidden,) = folder.glob(".geoflow-*.part")
    return hidden


def test_the_next_run_completes_the_set_and_says_so(tmp_path, caplog):
    cut_short(tmp_path / "out", "a.txt", "b.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "old", "mine.txt": "mine"}
    write(tmp_path / "out", "x", "c.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "new", "c.txt": "x", "mine.txt": "mine"}
    assert "cut short while it moved a.txt, b.txt" in caplog.text and "new ones are all in place" in caplog.text
    assert not list(tmp_path.rglob(".geoflow-*"))


def test_reading_a_file_of_the_set_completes_it_first(tmp_path, caplog):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt")
    with watching(tmp_path / "out/mine.txt"):
        pass
    assert hidden.exists()  # no business of this reader
    with watching(tmp_path / "out/b.txt"):
        assert (tmp_path / "out/b.txt").read_text() == "new"
    assert "new ones are all in place" in caplog.text and not hidden.exists()


def test_a_shapefile_has_no_shp_between(tmp_path):
    cut_short(tmp_path / "out", "z.shp", "z.dbf", "z.shx", after=1)
    assert not (tmp_path / "out/z.shp").exists()
    with watching(tmp_path / "out/z.shp"):
        assert set(tree(tmp_path / "out").values()) == {"new", "mine"}


def test_what_cannot_go_forward_goes_back(tmp_path, caplog, monkeypatch):
    cut_short(tmp_path / "out", "a.txt", "b.txt")
    move = Path.replace

    def refused(self, target):
        if self.name == "b.txt" and self.parent.name == "new":
            raise PermissionError(13, "Permission denied")
        return move(self, target)

    monkeypatch.setattr(Path, "replace", refused)
    write(tmp_path / "out", "x", "c.txt")
    assert tree(tmp_path / "out") == {"a.txt": "old", "b.txt": "old", "c.txt": "x", "mine.txt": "mine"}
    assert "old ones are all back" in caplog.text


def test_files_changed_since_are_left_alone(tmp_path):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt")
    (tmp_path / "out/b.txt").write_text("somebody's new work")
    with pytest.raises(OutputError, match=r"was moving a.txt, b.txt, and b.txt changed since") as caught:
        write(tmp_path / "out", "x", "c.txt")
    assert str(hidden) in caught.value.cure and hidden.exists()
    assert tree(tmp_path / "out")["b.txt"] == "somebody's new work"


@pytest.mark.parametrize("text", ["", "{}", '{"new": {"../x": [1, 2]}, "old": {}, "stale": []}', "[" * 100_000])
def test_notes_that_are_none(tmp_path, text):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt")
    (hidden / "forward.json").write_text(text)
    before = tree(tmp_path / "out")
    with pytest.raises(OutputError, match="left notes that cannot be read"):
        write(tmp_path / "out", "x", "c.txt")
    with watching(tmp_path / "out/a.txt"):
        pass
    assert tree(tmp_path / "out") == before and not (tmp_path / "x").exists()


def test_neither_on_nor_back_is_said_and_mended_later(tmp_path, monkeypatch):
    (tmp_path / "mine.txt").write_text("mine")
    write(tmp_path, "old", "a.txt", "b.txt")
    move = Path.replace

    def refused(self, target):
        if self.name == "b.txt" or self.parent.name == "old":
            raise OSError(5, "Input/output error")
        return move(self, target)

    with monkeypatch.context() as disk, pytest.raises(OutputError, match="nor the old ones back") as caught:
        disk.setattr(Path, "replace", refused)
        write(tmp_path, "new", "a.txt", "b.txt")
    assert "run again" in caught.value.cure
    write(tmp_path, "x", "c.txt")
    assert tree(tmp_path) == {"a.txt": "old", "b.txt": "old", "c.txt": "x", "mine.txt": "mine"}


def test_leftovers_of_the_dead_go_and_of_the_living_stay(tmp_path, caplog):
    out = tmp_path / "out"
    with OutputFolder(out, replace=False, protect=()) as living:
        living.stage("a.txt").write_text("a")
        dead = tmp_path / ".geoflow-0123456789ab.part"
        (dead / "new").mkdir(parents=True)
        (tmp_path / ".geoflow-mine.part").mkdir()
        write(tmp_path, "b", "b.txt")
        assert not dead.exists() and (tmp_path / ".geoflow-mine.part").exists()
    assert tree(out) == {"a.txt": "a"}
    assert "cut short and left unfinished files" in caplog.text and "whole" in caplog.text


def test_a_link_that_looks_like_a_leftover_is_not_followed(tmp_path):
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious/new").write_text("mine")
    (tmp_path / ".geoflow-0123456789ab.part").symlink_to(tmp_path / "precious")
    write(tmp_path, "a", "a.txt")
    assert (tmp_path / "precious/new").read_text() == "mine"


# --- exchanging folders ----------------------------------------------------------------------------------------------


def test_an_own_folder_is_exchanged_with_its_rights(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write(out, "old", "a.txt", "b.txt")
    out.chmod(0o750)
    before = out.stat()
    write(out, "new", "a.txt", "b.txt")
    assert tree(out) == {"a.txt": "new", "b.txt": "new"}
    assert out.stat().st_ino != before.st_ino and out.stat().st_mode == before.st_mode
    monkeypatch.chdir(out)  # standing in it: then it stays the same folder
    before = out.stat()
    write(Path(), "newer", "a.txt", "b.txt")
    assert out.stat().st_ino == before.st_ino and set(tree(out).values()) == {"newer"}


def test_without_exchange_the_journal_serves(tmp_path, monkeypatch):
    monkeypatch.setattr("geoflow.files.output.exchange_folders", lambda *given: False)
    write(tmp_path / "out", "old", "a.txt", "b.txt")
    write(tmp_path / "out", "new", "a.txt", "b.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "new"}
    assert not list(tmp_path.rglob(".geoflow-*"))


# --- two runs --------------------------------------------------------------------------------------------------------


def test_the_slower_of_two_runs_says_so(tmp_path):
    write(tmp_path / "out", "old", "a.txt", "b.txt")
    with (
        pytest.raises(OutputError, match="another run or program wrote this file meanwhile"),
        OutputFolder(tmp_path / "out", replace=True, protect=()) as slow,
    ):
        slow.stage("a.txt").write_text("slow")
        slow.stage("b.txt").write_text("slow")
        quick = threading.Thread(target=write, args=(tmp_path / "out", "quick", "b.txt", "a.txt"))
        quick.start()
        quick.join()
    assert tree(tmp_path / "out") == {"a.txt": "quick", "b.txt": "quick"}


def test_two_runs_at_once_never_mix(tmp_path):
    """Two processes write sets into one folder as fast as they can; a third looks."""
    out = tmp_path / "out"
    write(out, "a" * 1000, "x.txt", "y.txt")
    (out / "mine.txt").write_text("mine")

    def writer(letter: str) -> int:
        child = os.fork()
        if child == 0:
            logging.disable()
            won = lost = 0
            for _ in range(40):
                try:
                    write(out, letter * 1000, "x.txt", "y.txt")
                    won += 1
                except OutputError as problem:
                    lost += "meanwhile" in problem.what
            os._exit(0 if won + lost == 40 and won else 1)
        return child

    for child in [writer("a"), writer("b")]:
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    found = tree(out)
    assert found["x.txt"] == found["y.txt"] and found["mine.txt"] == "mine"
    assert not list(tmp_path.rglob(".geoflow-*"))


def test_a_folder_held_by_another_run(tmp_path, monkeypatch):
    monkeypatch.setattr(journal, "_PATIENCE", 0.05)
    with journal.locked(tmp_path), pytest.raises(OutputError, match="another run is writing into this folder"):
        write(tmp_path, "a", "a.txt")
    assert tree(tmp_path) == {}


# --- disks -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def disk(tmp_path):
    """A real disk of 400 kB."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(place)], capture_output=True)
    if made.returncode:
        pytest.skip("needs the right to mount a disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk(disk):
    write(disk / "out", "old", "a.txt", "b.txt")
    with pytest.raises(OutputError, match="the disk is full; what was there before is unchanged"):
        write(disk / "out", "x" * 250_000, "a.txt", "b.txt")
    assert tree(disk / "out") == {"a.txt": "old", "b.txt": "old"} and not list(disk.rglob(".geoflow-*"))


def test_vetting_onto_a_full_disk(disk, field, capsys):
    (disk / "filler").write_bytes(bytes(300_000))
    assert cli.main([*VET, "--out", str(disk / "out")]) == 2
    said = capsys.readouterr().err
    assert "the disk is full" in said and "make room" in said
    assert [path.name for path in disk.iterdir()] == ["filler"]


def test_a_disk_that_is_read_only(disk):
    write(disk / "out", "old", "a.txt")
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    with pytest.raises(OutputError, match="the disk can only be read; what was there before is unchanged"):
        write(disk / "out", "new", "a.txt")
    assert tree(disk / "out") == {"a.txt": "old"}
    with watching(disk / "out/a.txt"):
        pass


STRANGER = """
import fcntl, os, sys
from pathlib import Path
from geoflow.base.errors import OutputError
from geoflow.files.output import replace_file
os.setgid(65534); os.setuid(65534)
try:
    replace_file(Path(sys.argv[1]), lambda path: None, replace=True, protect=())
except OutputError as problem:
    print(problem.what)
"""


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs the right to become another user")
def test_a_folder_that_others_may_not_write(tmp_path):
    place = Path("/tmp") / f"geoflow-test-{os.getpid()}"
    place.mkdir(mode=0o755)
    try:
        (place / "a.txt").write_text("old")
        run = [sys.executable, "-c", STRANGER, str(place / "a.txt")]
        said = subprocess.run(run, capture_output=True, text=True, cwd=ROOT).stdout
        assert "you may not write there; what was there before is unchanged" in said
        assert tree(place) == {"a.txt": "old"}
    finally:
        shutil.rmtree(place)


# --- stopping --------------------------------------------------------------------------------------------------------


def test_ctrl_c_waits_for_the_moves(field, monkeypatch, capsys):
    calls = []

    def stop(path, flags=os.O_RDWR):
        if not calls:
            os.kill(os.getpid(), signal.SIGINT)
        calls.append(path)

    monkeypatch.setattr("geoflow.files.output.sync", stop)
    assert cli.main([*VET, "--json", "vet.json"]) == 130
    said = capsys.readouterr().err
    assert "stopped" in said and "written before that, whole: vet.json" in said
    json.loads((field / "vet.json").read_text())


def test_ctrl_c_while_writing(field, capsys, monkeypatch):
    def stop(*given, **more):
        raise KeyboardInterrupt

    monkeypatch.setattr("geoflow.workflow.vetting.field_map", stop)
    assert cli.main([*VET, "--out", "out"]) == 130
    assert capsys.readouterr().err == "geoflow: stopped; nothing was written\n"
    assert sorted(path.name for path in field.iterdir()) == ["rx.geojson"]


def test_a_run_that_fails_late_says_what_it_wrote(field, capsys):
    (field / "there.json").write_text("mine")
    assert cli.main([*VET, "--out", "out", "--json", "there.json"]) == 2
    said = capsys.readouterr().err
    assert "the file already exists" in said and "written before that, whole: out/map.png" in said
    assert (field / "there.json").read_text() == "mine"


# --- both or neither -------------------------------------------------------------------------------------------------

REWRITE = ["rewrite", *VET[1:], "--policy", "hold-speed", "--out", "new.geojson"]


def test_rewriting_writes_both_files_or_neither(field, capsys, monkeypatch):
    (field / "new_changes.csv").mkdir()
    assert cli.main([*REWRITE, "--replace"]) == 2
    assert "is a folder" in capsys.readouterr().err and not (field / "new.geojson").exists()
    (field / "new_changes.csv").rmdir()
    assert cli.main(REWRITE) in (0, 1)
    before = tree(field)
    assert {"new.geojson", "new_changes.csv"} <= set(before)
    monkeypatch.setattr("geoflow.prescription_patch.patch._verify", lambda *given: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        monkeypatch.setenv("GEOFLOW_TRACEBACK", "1")
        cli.main([*REWRITE, "--replace"])
    assert tree(field) == before


# --- inputs ----------------------------------------------------------------------------------------------------------


def test_an_input_that_changes_while_it_is_read(field, capsys, monkeypatch):
    from geoflow.prescription_files import read_prescription as vector

    read = vector.read_prescription

    def slow(path, **options):
        found = read(path, **options)
        (field / "rx.geojson").write_text((field / "rx.geojson").read_text() + " ")
        return found

    monkeypatch.setattr(vector, "read_prescription", slow)
    assert cli.main(VET) == 2
    said = capsys.readouterr().err
    assert "the file changed while it was read" in said and "where: rx.geojson" in said and "run again" in said


def test_an_input_that_changes_before_the_rewriting_is_in_place(field, capsys, monkeypatch):
    from geoflow.report import rewriting

    rows = rewriting.side_rows

    def later(*given):
        time.sleep(0.01)
        os.utime(field / "rx.geojson")
        return rows(*given)

    monkeypatch.setattr(rewriting, "side_rows", later)
    assert cli.main(REWRITE) == 2
    assert "the file changed while it was read" in capsys.readouterr().err
    assert sorted(path.name for path in field.iterdir()) == ["rx.geojson"]


def test_an_input_that_cannot_be_understood_because_it_is_being_written(tmp_path):
    (tmp_path / "a.txt").write_text("half")
    with pytest.raises(InputError), watching(tmp_path / "a.txt"):
        (tmp_path / "a.txt").write_text("half and half")
        raise ValueError("cut off")


@pytest.mark.parametrize("change", ["content", "inode", "sibling", "appears", "gone", "inside"])
def test_every_change_is_seen(tmp_path, change):
    shp, dbf, folder = tmp_path / "a.shp", tmp_path / "a.dbf", tmp_path / "TASKDATA"
    folder.mkdir()
    for path in (shp, dbf, folder / "TASKDATA.XML"):
        path.write_text("one")
    held = InputSnapshot.of([shp, None, folder, tmp_path / "nowhere"])
    held.refuse_changes()
    times = (shp.stat().st_atime_ns, shp.stat().st_mtime_ns)
    if change == "content":  # the same size, and the same time as after a copy
        shp.write_text("two")
        os.utime(shp, ns=times)
    elif change == "inode":
        (tmp_path / "b").write_text("one")
        os.utime(tmp_path / "b", ns=times)
        (tmp_path / "b").replace(shp)
    elif change == "sibling":
        dbf.write_text("two")
    elif change == "appears":
        (tmp_path / "a.prj").write_text("")
    elif change == "gone":
        dbf.unlink()
    else:
        (folder / "TASKDATA.XML").write_text("two!")
    with pytest.raises(InputError, match="changed while it was read"):
        held.refuse_changes()


def test_replace_file_still_takes_a_family(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")

    def family(path: Path) -> None:
        for ending in (".shp", ".dbf"):
            path.with_suffix(ending).write_text("new")

    replace_file(tmp_path / "z.shp", family, replace=True, protect=())
    assert tree(tmp_path) == {"mine.txt": "mine", "z.dbf": "new", "z.shp": "new"}
