"""Task data through the front door: vetted like any prescription, reconciled like any log."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from taskdata_files import DAY, at, bar, header, log_files, log_task, record, taskdata, write_map

from geoflow import cli
from geoflow.log_files.read_log import read_log
from geoflow.prescription_files.read_prescription import read_prescription

FIELDS = Path(__file__).parent.parent / "sample_fields"
# Exact definitions.
MG_PER_LB_AC = 112.0851156194456


@pytest.mark.parametrize("name", ["TASKDATA", "rx.zip"])
@pytest.mark.parametrize("form", ["outlines", "grid of zones", "grid of rates"])
def test_task_data_is_vetted_like_any_prescription(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, form: str
) -> None:
    """The two halves of a 600 m square hold at 160 and fail at 400 lb N/ac, whatever form they come in."""
    halves = np.array([shapely.box(-93.0, 42.0, -92.996, 42.004), shapely.box(-92.996, 42.0, -92.992, 42.004)])
    rates = np.array([160.0, 400.0]) * MG_PER_LB_AC * 1e-6
    write_map(tmp_path / name, halves, rates, basis="nitrogen", field="Two halves", form=form)
    read = read_prescription(tmp_path / name)
    assert read.rate_unit.text == "kg N/ha" and read.file_format == "task data"
    whole = cli.main(["vet", str(tmp_path / name), "--bar", str(FIELDS / "heron.toml"), "--temperature", "42 degF",
                      "--speed", "5 mph", "--json", "-"])  # fmt: skip
    zones = json.loads(capsys.readouterr().out)["zones"]
    assert whole == 1
    found = {round(zone["rate_lb_n_ac"]): zone["verdict"] for zone in zones if zone["verdict"] != "off"}
    assert found == {160: "holds", 400: "fails"}
    # 1 mg/m2 is 0.0089 lb/ac: rounding to integers costs at most half of that.
    asked = sorted({zone["rate_lb_n_ac"] for zone in zones} - {0.0})
    assert asked == pytest.approx([160.0, 400.0], abs=0.0046)


def test_a_time_log_is_read_like_any_log(tmp_path: Path) -> None:
    """Nitrogen asked 17,934 and applied 16,813 mg/m2 (160 and 150 lb N/ac) over a bar of two sections."""
    variables = [("01B0", "DET1"), ("01B1", "DET1"), ("018D", "DET1")]
    values = [(0, 17934), (1, 16813), (2, 2000)]
    records = [record(43_200_000 + 1000 * s, DAY, at(-95.0, 42.0 + 1.8e-5 * s), values) for s in range(20)]
    files = log_files("TLG00001", header(variables), b"".join(records))
    path = taskdata(tmp_path, bar([6.0, 6.0]), log_task("TLG00001"), files=files)
    read = read_log(path)
    assert read.file_format == "task data"
    lb = 0.45359237 / 4046.8564224
    assert read.log.applied / lb == pytest.approx(150.0, abs=0.01)
    assert read.log.target / lb == pytest.approx(160.0, abs=0.01)
    assert read.log.speed == pytest.approx(2.0)
    assert read.log.width.sum() / 20 == pytest.approx(12.0)
