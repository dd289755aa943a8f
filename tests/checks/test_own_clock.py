"""Captures of a microphone with a clock of its own: what the checks read of them is what one clock would have given."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from captures import BENCH, captured, demo_kit, flat, playing
from own_clock import on_own_clock
from simulated_runs import ROOT

import checks
from rig.design.kit import load_kit
from rig.files.plain import json_bytes, restored
from rig.signals import two_clocks
from rig.simulated.bench import SimulatedBench
from rig.store.recordings import read_captures, write_captures
from rig.store.run_json import CaptureEntry
from rig.values.captures import Capture
from rig.verdict import clocks
from rig.verdict.check import listed_checks
from rig.verdict.examine import capture_integrity, capture_troubles, examine
from rig.verdict.responses import acoustic_response, harmonics
from rig.verdict.second_look import INTERMITTENT, agree, choose, quietest_noises

KIT = demo_kit()
REQUEST = KIT.sweep("playing", "left", "left", "on axis")


def box(frequency_hz: np.ndarray) -> np.ndarray:
    """A box in a small room, upside down."""
    arrivals = ((1.0, 0.0015), (0.3, 0.0055), (-0.2, 0.009))
    room = sum(gain * np.exp(-2j * np.pi * frequency_hz * late_s) for gain, late_s in arrivals)
    return -(1j * frequency_hz / 80) / (1 + 1j * frequency_hz / 80) * room


def one_clock(path=box, seed: int = 1, loopback: bool = True, noise_v: float = 1e-5) -> Capture:
    paths = playing(REQUEST, path, loopback=loopback)
    return captured(REQUEST, paths, BENCH, noise_v={"microphone": noise_v, "loopback": 1e-6}, seed=seed)


def own_clock(capture: Capture, ppm: float, begins_at: float = -2000.3) -> Capture:
    """The same event as a device with a clock of its own records it, beginning at another time."""
    samples = np.pad(capture.samples, ((0, 0), (0, 7200)))
    row, noise = capture.inputs.index("microphone"), 1e-5 * np.random.default_rng(7).standard_normal(samples.shape[1])
    samples[row] = on_own_clock(samples[row].astype(np.float64), ppm, begins_at)
    # Before and behind what was captured the room is as it always is.
    outside = np.abs(np.arange(noise.size) + begins_at - capture.samples.shape[1] / 2) > capture.samples.shape[1] / 2
    samples[row, outside] = noise[outside]
    return replace(capture, samples=samples, other_clock=("microphone",))


def corrected(capture: Capture) -> Capture:
    return clocks.on_playing_clock(capture)


@pytest.mark.parametrize("ppm", [-300.0, 120.0, 300.0])
@pytest.mark.parametrize("loopback", [True, False])
def test_the_acoustic_response_is_that_of_one_clock(ppm: float, loopback: bool) -> None:
    true = acoustic_response(one_clock(loopback=loopback))
    found = acoustic_response(corrected(own_clock(one_clock(loopback=loopback), ppm)))
    assert not found.timed
    frequency_hz = np.geomspace(40, 16000, 200)
    levels = []
    for response in (found, true):
        first = round((response.arrival_s - 0.002) * response.sample_rate_hz)
        piece = response.impulse[first : first + 7200]
        turns = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(piece.size)) / response.sample_rate_hz)
        levels.append(turns @ piece)
    ratio = levels[0] / levels[1]
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.05
    # No sign is lost: at low frequencies, where no delay turns the phase.
    assert np.all(ratio[frequency_hz < 200].real > 0)


@pytest.mark.parametrize("ppm", [-300.0, 210.0])
def test_harmonics_at_minus_forty_decibels_keep_their_level(ppm: float) -> None:
    capture = one_clock(flat(1.0))
    row = capture.samples[0].astype(np.float64)
    unit = row / np.max(np.abs(row))
    bent = row + 0.01 * np.max(np.abs(row)) * (2 * unit**2 + 4 * unit**3 - 3 * unit)
    capture = replace(capture, samples=np.stack([bent.astype(np.float32), capture.samples[1]]))
    grid_hz = np.geomspace(150, 4000, 40)
    (true, _), (found, _) = (harmonics(one, 3, grid_hz, 0.05) for one in (capture, corrected(own_clock(capture, ppm))))
    for order in (1, 2):
        true_db, found_db = (10 * np.log10(power[order] / power[0]) for power in (true, found))
        assert np.all(np.abs(true_db + 40) < 0.3)
        assert np.max(np.abs(found_db - true_db)) < 0.05


def test_raw_samples_are_never_touched_and_the_other_rows_stay() -> None:
    capture = own_clock(one_clock(), 90.0)
    before = capture.samples.copy()
    found = corrected(capture)
    np.testing.assert_array_equal(capture.samples, before)
    np.testing.assert_array_equal(found.samples[1], before[1])
    assert corrected(capture) is found


def test_nothing_is_done_where_there_is_one_clock_or_silence_or_no_whole_capture() -> None:
    capture = one_clock()
    assert corrected(capture) is capture
    assert clocks.on_one_clock(capture, [capture]) is capture
    silent = replace(own_clock(capture, 50.0), request=replace(REQUEST, level_v=0.0))
    assert corrected(silent) is silent
    short = replace(silent, request=REQUEST, samples=silent.samples[:, :1000])
    assert corrected(short) is short


def test_a_box_that_plays_no_marks_takes_the_clock_of_the_others() -> None:
    def bass(frequency_hz: np.ndarray) -> np.ndarray:
        return 1 / (1 + (1j * frequency_hz / 90)) ** 8

    others = [own_clock(one_clock(seed=seed), 140.0) for seed in (2, 3)]
    weak = own_clock(one_clock(bass, noise_v=1e-4), 140.0)
    assert clocks.clocks_of(weak, "microphone") is None
    assert capture_integrity(weak).troubles == ()
    assert "was corrected" in clocks.remarks([weak, *others], [weak])[0]
    assert clocks.usual_ppm([weak, *others], "microphone") == pytest.approx(140, abs=0.2)
    assert clocks.clock_disagreement([weak, *others], [weak]) == ""
    assert clocks.on_one_clock(weak, [weak, *others]).samples[0].any()
    told = clocks.clock_disagreement([weak], [weak])
    assert "no capture's timing marks tell" in told
    assert "does the right box play?" in told


def test_a_result_tells_the_clock_that_was_corrected_and_lost_samples_make_it_void() -> None:
    listed = next(one for one in listed_checks(KIT, checks.ALL) if one.name == "ping")
    requests = listed.requests(KIT)
    made = {}
    for seed, request in enumerate(requests):
        paths = playing(request, box)
        one = captured(request, paths, BENCH, noise_v={"microphone": 1e-6, "loopback": 1e-6}, seed=seed)
        made[request] = own_clock(one, 140.0)
    none = dict.fromkeys(requests, ())
    assert examine(listed, requests, made, none, KIT).read.remarks == (
        "the microphone's own clock, +140.0 ppm from the playing one, was corrected",
    )
    made[requests[0]] = own_clock(captured(requests[0], playing(requests[0], box), BENCH, noise_v=1e-6), 250.0)
    assert "samples were lost or put in" in examine(listed, requests, made, none, KIT).reason


def test_lost_samples_that_could_be_a_clock_are_told_by_the_other_captures() -> None:
    good = [own_clock(one_clock(seed=seed), -60.0) for seed in (2, 3, 4)]
    bad = own_clock(one_clock(seed=5), -60.0)
    middle = bad.samples.shape[1] // 2
    samples = bad.samples.copy()
    samples[0, middle:-2] = samples[0, middle + 2 :]
    bad = replace(bad, samples=samples)
    assert capture_integrity(bad).troubles == ()
    assert clocks.clock_disagreement([*good, bad], good) == ""
    assert "samples were lost or put in" in clocks.clock_disagreement([*good, bad], [good[0], bad])


def test_good_captures_have_no_troubles_and_altered_ones_are_refused() -> None:
    capture = own_clock(one_clock(), 75.0)
    assert capture_troubles(capture) == ()
    row = capture.samples[0]
    loud = np.convolve(row**2, np.full(480, 1 / 480), "same")
    gate = np.convolve(np.where(loud > 300 * np.median(loud[:9600]), 1.0, 0.05), np.full(960, 1 / 960), "same")
    gated = replace(capture, samples=np.stack([row * gate.astype(np.float32), capture.samples[1]]))
    assert any("noise suppression" in words for words in capture_troubles(gated))


def test_two_looks_through_a_clock_of_its_own_agree_and_a_loose_contact_does_not() -> None:
    looks = [own_clock(one_clock(seed=seed), 110.0 + 0.3 * seed, -2000.0 - 70 * seed) for seed in range(3)]
    assert agree(looks[0], looks[1], quietest_noises(looks))
    assert choose(looks[:2]) == ((looks[0], looks[1]), "")
    middle = looks[1].samples.shape[1] // 2
    samples = looks[1].samples.copy()
    samples[0, middle : middle + 4800] *= np.float32(0.4)
    broken = replace(looks[1], samples=samples)
    assert not agree(looks[0], broken, quietest_noises(looks))
    assert choose([looks[0], broken, looks[2]])[1] == INTERMITTENT


def test_two_looks_are_laid_over_each_other_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """However often it is chosen, and among however many."""
    laid: list[int] = []
    once = two_clocks.laid_over
    monkeypatch.setattr(two_clocks, "laid_over", lambda a, b: laid.append(1) or once(a, b))
    looks = [own_clock(one_clock(seed=seed), 110.0) for seed in range(3)]
    for count in (2, 3, 3):
        assert choose(looks[:count])[1] == ""
    assert len(laid) == 3


def test_a_record_keeps_which_rows_have_another_clock(tmp_path: Path) -> None:
    kept = [own_clock(one_clock(), 75.0), one_clock()]
    calibrations, entries = write_captures([(one, ()) for one in kept], tmp_path)
    assert [entry.other_clock for entry in entries] == [("microphone",), ()]
    assert [one.other_clock for one in read_captures(tmp_path, entries, calibrations)] == [("microphone",), ()]
    stored = json.loads(json_bytes(entries))
    del stored[0]["other_clock"]
    older = restored(tuple[CaptureEntry, ...], stored)
    assert next(read_captures(tmp_path, older, calibrations)).other_clock == ()


@pytest.mark.parametrize("name", ["booth-two", "rehearsal-three"])
@pytest.mark.parametrize("ppm", [-300.0, 300.0])
def test_the_simulated_bench_makes_such_captures(name: str, ppm: float) -> None:
    kit = load_kit(ROOT, name)
    bench = SimulatedBench(kit, kit.serial_example, microphone_ppm=ppm)
    requests = [kit.sweep("playing", channel.name, channel.name, "on axis") for channel in kit.channels]
    with bench.stage("playing") as player:
        heard = list(player.play(requests))
    assert {one.other_clock for one in heard} == {("microphone",)}
    assert [capture_troubles(one) for one in heard] == [()] * len(heard)
    assert clocks.usual_ppm(heard, "microphone") == pytest.approx(ppm, abs=0.2)
    assert clocks.clock_disagreement(heard, heard) == ""
    with bench.stage("leads") as player:
        (leads,) = player.play([kit.sweep("leads", kit.channels[0].name)])
    assert leads.other_clock == ()
