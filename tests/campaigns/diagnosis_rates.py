"""How often the log's diagnosis cries wolf on sound bars, and how often it misses what is wrong.

Run it whole: .venv/bin/python tests/campaigns/diagnosis_rates.py --logs 30
One kind again: .venv/bin/python tests/campaigns/diagnosis_rates.py --logs 30 --only "open, cooling" --show

Every log is made with the truth known: coefficient and flashing weight are drawn anew for each, somewhere in what the
bar file leaves open, and every other log runs its lowest rate within 0.5 to 2 psi of the wanted liquid margin.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from bars import AIR, INCH, LB_PER_AC, PSI, bar, fahrenheit, feed
from simulator import BELOW, COEFFICIENT, Field, density, simulate, vapour_pressure

from geoflow.bar.equipment import Bar, ControlValve, MeasuredPoint, Suction
from geoflow.diagnosis import Finding, diagnose

__all__ = ["CLEAN", "FAULTY", "Kind", "findings", "made"]

ONE_ROW = 0.25 * np.pi * (0.070 * INCH) ** 2
RATES = (150 * LB_PER_AC, 180 * LB_PER_AC, 200 * LB_PER_AC)
PASSES, TIGHT, AMPLE = 10, (0.5, 2.0), (8.0, 15.0)


@dataclass(frozen=True)
class Kind:
    """One kind of log: what is known of the orifices, how the day goes, what is wrong and what should be found."""

    name: str
    orifices: str  # open, land or measured
    cooling: float = 0.0  # of the liquid over the log [degF]
    tank_change: float = 0.0  # the liquid is so much warmer from the middle of the log on [degF]
    noise: float = 0.5  # of the pressures [psi]
    lost: float = 0.0  # share of the moments
    fault: str = ""
    expected: tuple[str, ...] = ()


def _clean() -> Iterator[Kind]:
    for orifices, cooling, noise, lost in itertools.product(
        ("open", "land", "measured"), (0.0, 8.0), (0.5, 1.5), (0.0, 0.1)
    ):
        parts = [orifices, f"cooling {cooling:.0f} degF", f"noise {noise} psi", *(["gaps 10 %"] if lost else [])]
        yield Kind(", ".join(parts), orifices, cooling=cooling, noise=noise, lost=lost)
    for orifices in ("open", "measured"):
        yield Kind(f"{orifices}, next tank 8 degF warmer, noise 1.5 psi", orifices, tank_change=8.0, noise=1.5)


def _faulty() -> Iterator[Kind]:
    faults = (
        ("one row of sixteen plugged", ("open", "land", "measured"), ("plugging",)),
        ("wear 6 %", ("measured",), ("wear",)),
        ("transmitter 8 psi low", ("open", "measured"), ("transmitter bias",)),
        ("zeroed on product", ("open", "measured"), ("transmitter zeroed with product in the lines",)),
        ("lowest rate 3 psi below the margin", ("open", "measured"), ("liquid margin lost",)),
        ("clogged before the bar", ("open", "measured"), ("control valve drop",)),
    )
    for (fault, kinds, expected), cooling, (noise, lost) in itertools.product(
        faults, (0.0, 8.0), ((0.5, 0.0), (1.5, 0.0), (1.5, 0.1))
    ):
        for orifices in kinds:
            parts = [fault, orifices, f"cooling {cooling:.0f} degF", f"noise {noise} psi"]
            yield Kind(
                ", ".join([*parts, *(["gaps 10 %"] if lost else [])]),
                orifices, cooling=cooling, noise=noise, lost=lost, fault=fault, expected=expected,
            )  # fmt: skip


CLEAN, FAULTY = tuple(_clean()), tuple(_faulty())


def _bar(kind: Kind, random: np.random.Generator, coefficient: float, flash_weight: float) -> Bar:
    """The bar file of somebody who knows as much as the kind says."""
    one = bar(control_valve=ControlValve(30.0), suction=Suction(0.3, feed(12, 1.5, 8.0)))
    fitted = one.orifices["only"]
    if kind.orifices == "land":
        fitted = replace(fitted, land=1.5e-3)
    if kind.orifices == "measured":
        kelvin = fahrenheit(50.0)
        vapour = float(vapour_pressure(kelvin))
        pressure = vapour + 30.0 * PSI
        drop = pressure - BELOW - flash_weight * (vapour - BELOW)
        flow = coefficient * ONE_ROW * np.sqrt(2.0 * float(density(kelvin)) * drop)
        off = random.uniform(-0.9, 0.9, 3)
        point = MeasuredPoint(
            flow * (1.0 + 0.03 * off[0]), pressure + 2.0 * PSI * off[1], kelvin + 2.0 / 1.8 * off[2],
            0.03, 2.0 * PSI, 2.0 / 1.8,
        )  # fmt: skip
        fitted = replace(fitted, measured=(point,))
    return replace(one, orifices={"only": fitted})


def made(kind: Kind, seed: int) -> Field:
    """What is driven: the same for the same kind and seed."""
    random = np.random.default_rng((seed, *kind.name.encode()))
    coefficient, flash_weight = COEFFICIENT * random.uniform(0.94, 1.06), random.uniform()
    start = random.uniform(40.0, 55.0)
    warm, cold = fahrenheit(start), fahrenheit(start - kind.cooling)
    warmest = warm + kind.tank_change / 1.8
    # The speed at which the lowest rate stands so far above the wanted margin, the liquid at its warmest.
    margin = (5.0 + random.uniform(*(TIGHT if seed % 2 else AMPLE))) * PSI
    if kind.fault.startswith("lowest rate"):
        margin, flash_weight = 2.0 * PSI, 0.5 * flash_weight
    drop = max(margin + (1.0 - flash_weight) * (float(vapour_pressure(warmest)) - BELOW), 20.0 * PSI)
    one = _bar(kind, random, coefficient, flash_weight)
    flow = 16 * coefficient * ONE_ROW * np.sqrt(2.0 * float(density(warmest)) * drop)
    speed = flow * one.nitrogen_fraction / (RATES[0] * one.width)
    length = 200.0 * speed
    duration = 60.0 + PASSES * 220.0
    what = Field(
        bar=one, seed=seed + 1000 * (1 + abs(hash_of(kind.name)) % 1000), length=length, zone_length=22.0 * speed,
        offsets=(0.0,) * PASSES, rates=RATES, speed=speed, temperature=(warm, cold), coefficient=coefficient,
        flash_weight=flash_weight, pressure_noise=kind.noise * PSI, lost=kind.lost,
        tank_change=(0.5 * duration, kind.tank_change / 1.8) if kind.tank_change else (np.inf, 0.0),
    )  # fmt: skip
    faults: dict[str, dict[str, object]] = {
        "": {},
        "lowest rate 3 psi below the margin": {},
        "one row of sixteen plugged": {"plug": (random.uniform(0.25, 0.75) * duration, 1.0)},
        "wear 6 %": {"wear": 0.06},
        "transmitter 8 psi low": {"zero": -8.0 * PSI},
        "zeroed on product": {"zero": AIR - float(vapour_pressure(warm - 4.0))},
        "clogged before the bar": {"clogged": 12.0 * PSI * (0.6 / flow) ** 2},
    }
    return replace(what, **faults[kind.fault])


def hash_of(name: str) -> int:
    """A number for a name, the same in every process."""
    return int.from_bytes(name.encode()[-8:], "big") % 1_000_003 + len(name)


def findings(what: Field) -> list[Finding]:
    """What is found about the bar."""
    log, _ = simulate(what)
    return [found for found in diagnose(log, what.bar) if not found.missing]


def _show(kind: Kind, seed: int, found: list[Finding]) -> None:
    for one in found:
        numbers = ", ".join(f"{name} {value:.4g}" for name, value in one.numbers.items())
        print(f"    {kind.name} [{seed}]: {one.kind} ({one.confidence}): {numbers}")


def main() -> None:
    """Print the table of false alarms and misses."""
    asks = argparse.ArgumentParser(description=__doc__)
    asks.add_argument("--logs", type=int, default=30, help="of each kind")
    asks.add_argument("--seed", type=int, default=0, help="of the first log")
    asks.add_argument("--only", default="", help="kinds whose name holds this")
    asks.add_argument("--show", action="store_true", help="every finding that should not be, every fault missed")
    asked = asks.parse_args()
    seeds = range(asked.seed, asked.seed + asked.logs)
    alarms = misses = logs = faults = 0
    for kind in (*CLEAN, *FAULTY):
        if asked.only not in kind.name:
            continue
        every = {seed: findings(made(kind, seed)) for seed in seeds}
        if kind.fault:
            hit = {seed for seed, found in every.items() if {one.kind for one in found} & set(kind.expected)}
            beside = sum(one.kind not in kind.expected for found in every.values() for one in found)
            print(f"| {kind.name} | found {len(hit)} of {len(every)} | beside it {beside} |", flush=True)
            misses, faults = misses + len(every) - len(hit), faults + len(every)
            if asked.show:
                print(f"    missed: {sorted(set(every) - hit)}")
        else:
            counted: dict[str, int] = {}
            for found in every.values():
                for one in found:
                    counted[f"{one.kind} ({one.confidence})"] = counted.get(f"{one.kind} ({one.confidence})", 0) + 1
            said = ", ".join(f"{name} {number}" for name, number in sorted(counted.items())) or "-"
            print(f"| {kind.name} | {sum(map(len, every.values()))} on {len(every)} | {said} |", flush=True)
            alarms, logs = alarms + sum(map(len, every.values())), logs + len(every)
        if asked.show:
            for seed, found in every.items():
                _show(kind, seed, [one for one in found if one.kind not in kind.expected])
    print(f"{alarms} findings on {logs} clean logs; {misses} of {faults} faults missed")


if __name__ == "__main__":
    main()
