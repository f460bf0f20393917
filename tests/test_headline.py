"""What the first lines of a reconciliation say: by ground, once, and the same wherever it stands."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pytest
import shapely
from bars import LB_PER_AC, fahrenheit
from log_files import stamps
from simulated_files import Files, in_degrees, table_of, write
from simulator import Field, simulate, vapour_pressure

from geoflow import cli
from geoflow.options.typed import ComparisonOptions
from geoflow.reconciliation.loads import match_loads
from geoflow.report.ground_figures import class_areas
from geoflow.report.symbology import MISSED, RATIO_CLASSES
from geoflow.report.ticket_words import rounded
from geoflow.workflow.reconciling import reconcile_file

ACRE, POUND, WIDE = 4046.8564224, 0.45359237, 12.0
RATES = (170 * LB_PER_AC, 180 * LB_PER_AC, 190 * LB_PER_AC)


def command(*arguments: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main([*arguments]) in (0, 1)
    return out.getvalue()


def document(*arguments: str) -> dict:
    return json.loads(command(*arguments, "--json", "-"))


# By ground, with what overlaps received


def faces_of(shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Faces that the outlines cut each other into, and which shape lies on which face."""
    lines = shapely.union_all(shapely.boundary(shapes))
    faces = np.asarray(shapely.get_parts(shapely.polygonize([lines])))
    inside, shape = shapely.STRtree(shapes).query(shapely.point_on_surface(faces), predicate="within")
    return faces, inside, shape


@pytest.fixture(scope="module")
def crossing(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], dict[str, float]]:
    """Passes that overlap by a third with rates of their own over two zones; the truth by cutting faces."""
    folder = tmp_path_factory.mktemp("crossing")
    draw = np.random.default_rng(4)
    along = np.arange(30) * 4.0
    shapes = np.concatenate([shapely.box(8.0 * at, along, 8.0 * at + WIDE, along + 4.0) for at in range(6)])
    shapes = np.append(shapes, shapely.affinity.rotate(shapely.box(0, 50, 50, 62), 20, origin="center"))
    rate = draw.choice([50.0, 100.0, 108.0, 140.0], shapes.size)
    geopandas.GeoDataFrame(
        {"applied (kg N/ha)": rate, "time": stamps(np.arange(shapes.size))}, geometry=in_degrees(shapes), crs=4326
    ).to_file(folder / "log.gpkg")
    zones = np.array([shapely.box(-1, -1, 26, 121), shapely.box(26, -1, 53, 121)], dtype=object)
    asked = np.array([100.0, 208.0])
    geopandas.GeoDataFrame({"kg_n_ha": asked}, geometry=in_degrees(zones), crs=4326).to_file(
        folder / "rx.geojson", driver="GeoJSON", COORDINATE_PRECISION=12
    )
    faces, inside, shape = faces_of(np.append(shapes, zones))
    part, total, layers, target = shape < shapes.size, *np.zeros((3, faces.size))
    np.add.at(total, inside[part], rate[shape[part]])
    np.add.at(layers, inside[part], 1.0)
    np.add.at(target, inside[~part], asked[shape[~part] - shapes.size])
    kept = (layers > 0) & (target > 0)
    area = shapely.area(faces)[kept]
    near = np.abs(total / np.where(target > 0, target, 1.0) - 1.0)[kept]
    share = area / area.sum()
    truth = {
        "compared_ac": float(area.sum()) / ACRE,
        "within_5": float(share[near <= 0.05].sum()),
        "within_10": float(share[near <= 0.1].sum()),
        "within_20": float(share[near <= 0.2].sum()),
        "mean": float(share @ total[kept]) * 1e-4 / LB_PER_AC,
    }
    return ["reconcile", str(folder / "log.gpkg"), "--target", str(folder / "rx.geojson")], truth


def test_shares_are_of_ground_with_all_that_fell_on_it(crossing: tuple[list[str], dict[str, float]]) -> None:
    arguments, truth = crossing
    said = document(*arguments)
    agreed = said["agreement"]
    for name in ("within_5", "within_10", "within_20"):
        assert agreed[name] == pytest.approx(truth[name], abs=1e-3), name
    assert agreed["compared_ac"] == pytest.approx(truth["compared_ac"], rel=1e-3)
    assert agreed["applied_mean_lb_n_ac"] == pytest.approx(truth["mean"], rel=1e-3)
    assert said["totals"]["applied_mean_lb_n_ac"] == agreed["applied_mean_lb_n_ac"]
    # Each pass by itself says something else, and stands apart.
    assert abs(said["agreement_by_pass"]["within_10"] - agreed["within_10"]) > 0.02
    off = sum(one["area_ac"] for one in said["causes"].values())
    assert off == pytest.approx((1.0 - agreed["within_10"]) * agreed["compared_ac"], abs=1e-4)
    assert said["causes"]["overlap"]["area_ac"] > 0.2 * off


def test_the_same_number_in_sentence_table_map_zones_and_json(
    crossing: tuple[list[str], dict[str, float]], tmp_path: Path
) -> None:
    arguments, _ = crossing
    said, text = document(*arguments), command(*arguments)
    share = f"{100 * said['agreement']['within_10']:.1f} %"
    assert f"By the log, {share} of " in text
    assert re.search(rf"^  within 10 %\s+{share}$", text, re.MULTILINE)
    assert not re.search(r"within 10 % +(?!" + share + r")\d", text.split("Zones")[0])
    found = reconcile_file(arguments[1], ComparisonOptions(target=arguments[3])).found
    areas = class_areas(found)
    names = [look.name for look in RATIO_CLASSES]
    compared = said["agreement"]["compared_ac"] * ACRE
    assert areas[names.index("within 10 %")] / compared == pytest.approx(said["agreement"]["within_10"], abs=2e-6)
    assert areas[: len(names)].sum() == pytest.approx(compared, rel=1e-6)
    assert areas[len(names)] == pytest.approx(said["coverage"]["missed_ac"] * ACRE, abs=0.01), MISSED.name
    assert areas.sum() - areas[len(names)] == pytest.approx(said["coverage"]["covered_ac"] * ACRE, rel=1e-6)
    by_zone = [(one["covered_ac"], one["within_10"]) for one in said["zones"]]
    weighted = sum(area * near for area, near in by_zone) / sum(area for area, _ in by_zone)
    assert weighted == pytest.approx(said["agreement"]["within_10"], abs=1e-3)
    page = tmp_path / "report.html"
    command("report", *arguments, "--out", str(page))
    assert f"By the log, {share} of " in page.read_text(encoding="utf-8")


def test_rates_and_bands_spread_over_the_ground_compared(crossing: tuple[list[str], dict[str, float]]) -> None:
    """Bins and bands add up to the ground, agree with the shares told, and are what the faces say."""
    arguments, truth = crossing
    said, text = document(*arguments), command(*arguments)
    spread, compared = said["spread"], said["agreement"]["compared_ac"]
    edges = np.array(spread["rate_edges_lb_n_ac"])
    for name, mean in (("asked_ac", said["totals"]["target_mean_lb_n_ac"]), ("given_ac", truth["mean"])):
        areas = np.array(spread[name])
        assert areas.sum() == pytest.approx(compared, rel=1e-5)
        assert areas @ edges[:-1] / areas.sum() <= mean <= areas @ edges[1:] / areas.sum()
    # 100 and 208 kg/ha are 89.2 and 185.6 lb/ac: two bins and no more.
    assert np.count_nonzero(spread["asked_ac"]) == 2
    under, over = np.array(spread["under_share"]), np.array(spread["over_share"])
    assert under.sum() + over.sum() == pytest.approx(1.0, abs=1e-5)
    within_so_far = np.cumsum(under + over)
    for at, name in ((1, "within_5"), (2, "within_10"), (3, "within_20")):
        assert spread["off_by_up_to_share"][at] == int(name[7:]) / 100
        assert within_so_far[at] == pytest.approx(truth[name], abs=1e-3)
    assert f"{100 * (under[-1] + over[-1]):.1f} %" in re.search(r"more than 20 % off.*", text).group()  # type: ignore[union-attr]


# Nothing asked, nothing given


@pytest.fixture(scope="module")
def zeroes(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """Stretches of rate 0 among others, the bar on over them and nothing flowing, and a rate of one decimal."""
    files = write(tmp_path_factory.mktemp("zeroes"), Field(rates=(0.0, 180 * LB_PER_AC), zone_length=90.0))
    table = table_of(files.applied)
    for name in ("applied (kg N/ha)", "flow (lb NH3/min)"):
        table[name] = table[name].round(1)
    table.to_csv(files.log, index=False)
    return files


def test_nothing_flowing_where_nothing_was_asked_is_no_lost_liquid(zeroes: Files) -> None:
    said = document(*zeroes.usual)
    log = zeroes.applied
    quiet = log.on & (log.target == 0.0) & (log.bar_pressure < vapour_pressure(log.temperature))
    assert quiet.sum() > 500  # there is something to be mistaken about
    assert "liquid margin lost" not in {one["kind"] for one in said["findings"]}


@pytest.mark.parametrize("on", ["logged", "off at zero", "none"])
def test_ground_that_was_to_get_nothing_is_not_missed(on: str, zeroes: Files, tmp_path: Path) -> None:
    """With the map, and with the log's own target inside a boundary: on or off over it, logged or not."""
    table = pandas.read_csv(zeroes.log)
    if on != "logged":
        table["on"] = (table["on"] == 1) & ~((table["target (kg N/ha)"] == 0.0) & (table["applied (kg N/ha)"] == 0.0))
        table["on"] = table["on"].astype(int)
    if on == "none":
        table = table.drop(columns="on")
        table.loc[table["applied (kg N/ha)"] == 0.0, "applied (kg N/ha)"] = np.nan
    table.to_csv(tmp_path / "log.csv", index=False)
    bar = ["--bar", str(zeroes.bar), "--boundary", str(zeroes.boundary)]
    mapped = document("reconcile", str(tmp_path / "log.csv"), "--target", str(zeroes.target), *bar)
    alone = document("reconcile", str(tmp_path / "log.csv"), *bar)
    field = 6 * zeroes.width * 450.0 / ACRE
    for said in (mapped, alone):
        cover = said["coverage"]
        assert cover["missed_ac"] < 0.015 * field
        assert "missed ground" not in {one["kind"] for one in said["findings"]}
        whole = cover["missed_ac"] + cover["missed_where_nothing_asked_ac"] + cover["covered_in_field_ac"]
        assert whole == pytest.approx(field, rel=1e-3)
    assert all(one["missed_ac"] == 0.0 for one in mapped["zones"] if one["target_lb_n_ac"] == 0.0)


def test_a_stretch_where_liquid_was_lost_has_that_cause(tmp_path: Path) -> None:
    files = write(tmp_path, Field(rates=(180 * LB_PER_AC,), seed=2, noise=0.002))
    table, log = table_of(files.applied), files.applied
    lost = log.on & (log.run == 4) & (log.y > 120.0) & (log.y < 330.0)
    boiling = (vapour_pressure(fahrenheit(30)) - 101325.0) / 6894.757 - 9.0
    table.loc[lost, "bar pressure (psi)"] = boiling
    table.loc[lost, "applied (kg N/ha)"] *= 0.75
    table.loc[lost, "flow (lb NH3/min)"] *= 0.75
    table.to_csv(files.log, index=False)
    said = document(*files.usual)
    area = 210.0 * files.width / ACRE
    assert said["causes"]["liquid lost"]["area_ac"] == pytest.approx(area, rel=0.02)
    assert said["causes"]["unexplained"]["area_ac"] == 0.0
    assert "liquid margin lost" in {one["kind"] for one in said["findings"]}


def test_what_makes_the_rest_wrong_is_said_first(zeroes: Files, tmp_path: Path) -> None:
    """The whole bar's width in every section's record, and a target that is zero throughout."""
    table = pandas.read_csv(zeroes.log).assign(**{"width (ft)": 40.0, "target (kg N/ha)": 0.0})
    table = pandas.concat([table.assign(section=at + 1) for at in range(4)]).sort_values(["time", "section"])
    table.drop(columns="step (m)").to_csv(tmp_path / "log.csv", index=False)
    text = command("reconcile", str(tmp_path / "log.csv"))
    first, second = re.findall(r"^  - ([A-Za-z ]+): ", text, re.MULTILINE)[:2]
    assert (first, second) == ("Doubtful log", "Ground driven over and over")
    assert "Neither the log nor a map says what was asked for" in text
    assert "0.0 %" not in text


# Tickets


@pytest.fixture(scope="module")
def weighed(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return write(tmp_path_factory.mktemp("weighed"), Field(rates=RATES, zone_length=90.0, overcount=1.03))


def test_what_the_tickets_make_of_it_stands_beside_what_the_log_says(weighed: Files) -> None:
    ticket = ["--ticket", f"{weighed.truth.ammonia:.3f} kg NH3"]
    said, text = document(*weighed.usual, *ticket), " ".join(command(*weighed.usual, *ticket).split())
    factor = said["ticket"]["meter_factor"]
    assert factor == pytest.approx(1 / 1.03, abs=0.005)
    totals = said["totals"]
    assert totals["applied_ticket_lb_n"] == pytest.approx(0.82 * weighed.truth.ammonia / POUND, rel=1e-5)
    for one in said["zones"]:
        assert one["applied_ticket_lb_n_ac"] == pytest.approx(factor * one["applied_lb_n_ac"], rel=1e-5)
    corrected = said["agreement_ticket"]
    assert corrected["applied_mean_lb_n_ac"] == pytest.approx(factor * totals["applied_mean_lb_n_ac"], rel=1e-5)
    assert corrected["bias_lb_n_ac"] == pytest.approx(
        corrected["applied_mean_lb_n_ac"] - totals["target_mean_lb_n_ac"], abs=1e-4
    )
    assert corrected["within_5"] < said["agreement"]["within_5"]
    less = f"about {100 * (1 - factor):.1f} % less went out than the log says"
    assert f"By the scale tickets {less}: {corrected['applied_mean_lb_n_ac']:.1f} lb N/ac" in text
    assert f"{totals['applied_ticket_lb_n']:,.0f} lb by the scale tickets" in text
    # No more digits than a scale, a meter and a log can tell.
    assert not re.search(r"pulses[^0-9]*10 lb N, about [\d,]*\.\d", text)
    assert re.search(r"multiply the log by 0\.97\d ", text)


def test_without_tickets_nothing_is_made_up(weighed: Files) -> None:
    said = document(*weighed.usual)
    assert said["totals"]["applied_ticket_lb_n"] is None
    assert said["agreement_ticket"] is None
    assert {one["applied_ticket_lb_n_ac"] for one in said["zones"]} == {None}
    assert "ticket" not in command(*weighed.usual).split("What was read")[0]


def test_concordance_is_null_against_one_rate(tmp_path: Path) -> None:
    said = document(*write(tmp_path, Field(rates=(180 * LB_PER_AC,))).usual)
    assert said["agreement"]["concordance"] is None
    assert said["agreement"]["within_10"] > 0.9


def test_tickets_load_by_load(tmp_path: Path) -> None:
    """A tank changed for a quarter of an hour after the second and the fourth pass; the loads are weighed unevenly."""
    log, _ = simulate(Field(rates=RATES, seed=3))
    stops = 900.0 * (np.digitize(log.run, [3, 5]))
    log.time[:] = log.time + stops
    out = np.where(log.on, log.applied * log.step * log.width, 0.0) / 0.82
    logged = np.array([out[(log.run > 2 * at) & (log.run <= 2 * at + 2)].sum() for at in range(3)])
    weights = logged * [0.96, 0.98, 0.97]
    found = match_loads(log, weights, 0.82)
    assert found is not None
    np.testing.assert_allclose(found.logged, logged, rtol=1e-9)
    np.testing.assert_allclose(found.factor, [0.96, 0.98, 0.97], rtol=1e-9)
    # One ticket, tickets in another order than the loads, or no stops: only the sum can be compared.
    assert match_loads(log, weights[:1], 0.82) is None
    assert match_loads(log, weights * [0.7, 1.3, 1.0], 0.82) is None
    log.time[:] = log.time - stops
    assert match_loads(log, weights, 0.82) is None


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1597.22, "1,595"), (741.55, "742"), (608.85, "608"), (12.3456, "12.35"), (0.98765, "0.988"), (54321.0, "54,400")],
)
def test_no_more_digits_than_half_a_percent(value: float, shown: str) -> None:
    assert rounded(value) == shown
    assert float(shown.replace(",", "")) == pytest.approx(value, rel=0.0025)
