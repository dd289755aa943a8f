"""Silences about a run's sweeps: as long as their readings and the room ask for, stored with each capture."""

import json
from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT

import checks
from rig.design.kit import load_kit
from rig.files.plain import json_bytes, restored
from rig.run.schedule import plan, with_codes
from rig.signals.decay import decayed_s
from rig.values.requests import Sweep
from rig.verdict import spacing
from rig.verdict.check import listed_checks

KIT = load_kit(ROOT, "booth-two")
PING = KIT.sweep("playing", "left", position="on axis", quiet=True)
RATE_HZ = 48000.0


def of_a_run() -> list[Sweep]:
    schedule = with_codes(plan(KIT, listed_checks(KIT, checks.ALL, "bench")), "one run")
    return [request for request in schedule.requests if isinstance(request, Sweep)]


def test_what_no_run_spaced_is_laid_out_as_it_always_was() -> None:
    """Of records of former versions: the numbers are those of the layout that they were played with."""
    layout = KIT.sweep("playing", "left", position="on axis").layout(RATE_HZ)
    assert (layout.mark_before, layout.sweep_start, layout.sweep_stop) == (12000, 17760, 100157)
    assert (layout.mark_after, layout.frames) == (114557, 120317)
    layout = KIT.silence("left", "on axis", 2.0).layout(RATE_HZ)
    assert layout.between_marks == slice(32160, 158560)


def test_a_run_s_box_sounds_a_quarter_less_than_before() -> None:
    """Sweeps and their silences of one of two boxes, without what other checks than those of the bench plan ask for."""
    box = [request for request in of_a_run() if request.at == "left"]
    seconds = sum(request.layout(RATE_HZ).total_s for request in box)
    before = sum(replace(request, spacing=None, code=0).layout(RATE_HZ).total_s for request in box)
    quiet_at_leads = replace(KIT.sweep("leads", "left"), seconds=0.3).layout(RATE_HZ).total_s
    assert seconds < 0.78 * (before + quiet_at_leads)


def test_a_silence_is_as_long_as_was_asked_for_and_what_is_played_stays_the_request() -> None:
    for request in of_a_run():
        layout = request.layout(RATE_HZ)
        assert request == replace(request, spacing=None, code=0)
        if request.is_silence:
            quiet = layout.between_marks
            code_s = request.code * 0.0005
            assert (quiet.stop - quiet.start) / RATE_HZ == pytest.approx(request.seconds + code_s, abs=1e-4)
        else:
            # The mean over the silence must be one over whole periods of the lowest frequency, or nearly.
            assert layout.mark_before >= 5 / request.start_hz * RATE_HZ - 1


def test_the_silences_are_stored_with_the_sweep_and_a_sweep_without_is_one_of_former_versions() -> None:
    for request in of_a_run():
        again = restored(Sweep, json.loads(json_bytes(request)))
        assert (again.spacing, again.code) == (request.spacing, request.code)
        assert again.layout(RATE_HZ) == request.layout(RATE_HZ)
    stored = json.loads(json_bytes(PING))
    assert stored.pop("spacing") is None
    assert restored(Sweep, stored).layout(RATE_HZ) == PING.layout(RATE_HZ)


def decaying(reverberation_s: float, noise: float) -> np.ndarray:
    """An impulse response: a pulse at 0.06 s, and a tail of white noise that falls by 60 dB in so many seconds."""
    random = np.random.default_rng(5)
    after_s = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ - 0.06
    tail = np.where(after_s > 0, 10 ** (-3 * after_s / reverberation_s), 0.0) * random.standard_normal(after_s.size)
    tail[round(0.06 * RATE_HZ)] = 20.0
    return tail + noise * random.standard_normal(after_s.size)


@pytest.mark.parametrize("reverberation_s", [0.1, 0.3, 0.4])
def test_a_decay_is_found_as_it_was_made(reverberation_s: float) -> None:
    impulse = decaying(reverberation_s, 1e-4)
    # Of the energy of the pulse and of the tail together, what is still to come.
    energy, lasts = 400.0, reverberation_s / (6 * np.log(10)) * RATE_HZ
    expected_s = reverberation_s / 6 * np.log10(1e3 * lasts / (lasts + energy))
    assert decayed_s(impulse, RATE_HZ, 0.06, 30.0) == pytest.approx(expected_s, rel=0.1, abs=0.003)


def test_a_decay_that_noise_hides_is_not_known() -> None:
    assert np.isnan(decayed_s(decaying(0.3, 0.3), RATE_HZ, 0.06, 30.0))
    assert np.isnan(decayed_s(np.zeros(20000), RATE_HZ, float("nan"), 30.0))


@pytest.mark.parametrize(("reverberation_s", "noise", "tail_s"), [(0.1, 1e-4, 0.15), (0.9, 1e-4, 0.3), (0.1, 1.0, 0.3)])
def test_a_tail_is_short_where_a_ping_shows_that_the_room_is_dead_by_then(
    reverberation_s: float, noise: float, tail_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Found:
        impulse, sample_rate_hz, arrival_s = decaying(reverberation_s, noise), RATE_HZ, 0.06

    monkeypatch.setattr(spacing, "acoustic_response", lambda ping: Found)
    assert spacing.tail_s([None]) == tail_s
    loud = next(request for request in of_a_run() if request.level_v == KIT.levels.playing_v)
    played = spacing.in_room(loud, tail_s)
    assert played == loud
    shorter_s = (loud.layout(RATE_HZ).frames - played.layout(RATE_HZ).frames) / RATE_HZ
    assert shorter_s == pytest.approx(0.3 - tail_s, abs=1e-4)


def test_no_ping_no_knowledge_of_the_room() -> None:
    assert spacing.tail_s([]) == 0.3
