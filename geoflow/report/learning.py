"""What a bar learned from its logs, as JSON and in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.units import System, show, show_range
from geoflow.diagnosis.steady_cells import CAUSES
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.documents import window_document
from geoflow.report.json_numbers import keyed, rounded
from geoflow.report.layout import within
from geoflow.report.learning_figure import FIGURE_WORDS, learned_figure
from geoflow.report.model import EVERYWHERE, Block, BulletList, Figure, Paragraph, Report, Section, Table

if TYPE_CHECKING:
    from geoflow.base.arrays import FloatArray
    from geoflow.diagnosis.learned_bar import LearnedKind, LearnOutcome

__all__ = ["learn_document", "learned_figures", "learned_report"]

# A weight less sure than this is hardly known apart from the coefficient.
_VAGUE: Final = 0.1
_ONE_PLUGGED: Final = 0.35  # of a row, by which a step may miss a whole number of rows


def _three(values: FloatArray) -> list[float | None]:
    low, high = np.percentile(values, [2.5, 97.5])
    return [rounded(float(low)), rounded(float(values.mean())), rounded(float(high))]


def _instrument(outcome: LearnOutcome, name: str, *, known: bool) -> dict[str, float] | None:
    """Value, low and high end of what all kinds say of one instrument, by the surest."""
    if not known:
        return None
    draws = min((kind.posterior.named(name) for kind in outcome.kinds.values()), key=lambda one: float(one.std()))
    low, high = np.percentile(draws, [2.5, 97.5])
    return {"value": float(draws.mean()), "low": float(low), "high": float(high)}


def _meter(outcome: LearnOutcome) -> dict[str, float | None] | None:
    found = _instrument(outcome, "meter", known=outcome.has_ticket)
    return None if found is None else {name: rounded(math.exp(value)) for name, value in found.items()}


def _not_told_apart(outcome: LearnOutcome) -> list[str]:
    said = []
    if not outcome.has_ticket:
        said.append(
            "Meter factor and coefficient: a meter that counts wrong looks like another orifice. A scale ticket of "
            "these loads (--ticket) tells them apart; until then the meter may be off by 6 %, and the window is that "
            "much narrower."
        )
    if not outcome.has_standing:
        said.append(
            "The zero of the pressure transmitter and the pressure below the orifices: both move the line alike. A "
            "minute in the log with the bar standing, everything shut and the lines full tells them apart."
        )
    vague = [name for name, kind in outcome.kinds.items() if kind.posterior.named("weight").std() > _VAGUE]
    if vague:
        said.append(
            f"Coefficient and flashing of {_names(vague)}: the pressures in the logs lie too near each other. Passes "
            "at a low and a high rate tell them apart."
        )
    if outcome.unlearned:
        said.append(
            f"Orifices {_names(outcome.unlearned)}: never open by themselves for long enough, so nothing was learned "
            "of them. A pass with the sections that hold them on and the others off would do."
        )
    said.append(
        "Single rows: a log of the whole bar gives the mean of the rows. One plugged among many looks like a little "
        "less of each; row_spread stays as the bar file has it."
    )
    return said


def _names(names: Any) -> str:
    return " and ".join(f"'{name}'" for name in names)


def _drift(outcome: LearnOutcome) -> list[dict[str, Any]]:
    found = []
    for name, kind in outcome.kinds.items():
        change = kind.change
        if change is None:
            continue
        ends = [math.expm1(change.size + side * 1.96 * change.error) for side in (-1.0, 1.0)]
        found.append(
            {
                "orifice": name,
                "kind": change.kind,
                "change": rounded(math.expm1(change.size)),
                "low": rounded(ends[0]),
                "high": rounded(ends[1]),
                "from_log": kind.names[change.before],
                "to_log": kind.names[change.log],
                "moments_dropped": int(kind.facts.moments[: change.cell].sum()),
                "text": _drift_text(outcome, name, kind),
            }
        )
    return found


def _drift_text(outcome: LearnOutcome, name: str, kind: LearnedKind) -> str:
    change = kind.change
    if change is None:
        return ""
    percent = 100.0 * math.expm1(change.size)
    rows = sum(one.rows for one in outcome.bar.sections if one.orifice == name)
    between = (
        f"within {kind.names[change.log]}"
        if change.log == change.before
        else f"between {kind.names[change.before]} and {kind.names[change.log]}"
    )
    dropped = f"{int(kind.facts.moments[: change.cell].sum()):,} moments before it were dropped"
    if change.kind == "drift":
        return (
            f"Orifice '{name}' drifts: over these logs its flow at one pressure went {percent:+.1f} %. Rising is wear "
            f"or a meter that drifts, falling is dirt. {dropped}; only the newest count."
        )
    like = ""
    blocked = -change.size * rows
    if change.size < 0.0 and abs(blocked - max(1, round(blocked))) <= _ONE_PLUGGED + 0.1 * abs(blocked):
        like = f", as if {count(max(1, round(blocked)), 'row')} of {rows} had plugged"
    return (
        f"Orifice '{name}' changed at once, {between}: its flow at one pressure went {percent:+.1f} %{like}. "
        f"{dropped}; what was learned is the bar as it was afterwards. Find the cause; once "
        "it is mended, learn again from a later log."
    )


def learn_document(outcome: LearnOutcome) -> dict[str, Any]:
    """Give what was learned as JSON, the unit in every key.

    Parameters
    ----------
    outcome : LearnOutcome
        From `learn_files`.
    """
    air = outcome.bar.air_pressure
    orifices = {}
    for name, kind in outcome.kinds.items():
        learned, posterior = kind.learned, kind.posterior
        orifices[name] = {
            "coefficient": _three(np.exp(posterior.named("coefficient"))),
            "flash_weight": _three(posterior.named("weight")),
            **keyed(
                pressure_psi=(learned.pressure[0] - air, learned.pressure[1] - air),
                temperature_degF=learned.temperature,
                moments=learned.moments,
                passes=learned.passes,
                at_margin_psi=learned.margin,
                at_temperature_degF=learned.at_temperature,
            ),
            "rise": _three(posterior.named("rise")),
            "block_error": rounded(posterior.block_error),
        }
    zero = _instrument(outcome, "zero", known=outcome.has_standing)
    return {
        "bar": outcome.bar.name,
        "orifices": orifices,
        "meter_factor": _meter(outcome),
        **keyed(pressure_zero_psi=zero),
        "not_told_apart": _not_told_apart(outcome),
        "window_before": window_document(outcome.before, with_speed=True),
        "window_after": window_document(outcome.after, with_speed=True),
        "drift": _drift(outcome),
        "logs": [
            {
                "file": name,
                "left_out": {CAUSES[why].partition(":")[0]: number for why, number in one.left_out.items() if number},
                **keyed(
                    highest_flow_lb_nh3_min=one.highest[0],
                    highest_pressure_psi=one.highest[1] - air,
                    transmitter_off_psi=one.strange,
                ),
            }
            for name, one in zip(outcome.names, outcome.logs, strict=True)
        ],
        "learned_again": list(outcome.repeated),
    }


def _orifice_table(outcome: LearnOutcome, system: System) -> Table:
    rows = []
    air = outcome.bar.air_pressure
    for name, kind in outcome.kinds.items():
        learned, posterior = kind.learned, kind.posterior
        c_low, c_mid, c_high = (float(value or 0.0) for value in _three(np.exp(posterior.named("coefficient"))))
        b_low, b_mid, b_high = (float(value or 0.0) for value in _three(posterior.named("weight")))
        rows.append(
            (
                name,
                f"{c_mid:.3f} ({c_low:.3f} to {c_high:.3f})",
                f"{b_mid:.2f} ({b_low:.2f} to {b_high:.2f})",
                show_range(learned.pressure[0] - air, learned.pressure[1] - air, "pressure", system),
                show_range(*learned.temperature, "temperature", system),
                f"{learned.moments:,} in {count(learned.passes, 'pass').replace('passs', 'passes')}",
            )
        )
    heads = ("orifice", "coefficient", "flashing weight", "pressures", "liquid", "moments")
    return Table("What was learned, with 95 % coverage", heads, tuple(rows), "<<<<<<")


def _window_table(outcome: LearnOutcome, system: System) -> Table:
    rows = []
    for words, solution in (("before", outcome.before), ("with what was learned", outcome.after)):
        ends = solution.window.both_over_plan(commanded=False)
        rows.append((words, *(within(one.low, one.high, "ammonia flow", system) for one in ends)))
    span = show_range(*outcome.after.plan.temperature, "temperature", system)
    caption = f"The window of all rows with liquid at {span}, the temperatures in the logs"
    return Table(caption, ("", "certain", "possible"), tuple(rows), "<<<", (3.0, 3.5, 3.5))


def _instruments(outcome: LearnOutcome, system: System) -> list[str]:
    said = []
    meter = _meter(outcome)
    if meter is not None:
        value, low, high = (float(meter[name] or 0.0) for name in ("value", "low", "high"))
        turned = "less" if value < 1.0 else "more"
        said.append(
            f"Meter: what went out is {value:.3f} ({low:.3f} to {high:.3f}) times what it counted, so {turned} than "
            "the controller took it for. geoflow's rates are true ones; set the pulses before you rely on the cab's."
        )
    zero = _instrument(outcome, "zero", known=outcome.has_standing)
    if zero is not None:
        span = show_range(zero["low"], zero["high"], "pressure", system)
        said.append(f"Bar pressure transmitter: reads {show(zero['value'], 'pressure', system)} ({span}) too much.")
    flow, pressure = (
        max((one.highest[at] for one in outcome.logs if math.isfinite(one.highest[at])), default=math.nan)
        for at in range(2)
    )
    if math.isfinite(flow):
        top = show(pressure - outcome.bar.air_pressure, "pressure", system)
        said.append(
            f"Pump and valve reached {show(flow, 'ammonia flow', system)} as metered, and {top} at the bar, in steady "
            "moments; what they can do beyond that the logs don't tell."
        )
    return said


def _left_out(outcome: LearnOutcome) -> Table:
    rows = []
    for why, words in CAUSES.items():
        number = sum(one.left_out[why] for one in outcome.logs)
        if number:
            rows.append((words, f"{number:,}"))
    return Table("Moments left out, and why", ("why", "moments"), tuple(rows), "<>", (8.0, 1.5))


def _warnings(outcome: LearnOutcome, system: System) -> list[Block]:
    said = [one["text"] for one in _drift(outcome)]
    for name, one in zip(outcome.names, outcome.logs, strict=True):
        if one.strange is not None:
            said.append(
                f"{name}: standing shut, the bar's transmitter read {show(one.strange, 'pressure', system)} over the "
                "liquid's vapour pressure, which no sound one does. It may have been set to zero with product in the "
                "lines. Nothing was learned from this log."
            )
        if one.left_out["boiling"]:
            said.append(
                f"{name}: {count(one.left_out['boiling'], 'steady moment')} below the vapour pressure. Liquid was lost "
                "there before the orifices; 'geoflow reconcile' says where."
            )
    for name, kind in outcome.kinds.items():
        if kind.forgotten:
            said.append(f"'{name}': the oldest {count(kind.forgotten, 'log')} made room for newer ones.")
        given, tolerance = outcome.bar.orifices[name].discharge_coefficient, outcome.bar.orifices[name]
        low, high = np.percentile(np.exp(kind.posterior.named("coefficient")), [2.5, 97.5])
        far = given * (1.0 - tolerance.coefficient_tolerance), given * (1.0 + tolerance.coefficient_tolerance)
        if high < far[0] or low > far[1]:
            said.append(
                f"'{name}' passes like a coefficient of {low:.3f} to {high:.3f}, where the bar file states "
                f"{given:.3f}: check its diameter, the number of rows, and the meter."
            )
    return [Paragraph(text, "warning") for text in said]


def learned_figures(outcome: LearnOutcome, system: System) -> tuple[Figure, ...]:
    """Draw every kind of orifice that was learned.

    Parameters
    ----------
    outcome : LearnOutcome
        From `learn_files`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found = []
    for number, (name, kind) in enumerate(outcome.kinds.items(), 1):
        png, size = learned_figure(outcome.bar, name, kind, outcome.logs, system)
        alt = f"Squared flow of orifice '{name}' over the pressure above it, with the likely line and its band."
        found.append(Figure(f"learned_{number}", png, size, alt, f"Orifice '{name}'. {FIGURE_WORDS}"))
    return tuple(found)


def learned_report(outcome: LearnOutcome, system: System, out: str | None) -> Report:
    """Say what was learned, how far the window opened, and what is still not known.

    Parameters
    ----------
    outcome : LearnOutcome
        From `learn_files`.
    system : str
        ``"us"`` or ``"metric"``.
    out : str or None
        The new bar file; None where none was written.
    """
    written = f"Written to {out}: give it to window, vet and plan in place of the old bar file."
    ends = [one.window.over_plan(certain=True, commanded=False) for one in (outcome.before, outcome.after)]
    before, after = (within(one.low, one.high, "ammonia flow", system) for one in ends)
    moments = sum(kind.learned.moments for kind in outcome.kinds.values())
    answer = (
        f"Learned from {count(moments, 'steady moment')}: the certain window of all rows is {after}; by the old bar "
        f"file it was {before}."
    )
    again = [f"{name} had been learned from before; it counts once." for name in outcome.repeated]
    reach = (
        "Between and near the pressures and temperatures above, this holds at 95 %. Beyond them the flashing may go on "
        "rising with the margin and moving with the temperature, and the window is wider for that. The window is that "
        "of the orifices, the pump and the bar file's limits; the cautions and ratings stand as before."
    )
    sections = (
        Section("warnings", "", tuple(_warnings(outcome, system))),
        Section(
            "learned",
            "What was learned",
            (_window_table(outcome, system), _orifice_table(outcome, system), Paragraph(reach)),
        ),
        Section("instruments", "Instruments", (BulletList(tuple(_instruments(outcome, system))),)),
        Section("apart", "What could not be told apart", (BulletList(tuple(_not_told_apart(outcome))),)),
        Section("moments", "", (_left_out(outcome), *(Paragraph(text) for text in again))),
        Section("next", "", () if out is None else (Paragraph(written, on=EVERYWHERE - {"page"}),)),
        caution_section(),
    )
    return Report(f"What the bar {outcome.bar.name} learned", "", answer, sections, SHORT_CAUTION, "")
