"""The works of the page: what their fields say arrives, and what they write is the command line's, byte for byte."""

from __future__ import annotations

import contextlib
import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import need_page
from test_page import CHOSEN, HERE, OWN, PLAN, PORT, ask, bar_of, frame, open_tab, work

from geoflow import cli

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN, HERON = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", FIELDS / "heron.toml"
LOG, DAY = FIELDS / "lantern_flat_log.csv", FIELDS / "lantern_flat_day.csv"
DATE = "2026-04-30"
PLANNED = ("--temperature", "45..52 degF")
READ = ("--rate-column", "target", "--rate-unit", "lb N/ac")


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    need_page()
    from starlette.testclient import TestClient

    from geoflow.web.server import make_app

    with TestClient(make_app(PORT), base_url=HERE, headers=OWN) as found:
        yield found


@pytest.fixture(scope="module")
def tab(client: Any) -> str:
    return open_tab(client)


@pytest.fixture(scope="module")
def kettle(client: Any, tab: str) -> dict[str, Any]:
    """The question about the sample map, opened once."""
    said = work(client, tab, "read", frame({"bar": bar_of(WREN), "options": CHOSEN}, [KETTLE]))
    return {"opened": said["done"]["opened"], "plan": PLAN, "system": "us"}


def do(client: Any, tab: str, asked: dict[str, Any], *files: Path) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Do a work; what it says, and the files of its download."""
    said = work(client, tab, "work", frame(asked, list(files)))
    assert "done" in said, said
    sent = ask(client, tab, "download", {"task": asked["command"], "of": asked})
    with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
        return said["done"], {name: archive.read(name) for name in archive.namelist()}


def command_line(folder: Path, *arguments: object) -> tuple[str, dict[str, bytes]]:
    """What the command prints, and the files it writes below `folder`."""
    folder.mkdir(exist_ok=True)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(FIELDS), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        cli.main(list(map(str, arguments)))
    found = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    return out.getvalue() + err.getvalue(), found


def same(sent: dict[str, bytes], written: dict[str, bytes]) -> None:
    """The same files; a GeoPackage carries the moment it was written."""
    assert set(sent) == set(written)
    assert [name for name in sent if not name.endswith(".gpkg") and sent[name] != written[name]] == []


def test_try(client: Any, tab: str, kettle: dict[str, Any], tmp_path: Path) -> None:
    for asked, files, cmd in (
        ({"command": "plan", "uses": {"speed": True}, "said": {"start": "southwest"}}, (),
         ("plan", KETTLE.name, "--bar", WREN.name, *PLANNED, "--speed", "5 mph", *READ, "--start", "southwest", "--out", tmp_path / "plan")),
        ({"command": "report plan", "uses": {}, "said": {"date": DATE, "speeds": "2"}}, (),
         ("report", "plan", KETTLE.name, "--bar", WREN.name, *PLANNED, "--speeds", "2", *READ, "--date", DATE, "--out", tmp_path / "report plan/report.html", "--pdf", tmp_path / "report plan/report.pdf","--json", tmp_path / "report plan/report.json","--figures", tmp_path / "report plan/figures")),
        ({"command": "card", "uses": {"map": True}, "said": {"date": DATE}}, (),
         ("card", KETTLE.name, "--bar", WREN.name, *PLANNED, "--speed", "5 mph", *READ, "--date", DATE, "--out", tmp_path / "card/card.html", "--pdf", tmp_path / "card/card.pdf","--json", tmp_path / "card/card.json")),
        ({"command": "size", "uses": {}, "said": {"rates": "85, 100 lb N/ac", "rows": "16", "row_spacing": "30 in", "drills": True}}, (),
         ("size", *PLANNED, "--speed", "5 mph", "--rates", "85, 100 lb N/ac", "--rows", "16", "--row-spacing", "30 in", "--drills", "--out", tmp_path / "size/sizes.html","--json", tmp_path / "size/sizes.json")),
        ({"command": "learn", "bar": bar_of(HERON), "uses": {}, "said": {"logs": [LOG.name], "ticket": ["11600 lb NH3"]}}, (LOG,),
         ("learn", LOG.name, "--bar", HERON.name, "--ticket", "11600 lb NH3", "--out", tmp_path / "learn/heron_learned.toml", "--figures", tmp_path / "learn/figures","--json", tmp_path / "learn/learned.json")),
        ({"command": "convert", "uses": {"map": True}, "said": {"out": ".shp", "to_unit": "kg N/ha"}}, (),
         ("convert", KETTLE.name, *READ, "--to-unit", "kg N/ha", "--out", tmp_path / "convert/kettle_rise.shp", "--json", tmp_path / "convert/converted.json")),
        ({"command": "vet", "uses": {}, "said": {}}, (),
         ("vet", KETTLE.name, "--bar", WREN.name, *PLANNED, "--speed", "5 mph", *READ, "--out", tmp_path / "vet")),
        ({"command": "report rewrite", "policy": "hold-speed", "rules": {"max_rate": "150 lb N/ac"}, "uses": {}, "said": {"date": DATE}}, (),
         ("report", "rewrite", KETTLE.name, "--bar", WREN.name, *PLANNED, "--speed", "5 mph", *READ, "--date", DATE, "--policy", "hold-speed", "--max-rate", "150 lb N/ac", "--out", tmp_path / "report rewrite/report.html", "--pdf", tmp_path / "report rewrite/report.pdf","--json", tmp_path / "report rewrite/report.json","--figures", tmp_path / "report rewrite/figures")),
    ):
        import time
        b=time.time()
        done, sent = do(client, tab, {**kettle, **asked}, *files)
        m=time.time()
        text, written = command_line(tmp_path / asked["command"], *cmd)
        print(asked["command"], round(m-b,1), round(time.time()-m,1), sorted(sent), len(text))
        try: same(sent, written)
        except AssertionError as e: print("DIFF", e, text[:300])
        print(re.findall(r".{30}(?:--[a-z]|geoflow [a-z]).{30}", json.dumps(done["shown"]) + done["text"])[:8])
        if not " ".join(text.split()).startswith(" ".join(done["text"].split())): print("TEXTDIFF")
