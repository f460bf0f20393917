"""Catalogs: columns are the single commands' options, every odd one is refused, and one can be made from files."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="needs the extra 'season'")
pytest.importorskip("pyarrow", reason="needs the extra 'season'")

import pyarrow
import pyarrow.parquet

from geoflow import cli
from geoflow.base.errors import UsageError
from geoflow.season.catalog import Entry, read_catalog, read_settings
from geoflow.season.columns import COLUMNS, JOBS, needed
from geoflow.season.making import make_catalog

# Where an output goes, and what people read of it, is the season's own.
OUTPUTS = {
    "help",
    "json",
    "units",
    "replace",
    "out",
    "all_zones",
    "cell",
    "save_columns",
    "pdf",
    "paper",
    "date",
    "phone",
}
POSITIONAL = {**dict.fromkeys(("vet", "rewrite", "plan", "card"), "prescription"), "reconcile": "log"}
HEAD = "field,job,prescription,bar,temperature,speed"


def options_of(command: str) -> dict[str, argparse.Action]:
    parser = cli.build_parser()
    commands = next(action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    return {action.dest: action for action in commands.choices[command]._actions}


@pytest.mark.parametrize("job", JOBS)
def test_the_columns_are_the_options_of_the_single_command(job: str) -> None:
    options = {name for name in options_of(job) if name not in OUTPUTS}
    assert {name for name, column in COLUMNS.items() if job in column.commands} == options
    assert needed(job) == POSITIONAL[job]
    for name, action in options_of(job).items():
        if name in COLUMNS:
            flag = isinstance(action, argparse._StoreTrueAction)
            several = isinstance(action, argparse._AppendAction)
            assert (COLUMNS[name].kind == "flag") == flag and (COLUMNS[name].kind == "list") == several, name
            # A card is of a map or of plain rates.
            asked_for = action.required or (action.dest == POSITIONAL[job] and job != "card")
            assert (name in JOBS[job]) == asked_for, name
            assert COLUMNS[name].choices == tuple(action.choices or ()), name


def catalog(folder: Path, text: str, name: str = "catalog.csv") -> str:
    (folder / name).write_text(text, encoding="utf-8")
    return str(folder / name)


def read(folder: Path, text: str, **fixed: str) -> tuple[Entry, ...]:
    return read_catalog(catalog(folder, text), fixed, str(folder / "here"))


def test_relative_paths_count_from_the_catalog_and_urls_stay(tmp_path: Path) -> None:
    rows = f"{HEAD}\na,vet,maps/a.shp,../b.toml,40 degF,5 mph\nb,vet,s3://bucket/x.zip,/bars/b.toml,40 degF,5 mph\n"
    first, second = read(tmp_path, rows)
    assert first.text("prescription") == str(tmp_path / "maps" / "a.shp")
    assert first.text("bar") == str(tmp_path.parent / "b.toml")
    assert (second.text("prescription"), second.text("bar")) == ("s3://bucket/x.zip", "/bars/b.toml")


def test_what_stands_for_all_fields_goes_before_the_cells(tmp_path: Path) -> None:
    rows = f"{HEAD}\na,vet,a.shp,b.toml,40 degF,5 mph\n"
    (one,) = read(tmp_path, rows, temperature="50 degF", bar="other/{field}.toml", ticket="5 lb NH3")
    assert one.text("temperature") == "50 degF" and "ticket" not in one.values
    assert one.text("bar") == str(tmp_path / "here" / "other" / "a.toml")


def test_flags_lists_marks_and_spreadsheet_bytes(tmp_path: Path) -> None:
    text = (
        'field;job;log;ticket;swap_axes\n007;reconcile;a.csv;"12400 lb NH3; 8100 lb NH3";yes\nb;reconcile;b.csv;;no\n'
    )
    (tmp_path / "catalog.csv").write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    one, two = read_catalog(str(tmp_path / "catalog.csv"), {}, str(tmp_path))
    assert (
        one.field == "007"
        and one.values["ticket"] == ("12400 lb NH3", "8100 lb NH3")
        and one.values["swap_axes"] is True
    )
    # A no is what an empty cell is: the same field, the same result.
    assert dict(two.values) == {"log": str(tmp_path / "b.csv")}


def test_a_parquet_catalog_reads_as_the_csv_does(tmp_path: Path) -> None:
    table = pyarrow.table(
        {"field": [1, 2], "job": ["vet"] * 2, "prescription": ["a.shp", "b.shp"], "bar": ["b.toml"] * 2}
        | {"temperature": ["40 degF"] * 2, "speed": ["5 mph"] * 2, "swap_axes": [True, None]}
    )
    pyarrow.parquet.write_table(table, tmp_path / "c.parquet")
    same = f"{HEAD},swap_axes\n1,vet,a.shp,b.toml,40 degF,5 mph,yes\n2,vet,b.shp,b.toml,40 degF,5 mph,\n"
    assert read_catalog(str(tmp_path / "c.parquet"), {}, "/") == read(tmp_path, same)


GOOD = "a,vet,a.shp,b.toml,40 degF,5 mph"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f"{HEAD},rate_colum\n{GOOD},x\n", ["'rate_colum'", "did you mean 'rate_column'"]),
        (f"{HEAD},--rate-column\n{GOOD},x\n", ["did you mean 'rate_column'"]),
        (f"{HEAD},bar\n{GOOD},x\n", ["'bar' is there twice"]),
        ("name,job\na,vet\n", ["no column 'name'"]),
        ("job,bar\nvet,b\n", ["no column 'field'"]),
        (f"{HEAD}\n", ["names no field"]),
        (f"{HEAD}\n{GOOD},x\n", ["line 2", "quotes"]),
        (f"{HEAD}\n{GOOD}\nA,vet,c.shp,b.toml,40 degF,5 mph\n", ["rows 1 and 2", "capitals"]),
        (f"{HEAD}\n,vet,a.shp,b.toml,40 degF,5 mph\n", ["row 1", "no name"]),
        (f"{HEAD}\n{'n' * 181},vet,a.shp,b.toml,40 degF,5 mph\n", ["row 1", "no name that can be used"]),
        (f"{HEAD}\na,,a.shp,b.toml,40 degF,5 mph\n", ["row 1", "has no job"]),
        (f'{HEAD}\n"{"x" * 140_000}",vet,a.shp,b.toml,40 degF,5 mph\n', ["line 2 is no CSV"]),
        (f"{HEAD}\na,vett,a.shp,b.toml,40 degF,5 mph\n", ["row 1", "did you mean 'vet'"]),
        (f"{HEAD}\na,vet,a.shp,b.toml,,5 mph\n", ["row 1", "'temperature' is empty"]),
        (f"{HEAD},policy\n{GOOD},hold-rate\n", ["row 1, field 'a'", "belongs to rewrite"]),
        (f"{HEAD},zones\n{GOOD},cells\n", ["'zones' is 'cells'", "did you mean 'cell'"]),
        (f"{HEAD},speeds\na,plan,a.shp,b.toml,40 degF,,two\n", ["'two'", "no whole number"]),
        (f"{HEAD},swap_axes\n{GOOD},maybe\n", ["'maybe'", "yes or no"]),
    ],
)
def test_an_odd_catalog_is_refused_and_says_where(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(UsageError) as refused:
        read(tmp_path, text)
    assert all(word in str(refused.value) for word in words), str(refused.value)
    assert refused.value.where and refused.value.cure


def test_catalogs_that_are_none_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        read_catalog(str(tmp_path / "none.csv"), {}, "/")
    (tmp_path / "latin.csv").write_bytes("field,job\nM\xfcller,vet\n".encode("latin-1"))
    with pytest.raises(UsageError, match="UTF-8"):
        read_catalog(str(tmp_path / "latin.csv"), {}, "/")
    (tmp_path / "bad.parquet").write_bytes(b"PAR1 nothing")
    with pytest.raises(UsageError, match="Parquet"):
        read_catalog(str(tmp_path / "bad.parquet"), {}, "/")
    with pytest.raises(UsageError, match="did you mean 'rate_unit'"):
        read_settings(["rate-units=lb N/ac"])
    assert read_settings(["rate-unit= lb N/ac "]) == {"rate_unit": "lb N/ac"}


def test_folders_of_odd_names_stay_in_their_place() -> None:
    names = [Entry(name, "vet", {}).folder for name in ("..", "a/b", "a\\b", "C:", "x=y%")]
    assert len(set(names)) == 5
    assert all(not set("/\\:") & set(name) and name.count("=") == 1 for name in names)


def test_a_catalog_is_made_from_files_and_reads_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("north", "south"):
        (tmp_path / "logs").mkdir(exist_ok=True)
        (tmp_path / "logs" / f"{name}.csv").touch()
    (tmp_path / "south.shp").touch()
    (tmp_path / "lists").mkdir()
    fixed = {"job": "reconcile", "target": "{field}.shp", "bar": "/bars/b.toml"}
    made = make_catalog("lists/c.csv", "logs/*.csv", fixed, replace=False)
    assert (made.fields, made.missing) == (2, ("north: target", "north: bar", "south: bar"))
    entries = read_catalog(str(tmp_path / "lists" / "c.csv"), {}, str(tmp_path))
    assert [entry.field for entry in entries] == ["north", "south"]
    assert entries[1].text("target") == str(tmp_path / "south.shp")
    make_catalog("lists/c.parquet", "logs/*.csv", fixed, replace=False)
    assert read_catalog(str(tmp_path / "lists" / "c.parquet"), {}, str(tmp_path)) == entries


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--glob", "logs/*.txt", "--job", "reconcile"], "no file matches"),
        (["--glob", "logs/*", "--job", "reconcile"], "two files would be the field 'a'"),
        (["--glob", "logs/*.csv", "--job", "vet", "--bar", "b"], "'temperature' is empty"),
        (["--glob", "logs/*.csv", "--job", "reconcile", "--speed", "5 mph"], "does not belong to reconcile"),
        (["--glob", "logs/*.csv", "--job", "reconcil"], "did you mean 'reconcile'"),
        (["--glob", "logs/*.csv"], "no job is given"),
        (["--glob", "logs/*.csv", "--job", "reconcile", "--set", "log=x.csv"], "finds the log of every field"),
        (["--job", "vet"], "--make needs --glob"),
        (["x.csv", "--glob", "logs/*.csv"], "--make only writes"),
    ],
)
def test_making_refuses_what_makes_no_catalog(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logs").mkdir()
    for ending in ("csv", "shp"):
        (tmp_path / "logs" / f"a.{ending}").touch()
    assert cli.main(["season", "--make", "c.csv", *arguments]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "c.csv").exists()


def test_making_never_replaces_unless_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").touch()
    arguments = [
        "season",
        "--make",
        str(tmp_path / "c.parquet"),
        "--glob",
        str(tmp_path / "*.csv"),
        "--job",
        "reconcile",
    ]
    assert cli.main([*arguments, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["fields"] == 1
    assert cli.main(arguments) == 2 and "--replace" in capsys.readouterr().err
    assert cli.main([*arguments, "--replace"]) == 0


def test_a_catalog_is_made_on_a_disk(tmp_path: Path) -> None:
    (tmp_path / "a.csv").touch()
    with pytest.raises(UsageError, match="written to a disk"):
        make_catalog("s3://bucket/c.csv", str(tmp_path / "*.csv"), {"job": "reconcile"}, replace=False)
