"""The works of the page: what their fields say arrives, and what they write is the command line's, byte for byte."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import need_page
from test_options import OBJECTS

import geoflow
from geoflow import cli
from geoflow.options import typed
from geoflow.options.page_parts import PAGE_PARTS, READING
from geoflow.options.table import COMMANDS, OPTIONS, Option, options_of
from geoflow.options.typed import ReadOptions
from geoflow.web.made import Made, Refused
from geoflow.web.state import State
from geoflow.web.tasks import KeptMap
from geoflow.web.uploads import Upload, place_files
from geoflow.web.wording import page_words, refusal
from geoflow.web.work_questions import log_said, work_asked
from geoflow.web.work_tasks import do_work
from geoflow.web.works import WORKS, described_works, find_work, folder_of, page_fields
from geoflow.workflow.replan import read_unplanned

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN, HERON = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", FIELDS / "heron.toml"
LOG, DAY = FIELDS / "lantern_flat_log.csv", FIELDS / "lantern_flat_day.csv"
LANTERN = [FIELDS / f"lantern_flat{ending}" for ending in (".shp", ".shx", ".dbf", ".prj", ".cpg")]
DATE = "2026-04-30"
PLAN = {"temperature": ["45", "52"], "speed": ["5", "5"], "sections": None}
BAR, WARMTH, SPEED = ("--bar", "wren.toml"), ("--temperature", "45..52 degF"), ("--speed", "5 mph")
READ = ("--rate-column", "target", "--rate-unit", "lb N/ac")
MAP = (KETTLE.name, *BAR, *WARMTH, *READ)
OF_HERON = {"bar": {"name": "heron.toml", "text": HERON.read_text("utf-8")}}
FORMATS = (".shp", ".zip", ".geojson", ".gpkg", ".fgb", ".parquet", ".tif", "TASKDATA")


def upload(path: Path) -> Upload:
    return Upload(path.name, path.read_bytes())


def opened(main: Path, bar: Path, options: ReadOptions, *files: Path) -> State:
    """A tab in which a map and a bar are open."""
    state, read = State(), read_unplanned(str(main), str(bar), options)
    state.keep(upload(bar), tuple(map(upload, files or (main,))), options, KeptMap(read, None))
    return state


def test_the_page_leaves_the_works_their_names() -> None:
    """What a work makes is called by the work: nothing else on the page is, so that no two are called alike."""
    page = Path(geoflow.__file__).parent / "web" / "static" / "page.html"
    names = re.findall(r'\bid="([^"]+)"', page.read_text(encoding="utf-8"))
    assert len(names) > 100 and len(names) == len(set(names))
    assert [one for one in names if one.startswith(tuple(f"{work.name}-" for work in WORKS))] == []


@pytest.fixture(scope="module")
def kettle() -> State:
    return opened(KETTLE, WREN, ReadOptions(rate_column="target", rate_unit="lb N/ac"))


def asked_of(command: str, said: dict[str, Any], **more: Any) -> dict[str, Any]:
    about = {"command": command, "opened": 1, "system": "us", "plan": PLAN, "uses": {"map": True, "speed": True}}
    return about | {"said": said} | more


def made_by(state: State, asked: dict[str, Any], folder: Path, *files: Path) -> Made:
    """Do a work as the page's process does, in a folder of its own."""
    said, every = work_asked(state, asked, tuple(map(upload, files)))
    return done(str(asked["command"]), said, every, folder)


def done(command: str, said: dict[str, Any], every: tuple[Upload, ...], folder: Path) -> Made:
    folder.mkdir()
    place_files(every, folder)
    with contextlib.chdir(folder):
        made = do_work(lambda step: None, command, said, "reconciled" if command == "reconcile" else folder_of(command))
    assert isinstance(made, Made), made
    return made


def unpacked(made: Made) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(made.archive)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def command_line(folder: Path, out: str, *arguments: object) -> tuple[str, dict[str, bytes]]:
    """What the command prints in a folder with the samples, and the files it writes below `out` there."""
    shutil.copytree(FIELDS, folder, dirs_exist_ok=True)
    said, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(said), contextlib.redirect_stderr(err):
        cli.main(list(map(str, arguments)))
    found = {one.relative_to(folder / out).as_posix(): one for one in (folder / out).rglob("*") if one.is_file()}
    return said.getvalue() + err.getvalue(), {name: path.read_bytes() for name, path in found.items()}


def check(made: Made, text: str, written: dict[str, bytes], command: str, *, whole: bool = True) -> None:
    """The same files; and the same words, those of options but the page's. A GeoPackage bears the time of day."""
    sent = unpacked(made)
    assert set(sent) == set(written) == set(made.names), text
    assert [name for name in sent if not name.endswith(".gpkg") and sent[name] != written[name]] == []
    flat = " ".join(page_words(text, command).split())
    said = " ".join(made.text.split())
    if whole:
        assert flat.startswith(said)
    assert " ".join(made.shown["answer"].split()) in flat
    assert "blinds and kills" in said
    # Options that were given stand in a report as they are typed at the command line, and nowhere else.
    texts = [*words_of(made.shown), *made.text.split("\n")] if whole else [made.shown["answer"]]
    assert [one for one in texts if re.search(r"(^|\W)--[a-z]|geoflow [a-z]", one)] == []


def words_of(shown: Any) -> Iterator[str]:
    if isinstance(shown, str):
        yield shown
    elif isinstance(shown, dict):
        for name, value in shown.items():
            yield from words_of(value) if name != "png" else ()
    elif isinstance(shown, list | tuple):
        for value in shown:
            yield from words_of(value)


# What the fields of a work say, and what is typed at the command line for the same.
WORKED: dict[str, tuple[dict[str, Any], tuple[str, ...]]] = {
    "plan": (
        {"start": "southwest", "all_zones": True, "day": [DAY.name]},
        ("plan", *MAP, *SPEED, "--start", "southwest", "--all-zones", "--day", DAY.name, "--out", "planned"),
    ),
    "rehearse": (
        {"draws": "1", "headlands": "0", "all_zones": True},
        ("rehearse", *MAP, *SPEED, "--draws", "1", "--headlands", "0", "--all-zones", "--out", "rehearsed"),
    ),
    "card": (
        {"date": DATE, "paper": "a4"},
        ("card", *MAP, *SPEED, "--date", DATE, "--paper", "a4", "--out", "card/card.html", "--pdf", "card/card.pdf",
         "--json", "card/card.json"),
    ),
    "size": (
        {"drills": True, "rates": "85 lb N/ac", "rows": "12", "row_spacing": "30 in"},
        ("size", *WARMTH, *SPEED, *READ, "--map", KETTLE.name, "--drills", "--rates", "85 lb N/ac", "--rows", "12",
         "--row-spacing", "30 in", "--out", "sizes/sizes.html", "--json", "sizes/sizes.json"),
    ),
}  # fmt: skip
REPORTED = {
    "report plan": ({"speeds": "2"}, {"speed": False}, ("--speeds", "2")),
    "report vet": ({"start": "southwest", "heel": "0.1"}, {}, (*SPEED, "--start", "southwest", "--heel", "0.1")),
    "report rewrite": (
        {"all_zones": True},
        {},
        (*SPEED, "--policy", "hold-speed", "--max-rate", "150 lb N/ac", "--all-zones"),
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("command", WORKED)
def test_a_work_is_the_command_lines_byte_for_byte(kettle: State, tmp_path: Path, command: str) -> None:
    said, typed_words = WORKED[command]
    made = made_by(kettle, asked_of(command, said), tmp_path / "page", *([DAY] if "day" in said else []))
    text, written = command_line(tmp_path / "cli", folder_of(command), *typed_words)
    check(made, text, written, command)
    assert ("day.png" in [name for name, _, _ in made.pictures]) == ("day" in said)
    for name, png, shows in made.pictures:
        assert unpacked(made)[name] == png and made.shown["answer"] in shows


@pytest.mark.slow
@pytest.mark.parametrize("command", REPORTED)
def test_a_report_is_the_command_lines_byte_for_byte(kettle: State, tmp_path: Path, command: str) -> None:
    said, uses, typed_words = REPORTED[command]
    rules = {"policy": "hold-speed", "rules": {"max_rate": "150 lb N/ac"}}
    asked = asked_of(command, {"date": DATE, **said}, uses=uses, **rules)
    made = made_by(kettle, asked, tmp_path / "page")
    out = folder_of(command)
    files = ("--out", f"{out}/report.html", "--pdf", f"{out}/report.pdf", "--figures", f"{out}/figures")
    arguments = (*command.split(), *MAP, *typed_words, "--date", DATE, *files, "--json", f"{out}/report.json")
    check(made, *command_line(tmp_path / "cli", out, *arguments), command, whole=False)
    figures = [one for section in made.shown["sections"] for one in section["blocks"] if one["is"] == "figure"]
    assert figures and all(one["alt"] for one in figures)


@pytest.mark.slow
def test_speeds_by_zone_are_those_of_the_rewritings_side_file(kettle: State, tmp_path: Path) -> None:
    typed_words = (*MAP, *SPEED, "--policy", "hold-rate", "--out", "new/kettle.geojson")
    _, rewritten = command_line(tmp_path / "cli", "new", "rewrite", *typed_words)
    side = tmp_path / "kettle_changes.csv"
    side.write_bytes(rewritten[side.name])
    asked = asked_of("vet", {"zone_speeds": [side.name], "all_zones": True})
    made = made_by(kettle, asked, tmp_path / "page", side)
    shutil.copy(side, tmp_path / "cli")
    arguments = ("vet", *MAP, *SPEED, "--zone-speeds", side.name, "--all-zones", "--out", "vetted")
    check(made, *command_line(tmp_path / "cli", "vetted", *arguments), "vet")


@pytest.mark.slow
def test_a_bar_learns_and_the_page_is_handed_the_new_one(kettle: State, tmp_path: Path) -> None:
    asked = asked_of("learn", {"logs": [LOG.name], "ticket": ["11600 lb NH3"]}, uses={}, **OF_HERON)
    made = made_by(kettle, asked, tmp_path / "page", LOG)
    text, written = command_line(
        *(tmp_path / "cli", "learned", "learn", LOG.name, "--bar", HERON.name, "--ticket", "11600 lb NH3"),
        *("--out", "learned/heron_learned.toml", "--figures", "learned/figures", "--json", "learned/learned.json"),
    )
    text = re.sub(r"Written to learned/heron_learned\.toml: [^.]+\.", "", " ".join(text.split()))
    check(made, text, written, "learn")
    assert made.bar == ("heron_learned.toml", written["heron_learned.toml"].decode())
    assert [shows for _, _, shows in made.pictures]


@pytest.mark.slow
def test_a_log_and_its_report_are_the_command_lines(tmp_path: Path) -> None:
    """The first passes of the sample log, against the map that is open and with one of its own."""
    state = opened(LANTERN[0], HERON, ReadOptions(), *LANTERN)
    short = tmp_path / "passes.csv"
    short.write_text("".join(LOG.read_text("utf-8").splitlines(keepends=True)[:300]), "utf-8")
    (tmp_path / "cli").mkdir()
    shutil.copy(short, tmp_path / "cli")
    log: dict[str, Any] = {"ticket": ["600 lb NH3"], "all_zones": True, "cell": "10 ft"}
    about = {"opened": 1, "system": "us", "with_map": True, "log": log, **OF_HERON}
    made = done("reconcile", *log_said(state, about, (upload(short),)), tmp_path / "log")
    told = (short.name, "--target", LANTERN[0].name, "--bar", HERON.name, "--ticket", "600 lb NH3", "--all-zones")
    files = ("--cell", "10 ft", "--out", "reconciled", "--save-columns", "reconciled/columns.json")
    check(made, *command_line(tmp_path / "cli", "reconciled", "reconcile", *told, *files), "reconcile")

    del log["cell"]
    asked = {**about, "command": "report reconcile", "said": {"date": DATE}}
    made = made_by(state, asked, tmp_path / "report", short)
    out = folder_of("report reconcile")
    files = ("--out", f"{out}/report.html", "--pdf", f"{out}/report.pdf", "--figures", f"{out}/figures")
    arguments = ("report", "reconcile", *told, "--date", DATE, *files, "--json", f"{out}/report.json")
    check(made, *command_line(tmp_path / "cli", out, *arguments), "report reconcile", whole=False)

    own = {"target": [one.name for one in LANTERN], "target_rate_column": "lb_n_ac", "target_rate_unit": "kg N/ha"}
    more = tuple(map(upload, (short, *LANTERN)))
    for ticked in (True, False):
        said, every = log_said(state, {**about, "with_map": ticked, "log": log | own}, more)
        assert said["target"] == LANTERN[0].name and said["target_rate_unit"] == "kg N/ha" and said["log"] == short.name
        assert len(every) == len(more) + 1, "a map of its own takes the place of the open one"


@pytest.mark.parametrize("ending", FORMATS)
def test_every_format_is_written_as_the_command_line_writes_it(kettle: State, tmp_path: Path, ending: str) -> None:
    said, more = {"out": ending, "to_unit": "kg N/ha"}, ("--to-unit", "kg N/ha")
    made = made_by(kettle, asked_of("convert", said), tmp_path / "page")
    name = ending if ending == "TASKDATA" else f"{KETTLE.stem}{ending}"
    files = ("--out", f"converted/{name}", "--json", "converted/converted.json")
    text, written = command_line(tmp_path / "cli", "converted", "convert", KETTLE.name, *READ, *more, *files)
    check(made, text, written, "convert")


def test_the_formats_offered_are_all_that_can_be_written() -> None:
    from geoflow.prescription_patch.new_file import WRITTEN_FORMATS

    convert = next(work for work in described_works() if work["name"] == "convert")
    offered = [value for value, _ in next(one for one in convert["fields"] if one["name"] == "out")["choices"]]
    assert tuple(offered) == FORMATS
    assert {WRITTEN_FORMATS[one] for one in offered if one in WRITTEN_FORMATS} == set(WRITTEN_FORMATS.values())


def test_task_data_are_read_and_written_without_a_bar(kettle: State, tmp_path: Path) -> None:
    """A map of its own, task data in a zip and as a grid, and back: no bar and no open map takes part."""
    said = {"out": ".zip", "task_version": "4", "task_form": "grid-2", "cell": "20 m"}
    zipped = unpacked(made_by(kettle, asked_of("convert", said), tmp_path / "one"))[f"{KETTLE.stem}.zip"]
    mine = tmp_path / "task.zip"
    mine.write_bytes(zipped)
    asked = asked_of("convert", {"out": ".tif", "prescription": ["task.zip"]}, uses={}, opened=None, plan=None)
    made = made_by(State(), asked, tmp_path / "two", mine)
    assert "task.tif" in made.names and "task.zip" in made.text


# Every option has its place


# Temperature, speed and sections are the sliders and ticks of the day, bar, map and log the page's own files, and what
# is kept the buttons of the rewriting.
OWN_PLACES = {"prescription", "bar", "temperature", "speed", "sections", "policy", "log"}
# Where a result goes is the browser's matter, and units are the page's switch.
NO_MATTER = {"units", "replace"}
# A season is a catalog of many fields on many machines; the questions for a bar are a form of their own.
NOT_OF_A_FIELD = {"season", "page", "bar"}


def fields_of(command: str) -> list[Option]:
    """All that the page asks for a command."""
    parts = {"window": ["planning"], "reconcile": ["log"], "rewrite": ["planning", "options", "rules"]}
    if command in parts:
        return [one for part in parts[command] for one in PAGE_PARTS[part]]
    work, _ = find_work(command)
    more = ["planning"] * work.plan + ["options"] * (work.map != "no")
    more += {"report rewrite": ["rules"], "report reconcile": ["log"]}.get(command, [])
    return [*work.fields, *(one for part in more for one in PAGE_PARTS[part])]


@pytest.mark.parametrize("command", [one for one in COMMANDS if one not in NOT_OF_A_FIELD])
def test_every_option_of_a_command_is_reached_on_the_page(command: str) -> None:
    known = {name for name, one in options_of(command).items() if one.kind != "output" or one.label} - NO_MATTER
    assert known - OWN_PLACES <= {one.name for one in fields_of(command)}, command


def test_every_option_with_a_label_has_a_field_and_none_a_label_twice() -> None:
    shown = {one for options in PAGE_PARTS.values() for one in options}
    assert {one for one in OPTIONS if one.label and one.name not in OWN_PLACES} <= shown
    for part in (*page_fields().values(), *(work["fields"] for work in described_works())):
        labels = [(one["label"], one["fold"]) for one in part]
        assert len(labels) == len(set(labels))
        assert all(one["label"] for one in part)


VALUES = {"flag": True, "list": ["a", "b"], "whole number": "3", "text": "t"}


def filled(option: Option) -> Any:
    """Something to stand in its field."""
    if option.kind in VALUES:
        return VALUES[option.kind] if not option.choices else str(option.choices[-1])
    return str(option.choices[-1]) if option.choices else option.example or "1"


@pytest.mark.parametrize("command", [act.command for work in WORKS for act in work.acts])
def test_what_stands_in_a_field_arrives_in_the_typed_options(kettle: State, command: str) -> None:
    given = {one.name: filled(one) for one in PAGE_PARTS[command] if one.kind != "file" and one.name != "logs"}
    files = {one.name: [f"{one.name}.csv"] for one in PAGE_PARTS[command] if one.kind == "file" or one.name == "logs"}
    given |= {"out": ".tif"} if "out" in given else {}
    sent = tuple(Upload(names[0], b"") for names in files.values())
    if command == "report reconcile":
        sent += (Upload("log.csv", b""),)
    rules = {one.name: filled(one) for one in PAGE_PARTS["rules"]}
    asked = asked_of(command, given | files, uses={"bar": False}, policy="hold-rate", rules=rules, **OF_HERON)
    said, _ = work_asked(kettle, asked, sent)
    expected = given | (rules | {"policy": "hold-rate"} if command == "report rewrite" else {})
    expected |= {name: names if name == "logs" else names[0] for name, names in files.items()}
    expected |= {"out": f"{Path(said['prescription']).stem}.tif"} if "out" in given else {}
    arrived = {name: said[name] for name in expected}
    whole = {name for name in expected if options_of(command)[name].kind == "whole number"}
    assert arrived == {
        name: int(value) if name in whole else tuple(value) if isinstance(value, list) and name != "logs" else value
        for name, value in expected.items()
    }
    for made in OBJECTS:
        known = {field.name for field in dataclasses.fields(made)} & set(expected) & set(options_of(command))
        if not known or made is typed.ReportFiles:
            continue
        whole_object = made.of({**said, "temperature": "1", "speed": "1", "bar": "b"}, command)
        for name in known - {"temperature", "speed"}:
            assert getattr(whole_object, name) == arrived[name], name


def test_an_empty_field_says_nothing(kettle: State) -> None:
    empty = {one.name: False if one.kind == "flag" else [] if one.kind == "list" else "" for one in PAGE_PARTS["plan"]}
    said, _ = work_asked(kettle, asked_of("plan", empty), ())
    assert said == {
        "units": "us", "rows": "mean", "temperature": "45..52 degF", "speed": "5 mph", "bar": "wren.toml",
        "prescription": KETTLE.name, "rate_column": "target", "rate_unit": "lb N/ac",
    }  # fmt: skip
    said, _ = work_asked(kettle, asked_of("plan", empty, uses={"speed": False}), ())
    assert "speed" not in said
    said, _ = work_asked(kettle, asked_of("vet", {}, plan=PLAN | {"rows": "worst", "sections": ["left"]}), ())
    assert said["rows"] == "worst" and said["sections"] == "left"


def test_a_map_that_takes_part_is_read_as_it_was_opened(kettle: State) -> None:
    """Fields for a file of one's own count only where there is one."""
    own = dict.fromkeys(READING, "x") | {"swap_axes": True, "take_as_ammonia": True}
    said, _ = work_asked(kettle, asked_of("convert", own | {"out": ".tif"}), ())
    assert said["rate_column"] == "target" and "crs" not in said
    asked = asked_of("convert", own | {"out": ".tif", "prescription": ["a.csv"]}, uses={})
    said, _ = work_asked(kettle, asked, (Upload("a.csv", b""),))
    assert said["crs"] == "x" and said["prescription"] == "a.csv"


# What is refused


@pytest.mark.parametrize(
    ("command", "said", "more", "words", "fields"),
    [
        ("plan", {"speeds": "many"}, {}, "'many' is no whole number", ("speeds",)),
        ("plan", {"speeds": "2"}, {}, "that is two plans", ("speed", "speeds")),
        ("plan", {"heading": "north"}, {}, "north", ("heading",)),
        ("card", {"heel": "2"}, {}, "2", ("heel",)),
        ("card", {}, {"uses": {}, **OF_HERON}, "neither a map nor", ("rates",)),
        ("size", {}, {"uses": {}}, "no rates are asked", ("rates", "map")),
        ("size", {"rates": "85 lb N/ac"}, {"uses": {}, "plan": None},
         "\u201cLiquid in the tank\u201d", ("temperature",)),
        ("size", {"rates": "85 lb N/ac", "thin_plate": True, "rows": "9", "row_spacing": "30 in"}, {"uses": {}},
         "without the plate's thickness", ("thin_plate",)),
        ("convert", {}, {}, "\u201cNew format\u201d", ("out",)),
        ("convert", {"out": ".tif"}, {"uses": {}}, "\u201cAnother prescription\u201d", ("prescription",)),
        ("convert", {"out": ".tif", "cell": "3 pounds"}, {}, "'pounds' is not a unit", ("cell",)),
        ("learn", {}, OF_HERON, "\u201cAs-applied logs, the oldest first\u201d", ("logs",)),
    ],
)  # fmt: skip
def test_a_refusal_names_the_pages_own_fields(
    kettle: State, tmp_path: Path, command: str, said: Any, more: Any, words: str, fields: Any
) -> None:
    from geoflow.base.errors import GeoflowError

    found: Any
    try:
        given, every = work_asked(kettle, asked_of(command, said, **more), ())
    except GeoflowError as problem:
        found = refusal(problem, command)
    else:
        place_files(every, tmp_path)
        with contextlib.chdir(tmp_path):
            found = do_work(lambda step: None, command, given, folder_of(command))
    assert isinstance(found, Refused)
    assert words in found.words and found.fields == fields
    assert not re.search(r"--[a-z]|geoflow [a-z]", found.words), found.words


# Over the wire


@pytest.mark.slow
def test_a_work_is_asked_for_and_downloaded_for_its_own_question_only() -> None:
    need_page()
    from starlette.testclient import TestClient
    from test_page import HERE, OWN, PORT, ask, frame, open_tab, work

    from geoflow.web.server import make_app

    with TestClient(make_app(PORT), base_url=HERE, headers=OWN) as client:
        tab = open_tab(client)
        said = {"rates": "85 lb N/ac", "rows": "16", "row_spacing": "30 in"}
        asked = asked_of("size", said, uses={}, opened=None)
        answer = client.post("/do/work", headers={"x-geoflow-tab": tab}, content=frame(asked, []))
        lines = [json.loads(line) for line in answer.text.splitlines()]
        assert "Sizing orifices" in [line.get("stage") for line in lines]
        shown = lines[-1]["done"]["shown"]
        assert shown["answer"] and [one for part in shown["sections"] for one in part["blocks"] if one["is"] == "table"]
        sent = ask(client, tab, "download", {"task": "size", "of": asked})
        with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
            assert archive.namelist() == ["sizes.html", "sizes.json"]
        other = {**asked, "said": {**said, "rows": "12"}}
        assert "belongs to another plan" in ask(client, tab, "download", {"task": "size", "of": other}).json()["error"]
        refused = work(client, tab, "work", frame({**asked, "said": {**said, "rows": "x"}}, []))
        assert refused["fields"] == ["rows"] and "no whole number" in refused["error"]
        worded = work(client, tab, "work", frame({**asked, "said": {**said, "row_spacing": "30 lb"}}, []))
        assert worded["fields"] == ["row_spacing"] and "\u201cDistance between rows\u201d" in worded["error"]
        assert "no such work" in work(client, tab, "work", frame({**asked, "command": "season"}, []))["error"]
