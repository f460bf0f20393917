"""Hints at a spelling: there for a slip of the keyboard, never into another unit or to the other end of a range."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import bar_files
import pytest

from geoflow import cli
from geoflow.bar import keys as bar_keys
from geoflow.bar.bar_file import parse_bar
from geoflow.base import spelling
from geoflow.base.errors import GeoflowError
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.base.spelling import nearest
from geoflow.physics.ammonia import saturation
from geoflow.report.bar_oddities import unusual_lines
from geoflow.report.bar_words import bar_report
from geoflow.report.terminal import as_text
from geoflow.season.columns import COLUMNS

PACKAGE = Path(spelling.__file__).parent.parent
FIELDS = Path(__file__).parent.parent / "sample_fields"


@pytest.mark.parametrize(
    ("word", "known"),
    [
        ("pulses_per_10lbN", "pulses_per_gallon"), ("pulses_per_10lbn", "pulses_per_gallon"),
        ("pulses_per_litre", "pulses_per_gallon"), ("min_pressure", "max_pressure"), ("minpressure", "max_pressure"),
        ("mim_flow", "max_flow"), ("mix_flow", "max_flow"), ("mix_flow", "min_flow"), ("lowest_rate", "highest_rate"),
        ("--min-rate", "--max-rate"), ("speed_low_mph", "speed_high_mph"), ("speed_low_kmh", "speed_low_mph"),
        ("rate_lb_ac", "rate_kg_ac"), ("rate_lbac", "rate_kgha"), ("AppliedRateKgHa", "AppliedRateLbAc"),
        ("lb/ac", "lb N/ac"), ("lb/ac", "lb NH3/ac"), ("lb N/ac", "lb NH3/ac"), ("kg N/ac", "kg N/ha"),
        ("ammonia_price", "nitrogen_price"), ("left_outer", "right_outer"), ("latitude_deg", "longitude_deg"),
        ("start_time", "end_time"), ("psia", "psi"), ("kPa", "MPa"), ("degC", "degF"), ("rate_before", "rate_after"),
        ("pressure_gauge", "pressure_abs"), ("total_100", "total_1000"),
    ],
)  # fmt: skip
def test_a_hint_never_crosses_units_or_ends(word: str, known: str) -> None:
    assert nearest(word, [known]) == "" and nearest(known, [word]) == ""


@pytest.mark.parametrize(
    ("word", "known"),
    [
        ("pulses_per_galon", "pulses_per_gallon"), ("pulse_per_gallon", "pulses_per_gallon"),
        ("pulses_per_gal", "pulses_per_gallon"), ("max_presure", "max_pressure"), ("maxpressure", "max_pressure"),
        ("mx_flow", "max_flow"), ("maximum_flow", "max_flow"), ("--zoens", "--zones"), ("nirogen_fraction",
        "nitrogen_fraction"), ("lbs N/acre", "lb N/ac"), ("coeficient_tolerance", "coefficient_tolerance"),
        ("--nitrogn-price", "--nitrogen-price"), ("kettle.geojsn", "kettle.geojson"), ("left_oter", "left_outer"),
        ("RATE", "rate"), ("lfet", "left"), ("mhp", "mph"), ("temperture", "temperature"),
    ],
)  # fmt: skip
def test_a_slip_is_still_met(word: str, known: str) -> None:
    assert nearest(word, ["elsewhere", known]) == f"; did you mean '{known}'?"


def known_words() -> dict[str, list[str]]:
    found = {table.path: list(bar_keys.keys_of(table.path)) for table in bar_keys.TABLES}
    return found | {"catalog": list(COLUMNS), "units": [unit.text for unit in RATE_UNITS]}


def test_one_letter_off_leads_back_or_nowhere_but_never_across() -> None:
    """Every key, column and unit, each letter left out, doubled, changed or swapped with its neighbour."""
    pick = random.Random(7)
    right = wrong = looked = 0
    for words in known_words().values():
        for word, at in ((each, at) for each in words for at in range(len(each))):
            other = pick.choice("abcdefghijklmnopqrstuvwxyz_")
            for slip in (
                word[:at] + word[at + 1 :],
                word[:at] + word[at] + word[at:],
                word[:at] + other + word[at + 1 :],
                word[:at] + word[at + 1 : at + 2] + word[at] + word[at + 2 :],
            ):
                if slip in words:
                    continue
                hint = nearest(slip, words)
                looked += 1
                right += f"'{word}'" in hint
                wrong += bool(hint) and f"'{word}'" not in hint
    assert looked > 2000 and right > 0.8 * looked and wrong < 0.01 * looked, (looked, right, wrong)


def test_known_words_of_other_meaning_are_no_spellings_of_each_other() -> None:
    for low, high in (("min", "max"), ("low", "high")):
        for word in itertools.chain(*known_words().values()):
            if low in word.replace("-", "_").split("_"):
                assert nearest(word, [word.replace(low, high)]) == ""


def test_hints_are_made_in_one_place() -> None:
    makers = [
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if "difflib" in path.read_text(encoding="utf-8")
    ]
    assert makers == ["base/spelling.py"]


def test_the_bar_file_and_the_commands_ask_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for table, key in (("meter", "pulses_per_10lbN"), ("limits", "min_pressure")):
        content = bar_files.minimal()
        content[table][key] = 1500  # type: ignore[index]
        with pytest.raises(GeoflowError, match=f'unknown key "{key}"') as caught:
            parse_bar(content)
        assert "did you mean" not in str(caught.value)
    with pytest.raises(GeoflowError) as caught:
        rate_unit("lb N/ha")
    assert "did you mean" not in str(caught.value)
    assert cli.main(["rewrite", "--min-rate", "5"]) == 2
    assert "there is no option '--min-rate'" in (said := capsys.readouterr().err) and "did you mean" not in said


# What is right for a key of another unit is told by its size


def told(pulses: float) -> str:
    content = bar_files.minimal()
    content["meter"]["pulses_per_gallon"] = pulses  # type: ignore[index]
    return " ".join(unusual_lines(parse_bar(content), "us"))


def test_pulses_to_ten_pounds_are_not_taken_for_pulses_to_a_gallon() -> None:
    """Arithmetic: pulses per 10 lb N = 10 x pulses per gallon / (lb NH3 per gallon x nitrogen by weight)."""
    density = float(saturation(288.7055556).liquid_density)
    pounds = density * 3.785411784e-3 / 0.45359237 * 0.82
    said = told(1500)
    assert "1,500 pulses per gallon are unusually many" in said
    assert f"pulses_per_gallon = {1500 * pounds / 10:.4g}" in said and "60 °F" in said and "82 % nitrogen" in said
    # A meter of 500 to 800 pulses per gallon, given by its number per 10 lb N, is seen; given rightly, it is not.
    for per_gallon in (520, 700, 800):
        assert not told(per_gallon)
        assert "unusually many" in told(round(10 * per_gallon / pounds))
    assert "unusually few" in told(2)
    words = as_text(bar_report(parse_bar(bar_files.minimal()), "us"))
    assert f"700 pulses per gallon ({10 * 700 / pounds:,.0f} to 10 lb N at 60 °F)" in " ".join(words.split())
