"""What the summary of a season says of its bars, and where it leads: chance, names on the map, links to reports."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from scipy.stats import false_discovery_control, fisher_exact

pytest.importorskip("distributed", reason="needs the extra 'season'")
pytest.importorskip("pyarrow", reason="needs the extra 'season'")

from geoflow import __version__
from geoflow.report.canvas import Canvas
from geoflow.report.false_discovery import adjusted, chance_of_so_many
from geoflow.report.model import Table
from geoflow.report.season import bar_rows
from geoflow.report.season_map import season_map
from geoflow.season.catalog import Entry
from geoflow.season.field import Task, work
from geoflow.season.store import Store
from geoflow.season.summary import read_records, season_document, write_summary

FIELDS = Path(__file__).parent.parent / "sample_fields"
VET = {
    "prescription": str(FIELDS / "kettle_rise.geojson"), "bar": str(FIELDS / "wren.toml"), "temperature": "45..52 degF",
    "speed": "5 mph", "rate_column": "target", "rate_unit": "lb N/ac",
}  # fmt: skip


def test_the_chance_of_so_many_is_scipys_exact_test() -> None:
    draw = np.random.default_rng(4)
    for _ in range(200):
        tries, rest = draw.integers(1, 60, 2)
        hits, others = draw.integers(0, tries + 1), draw.integers(0, rest + 1)
        theirs = fisher_exact([[hits, tries - hits], [others, rest - others]], alternative="greater").pvalue
        assert chance_of_so_many(int(hits), int(tries), int(others), int(rest)) == pytest.approx(theirs, rel=1e-9)


def test_the_adjustment_is_scipys_benjamini_and_hochberg() -> None:
    draw = np.random.default_rng(5)
    for size in (1, 2, 7, 300):
        chances = draw.uniform(0.0, 1.0, size) ** 3
        chances[: size // 3] = chances[0]  # some alike
        assert adjusted(chances.tolist(), size) == pytest.approx(false_discovery_control(chances, method="bh"))
        # Tests that showed nothing count with a chance of 1.
        padded = false_discovery_control(np.concatenate([chances, np.ones(11)]), method="bh")[:size]
        assert adjusted(chances.tolist(), size + 11) == pytest.approx(padded)
    assert adjusted([], 0) == []


def record(bar: str, kinds: list[str], job: str = "reconcile") -> dict[str, Any]:
    found = [{"kind": kind, "about": "bar", "acres": None, "numbers": {}} for kind in kinds]
    return {"status": "findings", "job": job, "row": {"bar": bar}, "findings": found}


def seasons(draw: np.random.Generator, bars: int, fields: int, worn: float = 0.0) -> list[dict[str, Any]]:
    """Findings of six kinds that come to every bar alike; with `worn`, one kind comes to the first bar besides."""
    usual = np.array([0.02, 0.05, 0.1, 0.2, 0.3, 0.5])
    found = []
    for bar in range(bars):
        shown = draw.uniform(size=(fields, usual.size)) < usual
        shown[:, 0] |= (bar == 0) & (draw.uniform(size=fields) < worn)
        found += [record(f"bar {bar}", [f"kind {at}" for at in np.flatnonzero(one)]) for one in shown]
    return found


def test_where_all_bars_are_alike_hardly_any_stands_out() -> None:
    """Where there is nothing to find, the rate of false discoveries is the share of seasons that name any bar.

    95 % intervals that do not overlap, the rule before, named one in 88 % of these seasons.
    """
    draw = np.random.default_rng(6)
    named = [any(row["stands_out"] for row in bar_rows(seasons(draw, 30, 12))) for _ in range(150)]
    assert np.mean(named) <= 0.05


def test_a_worn_bar_stands_out_among_many() -> None:
    draw = np.random.default_rng(7)
    rows = [bar_rows(seasons(draw, 30, 12, worn=0.8))[0] for _ in range(30)]
    first = [row["bar"] == "bar 0" and (row["stands_out"] or "").startswith("kind 0: in ") for row in rows]
    assert np.mean(first) > 0.9


def test_what_stands_out_says_how_many_fields_it_rests_on_and_counts_those_that_could_show_it() -> None:
    records = [record("worn", ["wear"] if at < 7 else []) for at in range(8)]
    records += [record("sound", []) for _ in range(16)]
    records += [record(bar, ["fails: pump flow"], "vet") for bar in ("worn", "sound") for _ in range(40)]
    first, second = bar_rows(records)
    assert first["stands_out"] == "wear: in 7 of its 8 fields with a log, elsewhere in 0 of 16"
    assert second["stands_out"] is None  # all maps fail, whichever bar is to do them
    lone = bar_rows([record("only", ["wear"]) for _ in range(9)])
    assert lone[0]["stands_out"] is None  # there is nothing to hold it against


def row(field: str, lon: float, lat: float, **more: Any) -> dict[str, Any]:
    return {"field": field, "job": "vet", "status": "fine", "lon": lon, "lat": lat, "area_ac": 80.0, "bar": "x", **more}


def test_fields_are_named_on_the_map_where_no_name_covers_another(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[Any] = []
    real = Canvas.save
    monkeypatch.setattr(Canvas, "save", lambda self, *given: (kept.append(self.figure), real(self, *given))[1])
    draw = np.random.default_rng(8)
    far = [row(f"North {at}", -93.0 + 0.1 * at, 42.0, status="findings") for at in range(6)]
    crowd = [row(f"Crowd {at}", -92.7 + draw.normal(0.0, 0.01), 42.2 + draw.normal(0.0, 0.01)) for at in range(60)]
    assert season_map([*far, *crowd], "us")[:4] == b"\x89PNG"
    figure = kept[0]
    texts = {text.get_text(): text for axes in figure.axes for text in axes.texts}
    names = [one["field"] for one in (*far, *crowd) if one["field"] in texts]
    assert {one["field"] for one in far} <= set(names) and 6 < len(names) < 66
    said = " ".join(" ".join(text.get_text() for text in figure.texts).split())
    assert f"{len(names)} of 66 have room for their name; the table names all." in said
    boxes = np.array([texts[name].get_window_extent().extents for name in names])
    low, high = boxes[:, None, :2], boxes[:, None, 2:]
    overlap = (np.minimum(high, boxes[None, :, 2:]) - np.maximum(low, boxes[None, :, :2]) > 1.0).all(axis=2)
    assert overlap.sum() == len(names)  # each with itself


def test_the_summary_leads_to_each_fields_report(tmp_path: Path) -> None:
    entries = [Entry(name, "vet", VET) for name in ("A/1", "field 7 %", 'q"<b>')]
    entries.append(Entry("broken", "vet", {**VET, "temperature": "x"}))
    for entry in entries:
        work(Task(entry, Store(str(tmp_path), "run"), __version__, "us", False, False))
    store = Store(str(tmp_path), "run")
    document = season_document(read_records(store, entries, {}), "c.csv", "out", orphans=0, deaths=0)
    write_summary(store, document, "us")
    page = (tmp_path / "summary" / "season.html").read_text(encoding="utf-8")
    links = re.findall(r'<a href="([^"]*)">([^<]*)</a>', page)
    assert [name for _, name in links] == ["A/1", "field 7 %", "q&#34;&lt;b&gt;"]
    for link, _ in links:
        target = (tmp_path / "summary" / unquote(link)).resolve()
        assert target.parent == tmp_path / "reports" and "Kettle" in target.read_text(encoding="utf-8").title()
    assert document["fields"][3]["report"] is None


def test_a_tables_links_are_one_for_each_row() -> None:
    with pytest.raises(ValueError, match="one for each row"):
        Table("t", ("a",), (("1",), ("2",)), "<", links=("x",))
