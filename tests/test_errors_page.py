"""Errors of the local page that no other test provokes, through what the server answers."""

from __future__ import annotations

import importlib.metadata
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import need_page

from geoflow.base.errors import GeoflowError
from geoflow.web.bar_form import form_content
from geoflow.web.uploads import Upload

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml"
HERE = "http://127.0.0.1:8765"
PLAN = {"temperature": ["45", "52"], "speed": ["5", "5"], "sections": None}
CHOSEN = {"rate_column": "target", "rate_unit": "lb N/ac"}


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    need_page()
    from starlette.testclient import TestClient

    from geoflow.web.server import make_app

    own = {"origin": HERE, "sec-fetch-site": "same-origin"}
    with TestClient(make_app(8765), base_url=HERE, headers=own) as found:
        yield found


@pytest.fixture
def ask(client: Any) -> Iterator[Callable[..., str]]:
    """Ask as one tab; give the last line of the answer."""
    tab = client.post("/do/open", headers={"x-geoflow-tab": "new"}, content=b"{}").json()["tab"]

    def asked(name: str, body: bytes | dict[str, Any], *files: Upload) -> str:
        if isinstance(body, dict) and name in ("read", "reconcile", "work"):
            listed = [{"name": file.name, "size": len(file.content)} for file in files]
            text = json.dumps({**body, "files": listed}).encode()
            body = len(text).to_bytes(4, "big") + text + b"".join(file.content for file in files)
        content = json.dumps(body).encode() if isinstance(body, dict) else body
        answer = client.post(f"/do/{name}", headers={"x-geoflow-tab": tab}, content=content)
        return str(json.loads(answer.text.splitlines()[-1]).get("error", ""))

    yield asked
    client.post("/do/close", headers={"x-geoflow-tab": tab}, content=b"{}")


def archive(members: int) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as file:
        for number in range(members):
            file.writestr(f"{number}.txt", b"")
    return made.getvalue()


MAP = Upload("kettle.geojson", KETTLE.read_bytes())
BAR = {"name": "wren.toml", "text": WREN.read_text("utf-8")}
READ = {"bar": BAR, "options": CHOSEN}
ASKED: list[tuple[str, bytes | dict[str, Any], tuple[Upload, ...], tuple[str, str, str]]] = [
    ("vet", b" " * (2 * 1024**2 + 1), (), ("what the page sent is too large", "the page", "reload")),
    ("read", {"options": CHOSEN}, (MAP,), ("there is no bar yet", "bar", "choose a bar file")),
    (
        "work",
        {"command": "card", "said": {"rates": "100 lb N/ac"}},
        (),
        ("there is no bar yet", "bar", "fill in the bar"),
    ),
    ("vet", {}, (), ("no prescription is loaded", "prescription", "choose a bar file")),
    ("vet", {"opened": 9, "plan": PLAN}, (), ("other files were loaded since", "the files loaded", "ask again")),
    ("read", READ, (), ("there is no prescription yet", "prescription", "choose one")),
    (
        "vet",
        {"opened": 1, "plan": {"temperature": ["45"]}},
        (),
        ("the temperature is not given", "“Liquid in the tank”", "both ends"),
    ),
    (
        "vet",
        {"opened": 1, "plan": PLAN | {"temperature": ["60", "50"]}},
        (),
        ("the coldest liquid is set above the warmest", "“Liquid in the tank”", "exchange the two"),
    ),
    (
        "vet",
        {"opened": 1, "plan": PLAN | {"speed": ["10", "9"]}},
        (),
        ("the slowest speed is set above the fastest", "“Ground speed”", "exchange the two"),
    ),
    ("reconcile", {}, (), ("there is no log yet", "log", "choose one")),
    ("download", {"task": "rewritten"}, (), ("there is nothing to download", "download", "make the files first")),
    (
        "read",
        READ,
        tuple(Upload(f"{number}.txt", b"") for number in range(100)),
        ("100 files at once are too many", "the files chosen", "the files of one prescription"),
    ),
    ("read", READ, (MAP, MAP), ("two of the files are called 'kettle.geojson'", "the files chosen", "rename one")),
    (
        "read",
        READ,
        (Upload("many.zip", archive(2001)),),
        ("the zip holds 2,001 files", "many.zip", "zip only the files"),
    ),
]


@pytest.mark.parametrize(
    ("name", "body", "files", "expected"), ASKED, ids=[f"{case[0]}: {case[3][0][:30]}" for case in ASKED]
)
def test_the_page_is_answered_with_what_where_and_cure(
    ask: Callable[..., str],
    name: str,
    body: bytes | dict[str, Any],
    files: tuple[Upload, ...],
    expected: tuple[str, str, str],
) -> None:
    assert not ask("read", READ, MAP)
    text = ask(name, body, *files)
    what, where, cure = expected
    assert what in text
    assert f"where: {where}" in text
    assert cure in text.partition("cure:")[2]


def test_a_form_is_not_made_of_a_broken_bar_file() -> None:
    with pytest.raises(GeoflowError) as caught:
        form_content("name = ", "bar.toml")
    for part in ("the bar file is not valid TOML", "where: bar.toml", "put that line right"):
        assert part in str(caught.value)


def test_the_page_without_its_map_library(monkeypatch: pytest.MonkeyPatch) -> None:
    need_page()
    from geoflow.web.server import make_app

    def absent(name: str) -> Any:
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.metadata, "distribution", absent)
    with pytest.raises(GeoflowError) as caught:
        make_app(8765)
    for part in ("the map library of the page is not installed", "where: XStatic-Leaflet", ".[page]"):
        assert part in str(caught.value)
