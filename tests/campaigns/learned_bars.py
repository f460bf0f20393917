"""Bars learned from the logs of invented days: is the learned window inside the truth's, how wide, are changes found?

Run: PYTHONPATH=tests .venv/bin/python tests/campaigns/learned_bars.py --seed 1 --count 500; with --odds for the odds.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
from bars import fahrenheit
from learning_days import draw, drive, flow_window_of, known_bar, usual_day

from geoflow.bar.learned import LearnedLog
from geoflow.base.rates import nitrogen_rate
from geoflow.decide.odds import odds_of_holding
from geoflow.decide.vet import Plan, solve, vet
from geoflow.diagnosis.learned_bar import NewLog, learn_kind
from geoflow.diagnosis.steady_cells import gather_cells
from geoflow.hydraulics.window import flow_window


def one_case(seed: int, *, full: bool | None = None) -> dict[str, object]:
    """Learn one drawn bar from one drawn day and compare at 45 and 60 degF."""
    random = np.random.default_rng((15, seed))
    hidden = draw(random)
    bar = known_bar(hidden, random)
    ticket = bool(random.random() < 0.7) if full is None else full
    standing = bool(random.random() < 0.7) if full is None else full
    plugged = int(random.random() < 0.1)
    day = usual_day(random, plugged=plugged, standing=60 if standing else 0)
    log, weighed = drive(hidden, bar, day, random)
    cells = gather_cells(log, bar)
    metered = float(log.flow[log.section == 0].sum())
    ratio = weighed * (1.0 + random.normal(0.0, 0.003)) / metered if ticket else None
    stood = cells.standing
    about = LearnedLog(
        "day", "0", "2026-11-28", 0, 0, None if stood is None else stood.over,
        None if stood is None else stood.temperature, ratio,
    )  # fmt: skip
    kind = learn_kind(bar, bar.orifices["only"], [NewLog(about, cells)], "2026-11-28")
    if kind is None:
        return {"seed": seed, "learned": False, "plugged": plugged}
    better = replace(bar, orifices={"only": replace(bar.orifices["only"], learned=kind.learned)})
    kelvins = np.array([fahrenheit(45), fahrenheit(60)])
    window = flow_window(better, kelvins, (0, 1))
    low, high = window.edges(certain=True)
    # After a change the newest counts, and that is the truth at the end of the day.
    truth = np.array([flow_window_of(hidden, bar, float(kelvin), plugged) for kelvin in kelvins])
    change = kind.change
    return {
        "seed": seed, "learned": True, "plugged": plugged, "ticket": ticket, "standing": stood is not None,
        "change": None if change is None else (change.kind, change.size),
        "inside": (low >= truth[:, 0] * (1 - 1e-6)) & (high <= truth[:, 1] * (1 + 1e-6)) | (low > high),
        "width": np.maximum(high - low, 0.0) / (truth[:, 1] - truth[:, 0]),
        "off": (low / truth[:, 0] - 1, high / truth[:, 1] - 1), "cases": len(kind.learned.cases),
        "hidden": hidden,
    }  # fmt: skip


def odds_case(seed: int, *, learned: bool) -> tuple[np.ndarray, np.ndarray]:
    """Odds of doubtful rates of one bar, and which of them truly hold."""
    random = np.random.default_rng((16, seed))
    hidden = draw(random)
    bar = known_bar(hidden, random)
    if learned:
        log, _ = drive(hidden, bar, usual_day(random, standing=60 * int(random.random() < 0.5)), random)
        cells = gather_cells(log, bar)
        stood = cells.standing
        about = LearnedLog(
            "day", "0", "2026-11-28", 0, 0, None if stood is None else stood.over,
            None if stood is None else stood.temperature,
        )  # fmt: skip
        kind = learn_kind(bar, bar.orifices["only"], [NewLog(about, cells)], "2026-11-28")
        assert kind is not None
        bar = replace(bar, orifices={"only": replace(bar.orifices["only"], learned=kind.learned)})
    kelvin = fahrenheit(random.uniform(40.0, 62.0))
    low, high = flow_window_of(hidden, bar, kelvin)
    flow = np.geomspace(0.6 * low, 1.5 * high, 60)
    solution = solve(bar, Plan((kelvin, kelvin), (2.0, 2.0), (0, 1)))
    vetting = vet(nitrogen_rate(flow, 2.0, bar.width, bar.nitrogen_fraction), solution)
    doubtful = vetting.verdict == "doubtful"
    odds = odds_of_holding(solution, vetting)
    return odds[doubtful], ((flow >= low) & (flow <= high))[doubtful]


def print_odds(seed: int, count: int) -> None:
    """Print how many zones hold by their odds."""
    for learned in (False, True):
        parts = [odds_case(1000 * seed + at, learned=learned) for at in range(count)]
        odds, holds = (np.concatenate(part) for part in zip(*parts, strict=True))
        print("learned bars" if learned else "bars of which nothing is known")
        for least, most in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.0)):
            here = (odds >= least) & (odds < most)
            if here.any():
                print(f"  odds {least:.1f} to {most:.1f}: {holds[here].mean():.3f} hold, mean odds "
                      f"{odds[here].mean():.3f} ({here.sum()} zones)")  # fmt: skip


def main() -> None:
    """Run the campaign and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--full", action="store_true", help="all with a ticket and a standing reading")
    parser.add_argument("--show", action="store_true")
    parser.add_argument("--odds", action="store_true", help="check the odds of doubtful zones in place of the windows")
    options = parser.parse_args()
    if options.odds:
        print_odds(options.seed, options.count)
        return
    began = time.time()
    found = [one_case(1000 * options.seed + at, full=options.full or None) for at in range(options.count)]
    learned = [one for one in found if one["learned"]]
    inside = np.array([one["inside"] for one in learned])
    best = np.array([one["width"] for one in learned if one["ticket"] and one["standing"]])
    some = np.array([one["width"] for one in learned if not (one["ticket"] and one["standing"])])
    whole = [one for one in learned if not one["plugged"]]
    stuck = [one for one in found if one["plugged"]]
    print(f"{len(found)} bars in {time.time() - began:.0f} s, {len(found) - len(learned)} told too little")
    print(
        f"learned window inside the truth's own at 45, 60 degF: {inside.mean(axis=0)}, both {inside.all(1).mean():.4f}"
    )
    if best.size:
        print(f"width over perfect knowledge, ticket and standing: {np.median(best, axis=0)} ({len(best)} bars)")
    if some.size:
        print(f"width over perfect knowledge, one of them or none: {np.median(some, axis=0)} ({len(some)} bars)")
    print(f"false alarms: {sum(one['change'] is not None for one in whole)} of {len(whole)}")
    print(f"plugged rows found: {sum(one.get('change') is not None for one in stuck)} of {len(stuck)}")
    if options.show:
        for one in learned:
            if not one["inside"].all():
                print({name: value for name, value in one.items() if name != "inside"})


if __name__ == "__main__":
    main()
