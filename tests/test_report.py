"""The report: one content, set as HTML and PDF, equal to the JSON document, asking nothing of any network."""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from rx_files import square, write_geojson

from geoflow import cli
from geoflow.base.schema import VERDICTS

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
LANTERN, KETTLE = str(FIELDS / "lantern_flat.shp"), str(FIELDS / "kettle_rise.geojson")
HERON, WREN, LOG = str(FIELDS / "heron.toml"), str(FIELDS / "wren.toml"), str(FIELDS / "lantern_flat_log.csv")
HOLDS = [LANTERN, "--bar", HERON, "--temperature", "38..46 degF", "--speed", "4.8..5.2 mph"]
FAILS = [
    *(KETTLE, "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph"),
    *("--rate-column", "target", "--rate-unit", "lb N/ac"),
]
RECONCILED = [LOG, "--target", LANTERN, "--bar", HERON, "--ticket", "14044 lb NH3"]
CASES = {
    "holds": ["vet", *HOLDS],
    "fails": ["vet", *FAILS],
    "fails metric": ["vet", *FAILS, "--units", "metric"],
    "hold-rate": ["rewrite", *FAILS, "--policy", "hold-rate", "--allow-raise"],
    "hold-speed": ["rewrite", *FAILS, "--policy", "hold-speed"],
    "planned": ["plan", *FAILS, "--start", "southwest"],
    "reconciled": ["reconcile", *RECONCILED],
}
OWN_PARTS = {
    "reconciled": ["answer", "map", "spread", "zones", "ticket", "bar", "cautions", "basis"],
    "planned": ["answer", "map", "zones", "loads", "alternatives", "orifices", "cautions", "basis"],
}
PARTS = ["answer", "map", "window", "zones", "changes", "loads", "cautions", "basis"]
VOID = {"meta", "img", "col", "br"}


class Page(HTMLParser):
    """Takes a page apart: tags in order, texts by tag, tables by section."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.rows: dict[str, list[list[str]]] = {}
        self.open: list[str] = []
        self.section = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "section":
            self.section = found["id"] or ""
        if tag == "tr":
            self.rows.setdefault(self.section, []).append([])
        if tag in {"td", "th"}:
            self.rows[self.section][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((self.open[-1] if self.open else "", data.strip()))
        if self.open and self.open[-1] in {"td", "th"}:
            self.rows[self.section][-1][-1] += data

    def all(self, *tags: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.tags if tag in tags]


def report(folder: Path, arguments: list[str], *more: str) -> tuple[int, Page, str, dict]:
    """Run the command; exit code, page, text of the PDF, JSON document."""
    names = [folder / name for name in ("r.html", "r.pdf", "r.json")]
    outputs = ["--out", str(names[0]), "--pdf", str(names[1]), "--json", str(names[2]), "--date", "2026-04-30"]
    code = cli.main(["report", *arguments, *outputs, *more])
    reader = pypdf.PdfReader(names[1])
    text = "\n".join(page.extract_text() for page in reader.pages)
    return code, Page(names[0].read_text(encoding="utf-8")), text, json.loads(names[2].read_text())


class Reports(dict):
    """Makes each report when it is first asked for."""

    def __init__(self, factory: pytest.TempPathFactory) -> None:
        super().__init__()
        self.factory = factory

    def __missing__(self, name: str) -> tuple[int, Page, str, dict]:
        self[name] = report(self.factory.mktemp("report"), CASES[name])
        return self[name]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Reports:
    return Reports(tmp_path_factory)


# --- the page --------------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_the_page_asks_nothing_of_any_network(made: dict, name: str) -> None:
    page = made[name][1]
    assert not page.all("script", "link", "iframe", "object", "embed", "form", "base", "audio", "video", "a")
    for tag, attributes in page.tags:
        for key, value in attributes.items():
            if key in {"src", "href", "srcset", "poster", "data", "action", "background"}:
                assert tag == "img" and (value or "").startswith("data:image/png;base64,")
            elif key != "content":
                assert "//" not in (value or "")
    css = "".join(text for tag, text in page.texts if tag == "style")
    assert css and "url(" not in css and "@import" not in css
    policy = next(one for one in page.all("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in str(policy["content"])


@pytest.mark.parametrize("name", CASES)
def test_headings_ids_and_pictures_are_in_order(made: dict, name: str) -> None:
    page = made[name][1]
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(set(ids)) == len(ids)
    for section in page.all("section"):
        assert section["aria-labelledby"] in ids
    pictures = page.all("img")
    assert len(pictures) >= 2
    assert all(len(picture["alt"] or "") > 40 for picture in pictures)
    assert all(head.get("scope") for head in page.all("th"))
    assert page.all("html")[0]["lang"] == "en" and not page.open


@pytest.mark.parametrize("name", CASES)
def test_the_parts_stand_in_their_order(made: dict, name: str) -> None:
    found = [section["id"] for section in made[name][1].all("section")]
    assert found == OWN_PARTS.get(name, PARTS)
    said = " ".join(text for _, text in made[name][1].texts)
    for words in ("Ammonia blinds and kills", "product label", "local codes", "licensed", "2026-04-30"):
        assert words in said


def zone_rows(page: Page, part: str = "zones") -> dict[str, list[str]]:
    """Rows of a table by what people call the zone."""
    return {row[0]: row for row in page.rows[part] if len(row) > 1 and row[0] not in ("zone", "all")}


@pytest.mark.parametrize("name", ["holds", "fails", "fails metric"])
def test_every_verdict_is_that_of_the_document(made: dict, name: str) -> None:
    _, page, _, document = made[name]
    rows = zone_rows(page)
    assert set(rows) == {zone["zone_id"] for zone in document["zones"]}
    # Exact by definition (NIST SP 811): pound 0.45359237 kg, acre 4046.8564224 m2.
    rate = 0.45359237 / 4046.8564224 * 1e4 if "metric" in name else 1.0
    for zone in document["zones"]:
        row = rows[zone["zone_id"]]
        verdict = zone["verdict"]
        odds = "" if verdict != "doubtful" else f" {100 * zone['odds']:.0f} %"
        assert row[3] == f"{VERDICTS[verdict].letter} {verdict}{odds}"
        assert float(row[1]) == pytest.approx(zone["rate_lb_n_ac"] * rate, abs=0.51)
        if zone["limited_by"]:
            assert row[4] == f"{zone['limited_by']} (flow too {zone['side']})" and row[7]
    worth = {"fails": 0, "doubtful": 1, "holds": 2, "off": 3}
    order = [worth[row[3].split()[1]] for row in rows.values()]
    assert order == sorted(order)


@pytest.mark.parametrize("name", ["hold-rate", "hold-speed"])
def test_a_rewritten_field_shows_every_change_and_names_every_raise(made: dict, name: str) -> None:
    _, page, text, document = made[name]
    rows = zone_rows(page, "changes")
    touched = {
        zone["zone_id"] for zone in document["zones"] if zone["changed"] or zone["zone"] in document["left_failing"]
    }
    assert set(rows) == touched and len(touched) > 5
    for zone in document["zones"]:
        assert zone_rows(page)[zone["zone_id"]][3].split()[1] == zone["verdict_after"]
        if zone["zone_id"] in touched:
            row = rows[zone["zone_id"]]
            assert float(row[1]) == pytest.approx(zone["before_lb_n_ac"], abs=0.051)
            assert float(row[2]) == pytest.approx(zone["after_lb_n_ac"], abs=0.051)
            assert row[7].startswith("RAISED: ") == (zone["zone"] in document["raised"])
            assert row[7].removeprefix("RAISED: ") == zone["reason"]
    assert ("RAISED above the prescription" in text) == bool(document["raised"]) == (name == "hold-rate")
    pounds = document["totals"]
    assert f"{pounds['nitrogen_before_lb']:,.0f}" in text and f"{pounds['nitrogen_after_lb']:,.0f}" in text
    for zone in document["left_failing"]:
        name = document["zones"][zone]["zone_id"]
        assert re.search(rf"[Zz]ones? [\w, ]*\b{name}\b[^.]*still do", " ".join(text.split()))


# --- the PDF ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_the_pdf_says_what_the_page_says(made: dict, name: str) -> None:
    _, page, text, _ = made[name]
    packed = re.sub(r"\s", "", text)
    sentence = next(at for at, (tag, attributes) in enumerate(page.tags) if attributes.get("id") == "answer-sentence")
    assert sentence
    missing = [
        said
        for tag, said in page.texts
        if tag in {"p", "li", "td", "h1", "h2", "h3", "figcaption"} and re.sub(r"\s", "", said) not in packed
    ]
    # A paragraph that runs over two pages has the foot of the first in its middle.
    assert [said for said in missing if len(said) < 200] == []
    assert len(missing) <= 1


@pytest.mark.parametrize(("paper", "size"), [("letter", (612, 792)), ("a4", (595.28, 841.89))])
def test_the_pdf_has_its_paper_page_numbers_and_repeated_heads(tmp_path: Path, paper: str, size: tuple) -> None:
    report(tmp_path, ["vet", *FAILS], "--paper", paper)
    reader = pypdf.PdfReader(tmp_path / "r.pdf")
    # ISO 216: A4 is 210 by 297 mm; ANSI/ASME Y14.1: letter is 8.5 by 11 in; 72 points to the inch.
    assert [float(side) for side in reader.pages[0].mediabox[2:]] == pytest.approx(size, abs=0.02)
    texts = [page.extract_text() for page in reader.pages]
    for number, text in enumerate(texts, 1):
        assert f"Page {number} of {len(texts)}" in text and "Ammonia blinds and kills" in text
    listed = [text for text in texts if len(re.findall(r"\b[FDH] (?:fails|doubtful|holds)\b", text)) > 4]
    assert len(listed) == 2 and all("what would make it hold" in text for text in listed)
    assert [entry.title for entry in reader.outline][:3] == [
        "What to do",
        "Map of the zones",
        "The window, and the plan in it",
    ]


def test_key_numbers_of_the_document_stand_in_the_pdf(made: dict) -> None:
    _, _, text, document = made["fails"]
    window = document["window"]
    low, high = window["rate_lb_n_ac"]["certain"]
    assert f"{-(-low // 1):.0f} to {high // 1:.0f} lb N/ac" in text  # rounded inward
    totals = document["totals"]
    assert f"{totals['holds']} of {totals['zones'] - totals['off']} zones hold" in text
    assert f"{totals['nitrogen_lb']:,.0f}" in text and f"{totals['area_ac']:.1f}" in text
    for name in VERDICTS:
        assert re.search(rf"{VERDICTS[name].letter} {name} {totals[name]} ", text)


def test_loads_and_hours_are_those_of_the_plan(made: dict, capsys: pytest.CaptureFixture[str]) -> None:
    """`geoflow plan` counts the same loads from the same passes."""
    cli.main(["plan", *FAILS, "--json", "-"])
    plan = json.loads(capsys.readouterr().out)["tank_loads"]
    rows = [row for row in made["fails"][1].rows["loads"] if row[0].isdigit()]
    assert len(rows) == plan["tanks"]
    for row, load in zip(rows, plan["loads"], strict=True):
        assert float(row[1].split()[0].replace(",", "")) == pytest.approx(load["drawn_lb_nh3"], abs=0.51)
        assert row[4] == load["zone_id"]
        lat, lon = map(float, row[5].split(","))
        assert [lon, lat] == pytest.approx(load["lon_lat"], abs=6e-6)
    # By hand: 42.4 ac asked for at 5 mph with 27.5 ft, and 65 % field efficiency (ISU PM 696, 11 rows between its 9
    # and 13): 42.4 * 43560 ft2 / (27.5 ft * 26400 ft/h) = 2.54 h, 3.9 h in all.
    assert "2.5 h in the ground" in made["fails"][2] and "3.9 h in the field" in made["fails"][2]


# --- what it rests on ------------------------------------------------------------------------------------------------


def test_inputs_are_named_with_their_hashes(made: dict) -> None:
    rows = [row for row in made["holds"][1].rows["basis"] if len(row) == 4]
    family = sorted(path for path in FIELDS.glob("lantern_flat.*"))
    listed = {row[1]: row for row in rows}
    for path in (*family, Path(HERON)):
        content = path.read_bytes()
        assert listed[str(path)][2:] == [f"{len(content):,}", hashlib.sha256(content).hexdigest()]


def test_everything_the_bar_file_leaves_out_is_told(made: dict) -> None:
    text = made["fails"][2]
    for key, value in {
        "nitrogen_fraction": "0.82",
        "pump.efficiency": "0.5",
        "row_hose.tolerance": "0.4",
        "orifices.large.coefficient_tolerance": "0.08",
        "orifices.small.measured 1: pressure_tolerance": "2.0 psi",
        "control_valve.recovery_factor": "0.9",
    }.items():
        assert re.search(rf"{re.escape(key)} {re.escape(value)}\b", text), key
    for words in ("45 to 52 °F", "± 4 %", "between none and full", "± 40 %, both ends", "fixed, as at 60 °F"):
        assert words in text
    assert "orifices.small.coefficient_tolerance" not in text  # it is given


def test_the_same_day_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    contents = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        report(tmp_path / name, ["vet", *HOLDS])
        contents.append([(tmp_path / name / end).read_bytes() for end in ("r.html", "r.pdf")])
    assert contents[0] == contents[1]
    # reproducible-builds.org: SOURCE_DATE_EPOCH counts seconds since 1970 in UTC; 86400 is the second of January.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    cli.main(["report", "vet", *HOLDS, "--out", str(tmp_path / "e.html")])
    assert "1970-01-02" in (tmp_path / "e.html").read_text(encoding="utf-8")


# --- reconciled ------------------------------------------------------------------------------------------------------


def test_a_reconciled_report_has_the_numbers_of_the_document(made: dict) -> None:
    code, page, text, document = made["reconciled"]
    assert code == 1
    agreed, ticket = document["agreement"], document["ticket"]
    assert f"{100 * agreed['within_10']:.1f} %" in text
    assert f"{ticket['ratio']:.3f}" in text and f"{ticket['meter_factor']:.3f}" in text
    causes = {row[0]: row[1] for row in page.rows["spread"] if row[0] in document["causes"]}
    for name, cause in document["causes"].items():
        if cause["area_ac"] > 0:
            assert float(causes[name]) == pytest.approx(cause["area_ac"], abs=0.0051)
    packed = " ".join(text.split())
    for finding in document["findings"]:
        assert finding["text"][:60] in packed
    rows = zone_rows(page)
    for zone in document["zones"]:
        assert float(rows[zone["zone_id"]][8]) == pytest.approx(zone["ratio"], abs=0.0051)


# --- odd fields and names --------------------------------------------------------------------------------------------


def field(folder: Path, rates: list[float], name: str = "rx.geojson", column: str = "rate") -> str:
    wide = 75
    zones = [square(at % wide, at // wide, 30.0 if len(rates) > 100 else 100.0) for at in range(len(rates))]
    crs = "urn:ogc:def:crs:EPSG::26915"
    return str(write_geojson(folder / name, zones, [{column: rate} for rate in rates], crs=crs))


PLAN = ["--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph", "--rate-unit", "lb N/ac"]


def test_markup_in_names_stays_text(tmp_path: Path) -> None:
    name, column = "\u202e<img src=x onerror=alert(1)>&'\".geojson", "<b>rate</b>"
    bar = tmp_path / "b&<i>.toml"
    bar.write_text(Path(WREN).read_text(encoding="utf-8").replace('name = "Wren"', "name = '<u>Wren</u>'"))
    rx = field(tmp_path, [150.0, 60.0], name, column)
    plan = ["--bar", str(bar), *PLAN[2:], "--rate-column", column]
    code, page, text, _ = report(tmp_path, ["vet", rx, *plan])
    assert code == 1
    assert not page.all("b", "i", "u") and len(page.all("img")) == 2 and not page.all("script")
    assert all(set(picture) == {"src", "width", "height", "alt"} for picture in page.all("img"))
    said = "".join(text for _, text in page.texts)
    assert "�<img src=x" in said and "\u202e" not in said  # a mark that turns the writing round is not passed on
    assert "<img src=x onerror=alert(1)>" in said and "<b>rate</b>" in said and "<u>Wren</u>" in said
    assert "<u>Wren</u>" in text.replace("\n", "")


def test_one_zone(tmp_path: Path) -> None:
    code, page, _, document = report(tmp_path, ["vet", field(tmp_path, [150.0]), *PLAN])
    assert code == 0 and document["totals"]["holds"] == 1
    assert "The one zone holds" in " ".join(text for _, text in page.texts)


def test_all_zones_off(tmp_path: Path) -> None:
    code, page, text, _ = report(tmp_path, ["vet", field(tmp_path, [0.0, 0.0, 0.0]), *PLAN])
    assert code == 0 and "nothing to deliver" in text
    assert {row[3] for row in zone_rows(page).values()} == {"Z off"}


def test_a_bar_without_tank_or_any_window(tmp_path: Path) -> None:
    bar = tmp_path / "bare.toml"
    lines = (ROOT / "tests" / "bar_files.py").read_text(encoding="utf-8")
    bar.write_text(lines.split('MINIMAL = """\\\n')[1].split('"""')[0], encoding="utf-8")
    plan = ["--bar", str(bar), "--temperature", "105 degF", *PLAN[4:]]
    code, page, text, document = report(tmp_path, ["vet", field(tmp_path, [150.0, 400.0]), *plan])
    assert code == 1 and document["window"]["rate_lb_n_ac"]["certain"] is None
    assert "names no [tank]" in text and "DANGER" in text
    assert page.texts[[text for _, text in page.texts].index("What to do") + 1][1].startswith("DANGER")


@pytest.mark.slow
def test_five_thousand_zones_list_the_worst_and_count_the_rest(tmp_path: Path) -> None:
    rates = [float(60 + at % 200) for at in range(5000)]
    code, page, text, document = report(tmp_path, ["vet", field(tmp_path, rates), *PLAN])
    assert code == 1 and len(zone_rows(page)) == 200
    assert "Not listed: 4,800 zones" in " ".join(text.split())
    assert {row[3] for row in zone_rows(page).values()} == {"F fails"}
    left = re.search(r"further from trouble \((.*?);", " ".join(text.split()))
    assert left
    names = {"hold": "holds", "fail": "fails"}
    said = [part.split() for part in left[1].split(", ")]
    counts = {names.get(word, word): int(number.replace(",", "")) for number, word in said}
    counts["fails"] += 200
    assert counts == {name: document["totals"][name] for name in counts}
    assert (tmp_path / "r.html").stat().st_size < 3_000_000 and (tmp_path / "r.pdf").stat().st_size < 3_000_000
    cli.main(["report", "vet", str(tmp_path / "rx.geojson"), *PLAN, "--all-zones", "--out", str(tmp_path / "all.html")])
    assert len(zone_rows(Page((tmp_path / "all.html").read_text(encoding="utf-8")))) == 5000


def test_left_out_rows_are_told(tmp_path: Path) -> None:
    rx = field(tmp_path, [150.0, -9999.0, 150.0])
    _, _, text, _ = report(tmp_path, ["vet", rx, *PLAN])
    assert "1 row of the file left out" in text and "1 left out: negative rate" in " ".join(text.split())


# --- the command -----------------------------------------------------------------------------------------------------


def test_figures_are_those_of_the_page(tmp_path: Path) -> None:
    cli.main(["report", "vet", *HOLDS, "--out", str(tmp_path / "r.html"), "--figures", str(tmp_path / "figures")])
    import base64

    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    shown = [base64.b64decode(str(one["src"]).partition(",")[2]) for one in page.all("img")]
    assert shown == [(tmp_path / "figures" / f"{name}.png").read_bytes() for name in ("map", "window")]
    from PIL import Image

    for content in shown:
        assert Image.open(io.BytesIO(content)).width == 1420  # 7.1 in at 200 dots


def test_nothing_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rx, out = field(tmp_path, [150.0]), tmp_path / "r.html"
    before = Path(rx).read_bytes()
    for target in (rx, str(tmp_path / "bar.toml")):
        (tmp_path / "bar.toml").write_text(Path(WREN).read_text(encoding="utf-8"))
        plan = ["--bar", str(tmp_path / "bar.toml"), *PLAN[2:]]
        for option in ("--out", "--pdf"):
            outputs = ["--out", str(out)] if option == "--pdf" else []
            assert cli.main(["report", "vet", rx, *plan, *outputs, option, target, "--replace"]) == 2
            assert "never written over" in capsys.readouterr().err
            assert not out.exists() and Path(rx).read_bytes() == before
    out.write_text("mine")
    assert cli.main(["report", "vet", rx, *PLAN, "--out", str(out), "--pdf", str(tmp_path / "r.pdf")]) == 2
    assert "--replace" in capsys.readouterr().err
    assert out.read_text() == "mine" and not (tmp_path / "r.pdf").exists()
    assert cli.main(["report", "vet", rx, *PLAN, "--out", str(out), "--pdf", str(out), "--replace"]) == 2
    assert "one file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (["--date", "soon"], "--date"),
        (["--heel", "2"], "--heel"),
        (["--efficiency", "none"], "--efficiency"),
        (["--heading", "north"], "--heading"),
        (["--paper", "a5"], "--paper"),
        (["--pdf", "/proc/nowhere/r.pdf"], "/proc/nowhere"),
    ],
)
def test_wrong_use_is_said_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: list[str], said: str
) -> None:
    rx = field(tmp_path, [150.0])
    assert cli.main(["report", "vet", rx, *PLAN, "--out", str(tmp_path / "r.html"), *wrong]) == 2
    problem = capsys.readouterr().err
    assert said in problem and "unforeseen" not in problem
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rx.geojson"]


def test_exit_codes_are_those_of_the_command(made: dict) -> None:
    assert {name: made[name][0] for name in CASES} == {**dict.fromkeys(CASES, 1), "holds": 0}


@pytest.mark.parametrize("about", ["vet", "rewrite", "plan", "reconcile"])
def test_every_report_shows_an_example_in_its_help(capsys: pytest.CaptureFixture[str], about: str) -> None:
    with pytest.raises(SystemExit):
        cli.main(["report", about, "-h"])
    said = capsys.readouterr().out
    assert f"Example: geoflow report {about}" in said and "the report: one HTML file" in said
    assert "--save-columns FILE" not in said and "--cell" not in said
