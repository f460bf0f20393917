"""The table of options: everything that asks or is asked comes from it."""

from __future__ import annotations

import argparse
import dataclasses
import json
import typing
from pathlib import Path
from typing import Any

import geopandas
import pytest
import shapely

from geoflow import cli
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.errors import UsageError
from geoflow.base.ranges import parse_range
from geoflow.base.rate_units import rate_unit
from geoflow.options import typed
from geoflow.options.page_parts import PAGE_PARTS, option_table_markdown
from geoflow.options.table import COMMANDS, OPTION_KINDS, OPTIONS, TARGET, options_of
from geoflow.options.typed import ComparisonOptions, LogOptions, ReadOptions, RehearseOptions, RewriteOptions, told

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
HERON = str(ROOT / "sample_fields/heron.toml")
LANTERN, LOG = ROOT / "sample_fields/lantern_flat.shp", ROOT / "sample_fields/lantern_flat_log.csv"
# Each object with a command that fills it.
OBJECTS = {
    typed.PlanOptions: "vet",
    typed.ReadOptions: "vet",
    typed.RewriteOptions: "rewrite",
    typed.DayOptions: "plan",
    typed.RehearseOptions: "rehearse",
    typed.CardOptions: "card",
    typed.SizeOptions: "size",
    typed.ConvertOptions: "convert",
    typed.LogOptions: "reconcile",
    typed.ComparisonOptions: "reconcile",
    typed.LearnOptions: "learn",
    typed.ReportFiles: "report vet",
}


def parser_of(command: str) -> argparse.ArgumentParser:
    found = cli.build_parser()
    for word in command.split():
        found = next(one for one in found._actions if isinstance(one, argparse._SubParsersAction)).choices[word]
    return found


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_has_the_options_of_the_table(command: str) -> None:
    known = {action.dest: action for action in parser_of(command)._actions if action.dest not in {"help", "about"}}
    assert list(known) == list(options_of(command))
    for name, option in options_of(command).items():
        assert known[name].help % {} == option.help and known[name].required == (command in option.required), name
        assert isinstance(known[name], argparse._StoreTrueAction) == (option.kind == "flag"), name


def test_no_command_has_two_options_of_one_name() -> None:
    for command in COMMANDS:
        names = [option.name for option in OPTIONS if command in option.commands]
        assert len(names) == len(set(names)), command


@pytest.mark.parametrize("made", OBJECTS, ids=lambda one: one.__name__)
def test_the_objects_of_the_workflows_are_options_of_the_table(made: type) -> None:
    known, hints = options_of(OBJECTS[made]), typing.get_type_hints(made)
    for field in dataclasses.fields(made):
        option = known[field.name]
        kind = {"flag": bool, "list": tuple[str, ...]}.get(option.kind)
        choices = [c for one in typing.get_args(hints[field.name]) for c in typing.get_args(one)]
        assert kind is None or hints[field.name] == kind, field.name
        assert not choices or tuple(choices) == option.choices, field.name


def test_every_object_is_tested_here() -> None:
    assert {
        one for one in vars(typed).values() if isinstance(one, type) and hasattr(one, "of") and one.__name__[0] != "_"
    } == set(OBJECTS)


def test_a_target_map_is_read_with_every_option_of_a_prescription() -> None:
    log = options_of("reconcile")
    for field in dataclasses.fields(ReadOptions):
        # A log has no zones of its own: whose names are meant needs no saying.
        name = field.name if field.name == "zone_id" else TARGET + field.name
        before, after = options_of("vet")[field.name], log[name]
        assert (before.kind, before.choices) == (after.kind, after.choices)


def test_examples_are_what_they_stand_for() -> None:
    for option in OPTIONS:
        kind = OPTION_KINDS[option.kind].unit_kind
        if option.example and kind:
            low, high = parse_range(option.example, kind)
            assert low <= high, option.name
        if option.example and option.kind == "rate unit":
            assert rate_unit(option.example)
    assert f"default {NITROGEN_FRACTION:g})" in options_of("convert")["nitrogen_fraction"].help


def test_the_page_asks_for_all_that_a_prescription_can_be_read_with() -> None:
    assert {option.name for option in PAGE_PARTS["options"]} == {
        field.name for field in dataclasses.fields(ReadOptions)
    }
    asked = {option.name for option in PAGE_PARTS["rules"]} | {"policy"}
    assert asked == {field.name for field in dataclasses.fields(RewriteOptions)}


def test_the_page_vets_with_all_that_the_command_takes() -> None:
    """Bar, prescription and plan are the page's own parts; where a result goes is the browser's matter."""
    own = {"prescription", "bar", "temperature", "speed", "sections", "units", "replace"}
    known = {name for name, option in options_of("vet").items() if option.kind != "output"}
    assert known - own == {option.name for part in ("planning", "options", "vet") for option in PAGE_PARTS[part]}


def test_the_page_asks_for_all_that_a_log_can_be_read_and_compared_with() -> None:
    known = {field.name for kind in (LogOptions, ComparisonOptions) for field in dataclasses.fields(kind)}
    target = {name for name in options_of("reconcile") if name.startswith(TARGET)}
    # The bar is the one that is open.
    asked = {option.name for option in PAGE_PARTS["log"]}
    assert asked == known - {"bar"} | target | {"zone_id", "rehearsed", "cell", "all_zones"}


def test_what_is_said_fills_an_object_and_nothing_said_is_lost() -> None:
    said = {"target_zones": "cell", "target_swap_axes": True, "zones": "class", "target_crs": None, "ticket": []}
    assert ReadOptions.of(said, "reconcile", TARGET) == ReadOptions(zones="cell", swap_axes=True)
    # An empty text is not nothing: a limit lost that way would be lost silently.
    assert RewriteOptions.of({"policy": "hold-speed", "max_rate": ""}, "rewrite").max_rate == ""
    # Nor is nought: no headland round and the seed 0 were asked for.
    asked = {"headlands": 0, "seed": 0, "draws": None, "headlands_last": False}
    assert RehearseOptions.of(asked, "rehearse") == RehearseOptions(headlands=0, seed=0)
    assert ("--headlands", "0") in told("rehearse", asked) and ("--seed", "0") in told("rehearse", asked)
    with pytest.raises(UsageError, match="'zones' is 'cells'; did you mean"):
        ReadOptions.of({"zones": "cells"}, "vet")


def test_what_was_asked_is_told_as_it_is_typed() -> None:
    said = {
        "prescription": "a.shp",
        "rate_unit": "lb N/ac",
        "swap_axes": True,
        "out": "r.html",
        "units": "us",
        "date": "x",
    }
    assert told("report vet", said, ("date",)) == [
        ("prescription", "a.shp"),
        ("--rate-unit", "lb N/ac"),
        ("--swap-axes", "yes"),
        ("--units", "us"),
    ]


def test_the_document_of_the_options_is_that_of_the_table() -> None:
    _, _, rest = (DOCS / "options.md").read_text("utf-8").partition("<!-- options: made by geoflow.options.table -->\n")
    table, end, _ = rest.partition("<!-- end of options -->")
    assert end and table == option_table_markdown(), "run: .venv/bin/python tests docs"


def reconciled(capsys: pytest.CaptureFixture[str], target: Path, *more: str) -> dict[str, Any]:
    asked = ["--bar", HERON, "--target", str(target), "--target-rate-column", "target", *more]
    assert cli.main(["reconcile", str(LOG), *asked, "--json", "-"]) in (0, 1)
    return dict(json.loads(capsys.readouterr().out))


def test_a_log_is_compared_with_a_map_that_needs_to_be_told_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Latitude first, and gallons counted at a temperature: densities of saturated liquid from CoolProp."""
    from CoolProp.CoolProp import PropsSI

    zones = geopandas.read_file(LANTERN).to_crs(4326).rename(columns={"lb_n_ac": "target"})[["target", "geometry"]]
    zones.to_file(tmp_path / "plain.geojson", engine="pyogrio", driver="GeoJSON")
    zones.geometry = shapely.transform(zones.geometry.array, lambda corners: corners[:, ::-1])
    zones.to_file(tmp_path / "swapped.geojson", engine="pyogrio", driver="GeoJSON")
    unit = ("--target-rate-unit", "lb N/ac")
    plain = reconciled(capsys, tmp_path / "plain.geojson", *unit)
    turned = reconciled(capsys, tmp_path / "swapped.geojson", *unit, "--target-swap-axes")
    assert turned["totals"]["target_lb_n"] == pytest.approx(plain["totals"]["target_lb_n"], rel=1e-6)
    gallons = [
        reconciled(
            capsys,
            tmp_path / "plain.geojson",
            "--target-rate-unit",
            "gal NH3/ac",
            "--target-volume-temperature",
            f"{degrees} degF",
        )
        for degrees in (20, 80)
    ]
    cold, warm = (PropsSI("D", "T", (degrees + 459.67) / 1.8, "Q", 0, "Ammonia") for degrees in (20, 80))
    ratio = gallons[0]["totals"]["target_lb_n"] / gallons[1]["totals"]["target_lb_n"]
    assert ratio == pytest.approx(cold / warm, rel=1e-3)
