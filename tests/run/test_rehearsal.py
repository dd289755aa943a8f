"""The rehearsal before a run: every check reads what is made up, and what is worked out once is worked out by then."""

from simulated_runs import ROOT

import checks
from rig.design.kit import load_kit
from rig.run.rehearsal import rehearse
from rig.signals import deconvolution
from rig.verdict.check import listed_checks


def test_every_check_reads_what_is_made_up_and_the_first_capture_finds_its_transforms_planned() -> None:
    kit = load_kit(ROOT, "booth-two")
    deconvolution.sweep_inverse.cache_clear()
    assert rehearse(kit, listed_checks(kit, checks.ALL, "bench")) == ()
    assert deconvolution.sweep_inverse.cache_info().currsize == 1
