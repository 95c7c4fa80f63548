"""Mutated surveys: a Job whose ledger sums, or one clear error; see fuzz.py, which runs as many as wanted."""

import os

import fuzz
import numpy as np
import pytest
import strategies
from hypothesis import HealthCheck, given, settings

CASES = 5_000
PIECES = 10
SEED = 3


@pytest.mark.slow
@pytest.mark.parametrize("piece", range(PIECES))
def test_mutated_surveys(piece: int, tmp_path: object) -> None:
    """Geometry, attributes and bytes by turns; the process that dies would fail the piece."""
    count = int(os.environ.get("WEEDZONE_FUZZ_CASES", CASES)) // PIECES
    outcomes = [(n, *fuzz.case(n, SEED, str(tmp_path))) for n in range(piece * count, (piece + 1) * count)]
    faults = [f"case {number}: {text}" for number, outcome, text in outcomes if outcome == "fault"]
    assert not faults, "\n".join(faults)
    kinds = {outcome for _, outcome, _ in outcomes}
    assert kinds == {"job", "error"}  # mutations that do nothing, or nothing but errors, would test nothing


def test_a_fault_is_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> None:
    """A ledger that loses a thousandth, an exception of another kind, and a case that takes too long."""
    monkeypatch.setattr(fuzz, "mutate_geometry", lambda rng, frames: None)
    assert fuzz.case(0, SEED, str(tmp_path)) == ("job", "")
    plain = strategies.infested_m2
    monkeypatch.setattr(strategies, "infested_m2", lambda survey: 1.001 * plain(survey))
    assert fuzz.case(0, SEED, str(tmp_path))[0] == "fault"

    def broken(survey: object) -> float:
        raise KeyError("turf")

    monkeypatch.setattr(strategies, "infested_m2", broken)
    assert fuzz.case(0, SEED, str(tmp_path))[0] == "fault"
    monkeypatch.setattr(fuzz, "LIMIT_S", 1)
    monkeypatch.setattr(strategies, "infested_m2", lambda survey: forever())
    outcome, text = fuzz.case(0, SEED, str(tmp_path))
    assert (outcome, text.split()[0]) == ("fault", "TooSlowError")


def forever() -> float:
    while True:
        np.zeros(1)


def test_mutations_follow_from_the_seed() -> None:
    def made(number: int) -> bytes:
        return fuzz.mutate_bytes(np.random.default_rng([SEED, number]), b"0123456789" * 50)

    assert made(1) == made(1)
    assert len({made(number) for number in range(20)}) > 15


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(strategies.surveys())
def test_random_surveys_close(survey: object) -> None:
    assert fuzz.ledger_gap(strategies.job(survey)) <= 1.0
