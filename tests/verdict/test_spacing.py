"""Silences about a run's sweeps: as long as their readings and the room ask for, stored with each capture."""

import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from simulated_runs import ROOT

import checks
from rig.design.kit import load_kit
from rig.files.plain import json_bytes, restored
from rig.run.schedule import plan, with_codes
from rig.signals.decay import decayed_s
from rig.signals.stimulus import Layout
from rig.values.requests import Marks, Sweep
from rig.verdict import spacing
from rig.verdict.check import listed_checks
from rig.verdict.spacing import sounded_s

KIT = load_kit(ROOT, "booth-two")
PING = KIT.sweep("playing", "left", position="on axis", quiet=True)
RATE_HZ = 48000.0


@dataclass(frozen=True)
class Played:
    """What counts of a capture for the time that it takes."""

    request: Sweep
    sample_rate_hz: float

    @property
    def layout(self) -> Layout:
        return self.request.layout(self.sample_rate_hz)


def in_order(box: list[Sweep]) -> list[Sweep]:
    """What is played at one box, the loud sweep right behind the silence, as where nothing speaks against it."""
    *quiet, silence, loud = box
    return [*quiet, silence, spacing.joined(silence, loud)]


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
    seconds = sounded_s([Played(request, RATE_HZ) for request in in_order(box)])
    before = sum(replace(request, spacing=None, code=0).layout(RATE_HZ).total_s for request in box)
    quiet_at_leads = replace(KIT.sweep("leads", "left"), seconds=0.3).layout(RATE_HZ).total_s
    assert seconds < 0.72 * (before + quiet_at_leads)


def test_quiet_sweep_silence_and_loud_sweep_of_a_box_share_their_marks() -> None:
    """The neighbour's quiet sweep comes first, since what another box sounds shares no mark."""
    other, own, silence, loud = in_order([request for request in of_a_run() if request.at == "left"])[1:]
    assert (other.channel, own.channel) == ("right", "left")
    marks_v = [one.peak_v * one.spacing.mark_peak for one in (other, own, silence, loud) if one.spacing]
    assert marks_v[1:] == pytest.approx([marks_v[1]] * 3)
    assert marks_v[1] <= own.peak_v * 1.0000001
    assert [bool(one.spacing and one.spacing.joined) for one in (other, own, silence, loud)] == [
        False,
        False,
        True,
        True,
    ]
    # Of the mark and the silence about it that two captures hold each counts once.
    played = [Played(one, RATE_HZ) for one in (own, silence)]
    own_s, silence_s = (one.layout.total_s for one in played)
    shared_s = played[0].layout.rest / RATE_HZ + (played[1].layout.mark_before + played[1].layout.mark_frames) / RATE_HZ
    assert sounded_s(played) == pytest.approx(own_s + silence_s - shared_s)


def test_no_marks_are_weaker_than_a_room_leaves_audible_nor_louder_than_what_they_stand_about() -> None:
    place = {"stage": "playing", "channel": "left", "at": "left", "path_gain": 1.0, "start_hz": 20.0, "stop_hz": 2e4}
    marks = Marks(1.0, 300.0, 8000.0)
    silence = Sweep(**place, level_v=0.0, seconds=2.0, marks=marks, spacing=spacing.SILENCE)
    for level_v, is_shared in ((0.05, False), (0.1, True), (2.0, True), (2.5, False)):
        ping = Sweep(**place, level_v=level_v, seconds=0.3, spacing=spacing.PING)
        (heard,), (then,) = spacing.in_a_row([ping], [silence])
        assert (bool(then.spacing and then.spacing.joined), heard.spacing != ping.spacing) == (is_shared, is_shared)


def test_a_last_mark_is_over_before_what_comes_next_for_cards_of_usual_latency() -> None:
    """Or the silence of a second look held it where that of the first did not, and no two looks agreed."""
    for request in of_a_run():
        assert request.layout(RATE_HZ).rest >= 0.05 * RATE_HZ


def test_mains_hum_can_be_told_at_the_leads_whatever_their_lowest_frequency() -> None:
    sweep = replace(KIT.sweep("leads", "left"), start_hz=20.0)
    assert spacing.spaced(sweep, True).layout(RATE_HZ).mark_before >= 0.5 * RATE_HZ


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


def test_silences_stored_before_marks_were_shared_are_laid_out_as_they_were_played() -> None:
    four = {"silence_s": 0.15, "pause_s": 0.02, "tail_s": 0.3, "rest_s": 0.05}
    bass = replace(KIT.silence("left", "on axis", 2.0), marks=Marks(1.0, 40.0, 120.0))
    stored = json.loads(json_bytes(bass)) | {"spacing": four}
    layout = restored(Sweep, stored).layout(RATE_HZ)
    assert (layout.mark_before, layout.mark_frames, layout.mark_peak) == (28801, 9600, 0.1)


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
