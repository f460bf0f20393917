"""Every error says what, where and how to put it right, is listed in docs/errors.md, and is provoked somewhere.

That each one is provoked is judged in tests/conftest.py at the end of a run of all tests; those that the other tests
do not provoke are provoked here.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path
from typing import Any

import bar_files
import errors_table
import numpy as np
import pytest
import shapely
from errors_table import Made, Message, Table, kinds, read_table
from log_files import north_run, write_csv

from geoflow import cli
from geoflow.bar.bar_file import parse_bar
from geoflow.base import rate_units, rates, units
from geoflow.base.errors import GeoflowError
from geoflow.decide import loads
from geoflow.ground import passes, swaths
from geoflow.physics import tanks
from geoflow.reconcile import balance
from geoflow.workflow.reporting import Sources

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
LANTERN, LOG, HERON = (str(FIELDS / name) for name in ("lantern_flat.shp", "lantern_flat_log.csv", "heron.toml"))
PLAN = ["--bar", HERON, "--temperature", "38..46 degF"]
REWRITE = ["rewrite", LANTERN, *PLAN, "--speed", "5 mph", "--policy", "hold-speed"]


# --- the table of messages --------------------------------------------------------------------------------------


def test_the_table_is_whole() -> None:
    """Each message below its kind of error, with a cure; whether it is said is judged in conftest.py."""
    messages = read_table(errors_table.DOCUMENT.read_text(encoding="utf-8"))
    assert len(messages) > 400
    assert [message.what for message in messages if not message.cures] == []


# Their errors wait for those who know where and how to put it right: the bar file's reader, the question that was
# asked, and the page's tabs.
WAITING = {
    *(("QuantityError", module) for module in ("values", "bar_file", "answers", "fittings")),
    ("UsageError", "answers"),
}


def test_every_error_says_where_and_how_to_put_it_right() -> None:
    lacking = [
        f"{path}:{node.lineno}"
        for path in errors_table.PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and (name := getattr(node.func, "id", "")) in kinds()
        and not {"where", "cure"} <= {word.arg for word in node.keywords}
        and (name, path.stem) not in WAITING
    ]
    assert lacking == []


SMALL = """
from errors import GeoflowError, BarError

def _refusal(what, where, cure="do so") -> BarError:
    return BarError(what, where=where, cure=cure)

def read(path, flat):
    if flat:
        raise _refusal("it is flat" if path else "it is quite round", path)
    raise BarError(f"a cow of {path.weight:.1f} t", where="in the field", cure="feed it")
"""
LISTED = """
## The bar file cannot be read, or describes no bar that could exist

### Farms

- **it is flat**
  - do so
- **a cow of \\<weight> t**
  - feed it
"""


@pytest.fixture
def small(tmp_path: Path) -> Table:
    (tmp_path / "farm.py").write_text(SMALL)
    return Table(LISTED, tmp_path)


def told(table: Table, *made: tuple[int, str, str]) -> list[list[str]]:
    outer = ("farm.py", 99)
    all_made = [Made((("farm.py", line), outer), "BarError", what, "here", cure) for line, what, cure in made]
    return list(table.judge(all_made).values())


def test_what_was_said_is_found_in_the_table(small: Table) -> None:
    unlisted, unreached, _, unsaid = told(small, (5, "it is flat", "do so"), (9, "it is flat", "do so"))
    assert unlisted == []
    assert unreached == ["geoflow/farm.py:10"]
    assert unsaid == ["BarError: a cow of <weight> t"]


def test_other_words_or_another_cure_are_told(small: Table) -> None:
    unlisted, _, _, unsaid = told(
        small, (10, "a goat", "feed it"), (10, "a cow of 0.6 t", "sell it"), (10, "a cow", "")
    )
    assert unlisted == [
        "BarError of farm.py:10: - **a cow of 0.6 t**  - sell it",
        "BarError of farm.py:10: - **a goat**  - feed it",
    ]
    assert len(unsaid) == 2


def test_a_branch_that_is_neither_listed_nor_said_is_told(small: Table) -> None:
    assert told(small)[2] == ["geoflow/farm.py:9: it is quite round"]
    assert told(small, (9, "it is quite round", "do so"))[2] == []


def test_numbers_may_be_others_in_tests() -> None:
    message = Message("BarError", "more than 1,000 rows of <kind>", ("split it",))
    assert message.says("BarError", "more than 3 rows of\n zones", "split it")
    assert not message.says("BarError", "more than few rows of zones", "split it")
    assert not message.says("LogError", "more than 3 rows of zones", "split it")


# --- provoked on the command line -------------------------------------------------------------------------------


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert cli.main(list(arguments)) == 2
    return capsys.readouterr().err


COMMANDS: list[tuple[list[str], tuple[str, str, str]]] = [
    (
        ["reconcile", LOG, "--bar", HERON, "--cell", "3 ft"],
        ("--cell sizes the rasters of --out", "geoflow reconcile", "give --out DIR too"),
    ),
    (
        ["reconcile", LOG, "--bar", HERON, "--ticket", "-5 lb NH3"],
        ("'-5 lb NH3' is no load", "--ticket", '"12400 lb NH3"'),
    ),
    (
        ["vet", LANTERN, *PLAN, "--speed", "5 mph", "--layer", "north"],
        ("there is no layer 'north', only 'lantern_flat'", LANTERN, "leave --layer out"),
    ),
    (
        ["vet", LANTERN, *PLAN, "--speed", "5 mph", "--sections", "lfet"],
        ("the bar has no section 'lfet'; did you mean", "--sections", "name some of"),
    ),
    (
        ["window", "--bar", str(FIELDS), "--temperature", "40 degF"],
        ("this is a folder", str(FIELDS), "name the bar file itself"),
    ),
    (["window", *PLAN, "--speed", "fast"], ("no speed: not a number with a unit", "--speed", "5 mph")),
    (
        ["window", "--bar", HERON, "--temperature", "-500 degF"],
        ("lies below absolute zero", "--temperature", "write it like"),
    ),
    (
        [*REWRITE, "--out", "never.shp", "--crop-price", "4"],
        ("a yield response and a crop price go together", "--yield-response, --crop-price", "give both"),
    ),
    (["window", "--bar"], ("expected one argument", "geoflow window", "see 'geoflow window -h'")),
    (["window", *PLAN, "stray"], ("unrecognized arguments: stray", "geoflow window", "see 'geoflow window -h'")),
    (["vett"], ("there is no command 'vett'; did you mean 'vet'?", "geoflow", "commands: window, vet")),
    (["vet", "--temprature", "5"], ("there is no option '--temprature'; did you mean", "geoflow vet", "-h")),
    (
        ["vet", LANTERN, *PLAN, "--speed", "5 mph", "--zone-speeds", "nowhere.csv"],
        ("the file with the zones' speeds cannot be read", "--zone-speeds nowhere.csv", "check the name"),
    ),
    (
        [*REWRITE, "--out", "never.shp", "--crop-price", "4", "--yield-response", "a,b"],
        ("'a,b' is not 2 numbers", "--yield-response", "write plain numbers"),
    ),
    (
        [*REWRITE, "--out", "never.shp", "--nitrogen-price", "cheap"],
        ("'cheap' is not 1 number", "--nitrogen-price", "write plain numbers"),
    ),
]


@pytest.mark.parametrize(("arguments", "expected"), COMMANDS, ids=[expected[0][:40] for _, expected in COMMANDS])
def test_wrong_use_is_answered_with_what_where_and_cure(
    arguments: list[str], expected: tuple[str, str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, *arguments)
    what, where, cure = expected
    assert what in text.partition("  where: ")[0]
    assert where in text.partition("  where: ")[2].partition("  cure: ")[0]
    assert cure in text.partition("  cure: ")[2]


def test_merging_short_zones_needs_a_controller(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bar = tmp_path / "bar.toml"
    bar.write_text(bar_files.MINIMAL)
    text = said(
        capsys, "rewrite", LANTERN, "--bar", str(bar), "--temperature", "40 degF", "--speed", "5 mph", "--policy",
        "hold-speed", "--merge-short", "--out", str(tmp_path / "new.shp"),
    )  # fmt: skip
    for part in ("the bar file has no [controller]", "--merge-short", "add [controller] with delay"):
        assert part in text


def test_a_side_file_is_not_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "new_changes.csv").write_text("mine")
    text = said(capsys, *REWRITE, "--out", str(tmp_path / "new.shp"))
    for part in ("the side file exists already", "new_changes.csv", "--replace"):
        assert part in text
    assert [path.name for path in tmp_path.iterdir()] == ["new_changes.csv"]


def test_a_log_that_covers_no_ground_leaves_nothing_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_csv(tmp_path / "log.csv", north_run(1))
    text = said(capsys, "reconcile", str(log), "--out", str(tmp_path / "out"))
    for part in ("no record of the log covers ground", "where: --out", "leave --out out"):
        assert part in text
    assert not (tmp_path / "out").exists()


def test_the_page_without_its_packages(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    text = said(capsys, "page")
    for part in ("needs packages that are not installed (uvicorn)", "where: geoflow page", ".[page]"):
        assert part in text


# --- provoked through the function that others call --------------------------------------------------------------


def refused(call: Any, *expected: str) -> None:
    with pytest.raises(GeoflowError) as caught:
        call()
    assert caught.value.where and caught.value.cure, caught.value
    for part in expected:
        assert part in str(caught.value)


def test_an_input_of_a_report_that_changes_meanwhile(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text("a")
    sources = Sources.of([("log", str(path))])
    path.write_text("another")
    refused(sources.unchanged, "the file changed while it was read", str(path), "wait until the program")


ZONE = shapely.box(0, 0, 100, 3)
BAR = parse_bar(bar_files.minimal())
QUAD = np.array([[[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, 0.0]]])

CALLS: list[tuple[Any, tuple[str, ...]]] = [
    (lambda: passes.lay_passes([ZONE], 0.0, 0.0), ("the bar has no width", "width", "above zero")),
    (lambda: tanks.draw_down(280.0, 0.0), ("fill is not above 0", "where: fill", "0.85")),
    (
        lambda: tanks.draw_down(280.0, 0.85).temperature_at(0.9),
        ("filled to 85 % cannot be drawn to a fill outside 0 to that", "where: fill"),
    ),
    (
        lambda: tanks.draw_down(225.1, 0.85).temperature_at(0.0),
        ("would cool below -54 degF", "temperature at the start", "its unit"),
    ),
    (
        lambda: loads.tank_loads(passes.lay_passes([ZONE], 0.0, 10.0), [0.01], [300.0], BAR, 280.0),
        ("names no tank", "where: tank", "[tank]"),
    ),
    (lambda: balance.mass_balance(0.0, 1.0), ("the logged total is not above zero", "logged total", "by weight")),
    (
        lambda: swaths.overlay(QUAD, np.zeros(2), [ZONE]),
        ("1 strips have 2 rates", "rate_on_ground", "one rate for every strip"),
    ),
    (lambda: swaths.overlay(QUAD, np.array([np.nan]), [ZONE]), ("1 strips lack a rate", "strip 0", "rate 0")),
    (lambda: swaths.overlay(QUAD * np.nan, np.zeros(1), [ZONE]), ("1 strips lack a corner", "strip 0", "leave strips")),
    (
        lambda: units.parse("150 lb/ac", "nitrogen rate", where="rate"),
        ("'150 lb/ac' does not say that it is nitrogen", "where: rate", "write it with N"),
    ),
    (
        lambda: units.parse("5 " + "mph " * 40, "speed", where="--speed"),
        ("...' is not a unit of speed", "where: --speed", "write it like"),
    ),
    (
        lambda: rates.as_nitrogen_rate(1.0, rate_units.rate_unit("gal NH3/ac"), 0.82),
        ("needs the density of the liquid", "rate unit", "at which temperature"),
    ),
]


@pytest.mark.parametrize(("call", "expected"), CALLS, ids=[expected[0][:40] for _, expected in CALLS])
def test_what_makes_no_sense_is_refused(call: Any, expected: tuple[str, ...]) -> None:
    refused(call, *expected)
