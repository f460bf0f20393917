"""No output mixes unit systems: every command is asked in each, with files and options that are in that system too."""

from __future__ import annotations

import contextlib
import html
import io
import re
from collections.abc import Callable
from pathlib import Path

import geopandas
import pandas
import pytest

from geoflow import cli

FIELDS = Path(__file__).parent.parent / "sample_fields"
BAR = str(FIELDS / "heron.toml")
KG_HA = 1.1208511561  # a pound to the acre
US = r"°F|\b(?:degF|psi[ag]?|mph|ac|acres?|ft|feet|inch(?:es)?|lbs?|gal|gallons?|gpm|miles?)\b|\d in\b(?! \d)|\bin²"
METRIC = (
    r"°C|\b(?:degC|kPa|km/h|ha|mm|cm|kg|liters?|litres?|L/min|metres?|km)\b|m²|m³|\d m\b|\d L\b|\d bar\b|\bmeters\b"
)
OTHER = {"us": re.compile(METRIC), "metric": re.compile(US)}
PLANNED = {
    "us": ["--temperature", "40..60 degF", "--speed", "5.5 mph"],
    "metric": ["--temperature", "4.5..15.5 degC", "--speed", "8.8 km/h"],
}
RATES = {"us": "100, 140, 180 lb N/ac", "metric": "110, 160, 200 kg N/ha"}
SIZED = {"us": ["--row-spacing", "30 in"], "metric": ["--row-spacing", "76 cm"]}
TICKET = {"us": "13000 lb NH3", "metric": "6000 kg NH3"}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, str]]:
    """The sample map and log as they are, and the same in metric units."""
    folder = tmp_path_factory.mktemp("metric")
    zones = geopandas.read_file(FIELDS / "lantern_flat.shp")
    zones["kg_n_ha"] = (zones["lb_n_ac"] * KG_HA).round(3)
    zones.drop(columns="lb_n_ac").to_file(folder / "field.gpkg")
    log = pandas.read_csv(FIELDS / "lantern_flat_log.csv")
    for name, new, factor in (
        ("speed (mph)", "speed (km/h)", 1.609344),
        ("applied (lb N/ac)", "applied (kg N/ha)", KG_HA),
        ("target (lb N/ac)", "target (kg N/ha)", KG_HA),
        ("flow (lb NH3/min)", "flow (kg NH3/min)", 0.45359237),
        ("bar pressure (psi)", "bar pressure (kPa)", 6.894757293168361),
    ):
        log[new] = (log.pop(name) * factor).round(4)
    log["temperature (degC)"] = ((log.pop("temperature (degF)") - 32.0) / 1.8).round(3)
    log.to_csv(folder / "log.csv", index=False)
    return {
        "us": (str(FIELDS / "lantern_flat.shp"), str(FIELDS / "lantern_flat_log.csv")),
        "metric": (str(folder / "field.gpkg"), str(folder / "log.csv")),
    }


COMMANDS: dict[str, Callable[[str, str, str, Path], list[str]]] = {
    "window": lambda _, __, system, ___: ["window", "--bar", BAR, *PLANNED[system]],
    "vet": lambda rx, _, system, out: ["vet", rx, "--bar", BAR, *PLANNED[system], "--out", str(out / "vet")],
    "rewrite": lambda rx, _, system, out: [
        *("rewrite", rx, "--bar", BAR, *PLANNED[system]),
        *("--policy", "hold-rate", "--out", str(out / "new.geojson")),
    ],
    "plan": lambda rx, _, system, __: ["plan", rx, "--bar", BAR, *PLANNED[system]],
    "card": lambda rx, _, system, out: ["card", rx, "--bar", BAR, *PLANNED[system], "--out", str(out / "card.html")],
    "size": lambda _, __, system, out: [
        *("size", "--rates", RATES[system], *PLANNED[system], "--rows", "16", *SIZED[system]),
        *("--out", str(out / "size.html")),
    ],
    "convert": lambda rx, _, __, out: ["convert", rx, "--out", str(out / "field.geojson")],
    "reconcile": lambda rx, log, system, __: [
        *("reconcile", log, "--target", rx, "--bar", BAR, "--ticket", TICKET[system], "--width"),
        "40 ft" if system == "us" else "12 m",
    ],
    "learn": lambda _, log, __, out: ["learn", log, "--bar", BAR, "--out", str(out / "learned.toml")],
    "bar": lambda _, __, ___, ____: ["bar", "--check", BAR],
    "report vet": lambda rx, _, system, out: [
        *("report", "vet", rx, "--bar", BAR, *PLANNED[system], "--out", str(out / "vet.html")),
    ],
    "report reconcile": lambda rx, log, system, out: [
        *("report", "reconcile", log, "--target", rx, "--bar", BAR, "--ticket", TICKET[system]),
        *("--out", str(out / "log.html")),
    ],
}  # fmt: skip


def words_of(page: str) -> str:
    """What an HTML file says to a reader."""
    page = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.DOTALL)
    page = re.sub(r"<svg\b.*?</svg>", " ", page, flags=re.DOTALL)
    alternatives = " ".join(re.findall(r'\balt="([^"]*)"', page))
    return html.unescape(re.sub(r"<[^>]+>", "\n", page) + alternatives)


@pytest.mark.slow
@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("name", COMMANDS)
def test_no_output_mixes_unit_systems(
    name: str, system: str, files: dict[str, tuple[str, str]], tmp_path: Path
) -> None:
    out, err = io.StringIO(), io.StringIO()
    command = COMMANDS[name](*files[system], system, tmp_path)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        assert cli.main([*command, "--units", system]) in (0, 1), err.getvalue()
    said = [out.getvalue(), *(words_of(page.read_text("utf-8")) for page in tmp_path.rglob("*.html"))]
    mixed = [line.strip() for text in said for line in text.splitlines() if OTHER[system].search(line)]
    assert mixed == []
    # The other way round it is full of them: the patterns see what they are to see.
    own = {"us": "metric", "metric": "us"}[system]
    assert any(OTHER[own].search(line) for text in said for line in text.splitlines())
