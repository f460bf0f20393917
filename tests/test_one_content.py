"""What a season or a reconciled log comes to is said once: the terminal and the page show the same sentences."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from simulated_files import write
from simulator import Field

import geoflow
from geoflow import cli
from geoflow.report.model import BulletList, Paragraph, Report, Table
from geoflow.report.season_report import season_page, season_report, season_text
from geoflow.season.catalog import Entry
from geoflow.season.field import failed_record
from geoflow.season.summary import season_document

ERROR = {"what": "the file <b>holds</b> no zones", "where": "a & b.shp", "cure": 'give "another" one'}


def sentences(report: Report) -> list[str]:
    """Every sentence and cell meant for the terminal."""
    found = [report.answer]
    for _, blocks in report.shown("terminal"):
        for block in blocks:
            if isinstance(block, Paragraph):
                found.append(block.text)
            elif isinstance(block, BulletList):
                found += block.texts
            elif isinstance(block, Table):
                found += [cell for row in block.rows for cell in row]
    return found


def letters(text: str) -> str:
    """A text without its white space, which folding moves."""
    return re.sub(r"\s+", "", text)


def page_text(page: str) -> str:
    return letters(html.unescape(re.sub(r"<[^>]*>", "", page)))


@pytest.fixture(scope="module")
def season() -> dict:
    records = [failed_record(Entry(name, "vet", {}), ERROR, {}) for name in ("<i>one</i>", "two")]
    return season_document(records, "<u>c</u>.csv", "out", orphans=2, deaths=0)


def test_a_season_says_the_same_at_the_terminal_and_on_its_page(season: dict) -> None:
    text, page = letters(season_text(season, "us", [], 0)), season_page(season, b"", "us")
    said = sentences(season_report(season, "us", most=12))
    assert any("2 more fields of an earlier run" in one for one in said)
    assert sum(ERROR["cure"] in one and ERROR["where"] in one for one in said) == 2
    for one in said:
        assert letters(one) in text and letters(one) in page_text(page), one
    assert not re.search(r"<(b|i|u)>", page) and "&lt;b&gt;holds" in page


def test_a_reconciled_log_says_the_same_at_the_terminal_and_in_print(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = write(tmp_path, Field(offsets=(0.0, 0.0, 1.5, 1.5), overcount=1.04))
    arguments = [*files.usual, "--ticket", f"{files.truth.ammonia:.3f} kg NH3", "--all-zones"]
    assert cli.main(arguments) == 1
    text = capsys.readouterr().out
    assert cli.main(["report", *arguments, "--out", str(tmp_path / "r.html")]) == 1
    page = page_text((tmp_path / "r.html").read_text(encoding="utf-8"))
    lines = [line.strip().removeprefix("- ").removeprefix("! ") for line in text.splitlines()]
    assert sum("Ticket off" in line or "Doubled ground" in line for line in lines) == 2
    for line in lines:
        assert letters(line) in page, line


def test_only_the_template_makes_pages() -> None:
    """Nothing is escaped by hand: what could be forgotten is not asked for (docs/decisions/0009)."""
    for path in Path(geoflow.__file__).parent.rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        assert "from html import" not in source and "html.escape" not in source, path
        assert not re.search(r"<(html|head|main|p|form)\b[^>]*>", source), f"{path} sets a page without a template"
