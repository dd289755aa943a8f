"""A card whose wiring nobody has written down, through a real sound server: each output is heard where it leads."""

from functools import partial

import pytest
import unit_client
from busy_machine import believed
from unit_client import UnitSettings, running_unit

from rig.bench.probing import card_probe, find_listeners, input_silence
from rig.bench.settings import DeviceSettings
from rig.bench_check.wiring_found import inputs_that_hear
from rig.calibration.first_wiring import listening_words

pytestmark = pytest.mark.sound_path


def test_each_output_is_heard_where_it_leads(server_name: str) -> None:
    device = DeviceSettings(host_api=unit_client.HOST_API, name="unit", inputs=4, outputs=4)
    with running_unit(UnitSettings()), card_probe(device) as probe:
        assert list(listening_words(believed(lambda: input_silence(probe)))) == []
        found = {output: believed(partial(find_listeners, probe, output, -30.0)) for output in (1, 3, 4)}
    heard = {output: [one.input for one in inputs_that_hear(of)] for output, (of, _) in found.items()}
    # A box at the microphone, a cable to the loopback, the clips with their resistor at the inputs drive and sense.
    assert (heard[1], heard[3], sorted(heard[4])) == ([1], [2], [3, 4])
    assert found[3][0][1].gain == pytest.approx(1.0, rel=0.02)
    # The cable is heard at once, and confirmed one step up.
    assert found[3][1] == -70.0
    assert 0 < found[3][0][1].delay_s < found[1][0][0].delay_s
