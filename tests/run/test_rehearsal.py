"""The rehearsal before a run: every check reads what is made up, and what is worked out once is worked out by then."""

import threading

from simulated_runs import ROOT

import checks
from rig.design.kit import load_kit
from rig.run.rehearsal import ready_by_the_first_answer, rehearse
from rig.signals import deconvolution
from rig.verdict.check import listed_checks


def test_every_check_reads_what_is_made_up_and_the_first_capture_finds_its_transforms_planned() -> None:
    kit = load_kit(ROOT, "booth-two")
    deconvolution.sweep_inverse.cache_clear()
    assert rehearse(kit, listed_checks(kit, checks.ALL, "bench")) == ()
    assert deconvolution.sweep_inverse.cache_info().currsize == 1


def test_all_is_ready_before_the_first_answer_is_taken() -> None:
    done: list[str] = []
    is_asked = threading.Event()

    def confirm(words: str) -> bool:
        is_asked.set()
        return False

    def look() -> None:
        assert is_asked.wait(60)
        done.append("looked")
        raise OSError("no more")

    assert not ready_by_the_first_answer(confirm, look, done.append)("go on?")
    assert done == ["looked", "not all could be looked at before the run: OSError: no more"]
