"""The bar form of the page: the interview's questions in its words, its very file, and a loaded file that stays."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsing import need_page
from test_interview import DAY, EXACT

from geoflow import cli
from geoflow.bar.answer_file import taken_answers
from geoflow.bar.answers import answered
from geoflow.bar.answers_in import answers_in, with_answers
from geoflow.bar.asking import ESSENTIALS, THEMES, answer_units, said_back
from geoflow.bar.bar_file import parse_bar, read_bar_text
from geoflow.bar.new_bar import new_bar_text, pinned
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.cli.interview import ask
from geoflow.decide.unknowns import _rates
from geoflow.hydraulics.window import flow_window
from geoflow.report.new_bar import new_bar_report
from geoflow.report.terminal import as_text
from geoflow.web.bar_form import form_content
from geoflow.web.bar_questions import POINT_WAYS, answered_view, costs_view, form_answers, questions_view
from geoflow.workflow.new_bar import make_bar

FIELDS = Path(__file__).parent.parent / "sample_fields"
FOUR = {"row_spacing": "30 in", "sections": "5, 6, 5", "orifice": "No. 50", "meter_pulses": "700"}
BY_NAME = {one.name: one for one in QUESTIONS}
SAMPLES = [FIELDS / "wren.toml", FIELDS / "heron.toml"]


def content_of(path: Path) -> dict[str, Any]:
    return form_content(path.read_text("utf-8"), path.name)


# --- the same questions in the same words -----------------------------------------------------------------------


def test_page_and_terminal_ask_the_same_in_the_same_words() -> None:
    """Both rounds at the terminal, with help asked for at each; every line of it stands in what the page is given."""
    said: list[str] = []
    order = [one.name for one in QUESTIONS]
    replies = iter([reply for name in order for reply in ("help", {**EXACT, **DAY}[name])])

    def read(prompt: str) -> str:
        if "go through that too" in prompt:
            said.append(prompt)
            return "y"
        return next(replies)

    answers = ask(read, said.append)
    assert list(answers) == order
    spoken = "\n".join(said)
    view = questions_view()
    assert [one["name"] for one in view["questions"]] == list(answers)
    for one in view["questions"]:
        for words in (one["asks"], one["usualSaid"], one["explained"]):
            assert words in spoken, words
    assert view["how"] in spoken and view["second"] in spoken
    form = answered_view({"answers": {**EXACT, **DAY}})["fields"]
    for name, field in form.items():
        assert not field["back"] or f"  {field['back']}" in said, name


def test_every_question_has_one_theme_and_the_essentials_come_first() -> None:
    tables = [table for each in THEMES.values() for table in each]
    assert len(tables) == len(set(tables)) and {one.key[0] for one in QUESTIONS} <= set(tables)
    needed = {one.name for one in QUESTIONS if one.unknown is None and not one.choice and not one.day}
    assert set(list(ESSENTIALS)[:3]) == needed and len(ESSENTIALS) == 5


def test_the_fifth_essential_costs_most_where_only_the_four_are_answered() -> None:
    """Against the next two of the whole list (`geoflow bar --new` with these four answers prints all)."""
    answers, problems = taken_answers(FOUR)
    assert not problems
    kelvin, speed = 280.37, 2.459

    def width(more: dict[str, Any]) -> float:
        bar = read_bar_text(new_bar_text({**answers, **more}).encode(), "it")
        window = flow_window(bar, np.array([kelvin]), tuple(range(len(bar.sections))))
        certain, possible = (window.over_plan(certain=sure, commanded=True) for sure in (True, False))
        return _rates(bar, certain, possible, speed).width

    def gain(name: str) -> float:
        fixed = pinned(BY_NAME[name], answers[name])
        assert fixed is not None
        return width({name: fixed})

    assert gain(list(ESSENTIALS)[4]) > max(gain("coefficient"), gain("pump_rise"))


def unit_cases() -> list[Any]:
    return [pytest.param(one, unit, id=f"{one.name}-{unit}") for one in QUESTIONS for unit in answer_units(one)]


@pytest.mark.parametrize(("question", "unit"), unit_cases())
def test_every_unit_that_is_offered_is_understood(question: Question, unit: str) -> None:
    number = question.usual.split()[-1] if unit == "No." else question.usual.split()[0]
    if unit == "No.":
        assert answered(question, f"No. {number}").values
        return
    ends = [1.0, 0.1, 10.0, 300.0, 0.01, 20.0]  # some size that any of the units can have
    for end in ends:
        try:
            answer = answered(question, f"{end:g} {unit}")
        except ValueError:
            raise
        except Exception as problem:
            assert "does not lie between" in str(problem), problem
            continue
        assert answer.values
        return
    raise AssertionError(f"no number of {unit} is taken")


# --- one file ---------------------------------------------------------------------------------------------------


def answers_file(folder: Path, answers: dict[str, str]) -> Path:
    path = folder / "answers.toml"
    path.write_text("".join(f"{name} = {json.dumps(text)}\n" for name, text in answers.items()), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "answers",
    [
        FOUR,
        EXACT,
        {**EXACT, **DAY, "feed_length": "none", "thickness": "don't know"},
        {
            **FOUR,
            "orifice": "0.070 in, 0.086 in, 0.070 in",
            "row_hose_length": "none",
            "pump_flow": "20 cu in at 540 rpm",
        },
    ],
    ids=["four", "all", "both rounds", "sizes"],
)
def test_answers_on_the_page_make_the_file_of_the_command_byte_for_byte(
    answers: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = {
        name: text
        for name, text in answers.items()
        if not (answers.get("feed_length") == "none" and name in ("feed_bore", "feed_fittings"))
    }
    # What the unknown costs takes its time and is no part of the file.
    monkeypatch.setattr("geoflow.workflow.new_bar.unknowns", lambda *given: None)
    monkeypatch.setattr("geoflow.report.new_bar.new_bar_report", lambda *given: None)
    monkeypatch.setattr("geoflow.report.terminal.as_text", lambda *given: "")
    command = ["bar", "--new", str(tmp_path / "new.toml"), "--answers", str(answers_file(tmp_path, answers))]
    assert cli.main(command) == 0
    said = answered_view({"answers": answers})
    assert said["trouble"] == "" and said["text"].encode() == (tmp_path / "new.toml").read_bytes()


def test_wrong_answers_are_told_at_the_question_in_the_commands_words(tmp_path: Path) -> None:
    wrong = {**FOUR, "row_hose_bore": "3 banana", "valve": "-3", "orifice": "No. 99"}
    fields = answered_view({"answers": wrong})["fields"]
    assert answered_view({"answers": wrong})["text"] is None
    from geoflow.bar.answer_file import read_answers
    from geoflow.base.errors import BarError

    with pytest.raises(BarError) as told:
        read_answers(str(answers_file(tmp_path, wrong)))
    for name in ("row_hose_bore", "valve", "orifice"):
        assert fields[name]["what"] in str(told.value) and fields[name]["cure"] in str(told.value)
    assert "what" not in fields["row_spacing"]


def test_a_question_that_falls_away_is_not_asked() -> None:
    said = answered_view({"answers": {**FOUR, "feed_length": "none"}})
    assert "feed_bore" not in said["asked"] and "feed_length" in said["asked"] and said["text"]


# --- a file that was loaded -------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_a_loaded_file_fills_the_form_and_stays_as_it_is(path: Path) -> None:
    text = path.read_text("utf-8")
    asked = {"base": content_of(path), "text": text, "name": path.name}
    filled = answered_view(asked)
    assert filled["text"] == text and filled["trouble"] == ""
    assert {"row_spacing", "sections", "orifice", "meter_pulses", "pump_flow", "thickness"} <= set(filled["answers"])
    assert all("what" not in field for field in filled["fields"].values())
    again = answered_view({**asked, "answers": filled["answers"]})
    assert again["text"] == text


# A change of each kind, and what alone may differ afterwards.
CHANGES = [
    ("sections", "4, 4, 4", {"sections", "rows"}),
    ("orifice", "0.082 in", {"sections", "orifices"}),
    ("orifice", "No. 40", {"sections", "orifices"}),
    ("thickness", "2 mm", {"orifices"}),
    ("coefficient", "0.8", {"orifices"}),
    ("feed_length", "none", {"sections"}),
    ("feed_bore", "1 in", {"sections"}),
    ("row_hose_length", "don't know", {"row_hose"}),
    ("valve", "none", {"control_valve"}),
    ("valve", "25", {"control_valve"}),
    ("gauges", "tank, manifold", {"gauges"}),
    ("suction_length", "none", {"suction"}),
    ("tank", "don't know", {"tank"}),
    ("pump_slip", "0.1", {"pump"}),
    ("tanks", "2", {"tank_hoses"}),
    ("drive_full", "540 rpm", {"drive"}),
    ("row_spacing", "22 in", {"row_spacing"}),
]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    ("name", "text", "tables"), CHANGES, ids=lambda one: one if isinstance(one, str) else "+".join(sorted(one))
)
def test_an_answer_changes_its_own_keys_and_no_other(path: Path, name: str, text: str, tables: set[str]) -> None:
    before = content_of(path)
    answers = answers_in(before)
    children = {one.name for one in QUESTIONS if one.needs == name} if text == "none" else set()
    given = {one: said for one, said in answers.items() if one not in children} | {name: text}
    said = answered_view({"base": before, "answers": given, "name": path.name})
    assert said["trouble"] == "" and said["text"], said
    after = tomllib.loads(said["text"])
    changed = {key for key in {*before, *after} if form_content(said["text"], "it").get(key) != before.get(key)}
    assert name_in(after, name, text) and changed <= tables and changed


def name_in(content: dict[str, Any], name: str, text: str) -> bool:
    """Whether an answer stands in a file as it would be read from it again."""
    got, wanted = answers_in(content).get(name), answered(BY_NAME[name], text)
    return (got is None and not wanted.values) or answered(BY_NAME[name], str(got)).values == wanted.values


def test_evidence_of_one_orifice_does_not_go_to_another_size() -> None:
    before = content_of(SAMPLES[1])
    given = {**answers_in(before), "orifice": "No. 40"}
    after = tomllib.loads(answered_view({"base": before, "answers": given})["text"])
    new = after["orifices"][after["sections"][0]["orifice"]]
    assert "measured" not in new and new["land"] == "1.5 mm"
    assert after["orifices"]["medium"]["measured"][0]["flow"] == "4.8 lb NH3/min"


def test_keys_that_nobody_asks_for_stay_when_something_else_changes() -> None:
    before = content_of(SAMPLES[0])
    given = {**answers_in(before), "pump_rise": "100 psi"}
    after = tomllib.loads(answered_view({"base": before, "answers": given})["text"])
    assert after["meter"]["reference_temperature"] == "60 degF" and after["controller"]["delay"] == "0.8 s"
    assert after["orifices"]["large"]["diameter"] == "0.086 in" and after["sections"][1]["name"] == "right"
    parse_bar(after)


def test_answers_taken_back_from_a_made_file_make_the_same_bar() -> None:
    made, _ = taken_answers(EXACT)
    content = tomllib.loads(new_bar_text(made))
    again, problems = taken_answers(answers_in(content))
    assert not problems
    assert with_answers(content, again, []) == content
    assert parse_bar(tomllib.loads(new_bar_text(again))) == parse_bar(content)


# --- measured points as they are read ---------------------------------------------------------------------------


SIZES = {
    "bar_flow": {"gpm": "8", "L/min": "30", "pulses/s": "95", "lb NH3/min": "42"},
    "rate": {"lb N/ac": "120", "kg N/ha": "134"}, "speed": {"mph": "5", "km/h": "8"},
    "load": {"lb NH3": "1300", "kg NH3": "590"}, "time": {"min": "30", "s": "1800", "h": "0.5"},
    "flow": {"lb NH3/min": "2.7", "kg NH3/min": "1.2"},
    "pressure": {"psi": "95", "bar": "6.5", "kPa": "655"},
    "pressure_after_valve": {"psi": "95", "bar": "6.5", "kPa": "655"},
    "temperature": {"degF": "40", "degC": "4.4", "psi": "58", "bar": "4", "kPa": "400"},
}  # fmt: skip


def points() -> list[Any]:
    flows, pressures, liquids = POINT_WAYS.values()
    usual = {"bar_flow": "8 gpm", "pressure": "95 psi", "temperature": "40 degF"}
    found = []
    for ways in (flows, pressures, liquids):
        for words, keys in ways:
            for at in range(max(len(units) for units in keys.values())):
                told = {
                    name: f"{SIZES[name][unit]} {unit}"
                    for name, units in keys.items()
                    for unit in [units[min(at, len(units) - 1)]]
                }
                kept = {} if ways is flows else {"bar_flow": "8 gpm"}
                kept |= {} if ways is pressures else {"pressure": "95 psi"}
                kept |= {} if ways is liquids else {"temperature": "40 degF"}
                found.append(pytest.param({**kept, **told}, id=f"{words[:20]} {' '.join(told.values())}"))
    assert usual
    return found


@pytest.mark.parametrize("point", points())
def test_a_point_is_taken_as_it_is_read_in_every_unit_offered(point: dict[str, str]) -> None:
    said = answered_view({"answers": EXACT, "points": [{"orifice": "row", "values": point}]})
    assert said["trouble"] == "", said["trouble"]
    made, _ = taken_answers(EXACT)
    assert said["text"].startswith(new_bar_text(made))
    (orifice,) = read_bar_text(said["text"].encode(), "it").orifices.values()
    assert len(orifice.measured) == 1


def test_a_point_that_cannot_be_is_refused_with_the_reason() -> None:
    boiling = {"bar_flow": "8 gpm", "pressure": "20 psi", "temperature": "60 degF"}
    said = answered_view({"answers": EXACT, "points": [{"orifice": "row", "values": boiling}]})
    assert said["text"] is None and "measured 1" in said["trouble"] and "cure:" in said["trouble"]


def test_a_point_is_added_to_those_of_a_loaded_file() -> None:
    point = {
        "orifice": "medium",
        "values": {"rate": "120 lb N/ac", "speed": "5 mph", "pressure": "95 psi", "temperature": "40 degF"},
    }
    before = content_of(SAMPLES[1])
    said = answered_view({"base": before, "answers": answers_in(before), "points": [point]})
    after = tomllib.loads(said["text"])
    assert [sorted(one) for one in after["orifices"]["medium"]["measured"]] == [
        ["flow", "pressure", "temperature"],
        ["pressure", "rate", "speed", "temperature"],
    ]


# --- what it costs ----------------------------------------------------------------------------------------------


def test_costs_are_reckoned_of_the_file_that_the_form_makes() -> None:
    """Heron says a back pressure, so that nobody's row hose is unknown; each thing by itself makes a bar again."""
    before = content_of(SAMPLES[1])
    given = {**answers_in(before), "pump_rise": "don't know"}
    answers, write = form_answers({"base": before, "answers": given})
    assert {name for name, one in answers.items() if not one.known} == {"pump_rise", "gauges"}
    for name, one in answers.items():
        if (alone := pinned(BY_NAME[name], one)) is not None:
            read_bar_text(write({**answers, name: alone}).encode(), name)
    assert not answers["pump_rise"].known
    fixed = pinned(BY_NAME["pump_rise"], answers["pump_rise"])
    assert fixed is not None
    made = tomllib.loads(write({**answers, "pump_rise": fixed}))
    assert made["pump"]["max_rise"] == "100 psi" and made["orifices"]["medium"]["measured"]
    assert said_back(BY_NAME["pump_rise"], answers["pump_rise"]) == "not known: 80..120 psi is carried"


@pytest.fixture(scope="module")
def client() -> Any:
    need_page()
    from starlette.testclient import TestClient

    from geoflow.web.server import make_app

    here = "http://127.0.0.1:8765"
    own = {"origin": here, "sec-fetch-site": "same-origin"}
    with TestClient(make_app(8765), base_url=here, headers=own) as found:
        yield found


def test_what_it_costs_is_told_in_the_terminals_words() -> None:
    answers, write = form_answers({"answers": {**EXACT, "pump_rise": "don't know"}})
    new = make_bar(answers, None, None, write)
    said = costs_view(new, "us")
    assert [one["name"] for one in said["unknowns"]] == ["pump_rise"]
    printed = " ".join(as_text(new_bar_report(new, "bar.toml", "us")).replace("`", "").split())
    for words in [*said["window"], *said["next"], said["at"], said["answer"]]:
        assert " ".join(words.split()) in printed, words
    for cell in said["unknowns"][0]["cells"]:
        assert all(word in printed for word in cell.split())
    assert "geoflow" not in str(said)  # the page says nothing of commands


@pytest.mark.parametrize("body", [b"", b"[]", b'{"answers": 3}', b'{"base": []}', b'{"points": [1], "answers": {}}'])
@pytest.mark.parametrize("name", ["answers", "unknowns"])
def test_an_odd_form_is_answered_in_words(client: Any, name: str, body: bytes) -> None:
    tab = client.post("/do/open", headers={"x-geoflow-tab": "new"}, content=b"{}").json()["tab"]
    answer = client.post(f"/do/{name}", headers={"x-geoflow-tab": tab}, content=body)
    assert answer.status_code in (200, 422) and "Traceback" not in answer.text and "unforeseen" not in answer.text
    client.post("/do/close", headers={"x-geoflow-tab": tab}, content=b"{}")
