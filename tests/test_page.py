"""The page's server: what it refuses, what it keeps apart, and that it says what the command line says."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import re
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
from browsing import need_page
from hypothesis import given
from hypothesis import strategies as st
from log_files import north_run, write_csv

import geoflow
from geoflow import cli
from geoflow.bar import keys as bar_keys
from geoflow.bar.bar_file import parse_bar, read_bar
from geoflow.base.errors import BarError, GeoflowError, LogError, PrescriptionError, UsageError
from geoflow.options.page_parts import PAGE_PARTS
from geoflow.options.table import options_of
from geoflow.options.typed import PlanOptions, ReadOptions
from geoflow.report.vetted import vetted_report
from geoflow.web import guards
from geoflow.web import sessions as tabs
from geoflow.web.bar_form import bar_text, form_content, form_description
from geoflow.web.sessions import Sessions
from geoflow.web.uploads import Upload, check_archive, main_file, unframe
from geoflow.web.wording import page_words
from geoflow.workflow.bar_plan import make_plan
from geoflow.workflow.choices import reading_choices
from geoflow.workflow.replan import prepare_window, preview_plan, read_unplanned, vet_again, vet_plan, window_over
from geoflow.workflow.vetting import vet_file

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
KETTLE, WREN, HERON = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", FIELDS / "heron.toml"
LANTERN = [FIELDS / f"lantern_flat{ending}" for ending in (".shp", ".shx", ".dbf", ".prj", ".cpg")]
PORT = 8765
HERE = f"http://127.0.0.1:{PORT}"
OWN = {"origin": HERE, "sec-fetch-site": "same-origin"}
PLAN = {"temperature": ["45", "52"], "speed": ["5", "5"], "sections": None}
CHOSEN: Any = {"rate_column": "target", "rate_unit": "lb N/ac"}


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    need_page()
    from starlette.testclient import TestClient

    from geoflow.web.server import make_app

    with TestClient(make_app(PORT), base_url=HERE, headers=OWN) as found:
        yield found


def open_tab(client: Any) -> str:
    return str(client.post("/do/open", headers={"x-geoflow-tab": "new"}, content=b"{}").json()["tab"])


@pytest.fixture
def tab(client: Any) -> Iterator[str]:
    token = open_tab(client)
    yield token
    client.post("/do/close", headers={"x-geoflow-tab": token}, content=b"{}")


def ask(client: Any, tab: str, name: str, question: dict[str, Any]) -> Any:
    return client.post(f"/do/{name}", headers={"x-geoflow-tab": tab}, content=json.dumps(question).encode())


def frame(header: dict[str, Any], files: list[Path] | list[Upload]) -> bytes:
    uploads = [Upload(file.name, file.read_bytes()) if isinstance(file, Path) else file for file in files]
    listed = [{"name": upload.name, "size": len(upload.content)} for upload in uploads]
    text = json.dumps({**header, "files": listed}).encode()
    return len(text).to_bytes(4, "big") + text + b"".join(upload.content for upload in uploads)


def work(client: Any, tab: str, name: str, body: bytes) -> dict[str, Any]:
    """Do long work and give its last line."""
    answer = client.post(f"/do/{name}", headers={"x-geoflow-tab": tab}, content=body)
    if answer.status_code != 200:
        return dict(answer.json())
    return dict(json.loads(answer.text.splitlines()[-1]))


def bar_of(path: Path) -> dict[str, str]:
    return {"name": path.name, "text": path.read_text("utf-8")}


def load(client: Any, tab: str, files: list[Path] | list[Upload] | None = None, bar: Path = WREN) -> dict[str, Any]:
    options = CHOSEN if files != LANTERN else {}
    return work(client, tab, "read", frame({"bar": bar_of(bar), "options": options}, files or [KETTLE]))


def opened(client: Any, tab: str, *given: Any, **more: Any) -> dict[str, Any]:
    """Load files and give the question about them, for a plan that is set."""
    said = load(client, tab, *given, **more)
    assert "done" in said, said
    return {"opened": said["done"]["opened"], "plan": PLAN}


@pytest.fixture(scope="module")
def ready(client: Any) -> tuple[str, dict[str, Any]]:
    """A tab in which nothing else is loaded afterwards, and the question about what is."""
    tab = open_tab(client)
    return tab, opened(client, tab)


def command_line(*arguments: object, folder: Path | None = None) -> str:
    """What the command says, run here and not in a process of its own, which would load and solve all anew."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(folder or Path.cwd()), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        cli.main(list(map(str, arguments)))
    return out.getvalue() + err.getvalue()


# Who may ask


@pytest.mark.parametrize("host", ["evil.test", "evil.test:8765", "127.0.0.1:1", "127.0.0.1", "10.0.0.5:8765", ""])
def test_other_hosts_are_refused(client: Any, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 421


def test_two_host_headers_are_refused(client: Any) -> None:
    import httpx

    headers = httpx.Headers([("host", f"127.0.0.1:{PORT}"), ("host", "evil.test")])
    assert client.get("/", headers=headers).status_code == 421


@pytest.mark.parametrize("host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"LOCALHOST:{PORT}"])
def test_own_hosts_are_served(client: Any, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.test"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"origin": "http://127.0.0.1:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=str,
)
def test_cross_site_posts_are_refused(client: Any, headers: dict[str, str]) -> None:
    given = {**OWN, "x-geoflow-tab": "new", **headers}
    assert client.post("/do/open", headers=given, content=b"{}").status_code == 403


def test_a_page_elsewhere_cannot_load_parts_of_this_one(client: Any) -> None:
    assert client.get("/static/page.js", headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_other_methods_and_addresses_are_refused(client: Any) -> None:
    assert client.put("/", content=b"x").status_code == 405
    assert client.options("/do/open").status_code == 405
    for path in ("/static/../server.py", "/static/%2e%2e/server.py", "/static/", "/map/../../x", "/do/none"):
        assert client.get(path).status_code in {404, 405}


def test_every_answer_carries_the_strict_policy(client: Any) -> None:
    for path in ("/", "/static/page.js", "/map/leaflet.js", "/none"):
        headers = client.get(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff" and headers["cache-control"] == "no-store"


def test_the_page_itself_has_no_inline_script_style_or_foreign_address() -> None:
    for path in (Path(geoflow.__file__).parent / "web" / "static").iterdir():
        text = path.read_text("utf-8")
        assert "http://" not in text and "https://" not in text, path
        assert "innerHTML" not in text and "insertAdjacentHTML" not in text and "eval(" not in text, path
        assert " onclick=" not in text and " style=" not in text and "<script>" not in text, path


def test_a_token_is_needed_and_tells_tabs_apart(client: Any) -> None:
    first, second = open_tab(client), open_tab(client)
    question = opened(client, first)
    assert ask(client, first, "vet", question).status_code == 200
    for stranger in (second, "new", "", "guess"):
        refused = ask(client, stranger, "vet", question)
        assert refused.status_code == 422 and "cure:" in refused.json()["error"]
    for token in (first, second):
        client.post("/do/close", headers={"x-geoflow-tab": token}, content=b"{}")
    assert "let go" in ask(client, first, "vet", {"plan": PLAN}).json()["error"]


def test_old_and_surplus_tabs_are_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    held = Sessions(lambda: now[0])
    tokens = []
    for _ in range(tabs._MOST_TABS + 2):
        now[0] += 1.0
        tokens.append(held.open())
    assert len(held) == tabs._MOST_TABS
    with pytest.raises(UsageError):
        held.find(tokens[0])
    held.find(tokens[-1])
    now[0] += tabs._OLDEST + 1.0
    with pytest.raises(UsageError):
        held.find(tokens[-1])
    assert len(held) == 0
    monkeypatch.setattr(tabs, "_MOST_BYTES", 10)
    small = held.open()
    held.find(small).state.made("report", {}, b"123456")
    large = held.open()
    held.find(large).state.made("report", {}, b"123456")
    held.find(large)
    with pytest.raises(UsageError):
        held.find(small)


# What may be sent


def test_too_much_is_refused_before_it_is_read(client: Any, tab: str) -> None:
    headers = {"x-geoflow-tab": tab, "content-length": str(guards.LARGEST_BODY + 1)}
    refused = client.post("/do/read", headers=headers, content=b"x")
    assert refused.status_code == 413 and "command line" in refused.text


def test_a_body_longer_than_it_says_is_cut_off(client: Any, tab: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guards, "LARGEST_BODY", 1000)
    headers = {"x-geoflow-tab": tab, "content-length": "10"}
    assert client.post("/do/read", headers=headers, content=b"x" * 5000).status_code == 400


def test_a_body_of_unstated_length_is_refused(client: Any, tab: str) -> None:
    answer = client.post("/do/read", headers={"x-geoflow-tab": tab}, content=iter([b"abc"]))
    assert answer.status_code == 411


@pytest.mark.parametrize("body", [b"", b"\0\0\0\xff{}", b"\0\0\0\2[]", b"\xff" * 9, b"\0\0\0\2{}rest", b"\0\0\0\1{"])
def test_a_damaged_frame_is_refused_in_words(client: Any, tab: str, body: bytes) -> None:
    answer = client.post("/do/read", headers={"x-geoflow-tab": tab}, content=body)
    assert answer.status_code == 422 and "cure:" in answer.json()["error"]


@given(st.binary(max_size=200))
def test_no_frame_whatever_makes_it_stumble(body: bytes) -> None:
    for sent in (body, len(body).to_bytes(4, "big") + body, (0).to_bytes(4, "big") + body):
        try:
            header, uploads = unframe(sent)
        except UsageError:
            continue
        assert isinstance(header, dict) and isinstance(uploads, tuple)


@pytest.mark.parametrize(
    "name", ["../x.geojson", "a/b.shp", "a\\b.shp", "C:x.shp", "", ".", "..", "x\0.shp", "x\n.shp", " x.shp", "y" * 200]
)
def test_a_name_that_is_more_than_a_name_is_refused(name: str) -> None:
    with pytest.raises(UsageError):
        unframe(frame({}, [Upload(name, b"1")]))


def test_a_name_in_any_alphabet_is_taken() -> None:
    for name in ("Acker südlich.geojson", "поле.shp", "農場.gpkg", "champ (2).zip"):
        assert unframe(frame({}, [Upload(name, b"1")]))[1][0].name == name


def zipped(**members: bytes) -> Upload:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return Upload("field.zip", packed.getvalue())


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../out.shp", "leads out of it"),
        ("/etc/out.shp", "leads out of it"),
        ("a/../../out.shp", "leads out of it"),
        ("..\\out.shp", "leads out of it"),
        ("C:\\out.shp", "leads out of it"),
        ("inner.zip", "another archive"),
        ("a/inner.tar.gz", "another archive"),
    ],
)
def test_paths_and_archives_in_an_archive_are_refused(client: Any, tab: str, name: str, words: str) -> None:
    upload = zipped(**{"x.shp": b"1", name: b"1"})
    with pytest.raises(PrescriptionError, match=words):
        check_archive(upload)
    answer = client.post("/do/read", headers={"x-geoflow-tab": tab}, content=frame({}, [upload]))
    assert answer.status_code == 422 and words in answer.json()["error"]


def test_a_link_in_an_archive_is_refused() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        link = zipfile.ZipInfo("x.shp")
        link.external_attr = 0o120777 << 16
        archive.writestr(link, "/etc/passwd")
    with pytest.raises(PrescriptionError, match="a link"):
        check_archive(Upload("x.zip", packed.getvalue()))


@pytest.mark.slow
def test_a_zip_that_would_unpack_to_too_much_is_refused_in_the_readers_words(
    client: Any, tab: str, tmp_path: Path
) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for ending in ("shp", "shx"):
            archive.writestr(f"x.{ending}", b"0")
        archive.writestr("x.dbf", bytes(150 * 1024**2))
    said = load(client, tab, [Upload("field.zip", packed.getvalue())])["done"]["unread"]
    (tmp_path / "field.zip").write_bytes(packed.getvalue())
    arguments = ("vet", "field.zip", "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph")
    assert "would unpack to" in said
    assert command_line(*arguments, folder=tmp_path).strip() == f"geoflow: {said}"


@pytest.mark.parametrize(
    ("names", "main"),
    [
        (["a.dbf", "a.shp", "a.prj", "a.shp.xml"], "a.shp"),
        (["only.dbf"], "only.dbf"),
        (["TASKDATA.XML", "GRD00001.bin"], "TASKDATA.XML"),
        (["x.gpkg"], "x.gpkg"),
    ],
)
def test_the_file_to_open_among_several(names: list[str], main: str) -> None:
    assert main_file([Upload(name, b"") for name in names]) == main


def test_two_maps_at_once_are_refused() -> None:
    for names in (["a.shp", "b.shp"], ["a.gpkg", "b.geojson"], ["a.dbf", "a.prj"]):
        with pytest.raises(UsageError):
            main_file([Upload(name, b"") for name in names])


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"nonsense", b'{"plan": 3}', b'{"plan": {"temperature": 3}}', b"[" * 5000], ids=repr
)
@pytest.mark.parametrize("name", ["bar", "vet", "zone", "zones", "text", "rewrite", "vetted", "prepare", "report"])
def test_an_odd_question_is_answered_in_words(client: Any, tab: str, name: str, body: bytes) -> None:
    answer = client.post(f"/do/{name}", headers={"x-geoflow-tab": tab}, content=body)
    assert answer.status_code == 422 and "Traceback" not in answer.text and answer.json()["error"]


# The same words and bytes as the command line


@pytest.mark.slow
@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"<html>", b'{"type": "FeatureCollection", "features": []}', b"PK\x03\x04"],
    ids=["empty", "cut", "html", "no-zones", "zip"],
)
def test_a_bad_file_gives_the_command_lines_words(client: Any, tab: str, tmp_path: Path, content: bytes) -> None:
    said = load(client, tab, [Upload("field.geojson", content)])["done"]["unread"]
    (tmp_path / "field.geojson").write_bytes(content)
    arguments = ("vet", "field.geojson", "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph")
    chosen = ("--rate-column", "target", "--rate-unit", "lb N/ac")
    assert command_line(*arguments, *chosen, folder=tmp_path).strip() == f"geoflow: {said}"


@pytest.mark.parametrize("text", ["", "name = ", "x = 1", 'name = "a"\n[pump]\nmax_flow = 3'])
def test_a_bad_bar_gives_the_command_lines_words(client: Any, tab: str, tmp_path: Path, text: str) -> None:
    said = ask(client, tab, "bar", {"name": "bar.toml", "text": text}).json()["error"]
    (tmp_path / "bar.toml").write_text(text, encoding="utf-8")
    assert command_line("bar", "--check", "bar.toml", folder=tmp_path).strip() == f"geoflow: {said}"


def unpacked(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.mark.slow
@pytest.mark.parametrize("policy", ["hold-speed", "hold-rate", "hold-total"])
def test_rewritten_files_are_byte_for_byte_the_command_lines(
    client: Any, ready: Any, tmp_path: Path, policy: str
) -> None:
    rules = {"allow_raise": True, "max_rate": "180 lb N/ac"}
    tab, question = ready
    asked = {**question, "policy": policy, "rules": rules}
    done = work(client, tab, "rewrite", json.dumps(asked).encode())["done"]
    sent = unpacked(ask(client, tab, "download", {"task": "rewritten", "of": asked}).content)
    out = tmp_path / "kettle_rise_for_bar.geojson"
    said = command_line(
        *("rewrite", KETTLE.name, "--bar", WREN.name, "--temperature", "45..52 degF", "--speed", "5 mph"),
        *("--rate-column", "target", "--rate-unit", "lb N/ac", "--policy", policy, "--out", out),
        *("--allow-raise", "--max-rate", "180 lb N/ac"),
        folder=FIELDS,
    )
    side = tmp_path / "kettle_rise_for_bar_changes.csv"
    assert sent == {path.name: path.read_bytes() for path in (out, side)}
    # The same words, but for what the page calls otherwise.
    assert page_words(said, "rewrite").startswith(done["text"]) and "Ammonia blinds and kills" in done["text"]


@pytest.mark.slow
def test_vetted_files_are_the_command_lines(client: Any, ready: Any, tmp_path: Path) -> None:
    tab, asked = ready
    done = work(client, tab, "vetted", json.dumps(asked).encode())["done"]
    sent = unpacked(ask(client, tab, "download", {"task": "vetted", "of": asked}).content)
    command_line(
        *("vet", KETTLE.name, "--bar", WREN.name, "--temperature", "45..52 degF", "--speed", "5 mph"),
        *("--rate-column", "target", "--rate-unit", "lb N/ac", "--out", tmp_path / "vetted"),
        folder=FIELDS,
    )
    written = {path.name: path.read_bytes() for path in (tmp_path / "vetted").iterdir()}
    assert set(sent) == set(written) == set(done["names"])
    # A GeoPackage carries the moment it was written; everything else is the same to the byte.
    assert {name: sent[name] for name in sent if name != "zones.gpkg"} == {
        name: written[name] for name in written if name != "zones.gpkg"
    }


@pytest.mark.slow
def test_the_report_is_made(client: Any, ready: Any) -> None:
    tab, asked = ready
    done = work(client, tab, "report", json.dumps(asked).encode())["done"]
    sent = unpacked(ask(client, tab, "download", {"task": "report", "of": asked}).content)
    assert sent["report.html"].startswith(b"<!") and sent["report.pdf"].startswith(b"%PDF")
    assert done["text"] and done["of"].startswith("kettle_rise.geojson with Wren")
    # The work "Report (HTML and PDF)" makes the very same.
    other = {**asked, "command": "report vet", "said": {}, "uses": {}}
    work(client, tab, "work", frame(other, []))
    again = unpacked(ask(client, tab, "download", {"task": "report vet", "of": other}).content)
    assert again == sent and {"report.json", "figures/map.png"} <= set(sent)


@pytest.mark.slow
def test_a_log_is_reconciled_in_the_command_lines_words(client: Any, tab: str) -> None:
    question = opened(client, tab, LANTERN, HERON)
    log = FIELDS / "lantern_flat_log.csv"
    asked = {**question, "bar": bar_of(HERON), "with_map": True, "log": {"ticket": ["11600 lb NH3"]}}
    done = work(client, tab, "reconcile", frame(asked, [log]))["done"]
    said = command_line(
        *("reconcile", log.name, "--target", LANTERN[0].name, "--bar", HERON.name, "--ticket", "11600 lb NH3"),
        folder=FIELDS,
    )
    # The page names no option of the command line: its own field instead, and none where it has none.
    said = re.sub(
        r" Not listed: \d+ zones nearer to target\. --all-zones lists every one\.", "", " ".join(said.split())
    ).replace("--zone-id takes another", "\u201cColumn with the zones' own names\u201d takes another")
    assert "--" not in said and "own names\u201d takes another" in said
    assert said == " ".join(done["text"].split())
    assert done["pictures"][0][0] == "map.png"
    sent = ask(client, tab, "download", {"task": "reconciled", "of": asked})
    assert "zones.csv" in unpacked(sent.content)


def test_a_prescription_that_asks_is_answered_in_the_pages_own_words(client: Any, tab: str, tmp_path: Path) -> None:
    """A rate without a unit, no coordinate system, several layers, a volume: the cure names fields of the page."""
    square = {"type": "Polygon", "coordinates": [[[0, 0], [300, 0], [300, 300], [0, 300], [0, 0]]]}
    feature = {"type": "Feature", "geometry": square, "properties": {"rate": 100.0}}
    metres = tmp_path / "metres.geojson"
    metres.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    asked = {"bar": bar_of(WREN), "options": {}}
    waiting = []
    for files, cures, asks in (
        ([metres], ("Coordinate system",), "crs"),
        ([KETTLE], ("Rate column", "Rate unit"), "rate_column"),
    ):
        done = work(client, tab, "read", frame(asked, files))["done"]
        said = done["unread"]
        assert not re.search(r"--[a-z]", said), said
        assert any(f"\u201c{cure}\u201d" in said for cure in cures), said
        assert asks in done["asked"]
        waiting.append(done["waiting"])
    # The files wait for the answer, and need not be sent again; what waited before is let go.
    again = [frame({"bar": bar_of(WREN), "options": CHOSEN, "waiting": number}, []) for number in waiting]
    assert "no prescription" in work(client, tab, "read", again[0])["error"]
    assert work(client, tab, "read", again[1])["done"]["field"]["column"] == "target"
    # What was given for another field, too.
    wrong = work(client, tab, "read", frame({**asked, "options": {**CHOSEN, "rate_unit": "lb"}}, [KETTLE]))
    assert not re.search(r"--[a-z]", json.dumps(wrong)), wrong


@pytest.mark.parametrize("part", ["prescription", "log"])
def test_every_option_a_reader_names_has_its_field_on_the_page(part: Any) -> None:
    """Of a log's target map the fields are those of the prescription above it."""
    from geoflow.web.wording import page_error

    options = [one for one in options_of("reconcile" if part == "log" else "vet").values() if one.label]
    named = [one.dashed for one in options if not one.positional]
    if part == "log":
        own = {one.name for one in PAGE_PARTS["options"]}
        named += [name for name in options_of("reconcile") if name.startswith("target_") and name[7:] in own]
        named = ["--" + name.removeprefix("--").replace("_", "-") for name in named]
        named.remove("--zone-id")  # of the map, which is read by then
    for name in named:
        said = page_error(LogError("it is open", where=name, cure=f"add {name} with the one that is true"), part)
        assert name not in said.split() and "\u201c" in said, name


def test_a_log_that_asks_is_answered_in_the_pages_own_words(client: Any, tab: str, tmp_path: Path) -> None:
    """A bare width: the question names the page's fields and proposes; ticking the box takes it, and says so."""
    log = tmp_path / "log.csv"
    run = north_run(40)
    run["Width"] = run.pop("Swath Width (ft)")
    write_csv(log, run)
    asked = {"bar": None, "with_map": False, "log": {}}
    unsaid = work(client, tab, "reconcile", frame(asked, [log]))["done"]
    said = unsaid["unsaid"]
    assert not re.search(r"--[a-z]", said), said
    assert "width=Width:ft" in unsaid["proposed"]
    assert "nothing says how wide the bar is" in said and "\u201cWidth of the bar\u201d: 40 ft" in said
    assert "width=Width:ft" in said and "tick \u201ctake the columns that are proposed" in said
    done = work(client, tab, "reconcile", frame({**asked, "log": {"accept": True}}, [log]))["done"]
    assert "width from 'Width' in ft" in done["text"]


@pytest.mark.slow
def test_a_boundary_and_saved_columns_are_sent_beside_a_log(client: Any, tab: str, tmp_path: Path) -> None:
    log, outline, columns = FIELDS / "lantern_flat_log.csv", tmp_path / "outline.geojson", tmp_path / "columns.json"
    field = geopandas.read_file(LANTERN[0]).to_crs(4326)
    geopandas.GeoDataFrame(geometry=[field.union_all().buffer(-0.0005)], crs=4326).to_file(outline)
    arguments = ("reconcile", log, "--bar", HERON, "--boundary", outline)
    command_line(*map(str, arguments), "--save-columns", str(columns), folder=tmp_path)
    said = command_line(*map(str, arguments), "--columns-file", str(columns), folder=tmp_path)
    given = {"boundary": [outline.name], "columns_file": [columns.name]}
    asked = {"bar": bar_of(HERON), "with_map": False, "log": given}
    done = work(client, tab, "reconcile", frame(asked, [log, outline, columns]))["done"]
    outside = re.search(r"passes outside the field +([0-9.]+)", said)
    assert outside and float(outside.group(1)) > 1.0
    assert " ".join(said.replace(f"{FIELDS}/", "").split()) == " ".join(done["text"].split())
    nameless = frame({**asked, "log": {"boundary": ["other.geojson"]}}, [log])
    assert "what the page sent is damaged" in work(client, tab, "reconcile", nameless)["error"]
    alone = frame({**asked, "log": {"boundary": [outline.name]}}, [outline])
    assert "there is no log yet" in work(client, tab, "reconcile", alone)["error"]


def test_metric_speaks_metric_and_means_the_same(client: Any, ready: Any) -> None:
    tab, question = ready
    us = ask(client, tab, "vet", question | {"plan": {"temperature": ["50", "50"], "speed": ["5", "5"]}}).json()
    plan = {"temperature": ["10", "10"], "speed": ["8.04672", "8.04672"]}
    metric = ask(client, tab, "vet", question | {"plan": plan, "system": "metric"}).json()
    assert us["verdicts"] == metric["verdicts"] and us["exact"] and metric["exact"]
    assert "lb N/ac" in str(us["window"]) and "kg N/ha" in str(metric["window"])


def test_a_zone_tells_its_attributes_as_they_are(client: Any, tab: str) -> None:
    collection = json.loads(KETTLE.read_text("utf-8"))
    evil = "=HYPERLINK(<script>alert(1)</script>)"
    for feature in collection["features"]:
        feature["properties"]["note"] = evil
    question = opened(client, tab, [Upload("evil.geojson", json.dumps(collection).encode())])
    zone = ask(client, tab, "zone", question | {"at": 0})
    assert zone.headers["content-type"].startswith("application/json")
    assert ["note", evil] in zone.json()["attributes"]


def test_a_zone_that_is_none_is_refused(client: Any, ready: Any) -> None:
    tab, question = ready
    for at in (-1, 10_000, "x", None):
        assert ask(client, tab, "zone", question | {"at": at}).status_code == 422, at


def test_zones_are_listed_worst_first_in_pages(client: Any, ready: Any) -> None:
    tab, question = ready
    said = ask(client, tab, "zones", question | {"shown": "all", "start": 0}).json()
    letters = "".join(zone["letter"] for zone in said["zones"])
    assert letters == "".join(sorted(letters, key="FDHZ".index)) and said["total"] == 30
    fails = ask(client, tab, "zones", question | {"shown": "fails", "start": 400}).json()
    assert {zone["letter"] for zone in fails["zones"]} == {"F"} and fails["start"] == 0


def test_a_log_is_not_compared_with_a_map_that_is_not_loaded(client: Any, tab: str) -> None:
    body = frame({"bar": bar_of(HERON), "with_map": True, "log": {}}, [FIELDS / "lantern_flat_log.csv"])
    assert "no prescription is loaded" in work(client, tab, "reconcile", body)["error"]


def test_stopping_where_nothing_is_at_work_is_harmless(client: Any, tab: str) -> None:
    assert ask(client, tab, "stop", {}).json() == {"stopped": False}


# What is open, and what belongs to it


def answer_to(client: Any, tab: str, question: dict[str, Any]) -> dict[str, Any]:
    answer = ask(client, tab, "vet", question)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


@pytest.mark.parametrize(
    "upload",
    [Upload("other.zip", b"PK\x03\x04 and no more"), zipped(**{"../x.shp": b"1"}), Upload("other.geojson", b"{")],
    ids=["damaged", "leading-out", "cut"],
)
def test_a_refused_file_changes_nothing_that_is_open(client: Any, tab: str, upload: Upload) -> None:
    question = opened(client, tab)
    before = answer_to(client, tab, question)
    refused = load(client, tab, [upload], HERON)
    assert "error" in refused or "unread" in refused["done"]
    assert answer_to(client, tab, question) == before
    rewriting = {**question, "policy": "hold-speed", "rules": {}}
    done = work(client, tab, "rewrite", json.dumps(rewriting).encode())["done"]
    assert done["names"][0].startswith("kettle_rise") and "Wren" in done["of"]


def test_files_read_since_change_nothing_before_they_are_asked_about(client: Any, tab: str) -> None:
    first = opened(client, tab)
    before = answer_to(client, tab, first)
    second = opened(client, tab, LANTERN, HERON)
    assert second["opened"] > first["opened"]
    assert answer_to(client, tab, first) == before
    assert "lantern_flat.shp with Heron (heron.toml)" in answer_to(client, tab, second)["of"]
    refused = ask(client, tab, "vet", first)
    assert refused.status_code == 422 and "other files were loaded since" in refused.json()["error"]
    # One that the page never came to know of makes room for the next.
    opened(client, tab)
    fourth = opened(client, tab)
    assert answer_to(client, tab, second) and answer_to(client, tab, fourth) == before


def test_a_part_that_is_not_sent_is_taken_as_it_is_open(client: Any, tab: str) -> None:
    question = opened(client, tab)
    again = work(client, tab, "read", frame({"opened": question["opened"], "bar": bar_of(HERON)}, []))["done"]
    assert again["field"]["column"] == "target"
    assert "kettle_rise.geojson with Heron" in answer_to(client, tab, question | {"opened": again["opened"]})["of"]


def test_what_was_made_is_handed_over_only_for_the_same_question(client: Any, tab: str) -> None:
    question = opened(client, tab)
    rewriting = {**question, "policy": "hold-speed", "rules": {}}
    work(client, tab, "rewrite", json.dumps(rewriting).encode())
    moved = PLAN | {"speed": ["6.5", "6.5"]}
    for other in ({"plan": moved}, {"policy": "hold-total"}, {"rules": {"allow_raise": True}}, {"system": "metric"}):
        refused = ask(client, tab, "download", {"task": "rewritten", "of": rewriting | other})
        assert refused.status_code == 422 and "belongs to another plan" in refused.json()["error"]
    wanted = {"task": "rewritten", "of": rewriting}
    assert ask(client, tab, "download", wanted).status_code == 200
    answer_to(client, tab, opened(client, tab, LANTERN, HERON))
    refused = ask(client, tab, "download", wanted)
    assert refused.status_code == 422 and "other files were loaded since" in refused.json()["error"]


@pytest.mark.parametrize("name", ["vet", "zone", "zones", "text", "rewrite", "vetted", "report"])
@pytest.mark.parametrize("unset", ["temperature", "speed"])
def test_nothing_is_answered_for_a_plan_that_is_not_set(client: Any, ready: Any, name: str, unset: str) -> None:
    tab, question = ready
    for ends in (None, [], ["45"], ["", "52"]):
        plan = {key: value for key, value in PLAN.items() if key != unset} | ({unset: ends} if ends else {})
        refused = ask(client, tab, name, question | {"plan": plan, "at": 0})
        assert refused.status_code == 422 and f"the {unset} is not given" in refused.json()["error"]


def test_what_is_read_and_shown_before_a_plan_holds_no_verdict(client: Any, tab: str) -> None:
    done = load(client, tab)["done"]
    assert set(done) == {"opened", "field"} and "verdicts" not in done["field"]
    notes = ask(client, tab, "facts", {"opened": done["opened"]}).json()["facts"]
    assert notes[0].startswith("kettle_rise.geojson: 30 rows read")
    assert any("“Column with the zones' own names” takes another" in note for note in notes)
    assert not any("--" in note for note in notes)


def test_an_answer_names_what_it_belongs_to(client: Any, ready: Any) -> None:
    tab, question = ready
    said = answer_to(client, tab, question)["of"]
    assert said == "kettle_rise.geojson with Wren (wren.toml), liquid 45 to 52 °F, 5 mph"
    plan = {"temperature": ["8", "10"], "speed": ["8", "8"], "sections": ["left"]}
    said = answer_to(client, tab, question | {"plan": plan, "system": "metric"})["of"]
    assert said == "kettle_rise.geojson with Wren (wren.toml), liquid 8 to 10 °C, 8 km/h, sections left"


def test_with_every_section_ticked_the_edges_are_looked_at_and_with_some_only_those(client: Any, ready: Any) -> None:
    """The page sends sections only where some are unticked; then somebody said which are on."""
    tab, question = ready
    every = answer_to(client, tab, question)["answer"]
    fresh = vet_file(str(KETTLE), plan_texts("45..52 degF", "5 mph"), ReadOptions(**CHOSEN))
    assert every == vetted_report(fresh, "us").answer
    assert "At the field's edges, with sections off" in every
    some = answer_to(client, tab, question | {"plan": PLAN | {"sections": ["left"]}})["answer"]
    assert "edges" not in some
    none = ask(client, tab, "vet", question | {"plan": PLAN | {"sections": []}})
    assert none.status_code == 422 and "no section is on" in none.json()["error"]


def test_the_newest_reading_ends_the_one_before() -> None:
    """Two readings of one tab, the first still waiting or at work when the second is asked for."""
    need_page()
    from geoflow.web.answers import Answers
    from geoflow.web.worker import Workers

    held = Sessions()
    workers = Workers()
    tab = held.find(held.open())
    answers = Answers(held, workers, "us")
    bar, field = (Upload(path.name, path.read_bytes()) for path in (WREN, KETTLE))
    arguments = {"prescription": KETTLE.name, "bar": WREN.name, "options": ReadOptions(**CHOSEN)}
    told: dict[str, list[dict[str, Any]]] = {"first": [], "second": [], "report": []}

    async def reading(name: str, task: str = "read") -> None:
        lines = answers._working(tab, task, arguments, (bar, field), lambda value: name)
        async for line in lines:
            told[name].append(json.loads(line))

    async def both() -> None:
        first = asyncio.ensure_future(reading("first"))
        while not told["first"]:
            await asyncio.sleep(0.01)
        # Other work waits for the reader's word; a newer reading does not.
        await reading("report", "report")
        await asyncio.gather(first, reading("second"))

    asyncio.run(both())
    workers.close()
    assert "at work already" in told["report"][-1]["error"]
    assert "stopped" in told["first"][-1]
    assert told["second"][-1] == {"done": "second"}
    assert tab.at_work == {}


def test_a_bar_is_solved_ahead_once_for_all_tabs_and_other_bars_are_others(client: Any, tab: str) -> None:
    """What is known of a bar is by its very text, and speeds up only; a tab without a map may ask for it."""
    asked = {"bar": bar_of(HERON) | {"text": HERON.read_text("utf-8") + "# another text\n"}, "plan": {"sections": None}}
    assert work(client, tab, "prepare", json.dumps(asked).encode()) == {"done": {}}
    other = open_tab(client)
    lines = client.post("/do/prepare", headers={"x-geoflow-tab": other}, content=json.dumps(asked).encode()).text
    assert lines.splitlines() == ['{"done": {}}']  # at once, with no work begun
    refused = ask(client, tab, "prepare", {"bar": {"name": "x.toml", "text": "name = 1"}})
    assert refused.status_code == 422 and "cure" in refused.json()["error"]
    assert ask(client, tab, "prepare", {}).status_code == 422


def test_a_full_answer_that_waited_while_another_plan_was_asked_for_is_not_solved(client: Any, tab: str) -> None:
    from threading import Thread

    from geoflow.web.requests import plan_of
    from geoflow.web.state import Opened
    from geoflow.web.tasks import KeptMap

    read = read_unplanned(str(KETTLE), str(WREN), ReadOptions(**CHOSEN))
    held = Opened(1, Upload("w", b""), (), ReadOptions(), KeptMap(read, None))
    older, newer = (plan_of(read.bar, {"plan": PLAN | {"speed": [speed, speed]}}) for speed in ("5", "6"))
    given: list[Any] = []
    held.solving.acquire()
    first = Thread(target=lambda: given.append(held.vetted_if_newest(older)))
    first.start()
    while held.newest != older:
        pass
    held.newest = newer
    held.solving.release()
    first.join()
    assert given == [None] and held.outcome is None
    assert held.vetted_if_newest(newer).solution.plan == newer


def test_the_sample_of_the_package_is_that_of_the_script(client: Any, tab: str) -> None:
    """What an installed geoflow opens with one click: byte for byte the invented field and bar."""
    said = ask(client, tab, "sample", {}).json()
    assert said["bar"]["text"] == WREN.read_text("utf-8") and said["files"][0]["text"] == KETTLE.read_text("utf-8")
    package = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["package-data"][
        "geoflow"
    ]
    assert "web/sample/*" in package
    files = [Upload(file["name"], file["text"].encode()) for file in said["files"]]
    done = work(client, tab, "read", frame({"bar": said["bar"], "options": said["options"]}, files))["done"]
    for system in ("us", "metric"):
        question = {"opened": done["opened"], "plan": said["plan"][system], "system": system}
        counts = {one["name"]: int(one["zones"]) for one in answer_to(client, tab, question)["counts"]}
        # Something to see of every verdict.
        assert all(counts.values())


# The plan moved


def plan_texts(temperature: str, speed: str) -> PlanOptions:
    return PlanOptions(bar=str(WREN), temperature=temperature, speed=speed)


def test_a_moved_plan_is_vetted_as_the_file_would_be() -> None:
    options = ReadOptions(rate_column="target", rate_unit="lb N/ac")
    outcome = vet_file(str(KETTLE), plan_texts("45..52 degF", "5 mph"), options)
    for temperature, speed in (("45..52 degF", "4..6 mph"), ("38..46 degF", "4..6 mph"), ("60 degF", "5 mph")):
        plan = make_plan(outcome.solution.bar, plan_texts(temperature, speed))
        again = vet_again(outcome, plan)
        fresh = vet_file(str(KETTLE), plan_texts(temperature, speed), options)
        assert again.solution.plan == fresh.solution.plan
        for name in ("verdict", "limited_by", "speed_low", "margin", "temperature_low", "temperature_high"):
            np.testing.assert_array_equal(getattr(again.vetting, name), getattr(fresh.vetting, name))
    assert vet_again(outcome, outcome.solution.plan) is outcome


def test_what_is_read_before_there_is_a_plan_is_vetted_as_the_file_would_be() -> None:
    options = ReadOptions(rate_column="target", rate_unit="gal NH3/ac", volume_temperature="50 degF")
    read = read_unplanned(str(KETTLE), str(WREN), options)
    outcome = vet_plan(read, make_plan(read.bar, plan_texts("45..52 degF", "5 mph")))
    fresh = vet_file(str(KETTLE), plan_texts("45..52 degF", "5 mph"), options)
    assert outcome.prescription.notes == fresh.prescription.notes
    assert outcome.counted_density == fresh.counted_density
    np.testing.assert_array_equal(outcome.rate, fresh.rate)
    for name in ("verdict", "limited_by", "speed_low", "margin", "temperature_low", "temperature_high"):
        np.testing.assert_array_equal(getattr(outcome.vetting, name), getattr(fresh.vetting, name))


@pytest.mark.parametrize(
    ("temperature", "speed"), [("35..60 degF", "4..6 mph"), ("20..90 degF", "5 mph"), ("3..9 degC", "8 km/h")]
)
def test_verdicts_ahead_are_those_of_the_full_solution(temperature: str, speed: str) -> None:
    options = ReadOptions(rate_column="target", rate_unit="lb N/ac")
    read = read_unplanned(str(KETTLE), str(WREN), options)
    plan = make_plan(read.bar, plan_texts(temperature, speed))
    full = vet_plan(read, plan)
    elsewhere = window_over(read.bar, make_plan(read.bar, plan_texts("41..46.5 degF", speed)))
    # With nothing known before, with some temperatures known, and with every stop of the sliders known.
    for known in (None, elsewhere, prepare_window(read.bar, plan.sections)):
        window = window_over(read.bar, plan, known)
        ahead = preview_plan(read, plan, window)
        np.testing.assert_array_equal(ahead.verdict, full.vetting.verdict)
        # One temperature solved among others differs by up to 3e-5 from the same among other others (measured).
        for end in ("low", "high"):
            for bounds in ("certain", "possible"):
                mine, others = (getattr(getattr(one.solution, bounds), end) for one in (ahead, full))
                assert mine == pytest.approx(others, rel=1e-4)
        assert (np.diff(window.temperature) > 0.0).all()
        inside = window.temperature[
            (window.temperature > plan.temperature[0] - 1e-6) & (window.temperature < plan.temperature[1] + 1e-6)
        ]
        assert tuple(inside[[0, -1]]) == pytest.approx(plan.temperature, abs=1e-6) and (np.diff(inside) < 1.21).all()
        # What is known is solved no second time.
        assert window_over(read.bar, plan, window) is window


# The bar as a form


@pytest.mark.parametrize("path", [WREN, HERON], ids=lambda path: path.stem)
def test_the_form_gives_back_the_bar_it_was_filled_from(path: Path) -> None:
    text = bar_text(form_content(path.read_text("utf-8"), path.name))
    assert parse_bar(tomllib.loads(text)) == read_bar(path)


def test_the_form_has_every_key_of_the_bar_file() -> None:
    described = {(table["path"], key["name"]) for table in form_description() for key in table["keys"]}
    assert described == {(key.table, key.name) for key in bar_keys.KEYS}


@given(st.text(max_size=60))
def test_whatever_is_typed_stays_one_value(typed: str) -> None:
    content = {"name": typed, "pump": {"max_rise": typed, "efficiency": typed}, "orifices": {typed: {"land": typed}}}
    try:
        text = bar_text(content)
        back = tomllib.loads(text)
    except (UnicodeEncodeError, tomllib.TOMLDecodeError) as problem:
        assert not typed.isprintable(), (typed, problem)
        return
    assert back["name"] == typed and back["pump"]["max_rise"] == typed and list(back["orifices"]) == [typed]
    assert str(back["pump"]["efficiency"]) == typed or float(back["pump"]["efficiency"]) == float(typed.strip())


def test_a_number_without_digits_is_told_as_the_file_would() -> None:
    content = form_content(WREN.read_text("utf-8"), "wren.toml")
    content["pump"]["efficiency"] = "half"
    with pytest.raises(BarError) as problem:
        parse_bar(tomllib.loads(bar_text(content)), where="wren.toml")
    assert "half" in str(problem.value) and "cure" in str(problem.value)


# What could be chosen


def test_columns_and_layers_are_offered(tmp_path: Path) -> None:
    import geopandas

    columns = reading_choices(KETTLE, None).columns
    assert ("target", 0.0, 250.0) in columns and np.isnan({name: low for name, low, _ in columns}["block"])
    assert "lb_n_ac" in [name for name, *_ in reading_choices(LANTERN[0], None).columns]
    table = geopandas.read_file(KETTLE)
    for layer in ("one", "two"):
        table.to_file(tmp_path / "x.gpkg", layer=layer, driver="GPKG")
    assert reading_choices(tmp_path / "x.gpkg", None).layers == ("one", "two")
    assert "target" in [name for name, *_ in reading_choices(tmp_path / "x.gpkg", "two").columns]
    (tmp_path / "bad.zip").write_bytes(b"PK nonsense")
    assert reading_choices(tmp_path / "bad.zip", None).columns == ()
    assert reading_choices(tmp_path / "absent.gpkg", None).columns == ()


# The command


def test_the_port_is_taken_on_this_machine_only() -> None:
    need_page()
    from geoflow.web.server import listen

    with listen(0) as sock:
        assert sock.getsockname()[0] == "127.0.0.1"
        with pytest.raises(UsageError, match="cannot be had"):
            listen(sock.getsockname()[1])
    for port in (-1, 70_000):
        with pytest.raises(GeoflowError):
            listen(port)
