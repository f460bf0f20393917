"""Sends spoilt requests to the page's server and watches: status, words, time, and that the tab still answers.

Run it whole: .venv/bin/python tests/campaigns/bad_requests.py --seed 1 --count 3000
One again: .venv/bin/python tests/campaigns/bad_requests.py --seed 1 --first 471 --count 1 --show
"""

from __future__ import annotations

import argparse
import collections
import copy
import json
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]

from spoil import spoil_bytes  # noqa: E402

__all__ = ["SOUND", "Outcome", "actions", "run"]

PORT = 8765
HERE = f"http://127.0.0.1:{PORT}"
FIELDS = Path(__file__).parents[2] / "sample_fields"
KETTLE, WREN, LOG = FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", FIELDS / "lantern_flat_log.csv"
_MOST_SECONDS = 10.0
_CHECK_EVERY = 25
_LONG = 0.05  # share of the cases that do long work, which takes a process each
_ODD: tuple[Any, ...] = (
    None, "", "NaN", "inf", -1, 0, 10**30, 1e308, True, [], {}, [[]], [None], {"a": 1}, "x" * 10_000, "\x00", "../x",
    "\ud7ff", "5..4", "40 degF", "1e999", ["x"] * 5_000, 2**63, -0.0, "<b>x</b>", "=1+1",
)  # fmt: skip


def _bar() -> dict[str, str]:
    return {"name": WREN.name, "text": WREN.read_text("utf-8")}


_PLAN: dict[str, Any] = {"temperature": ["45", "52"], "speed": ["5", "5"], "sections": None}
_ABOUT: dict[str, Any] = {"opened": 1, "plan": _PLAN, "system": "us"}
_CHOSEN = {"rate_column": "target", "rate_unit": "lb N/ac"}
# Every post but those that open and close a tab: its question, and the files sent beside.
SOUND: dict[str, tuple[dict[str, Any], tuple[Path, ...]]] = {
    "read": ({"bar": _bar(), "options": _CHOSEN}, (KETTLE,)),
    "vet": ({**_ABOUT, "quick": True}, ()),
    "facts": (_ABOUT, ()),
    "text": (_ABOUT, ()),
    "zones": ({**_ABOUT, "shown": "all", "start": 0}, ()),
    "zone": ({**_ABOUT, "at": 3}, ()),
    "bar": ({"system": "us", **_bar()}, ()),
    "sample": ({}, ()),
    "questions": ({}, ()),
    "answers": ({"answers": {"row_spacing": "30 in", "sections": "5, 6, 5", "orifice": "No. 50"}, "name": "a"}, ()),
    "unknowns": ({"answers": {"row_spacing": "30 in", "sections": "8", "orifice": "No. 50"}, "system": "us"}, ()),
    "prepare": ({"bar": _bar(), "sections": None}, ()),
    "vetted": (_ABOUT, ()),
    "report": (_ABOUT, ()),
    "rewrite": ({**_ABOUT, "policy": "hold-speed", "rules": {}}, ()),
    "phone": (_ABOUT, ()),
    "shared": (_ABOUT, ()),
    "work": ({**_ABOUT, "command": "plan", "uses": {"map": True, "speed": True}, "said": {"speeds": "2"}}, ()),
    "reconcile": (
        {"system": "us", "choice": 1, "with_map": False, "opened": None, "bar": None, "log": {"accept": True}},
        (LOG,),
    ),
    "download": ({"task": "report", "of": _ABOUT}, ()),
    "stop": ({}, ()),
}
LONG = {"read", "unknowns", "prepare", "vetted", "report", "rewrite", "phone", "work", "reconcile"}


def _places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    inner = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in inner:
        yield from _places(value, (*path, key))


def _odd(chance: random.Random, question: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """A question with one thing in it replaced, left out or put in besides."""
    asked = copy.deepcopy(question)
    places = list(_places(asked))
    if not places or chance.random() < 0.1:
        value = chance.choice(_ODD)
        return f"besides: {str(value)[:30]!r}", {**asked, chance.choice(("x", "opened", "plan", "bar", "said")): value}
    *path, last = chance.choice(places)
    holder: Any = asked
    for key in path:
        holder = holder[key]
    where = ".".join(map(str, (*path, last)))
    if chance.random() < 0.2:
        del holder[last]
        return f"without {where}", asked
    holder[last] = chance.choice(_ODD)
    return f"{where} = {str(holder[last])[:30]!r}", asked


def _body(asked: Any, files: tuple[tuple[str, bytes], ...], *, framed: bool) -> bytes:
    if not framed:
        return json.dumps(asked).encode()
    listed = [{"name": name, "size": len(content)} for name, content in files]
    text = json.dumps({**asked, "files": listed}).encode()
    return len(text).to_bytes(4, "big") + text + b"".join(content for _, content in files)


def spoilt(chance: random.Random, name: str) -> tuple[str, bytes]:
    """A request of one kind, spoilt, and what was done to it."""
    asked, paths = SOUND[name]
    framed = name in {"read", "reconcile", "work"}
    files = tuple((path.name, path.read_bytes()) for path in paths)
    kind = chance.random()
    if kind < 0.65:
        how, asked = _odd(chance, asked)
        return how, _body(asked, files, framed=framed)
    if kind < 0.8 and files:
        at = chance.randrange(len(files))
        how, content = spoil_bytes(chance, files[at][0], files[at][1][:200_000])
        named = chance.choice((files[at][0], "../up.csv", "", "CON", "a" * 300, "x.exe", ".toml"))
        changed = tuple((named, content) if n == at else one for n, one in enumerate(files))
        return f"{named[:20]}: {how}", _body(asked, changed, framed=framed)
    how, body = spoil_bytes(chance, "question.json", _body(asked, files, framed=framed)[:200_000])
    return how, body


@dataclass
class Outcome:
    """What a campaign found."""

    cases: int = 0
    codes: collections.Counter[int] = field(default_factory=collections.Counter)
    by_kind: collections.Counter[str] = field(default_factory=collections.Counter)
    slowest: float = 0.0
    failures: list[str] = field(default_factory=list)


def judge(status: int, text: str, took: float) -> list[str]:
    """What is wrong with an answer; nothing if it is as it should be."""
    wrong = []
    said: Any = {}
    try:
        said = json.loads(text.strip().splitlines()[-1]) if text.strip() else {}
    except ValueError:
        # A question that means the same after all gets its zip.
        wrong += [f"no JSON: {text[:80]!r}"] if status != 413 and not text.startswith("PK") else []
    if status not in (200, 400, 409, 411, 413, 422):
        wrong.append(f"status {status}: {text[:200]!r}")
    if "unforeseen" in text or "Traceback" in text:
        wrong.append(f"unforeseen: {text[-300:]!r}")
    error = said.get("error") if isinstance(said, dict) else None
    if error and "cure:" not in error and "reload the page" not in error:
        wrong.append(f"no cure: {error[:200]!r}")
    if took > _MOST_SECONDS:
        wrong.append(f"took {took:.0f} s")
    return wrong


def _tab(client: Any) -> str:
    """A tab with the sample map open as its first state."""
    token = str(client.post("/do/open", headers={"x-geoflow-tab": "new"}, content=b"{}").json()["tab"])
    asked, paths = SOUND["read"]
    body = _body(asked, tuple((path.name, path.read_bytes()) for path in paths), framed=True)
    said = client.post("/do/read", headers={"x-geoflow-tab": token}, content=body).text
    assert '"done"' in said, said
    return token


def actions() -> set[str]:
    """Every post of the page."""
    from geoflow.web.more_answers import AllAnswers
    from geoflow.web.sessions import Sessions
    from geoflow.web.worker import Workers

    return set(AllAnswers(Sessions(), Workers(), "us").actions)


def run(seed: int, first: int, count: int, *, long: float = _LONG, show: bool = False) -> Outcome:
    """Send requests `first` to ``first + count`` of a seed; the same numbers spoil the same way."""
    from starlette.testclient import TestClient

    from geoflow.web.server import make_app

    quick, slow = sorted(set(SOUND) - LONG), sorted(LONG)
    done = Outcome()
    own = {"origin": HERE, "sec-fetch-site": "same-origin"}
    with TestClient(make_app(PORT), base_url=HERE, headers=own, raise_server_exceptions=False) as client:
        token = _tab(client)
        for number in range(first, first + count):
            chance = random.Random(f"{seed} {number}")
            name = chance.choice(slow if chance.random() < long else quick)
            how, body = spoilt(chance, name)
            began = time.process_time()
            answer = client.post(f"/do/{name}", headers={"x-geoflow-tab": token}, content=body)
            took = time.process_time() - began
            wrong = judge(answer.status_code, answer.text, took)
            done.cases += 1
            done.codes[answer.status_code] += 1
            done.by_kind[name] += 1
            done.slowest = max(done.slowest, took)
            if show:
                print(f"{number} {name}: {how}\n{body[:600]!r}\n{answer.status_code} {answer.text[:1000]}")
            if wrong:
                done.failures.append(f"case {number} ({name}; {how}): {' / '.join(wrong)}")
                print(done.failures[-1], flush=True)
            if name == "read" and '"done"' in answer.text and '"opened"' in answer.text:
                token = _tab(client)  # a spoilt map that can be read is open now, and asked about no more
            elif number % _CHECK_EVERY == 0:
                asked = client.post(
                    "/do/vet", headers={"x-geoflow-tab": token}, content=json.dumps(SOUND["vet"][0]).encode()
                )
                if asked.status_code != 200 or "verdicts" not in asked.json():
                    done.failures.append(f"after case {number}: {asked.status_code} {asked.text[:200]}")
                    print(done.failures[-1], flush=True)
                    token = _tab(client)
    return done


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first request")
    parser.add_argument("--count", type=int, default=3_000)
    parser.add_argument("--long", type=float, default=_LONG, help="share of requests for long work")
    parser.add_argument("--show", action="store_true", help="print every answer")
    asked = parser.parse_args()
    done = run(asked.seed, asked.first, asked.count, long=asked.long, show=asked.show)
    print(f"\n{done.cases:,} requests: statuses {dict(sorted(done.codes.items()))}, slowest {done.slowest:.1f} s")
    for kind, number in sorted(done.by_kind.items()):
        print(f"  {kind:12} {number:6,}")
    print(f"{len(done.failures)} failures")
    return 1 if done.failures else 0


if __name__ == "__main__":
    sys.exit(main())
