"""The sheet for a phone and the door to it: what it holds, what it asks, who is let in, and what stays shut."""

from __future__ import annotations

import asyncio
import base64
import datetime
import hashlib
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import shapely
from browsing import need_page
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from geoflow import cli
from geoflow.base.errors import OutputError, UsageError
from geoflow.field_card import phone
from geoflow.field_card.phone import as_phone_html, phone_map, sheet_policy
from geoflow.field_card.sheet import card_report
from geoflow.options.typed import CardOptions, PlanOptions, ReadOptions, ReportFiles
from geoflow.web.tasks import TASKS
from geoflow.workflow.carding import card_of
from geoflow.workflow.reporting import Setting, write_report
from geoflow.workflow.vetting import vet_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml"
DATE = datetime.date(2026, 4, 30)
READ = ReadOptions(rate_column="target", rate_unit="lb N/ac")
PLAN = PlanOptions(bar=str(WREN), temperature="45..52 degF", speed="5 mph")
COMMAND = [
    "card", str(KETTLE), "--rate-column", "target", "--rate-unit", "lb N/ac", "--bar", str(WREN), "--temperature",
    "45..52 degF", "--speed", "5 mph", "--date", "2026-04-30",
]  # fmt: skip


@pytest.fixture(scope="module")
def outcome() -> Any:
    return card_of(CardOptions(prescription=str(KETTLE)), PLAN, READ)


def outlines(data: dict[str, Any]) -> list[Any]:
    """Zones as the phone's script makes them, in degrees."""
    corners = np.cumsum(np.array(data["corners"]).reshape(-1, 2), axis=0) * 1e-6 + data["origin"]
    rings = np.split(corners, np.cumsum(data["perRing"])[:-1])
    parts, ring = [], 0
    for count in data["perPart"]:
        parts.append(shapely.Polygon(rings[ring], rings[ring + 1 : ring + count]))
        ring += count
    zones, part = [], 0
    for count in data["perZone"]:
        zones.append(shapely.MultiPolygon(parts[part : part + count]))
        part += count
    return zones


# --- the sheet --------------------------------------------------------------------------------------------------


def test_zones_stand_where_the_file_has_them(outcome: Any) -> None:
    """Against the file itself, which is in degrees; a meter by geographiclib."""
    data = phone_map(outcome, "us")
    zones, read = outlines(data), geopandas.read_file(KETTLE)
    of = outcome.prescription
    assert len(zones) == len(of.zone_id) == len(data["kind"])
    for at, row in enumerate(of.row.tolist()):
        mine, theirs = zones[at].centroid, read.geometry.iloc[row].centroid
        assert Geodesic.WGS84.Inverse(mine.y, mine.x, theirs.y, theirs.x)["s12"] < 0.5
        label = np.cumsum(np.array(data["labels"]).reshape(-1, 2), axis=0)[at] * 1e-6 + data["origin"]
        assert zones[at].buffer(2e-6).contains(shapely.points(label))


def test_what_a_zone_says_is_what_vetting_says(outcome: Any) -> None:
    data = phone_map(outcome, "us")
    vetted = vet_file(str(KETTLE), PLAN, READ)
    letters = {"holds": "H", "doubtful": "D", "fails": "F", "off": "Z"}
    for at, verdict in enumerate(vetted.vetting.verdict.tolist()):
        kind = data["kinds"][data["kind"][at]]
        assert kind["letter"] == letters[verdict]
        assert kind["limit"].startswith(str(vetted.vetting.limited_by[at]))
        pounds = vetted.rate[at] / (0.45359237 / 4046.8564224)
        assert dict(kind["rows"])["Rate asked"] == f"{pounds:.0f} lb N/ac"
        assert bool(kind["cure"]) == (verdict in ("doubtful", "fails"))
    ranks = ["FDHZ".index(data["kinds"][data["kind"][at]]["letter"]) for at in data["order"]]
    assert ranks == sorted(ranks) and sorted(data["order"]) == list(range(len(data["kind"])))
    assert not data["thinned"]


def test_many_corners_are_thinned_and_that_is_said(outcome: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = phone_map(outcome, "metric")
    monkeypatch.setattr(phone, "_MOST_CORNERS", len(whole["corners"]) // 3)
    thin = phone_map(outcome, "metric")
    assert len(thin["corners"]) < len(whole["corners"])
    assert re.fullmatch(
        r"Outlines are drawn with [\d,]+ of [\d,]+ corners, moved by no more than [\d.]+ m\.", thin["thinned"]
    )
    moved = float(thin["thinned"].split()[-2]) / 111_000  # of a degree of latitude
    for before, after in zip(outlines(whole), outlines(thin), strict=True):
        assert shapely.hausdorff_distance(before, after) < 1.5 * moved / np.cos(np.radians(whole["origin"][1]))


def test_the_sheet_is_one_file_that_asks_for_nothing(tmp_path: Path) -> None:
    made = tmp_path / "phone.html"
    assert cli.main([*COMMAND, "--out", str(tmp_path / "card.html"), "--phone", str(made)]) in (0, 1)
    text = made.read_text("utf-8")
    assert "http" not in text.replace("http-equiv", "").replace('"http:"', "")
    assert not re.search(r"\b(src|href)=", text.replace("keep.href", ""))
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', text)
    assert "default-src 'none'" in policy and "connect" not in policy and "'unsafe-inline'" in policy
    script = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy and f"'sha256-{digest}'" in sheet_policy()
    body = text.split("<body>")[1]
    assert body.index("Ammonia blinds and kills") < body.index("<h1>") < body.index('id="map"')
    assert len(text) < 100_000
    # The card itself is what it was, with neither map nor script.
    card = (tmp_path / "card.html").read_text("utf-8")
    assert "<script" not in card and "script-src" not in card and 'id="map"' not in card


def test_names_in_a_file_cannot_become_markup(outcome: Any) -> None:
    names = tuple(f"</script><img src=x>&{at}" for at in range(len(outcome.prescription.zone_id)))
    evil = replace(outcome, prescription=replace(outcome.prescription, zone_id=names))
    text = as_phone_html(card_report(evil, "us", "stamp"), evil, "us")
    assert "<img" not in text and text.count("</script>") == 2
    data = json.loads(re.findall(r'id="zones">(.*?)</script>', text, re.DOTALL)[0])
    assert data["names"] == list(names)


def test_plain_rates_have_no_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = [*COMMAND[:1], "--rates", "85 lb N/ac", *COMMAND[6:]]
    outs = ["--out", str(tmp_path / "card.html"), "--phone", str(tmp_path / "phone.html")]
    assert cli.main([*command, *outs]) == 2
    assert "plain rates have no map to put on a phone" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_the_phones_file_is_no_other(tmp_path: Path, outcome: Any) -> None:
    same = str(tmp_path / "card.html")
    setting = Setting(lambda report: "x", lambda *given: b"x", (same, "x"))
    for out, pdf in ((same, None), (str(tmp_path / "other.html"), same)):
        with pytest.raises(OutputError, match="the phone's sheet and another output would be one file"):
            write_report(
                card_report(outcome, "us", ""), ReportFiles(out=out, pdf=pdf), "us", DATE, replace=False, protect=(),
                setting=setting,
            )  # fmt: skip
    assert list(tmp_path.iterdir()) == []


def test_the_page_makes_the_very_file_of_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for file in (KETTLE, WREN):
        shutil.copy(file, tmp_path)
    monkeypatch.chdir(tmp_path)
    said = {**asdict(PLAN), **asdict(READ), "prescription": KETTLE.name, "bar": WREN.name}
    made = TASKS["phone sheet"](lambda words: None, said | {"units": "us", "date": DATE.isoformat()})
    command = [KETTLE.name if part == str(KETTLE) else WREN.name if part == str(WREN) else part for part in COMMAND]
    assert cli.main([*command, "--out", "card.html", "--phone", "phone.html"]) in (0, 1)
    assert made.archive == Path("phone.html").read_bytes()


# --- who is let in ----------------------------------------------------------------------------------------------

ADDRESS, PORT = "192.168.7.20", 8765
PLACE = f"http://{ADDRESS}:{PORT}"


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def share(clock: Clock) -> Any:
    need_page()
    from geoflow.web.sharing import Share

    return Share(clock)


def test_a_code_lets_one_phone_in_and_no_other(share: Any) -> None:
    code = share.code
    token = share.admit(code.lower().replace("-", " "))
    assert token and share.knows(token) and share.phones == 1
    assert share.admit(code) is None and share.standing == "used"
    assert share.new_code() != code and share.standing == "open" and share.admit(code) is None
    assert share.knows(token)


def test_few_wrong_codes_lock_it_even_for_the_right_one(share: Any) -> None:
    wrong = "2222-2222" if share.code != "2222-2222" else "3333-3333"
    for _ in range(5):
        assert share.admit(wrong) is None
    assert share.standing == "locked" and share.admit(share.code) is None
    share.new_code()
    assert share.admit(share.code)


def test_a_code_and_a_phone_grow_old(share: Any, clock: Clock) -> None:
    clock.now = 601.0
    assert share.standing == "expired" and share.admit(share.code) is None
    share.new_code()
    token = share.admit(share.code)
    clock.now += 12 * 3600.0 + 1.0
    assert not share.knows(token) and share.phones == 0


def test_ending_sends_everybody_out(share: Any) -> None:
    from geoflow.web.sharing import SharedSheet

    token = share.admit(share.code)
    share.sheet = SharedSheet(b"x", "y")
    share.end()
    assert not share.knows(token) and share.sheet is None and share.admit(share.code) is None
    assert share.standing == "ended"


@given(st.text(max_size=60))
def test_no_other_text_is_the_code(text: str) -> None:
    from geoflow.web.sharing import Share

    share = Share()
    plain = "".join(letter for letter in text.upper() if letter.isalnum())
    assert (share.admit(text) is None) == (plain != share.code.replace("-", ""))
    assert not share.knows(text)


def test_codes_are_compared_in_a_time_that_tells_nothing(share: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from geoflow.web import sharing

    compared: list[tuple[bytes, bytes]] = []
    real = sharing.hmac.compare_digest

    def watched(one: Any, other: Any) -> bool:
        compared.append((one, other))
        return bool(real(one, other))

    monkeypatch.setattr(sharing.hmac, "compare_digest", watched)
    share.admit("AAAA")
    share.admit(share.code)
    assert len(compared) == 2


@pytest.mark.parametrize("wanted", ["8.8.8.8", "0.0.0.0", "example.test", "::1", "203.0.113.9x", ""])
def test_only_a_local_address_is_listened_on(wanted: str) -> None:
    need_page()
    from geoflow.web.sharing import local_address

    with pytest.raises(UsageError) as told:
        local_address(wanted)
    assert told.value.where == "--share-on" and told.value.cure
    assert local_address("192.168.1.20") == "192.168.1.20"


def test_without_a_network_there_is_nothing_to_share_on(monkeypatch: pytest.MonkeyPatch) -> None:
    from geoflow.web import sharing

    monkeypatch.setattr(sharing, "_NOWHERE", "not an address")
    with pytest.raises(UsageError, match="this machine is on no network") as told:
        sharing.local_address()
    assert told.value.where == "--share"


# --- the doors --------------------------------------------------------------------------------------------------


async def _asked(
    app: Any, method: str, path: str, came_in: tuple[str, int], headers: dict[str, str], body: bytes
) -> Any:
    sent: list[dict[str, Any]] = []
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "", "server": came_in,
        "client": ("192.168.7.99", 5000),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip
    given = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> dict[str, Any]:
        return given.pop(0) if given else {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    text = b"".join(one.get("body", b"") for one in sent[1:])
    return sent[0]["status"], {name.decode(): value.decode() for name, value in sent[0]["headers"]}, text


@pytest.fixture
def doors(share: Any) -> Iterator[Any]:
    from geoflow.web.server import make_app
    from geoflow.web.sharing import Door

    app = make_app(PORT, door=Door(share, ADDRESS, PORT))

    def ask(
        method: str, path: str, body: bytes = b"", came_in: tuple[str, int] = (ADDRESS, PORT), **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        base = {"host": f"{ADDRESS}:{PORT}"}
        if method == "POST":
            base |= {"origin": PLACE, "content-length": str(len(body))}
        return asyncio.run(_asked(app, method, path, came_in, base | named, body))  # type: ignore[no-any-return]

    yield ask


def let_in(doors: Any, share: Any) -> str:
    status, headers, _ = doors("POST", "/code", f"code={share.code}".encode())
    assert status == 303 and headers["location"] == "/"
    cookie = headers["set-cookie"]
    assert "httponly" in cookie.lower() and "samesite=strict" in cookie.lower()
    return cookie.split(";")[0]


def test_a_phone_sees_the_shared_sheet_and_only_with_the_code(doors: Any, share: Any) -> None:
    from geoflow.web.sharing import SharedSheet

    share.sheet = SharedSheet(b"<p>secret", "kettle")
    for path in ("/", "/sheet.html"):
        _, _, text = doors("GET", path)
        assert b"secret" not in text
        _, _, text = doors("GET", path, cookie="geoflow-phone=guess")
        assert b"secret" not in text
    status, _, text = doors("POST", "/code", b"code=WRONG")
    assert status == 403 and b"That is not the code" in text and b"secret" not in text
    cookie = let_in(doors, share)
    status, headers, text = doors("GET", "/", cookie=cookie)
    assert status == 200 and text == b"<p>secret"
    assert (
        headers["content-security-policy"] == sheet_policy() and headers["permissions-policy"] == "geolocation=(self)"
    )
    status, headers, text = doors("GET", "/sheet.html", cookie=cookie)
    assert text == b"<p>secret" and "attachment" in headers["content-disposition"]
    share.end()
    _, _, text = doors("GET", "/", cookie=cookie)
    assert b"secret" not in text and b"Sharing was ended" in text


def test_only_a_sheet_that_was_made_is_shared(doors: Any) -> None:
    here, own = ("127.0.0.1", PORT), {"host": f"127.0.0.1:{PORT}", "origin": f"http://127.0.0.1:{PORT}"}
    opened = json.loads(doors("POST", "/do/open", b"{}", came_in=here, **own, x_geoflow_tab="new")[2])
    for body, words in (
        ({"act": "share"}, "there is no sheet to share"),
        ({"act": "share", "of": {}}, "there is nothing to download"),
    ):
        content = json.dumps(body).encode()
        status, _, text = doors("POST", "/do/shared", content, came_in=here, **own, x_geoflow_tab=opened["tab"])
        assert status == 422 and words in json.loads(text)["error"]


def test_nothing_of_the_desk_is_reached_from_the_network(doors: Any, share: Any) -> None:
    """Every address of the desk, asked for at the phones' door with the phone's own cookie and any host name."""
    from geoflow.web.answers import TAB_HEADER

    cookie = let_in(doors, share)
    for path in ("/static/page.js", "/static/page.html", "/map/leaflet.js", "/page.html"):
        assert doors("GET", path, cookie=cookie)[0] == 404
    for name in ("open", "read", "vet", "download", "shared", "phone", "answers", "bar"):
        status, _, _ = doors("POST", f"/do/{name}", b"{}", cookie=cookie, **{TAB_HEADER: "new"})
        assert status == 404
    for host in (f"127.0.0.1:{PORT}", f"localhost:{PORT}", "evil.test", f"evil.test:{PORT}", ADDRESS, ""):
        for method, path in (("GET", "/"), ("GET", "/static/page.js"), ("POST", "/do/open")):
            assert doors(method, path, host=host)[0] == 421


def test_the_desk_answers_on_the_loopback_address_alone(doors: Any) -> None:
    here = ("127.0.0.1", PORT)
    assert doors("GET", "/static/page.js", came_in=here, host=f"127.0.0.1:{PORT}")[0] == 200
    # The desk does not know the network's name, nor a connection that came in anywhere else.
    assert doors("GET", "/", came_in=here)[0] == 421
    for elsewhere in (("192.168.7.20", 1), ("10.0.0.1", PORT), ("127.0.0.1", 1), None):
        status = doors("GET", "/static/page.js", came_in=elsewhere, host=f"127.0.0.1:{PORT}")[0]
        assert status == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.test"},
        {"origin": "null"},
        {"sec_fetch_site": "cross-site"},
        {"origin": f"http://127.0.0.1:{PORT}"},
    ],
    ids=str,
)
def test_a_code_from_another_site_is_not_taken(doors: Any, share: Any, headers: dict[str, str]) -> None:
    assert doors("POST", "/code", f"code={share.code}".encode(), **headers)[0] == 403
    assert share.standing == "open"


def test_the_door_takes_no_files_and_carries_a_strict_policy(doors: Any) -> None:
    assert doors("POST", "/code", b"x" * 1001)[0] == 413
    assert doors("PUT", "/", b"x")[0] == 405
    for path in ("/", "/door.js", "/door.css", "/none"):
        _, headers, _ = doors("GET", path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert headers["cache-control"] == "no-store" and headers["x-content-type-options"] == "nosniff"
        assert "geolocation=()" in headers["permissions-policy"]


def test_without_share_nothing_is_listened_on_but_the_loopback_address(capsys: pytest.CaptureFixture[str]) -> None:
    need_page()
    from geoflow.web import server

    made: list[Any] = []

    def served(socks: list[Any], app: Any) -> None:
        made.append(([one.getsockname()[0] for one in socks], app))
        for one in socks:
            one.close()

    before = server.run
    try:
        server.run = served
        assert cli.main(["page", "--port", "0"]) == 0
        assert cli.main(["page", "--port", "0", "--share", "--share-on", "127.0.0.1"]) == 0
        assert cli.main(["page", "--port", "0", "--share-on", "127.0.0.1"]) == 2
    finally:
        server.run = before
    assert made[0][0] == ["127.0.0.1"] and isinstance(made[0][1], server.Guard)
    assert len(made[1][0]) == 2 and isinstance(made[1][1], server.Doors)
    said = capsys.readouterr()
    alone, shared = said.out.split("The page is at ")[1:3]
    assert "code" not in alone and "Only this machine can reach it." in alone
    assert re.search(r"with the code [0-9A-Z]{4}-[0-9A-Z]{4}", " ".join(shared.split()))
    assert "not encrypted" in shared and "█" in shared
    assert "--share-on without --share" in said.err


def test_an_address_of_another_machine_is_refused_in_words() -> None:
    need_page()
    from geoflow.web.server import listen

    with pytest.raises(UsageError, match=r"cannot listen on 10\.255\.255\.254") as told:
        listen(0, "10.255.255.254")
    assert told.value.where == "--share-on"


def test_the_qr_code_says_the_address_with_the_code_behind_a_hash(share: Any) -> None:
    """Read back with an independent decoder where there is one; else its frame alone is looked at."""
    from geoflow.web.sharing import Door

    door = Door(share, ADDRESS, PORT)
    assert door.scanned == f"{PLACE}/#{share.code}"
    squares = door.squares()
    finder = ["1111111", "1000001", "1011101", "1011101", "1011101", "1000001", "1111111"]  # ISO/IEC 18004
    assert [row[:7] for row in squares[:7]] == finder and [row[-7:] for row in squares[:7]] == finder
    assert len({len(row) for row in squares}) == 1 and len(squares) == len(squares[0])
