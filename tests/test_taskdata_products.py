"""Task data of another product are refused, and so is rewriting that would lose what the file holds besides."""

from __future__ import annotations

import json
import zipfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import shapely
from log_files import north_run, write_csv
from taskdata_files import element, field, polygon, rate, square, task, taskdata

from geoflow import cli
from geoflow.base.errors import OutputError, PrescriptionError
from geoflow.isoxml.products import names_ammonia
from geoflow.options.typed import PlanOptions, ReadOptions, RewriteOptions
from geoflow.prescription_files.read_prescription import read_prescription

FIELDS = Path(__file__).parent.parent / "sample_fields"
HERON = str(FIELDS / "heron.toml")
PLAN = ["--bar", HERON, "--temperature", "40 degF", "--speed", "5 mph"]
PLANNED = PlanOptions(bar=HERON, temperature="40 degF", speed="5 mph")
HOLD_SPEED = RewriteOptions(policy="hold-speed")
KETTLE = [str(FIELDS / "kettle_rise.geojson"), "--rate-column", "target", "--rate-unit", "lb N/ac"]
# Exact: 1 lb = 0.45359237 kg, 1 acre = 4046.8564224 m2, so 1 lb/ac is this in kg/ha.
PER = 0.45359237 / 0.40468564224


@pytest.mark.parametrize(
    "name",
    ["NH3", "nh3", "Anhydrous ammonia", "Anhydrous Ammonia 82-0-0", "82-0-0", "NH3 (82 % N)", "ammonia 99,5 %",
     "Wasserfreies Ammoniak", "amoníaco anhidro", "Ammoniac anhydre", "Anhydrous + stabiliser"],
)  # fmt: skip
def test_names_of_ammonia(name: str) -> None:
    assert names_ammonia(name)


@pytest.mark.parametrize(
    "name",
    ["", "Solid 27 % N", "Urea 46-0-0", "UAN 32", "Aqua ammonia", "Ammonia water 25 %", "Ammonium nitrate",
     "Ammonia nitrate", "Aqueous NH3", "NH3 20-0-0", "Product 1", "ammonia 25%", "ammonium sulfate", "82-0-1"],
)  # fmt: skip
def test_names_of_something_else(name: str) -> None:
    assert not names_ammonia(name)


def map_of(folder: Path, product: str | None, ddi: str, *, allotted: bool = False, linked: bool = True) -> Path:
    own = {"C": "PDT1"} if product is not None and linked else {}
    zones = [
        element("TZN", rate(ddi, 0, **own), A=0, B="outside"),
        element("TZN", rate(ddi, 12000, **own), polygon(2, square(0, 0)), A=1, B="West"),
        element("TZN", rate(ddi, 16000, **own), polygon(2, square(1, 0)), A=2, B="East"),
    ]
    zones += [element("PAN", A="PDT1")] if allotted else []
    products = [] if product is None else [element("PDT", A="PDT1", B=product)]
    return taskdata(folder, *products, field(), task(*zones))


@pytest.mark.parametrize("ddi", ["01B0", "0006", "0001", "024C"])
@pytest.mark.parametrize("how", ["linked", "allotted", "alone"])
def test_another_product_is_refused_and_taken_on_the_users_word(tmp_path: Path, ddi: str, how: str) -> None:
    path = map_of(tmp_path, "Solid 27 % N", ddi, allotted=how == "allotted", linked=how == "linked")
    with pytest.raises(PrescriptionError, match="rates are of 'Solid 27 % N'") as caught:
        read_prescription(path)
    assert "--take-as-ammonia" in caught.value.cure
    read = read_prescription(path, take_as_ammonia=True)
    assert any("because --take-as-ammonia says so" in note.text for note in read.notes)
    assert read_prescription(map_of(tmp_path / "b", "NH3", ddi)).rate.tolist() == read.rate.tolist()


def test_a_product_without_a_name(tmp_path: Path) -> None:
    """Nitrogen is nitrogen; of a mass or volume of product nobody knows how much of it is."""
    read = read_prescription(map_of(tmp_path / "n", None, "01B0"))
    assert any("names no product" in note.text for note in read.notes)
    for ddi in ("0006", "0001", "024C"):
        path = map_of(tmp_path / ddi, None, ddi)
        with pytest.raises(PrescriptionError, match="a product the file does not name"):
            read_prescription(path)
        assert read_prescription(path, take_as_ammonia=True).rate_unit.text.count("NH3") == 1


def test_only_task_data_speak_of_a_product(tmp_path: Path) -> None:
    with pytest.raises(PrescriptionError, match="names no product"):
        read_prescription(FIELDS / "kettle_rise.geojson", take_as_ammonia=True, rate_unit="lb N/ac")


@pytest.mark.parametrize(
    "command",
    [
        ["vet", "RX", *PLAN],
        ["plan", "RX", *PLAN],
        ["rewrite", "RX", *PLAN, "--policy", "hold-speed", "--out", "out.gpkg"],
        ["report", "vet", "RX", *PLAN, "--out", "r.html"],
        ["convert", "RX", "--out", "c.gpkg"],
        ["reconcile", "LOG", "--target", "RX", "--rate-unit", "lb N/ac"],
    ],
    ids=lambda command: command[0],
)
def test_every_command_that_reads_a_prescription_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    path = map_of(tmp_path, "Solid 27 % N", "01B0")
    monkeypatch.chdir(tmp_path)
    places = {"RX": str(path), "LOG": str(write_csv(tmp_path / "log.csv", north_run(40)))}
    typed = [places.get(word, word) for word in command]
    assert cli.main(typed) == 2
    said = capsys.readouterr().err
    option = "--target-take-as-ammonia" if command[0] == "reconcile" else "say --take-as-ammonia"
    assert "'Solid 27 % N'" in said and option in said
    # Only where nothing is sent through a bar is another product's nitrogen a way out.
    assert ("--nitrogen" in said) is (command[0] in {"convert", "reconcile"})
    cli.main([*typed, option.removeprefix("say ")])
    assert "'Solid 27 % N', and that" not in capsys.readouterr().err


# 120 and 160 kg/ha, and 1.2 and 1.6 L/ha, of a product; 3.55 lb/gal is 0.425386 kg/L.
@pytest.mark.parametrize(
    ("ddi", "holds", "worth"),
    [("0006", "0.27", 32.4), ("0006", "27 %", 32.4), ("01B0", "0.27", 120.0), ("0001", "3.55 lb N/gal", 0.510463)],
)
@pytest.mark.parametrize("name", ["Solid 27 % N", None])
def test_another_product_is_converted_to_its_nitrogen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ddi: str, holds: str, worth: float, name: str | None
) -> None:
    path = map_of(tmp_path, name, ddi)
    argv = ["convert", str(path), "--nitrogen", holds, "--to-unit", "kg N/ha"]
    assert cli.main([*argv, "--out", str(tmp_path / "c.geojson"), "--json", "-"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [zone["after"] for zone in said["zones"]] == pytest.approx([worth, worth * 4 / 3], rel=1e-5)
    assert said["nitrogen_fraction"] is None, "no ammonia, no share of nitrogen in it"
    assert "--nitrogen" in json.dumps(said["input"]) or "(--nitrogen)" in json.dumps(said)
    assert cli.main([*argv, "--out", str(tmp_path / "c2.geojson")]) == 0
    assert "never vet them" in capsys.readouterr().out
    # In task data it stays what it is called, and is refused again where ammonia is needed.
    assert cli.main([*argv, "--out", str(tmp_path / "again")]) == 0
    with pytest.raises(PrescriptionError, match=f"rates are of '{name or 'Another product'}'"):
        read_prescription(tmp_path / "again")


@pytest.mark.parametrize(
    ("name", "ddi", "more", "text"),
    [
        ("NH3", "0006", ["--nitrogen", "0.27"], "--nitrogen speaks of another product, but the file's is 'NH3'"),
        ("UAN 32", "0006", ["--nitrogen", "3.55 lb N/gal"], "the prescription counts kg/ha, but --nitrogen 3.55"),
        ("UAN 32", "0006", ["--nitrogen", "32"], "a mass fraction of 32 cannot be"),
        ("UAN 32", "0006", ["--nitrogen", "0"], "'0' leaves no nitrogen"),
        ("UAN 32", "0006", ["--nitrogen", "much"], "'much' is no content of nitrogen"),
        (None, "0006", [], "are of a product the file does not name"),
        ("UAN 32", "0006", ["--nitrogen", "0.32", "--to-unit", "kg NH3/ha"], "cannot be counted in kg NH3/ha"),
    ],
)
def test_what_cannot_be_of_another_product(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str | None, ddi: str, more: list[str], text: str
) -> None:
    path = map_of(tmp_path, name, ddi)
    assert cli.main(["convert", str(path), "--out", str(tmp_path / "c.geojson"), *more]) == 2
    assert text in capsys.readouterr().err
    assert not (tmp_path / "c.geojson").exists()


def test_a_map_of_another_product_in_a_plain_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """30 gal/ac of 3.55 lb N/gal are 106.5 lb N/ac; rates that count nitrogen need no content."""
    zones = geopandas.GeoDataFrame({"rate": [30.0]}, geometry=[shapely.box(-95, 42, -94.999, 42.001)], crs=4326)
    zones.to_file(tmp_path / "uan.geojson", driver="GeoJSON")
    argv = ["convert", str(tmp_path / "uan.geojson"), "--nitrogen", "3.55 lb N/gal", "--out", str(tmp_path / "n.gpkg")]
    assert cli.main([*argv, "--rate-unit", "lb N/ac"]) == 2
    assert "--nitrogen speaks of another product, and the rates count lb N/ac" in capsys.readouterr().err
    assert cli.main([*argv, "--rate-unit", "gal/ac", "--json", "-"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["zones"][0]["after"] == pytest.approx(106.5) and said["output"]["rate_unit"] == "lb N/ac"


def test_a_log_of_another_product_against_its_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A map of 120 kg/ha of 27 % and a log of 32.4 kg N/ha agree; the log's own --nitrogen serves the map too."""
    path = map_of(tmp_path, "Solid 27 % N", "0006")
    run = north_run(30)
    run |= {"Longitude": [-94.9995] * 30, "Latitude": [42.0001 + 1.8e-5 * at for at in range(30)]}
    run |= {"Applied Rate (kg/ha)": [120.0] * 30}
    del run["Applied Rate (lb N/ac)"], run["Target Rate (lb N/ac)"]
    argv = ["reconcile", str(write_csv(tmp_path / "log.csv", run)), "--target", str(path), "--json", "-"]
    assert cli.main(argv) == 2
    assert cli.main([*argv, "--nitrogen", "0.27"]) in (0, 1)
    capsys.readouterr()
    assert cli.main([*argv, "--nitrogen", "0.27"]) in (0, 1)
    said = json.loads(capsys.readouterr().out)
    assert said["totals"]["target_mean_lb_n_ac"] == pytest.approx(32.4 / 1.12085, rel=1e-4)
    assert said["agreement"]["within_10"] == pytest.approx(1.0)


# Rewriting


def plain(target: Path, *more: str) -> Path:
    assert cli.main(["convert", *KETTLE, "--out", str(target), *more]) == 0
    return target


def rewritten(path: Path, target: Path, *more: str) -> int:
    return cli.main(["rewrite", str(path), *PLAN, "--policy", "hold-speed", "--out", str(target), *more])


@pytest.mark.parametrize("version", ["3", "4"])
@pytest.mark.parametrize(("before", "after"), [("T.zip", "new/R.zip"), ("T", "new/R"), ("T.zip", "R"), ("T", "R.ZIP")])
def test_plain_task_data_come_back_with_nothing_but_their_rates_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], before: str, after: str, version: str
) -> None:
    path = plain(tmp_path / before, "--task-version", version)
    assert rewritten(path, tmp_path / after) == 1
    assert str(tmp_path / after) in capsys.readouterr().out

    def lines(where: Path) -> list[str]:
        if where.is_dir():
            return (where / "TASKDATA/TASKDATA.XML").read_text().splitlines()
        return zipfile.ZipFile(where).read("TASKDATA/TASKDATA.XML").decode().splitlines()

    old, new = lines(path), lines(tmp_path / after)
    differing = [(one, other) for one, other in zip(old, new, strict=True) if one != other]
    assert differing and all("<PDV" in one or "<TZN" in one for one, _ in differing)
    assert (tmp_path / after).with_name("R_changes.csv").exists()


def odd_maps(folder: Path) -> dict[str, Path]:
    """Task data that hold more than zones with rates, and what of it would be lost."""
    text = (plain(folder / "T") / "TASKDATA/TASKDATA.XML").read_text()
    device = element("DVC", A="DVC1", B="bar", C="1", D="00", F="00", G="00")
    second = element("TSK", A="TSK2", B="other", G=1)
    fallback = '<TZN A="0" B="no rate">\n   <PDV A="01B0" B="'
    changed = {
        "device": text.replace("<TSK ", device + "<TSK ", 1),
        "other task": text.replace("</ISO11783", second + "</ISO11783"),
        "rate outside the zones": text.replace(fallback + "0", fallback + "5000"),
        "code of a zone": text.replace('TZN A="30"', 'TZN A="90"'),
        "PDT H='5'": text.replace('B="Anhydrous ammonia"', 'B="Anhydrous ammonia" H="5"'),
        "scale for the screen": text.replace('C="PDT1" E="VPN1"', 'C="PDT1"'),
    }
    found = {}
    for what, content in changed.items():
        assert content != text, what
        found[what] = folder / f"{len(found)}/TASKDATA"
        found[what].mkdir(parents=True)
        (found[what] / "TASKDATA.XML").write_text(content)
    for form, what in (("grid-1", "grid"), ("grid-2", "grid")):
        found[f"{what} {form}"] = plain(folder / form, "--task-form", form)
    return found


def test_what_geoflow_would_not_write_anew_stays_and_a_conversion_tells_what_it_loses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for at, (what, path) in enumerate(odd_maps(tmp_path).items()):
        here, more = tmp_path / "out" / str(at), ["--layer", "TSK1"] if what == "other task" else []
        for target in (here / "R", here / "Z.zip"):
            assert rewritten(path, target, *more) == 1, what
        capsys.readouterr()
        again = tmp_path / "again" / str(at)
        assert cli.main(["convert", str(path), "--out", str(again), *more]) == 0
        noted = " ".join(capsys.readouterr().out.split())
        assert "not as in the task data that were read" in noted and what.split(" grid-")[0] in noted


def test_an_input_that_changes_leaves_no_task_data(tmp_path: Path) -> None:
    """The task folder is in place before the side file; it must not be when the input turns out to have changed."""
    from geoflow.base.errors import InputError
    from geoflow.workflow import rewriting, vetting

    path = plain(tmp_path / "T")
    vetted = vetting.vet_file(str(path), PLANNED)
    outcome = rewriting.rewrite_file(vetted, HOLD_SPEED)
    main = path / "TASKDATA/TASKDATA.XML"
    main.write_text(main.read_text().replace("280", "281"))
    with pytest.raises((InputError, OutputError)):
        rewriting.write_rewriting(outcome, tmp_path / "new/R", replace=False, protect=())
    assert not (tmp_path / "new").exists()


# The numbers said are those in the file


@pytest.mark.parametrize(
    ("options", "unit", "factor"),
    [
        ([], "kg N/ha", PER),
        (["--to-unit", "lb NH3/ac"], "kg NH3/ha", PER / 0.82),
        (["--to-unit", "kg NH3/ha"], "kg NH3/ha", PER / 0.82),
    ],
)
@pytest.mark.parametrize("form", ["outlines", "grid-1", "grid-2"])
def test_a_conversion_tells_the_numbers_of_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], unit: str, factor: float, form: str
) -> None:
    wanted = [*KETTLE, *options, "--task-form", form, "--out", str(tmp_path / "T"), "--json", str(tmp_path / "j.json")]
    assert cli.main(["convert", *wanted]) in (0, 1)
    out = " ".join(capsys.readouterr().out.split())
    top = 250.0 * factor
    assert f"rates 0 to {top:.4g} {unit}, before 0 to 250 lb N/ac" in out
    said = json.loads((tmp_path / "j.json").read_text())
    assert said["output"]["rate_unit"] == unit and said["input"]["rate_unit"] == "lb N/ac"
    after = np.array([zone["after"] for zone in said["zones"]])
    assert after == pytest.approx([zone["before"] * factor for zone in said["zones"]], abs=0.0051)
    held = read_prescription(tmp_path / "T").rate
    assert set(np.round(held, 2)) <= set(np.round(after, 2)) and held.max() == after.max()


# The page and the season do as the command line does


def test_the_page_and_the_season_read_and_rewrite_task_data_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from geoflow.season.catalog import Entry
    from geoflow.season.outcomes import run_field
    from geoflow.web.tasks import TASKS, Unread
    from geoflow.web.work_tasks import do_work

    path = plain(tmp_path / "T.zip", "--task-version", "4")
    other = map_of(tmp_path / "other", "Solid 27 % N", "01B0")
    odd = map_of(tmp_path / "odd", "NH3", "01B0")
    monkeypatch.chdir(tmp_path)

    def rewritten(file: Path, out: str) -> Any:
        said = {**asdict(PLANNED), **asdict(HOLD_SPEED), "prescription": str(file.relative_to(tmp_path)), "units": "us"}
        return do_work(lambda _: None, "rewrite", said, out)

    def read(file: Path, options: ReadOptions) -> object:
        return TASKS["read"](lambda _: None, str(file.relative_to(tmp_path)), HERON, options)

    assert rewritten(path, "first").names == ("T_for_bar.zip", "T_for_bar_changes.csv")
    refused = read(other, ReadOptions())
    assert isinstance(refused, Unread) and "tick “the product of task data is ammonia" in refused.words
    assert not isinstance(read(other, ReadOptions(take_as_ammonia=True)), Unread)
    assert rewritten(odd, "second").names

    plan = {"temperature": "40 degF", "speed": "5 mph", "policy": "hold-speed"}
    for name, file, more, error in (
        ("fine", path, {}, None),
        ("other", other, {}, PrescriptionError),
        ("more than zones", odd, {}, None),
        ("said", other, {"take_as_ammonia": True}, None),
    ):
        entry = Entry(name, "rewrite", {**plan, **more})
        out = tmp_path / f"season_{name}"
        out.mkdir()
        files = {"prescription": file, "bar": Path(HERON)}
        if error is None:
            run_field(entry, files, out, "us", full=False)
            assert (out / "rewritten" / file.name).exists()
            continue
        with pytest.raises(error):
            run_field(entry, files, out, "us", full=False)
        assert not any(out.iterdir())
