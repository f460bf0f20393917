"""A short slice of tests/campaigns/diagnosis_rates.py: no false alarm, no fault missed."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "campaigns"))

from diagnosis_rates import CLEAN, FAULTY, Kind, findings, made


@pytest.mark.parametrize("kind", CLEAN, ids=lambda kind: kind.name)
def test_a_sound_bar_raises_no_alarm(kind: Kind) -> None:
    """Seed 1 runs near the wanted margin, seed 2 far above it."""
    assert [found for seed in (1, 2) for found in findings(made(kind, seed))] == []


@pytest.mark.parametrize("kind", FAULTY, ids=lambda kind: kind.name)
def test_a_fault_is_found(kind: Kind) -> None:
    assert {found.kind for found in findings(made(kind, 2))} & set(kind.expected)
