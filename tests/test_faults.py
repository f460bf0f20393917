"""Kills, full disks, two runs at once, Ctrl-C, inputs that change: old or new is there, and the message says which."""

from __future__ import annotations

import contextlib
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
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
from campaigns import kills

from geoflow import cli
from geoflow.base.errors import InputError, OutputError
from geoflow.files import output
from geoflow.files.inputs import HIDDEN, InputSnapshot, watching
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


def careless(hidden, theirs=()):
    """Moves files one by one over the old ones."""
    for path in sorted((hidden / "ready").iterdir()):
        if path.is_file():
            path.replace(hidden.parent / path.name)
    shutil.rmtree(hidden / "ready")


@pytest.mark.parametrize("name", ["own folder", "among others", "shapefile"])
def test_the_campaign_sees_a_mixture(tmp_path, monkeypatch, name):
    """The campaign itself can fail: files moved over one another are caught."""
    monkeypatch.setattr(output, "_move_in", careless)
    scenario = next(one for one in kills.SCENARIOS if one.name == name)
    with pytest.raises(kills.WrongError):
        kills.kill_at_every_step(scenario, tmp_path)


def test_the_campaign_sees_a_reader_that_writes(tmp_path, monkeypatch):
    def tidying(path):
        output._recover(path.parent)
        return watching(path)

    monkeypatch.setattr(kills, "watching", tidying)
    scenario = next(one for one in kills.SCENARIOS if one.name == "among others")
    with pytest.raises(kills.WrongError, match="reading changed something"):
        kills.kill_at_every_step(scenario, tmp_path)


# --- what the next run does ------------------------------------------------------------------------------------------


def cut_short(folder: Path, *names: str, after: int, old: bool = True) -> Path:
    """A folder in which moving files was killed after some changes to it; returns the hidden folder."""
    folder.mkdir(exist_ok=True)
    (folder / "mine.txt").write_text("mine")
    if old:
        write(folder, "old", *names)
    child = os.fork()
    if child == 0:
        changes = []

        def counted(change):
            def counting(self, *given, **more):
                if os.path.lexists(self) and self not in given:
                    changes.append(self)
                if len(changes) > after:
                    os.kill(os.getpid(), signal.SIGKILL)
                return change(self, *given, **more)

            return counting

        for name in ("rename", "replace", "unlink"):
            setattr(Path, name, counted(getattr(Path, name)))
        write(folder, "new", *names)
        os._exit(0)
    assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
    (hidden,) = folder.glob(".geoflow-*.part")
    return hidden


# All are called ready, two old files go, two new ones come.
OLD = {"a.txt": "old", "b.txt": "old"}
WHAT_STANDS = list(enumerate([OLD, OLD, {"a.txt": "old"}, {}, {"a.txt": "new"}]))


@pytest.mark.parametrize(("after", "between"), WHAT_STANDS)
def test_the_next_run_completes_the_set_and_says_so(tmp_path, caplog, after, between):
    cut_short(tmp_path / "out", "a.txt", "b.txt", after=after)
    assert tree(tmp_path / "out") == {**between, "mine.txt": "mine"}
    write(tmp_path / "out", "x", "c.txt")
    then = "new" if after else "old"
    assert tree(tmp_path / "out") == {"a.txt": then, "b.txt": then, "c.txt": "x", "mine.txt": "mine"}
    said = "they are moved into place now" if after else "they are cleared away. What stands there is whole"
    assert "an earlier run was cut short" in caplog.text and said in caplog.text
    assert not list(tmp_path.rglob(".geoflow-*"))


@pytest.mark.parametrize(("after", "between"), WHAT_STANDS)
def test_reading_says_what_is_out_of_place_and_touches_nothing(tmp_path, caplog, after, between):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt", after=after)
    before = kills.everything(tmp_path)
    for name in ("a.txt", "b.txt", "mine.txt", "nowhere.txt"):
        if name in between or name in {"mine.txt", "nowhere.txt"}:
            with watching(tmp_path / "out" / name):
                pass
        else:
            with pytest.raises(InputError, match="cut short or is at it") as caught, watching(tmp_path / "out" / name):
                pass
            assert caught.value.where == str(tmp_path / "out" / name) and str(hidden) in caught.value.cure
    if after:  # a folder that is an input
        with pytest.raises(InputError, match="not in its place"), watching(tmp_path / "out"):
            pass
    assert kills.everything(tmp_path) == before and not caplog.text


def test_what_a_reader_says_helps(field, capsys):
    shutil.copytree(field, field / "maps")
    hidden = cut_short(field / "maps", "rx.geojson", "b.txt", after=4)
    given = [one.replace("rx.geojson", "maps/rx.geojson") for one in VET]
    assert cli.main(given) == 2
    said = capsys.readouterr().err
    assert "where: maps/rx.geojson" in said and f"maps/{hidden.name}" in said


@pytest.mark.parametrize("after", range(7))
def test_a_shapefile_that_can_be_read_is_whole(tmp_path, after):
    cut_short(tmp_path / "out", "z.shp", "z.dbf", "z.shx", after=after)
    there = {name: text for name, text in tree(tmp_path / "out").items() if name != "mine.txt"}
    assert len(set(there.values())) <= 1 and ("z.shp" not in there or len(there) == 3)


def test_task_data_have_no_list_of_parts_between(tmp_path):
    cut_short(tmp_path / "TASKDATA", "TASKDATA.XML", "GRD00001.BIN", "A.BIN", after=2, old=False)
    assert sorted(tree(tmp_path / "TASKDATA")) == ["A.BIN", "mine.txt"]


def test_what_cannot_go_on_is_said_and_left(tmp_path, monkeypatch):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt", after=4)

    def refused(self, target):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as disk, pytest.raises(OutputError, match="you may not write there"):
        disk.setattr(Path, "replace", refused)
        write(tmp_path / "out", "x", "c.txt")
    assert hidden.exists()
    write(tmp_path / "out", "x", "c.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "new", "c.txt": "x", "mine.txt": "mine"}


@pytest.mark.parametrize("after", [2, 3])
def test_files_written_since_are_left_alone(tmp_path, caplog, after):
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt", after=after)
    (tmp_path / "out/b.txt").write_text("somebody's new work")
    later = hidden.stat().st_mtime_ns + 10**9  # nobody writes within the tick of the clock that the kill came in
    os.utime(tmp_path / "out/b.txt", ns=(later, later))
    write(tmp_path / "out", "x", "c.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "somebody's new work", "c.txt": "x", "mine.txt": "mine"}
    assert "moved into place now, but for b.txt, written since" in caplog.text
    assert not list(tmp_path.rglob(".geoflow-*"))


def test_what_belongs_to_another_user_is_left_alone(tmp_path, monkeypatch):
    """A hidden folder of somebody else's could hold anything, and lead anywhere."""
    hidden = cut_short(tmp_path / "out", "a.txt", "b.txt", after=3)
    monkeypatch.setattr(os, "geteuid", lambda: hidden.stat().st_uid + 1)
    monkeypatch.setattr(output, "_TRIES", 1)
    with pytest.raises(OutputError, match="another run is writing into this folder") as caught:
        write(tmp_path / "out", "x", "c.txt")
    assert str(hidden) in caught.value.cure
    assert tree(tmp_path / "out") == {"mine.txt": "mine"} and hidden.exists()


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
    assert "cut short and left files" in caplog.text and "whole" in caplog.text


def test_a_link_that_looks_like_a_leftover_is_not_followed(tmp_path):
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious/new").write_text("mine")
    (tmp_path / ".geoflow-0123456789ab.part").symlink_to(tmp_path / "precious")
    write(tmp_path, "a", "a.txt")
    assert (tmp_path / "precious/new").read_text() == "mine"


def test_an_own_folder_stays_the_same_folder(tmp_path, monkeypatch):
    """Whoever stands in it does not find himself in one that is gone, and its rights stay."""
    out = tmp_path / "out"
    write(out, "old", "a.txt", "b.txt")
    out.chmod(0o750)
    before = out.stat()
    monkeypatch.chdir(out)
    write(Path(), "new", "a.txt", "b.txt")
    assert out.stat().st_ino == before.st_ino and out.stat().st_mode == before.st_mode
    assert tree(out) == {"a.txt": "new", "b.txt": "new"} and not list(tmp_path.rglob(".geoflow-*"))


def test_a_disk_without_locks(tmp_path, monkeypatch):
    """Outputs are whole there too; what others left is not touched, since they might be at work."""
    monkeypatch.setattr(output, "_lock", lambda hidden: None)
    dead = tmp_path / "out" / ".geoflow-0123456789ab.part"
    (dead / "new").mkdir(parents=True)
    write(tmp_path / "out", "old", "a.txt", "b.txt")
    write(tmp_path / "out", "new", "a.txt", "b.txt")
    assert tree(tmp_path / "out") == {"a.txt": "new", "b.txt": "new"}
    assert [path.name for path in tmp_path.rglob(".geoflow-*")] == [dead.name]


def test_a_leftover_is_not_mistaken_while_it_is_being_made(tmp_path, monkeypatch):
    """Another run that finds the hidden folder before it is locked takes it away; the writer makes another."""
    make = Path.mkdir

    def taken(self, *given, **more):
        make(self, *given, **more)
        if fnmatchcase(self.name, HIDDEN):
            monkeypatch.undo()
            output._recover(tmp_path)

    monkeypatch.setattr(Path, "mkdir", taken)
    write(tmp_path, "new", "a.txt", "b.txt")
    assert tree(tmp_path) == {"a.txt": "new", "b.txt": "new"} and not list(tmp_path.glob(".geoflow-*"))


# --- two runs --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("replace", [True, False])
def test_the_slower_of_two_runs(tmp_path, replace):
    """What it may replace is all its own then; what it may not stays."""
    (tmp_path / "out").mkdir()
    with (
        contextlib.nullcontext() if replace else pytest.raises(OutputError, match="the file already exists"),
        OutputFolder(tmp_path / "out", replace=replace, protect=()) as slow,
    ):
        slow.stage("a.txt").write_text("slow")
        slow.stage("b.txt").write_text("slow")
        quick = threading.Thread(target=write, args=(tmp_path / "out", "quick", "b.txt", "a.txt"))
        quick.start()
        quick.join()
    stands = "slow" if replace else "quick"
    assert tree(tmp_path / "out") == {"a.txt": stands, "b.txt": stands}


def test_two_runs_at_once_never_mix(tmp_path):
    """Two processes write sets into one folder as fast as they can; a third looks."""
    out = tmp_path / "out"
    write(out, "a" * 1000, "x.txt", "y.txt")
    (out / "mine.txt").write_text("mine")

    def writer(letter: str) -> int:
        child = os.fork()
        if child == 0:
            logging.disable()
            with contextlib.suppress(OutputError):
                for _ in range(40):
                    write(out, letter * 1000, "x.txt", "y.txt")
                os._exit(0)
            os._exit(1)
        return child

    for child in [writer("a"), writer("b")]:
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    found = tree(out)
    assert found["x.txt"] == found["y.txt"] and found["mine.txt"] == "mine"
    assert not list(tmp_path.rglob(".geoflow-*"))


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
import os, sys
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

    def stop(path):
        if not calls:
            os.kill(os.getpid(), signal.SIGINT)
        calls.append(path)

    monkeypatch.setattr(output, "_sync", stop)
    assert cli.main([*VET, "--json", "vet.json"]) == 130
    said = capsys.readouterr().err
    assert "stopped" in said and "written before that, whole: vet.json" in said
    json.loads((field / "vet.json").read_text())


def test_ctrl_c_while_writing(field, capsys, monkeypatch):
    def stop(*given, **more):
        raise KeyboardInterrupt

    monkeypatch.setattr("geoflow.workflow.vet_outputs.field_map", stop)
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

    read = vector.read_zone_table

    def slow(*given):
        found = read(*given)
        (field / "rx.geojson").write_text((field / "rx.geojson").read_text() + " ")
        return found

    monkeypatch.setattr(vector, "read_zone_table", slow)
    assert cli.main(VET) == 2
    said = capsys.readouterr().err
    assert "the file changed while it was read" in said and "where: rx.geojson" in said and "run again" in said


def test_an_input_that_changes_before_the_rewriting_is_in_place(field, capsys, monkeypatch):
    from geoflow.workflow import rewriting

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
