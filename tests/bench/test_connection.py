"""How the card may be connected to an amplifier."""

from types import SimpleNamespace

import pytest
from test_refusals import SENSED, bench
from test_soaking import PROGRAMME, REST
from test_soundcard import SETTINGS, sweep

from rig.bench.base import BenchSetupError
from rig.bench.connection import BRIDGED, connection_words, refuse_grounded
from rig.bench.settings import BenchSettings


def kit(bridged):
    return SimpleNamespace(amplifier=SimpleNamespace(bridged=bridged))


def settings(**changes):
    return BenchSettings(**{**SETTINGS, **changes})


@pytest.mark.parametrize("request_", [PROGRAMME, REST, sweep(stage="soak")], ids=["programme", "rest", "sweep"])
def test_a_grounded_input_on_a_bridged_output_is_refused_whatever_sounds(request_):
    with pytest.raises(BenchSetupError, match=r"soak\.isolated: found false"):
        bench(soak=SENSED, bridged=True).refuse([request_])


def test_isolated_or_not_bridged_or_not_wired_is_not_refused():
    refuse_grounded(settings(soak=SENSED | {"isolated": True}), kit(bridged=True))
    refuse_grounded(settings(soak=SENSED), kit(bridged=False))
    refuse_grounded(settings(), kit(bridged=True))


@pytest.mark.parametrize("stage", ["leads", "after"])
def test_at_the_leads_the_amplifier_is_off_and_unplugged(stage):
    for bridged in (True, False):
        words = connection_words(kit(bridged), None, stage)
        assert "switched off and unplugged" in words
        assert (BRIDGED in words) == bridged


@pytest.mark.parametrize("stage", ["playing", "soak"])
def test_without_inputs_at_the_leads_nothing_of_the_card_is_at_the_amplifier_s_outputs(stage):
    words = connection_words(kit(bridged=True), settings(), stage)
    assert "all clips are off" in words
    assert BRIDGED in words


def test_a_programme_with_inputs_at_the_leads_says_how_they_are_connected():
    isolated = connection_words(kit(bridged=True), settings(soak=SENSED | {"isolated": True}), "soak")
    assert "leads of left while the amplifier is on" in isolated
    assert "differential probe or an isolating transformer" in isolated
    grounded = connection_words(kit(bridged=False), settings(soak=SENSED), "soak")
    assert "at the terminal that is at ground" in grounded
    assert "bridged" not in grounded
