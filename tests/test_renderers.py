"""One content, four settings: what is meant for all renderers stands in all of them, and nothing is lost in folding."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

import pytest

from geoflow.options.typed import PlanOptions, ReadOptions, RewriteOptions
from geoflow.report.html import as_html
from geoflow.report.model import EVERYWHERE, PRINTED, SCREEN, Block, BulletList, Paragraph, Report, Section, Table
from geoflow.report.planning import planned_report
from geoflow.report.rewritten import rewritten_report
from geoflow.report.terminal import as_text
from geoflow.report.vetted import vetted_report
from geoflow.report.window import window_report
from geoflow.workflow.planning import plan_field
from geoflow.workflow.rewriting import rewrite_file
from geoflow.workflow.vetting import vet_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN = str(FIELDS / "kettle_rise.geojson"), str(FIELDS / "wren.toml")


def flat(text: str) -> str:
    return "".join(text.split())


def texts(block: Block) -> tuple[str, ...]:
    if isinstance(block, Paragraph):
        return (block.text,)
    if isinstance(block, BulletList):
        return block.texts
    assert isinstance(block, Table)
    return (block.caption, *block.heads, *(cell for row in block.rows for cell in row))


def of(*blocks: Block) -> Report:
    return Report("title", "under", "answer", (Section("one", "One", blocks),), "caution", "stamp")


@pytest.fixture(scope="module")
def reports() -> dict[str, Report]:
    plan = PlanOptions(bar=WREN, temperature="45..52 degF", speed="5 mph")
    vetted = vet_file(KETTLE, plan, ReadOptions(rate_column="target", rate_unit="lb N/ac"))
    planned = plan_field(vetted, speed_given=False)
    rewritten = rewrite_file(vetted, RewriteOptions(policy="hold-rate", allow_raise=True))
    return {
        "vet": vetted_report(vetted, "us"),
        "plan": planned_report(planned, "us"),
        "rewrite": rewritten_report(rewritten, "us"),
        "window": window_report(vetted.solution, "us", with_speed=True),
    }


@pytest.mark.parametrize("name", ["vet", "plan", "rewrite", "window"])
def test_what_is_meant_for_all_stands_in_all(reports: dict[str, Report], name: str) -> None:
    report = reports[name]
    page, said = flat(html.unescape(as_html(report))), flat(as_text(report))
    count = 0
    for section in report.sections:
        for block in section.blocks:
            for text in texts(block):
                words = text.split()
                if "html" in block.on:
                    assert flat(text) in page, text
                # In a folded table other cells stand between the lines of one.
                if "terminal" in block.on:
                    folded = isinstance(block, Table) and all(word in said for word in words)
                    assert folded or flat(text) in said, text
                count += len(words)
    assert count > 100


@pytest.mark.parametrize("name", ["vet", "plan", "rewrite", "window"])
def test_the_answer_comes_first_and_lines_fit(reports: dict[str, Report], name: str) -> None:
    said = as_text(reports[name])
    assert flat(said).startswith(flat(reports[name].answer))
    assert max(map(len, said.splitlines())) <= 100
    assert all(line == line.rstrip() for line in said.splitlines())


@pytest.mark.parametrize(
    ("on", "terminal", "page", "paper"),
    [(EVERYWHERE, True, True, True), (PRINTED, False, False, True), (SCREEN, True, True, False)],
)
def test_a_block_is_set_only_where_it_is_meant(on: Any, terminal: bool, page: bool, paper: bool) -> None:
    report = of(Paragraph("always"), Paragraph("sometimes", on=on))
    assert ("sometimes" in as_text(report)) == terminal
    assert ("sometimes" in as_text(report, "page")) == page
    assert ("sometimes" in as_html(report)) == paper


def test_a_section_without_anything_to_say_has_no_heading() -> None:
    report = of(Paragraph("on paper", on=PRINTED))
    assert "One" not in as_text(report) and ">One<" in as_html(report)


def test_a_wide_table_is_folded_and_keeps_every_word() -> None:
    words = [f"word{number}" for number in range(60)]
    said = as_text(of(Table("caption", ("zone", "why"), (("7", " ".join(words)),), "><")))
    assert max(map(len, said.splitlines())) <= 100 and all(word in said for word in words)


def test_nothing_unseen_reaches_any_renderer() -> None:
    """Marks that turn the writing round, and control characters a terminal would obey."""
    dirt = "a\u202eb\x1b[31mc\x07"
    report = of(Paragraph(dirt), BulletList((dirt,)), Table(dirt, (dirt,), ((dirt,),), "<"))
    for text in (as_text(report), as_html(report)):
        assert not set(text) & {"\u202e", "\x1b", "\x07"} and "a�b�[31mc�" in text
