"""bench.toml: what it may say, and that mistakes are told by file, key, what was found and what is allowed."""

import pytest

from rig.bench.settings import load_bench_file
from rig.files.errors import BenchSetupError

GOOD = """
kind = "soundcard"
name = "kitchen table"
air_celsius = 21.5

[device]
host_api = "JACK Audio Connection Kit"
name = "card"
inputs = 3
outputs = 4

[leads]
inputs = { drive = 2, sense = 3 }
outputs = { "*" = 3 }
input_volts = { drive = 2.0, sense = 1.9 }
output_volts = 1.5
sense_ohm = 10.0
sense_in = "source"

[playing]
inputs = { microphone = 1, loopback = 2 }
outputs = { left = 1, right = 2 }
loopback_output = 4
input_volts = { microphone = 1.0, loopback = 2.0 }
output_volts = 1.5
microphone_mv_per_pa = 12.5
microphone_inverted = true
"""


def load(tmp_path, text):
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load_bench_file(path)


def test_a_full_file_is_read(tmp_path):
    settings = load(tmp_path, GOOD)
    assert (settings.kind, settings.name, settings.device.sample_rate_hz) == ("soundcard", "kitchen table", 48000.0)
    assert settings.leads.output("left") == settings.leads.output("anything") == 3
    assert settings.playing.output("right") == 2
    assert settings.playing.output("centre") is None
    assert settings.wiring("soak") is settings.playing


def test_calibrations_of_the_stages(tmp_path):
    settings = load(tmp_path, GOOD)
    leads, playing = settings.calibration("leads"), settings.calibration("playing")
    assert leads.input_volts == {"drive": 2.0, "sense": 1.9}
    assert (leads.sense_ohm, leads.sense_in, leads.output_volts) == (10.0, "source", 1.5)
    assert (playing.microphone_v_per_pa, playing.microphone_sign) == (0.0125, -1)
    assert {leads.bench, playing.bench} == {"kitchen table"}
    assert {leads.air_celsius, playing.air_celsius} == {21.5}
    unknown = load(tmp_path, GOOD.replace("microphone_inverted = true\n", "")).calibration("playing")
    assert unknown.microphone_sign is None


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('kind = "soundcard"', 'kind = "cassette"', ["kind", "cassette", "soundcard"]),
        ('name = "kitchen table"\n', "", ["bench.toml: name: found none; allowed: a name for the bench"]),
        ("inputs = 3\n", "", ["device.inputs", "missing"]),
        ("inputs = 3\n", "inputs = 2\n", ["leads.inputs.sense: found 3; allowed: 1 to 2: device.inputs = 2"]),
        (
            "loopback_output = 4",
            "loopback_output = 5",
            ["playing.loopback_output: found 5; allowed: 1 to 4: device.outputs = 4"],
        ),
        (
            "loopback_output = 4",
            "loopback_output = 2",
            ["playing.loopback_output: found 2; allowed: an output that plays no channel"],
        ),
        ("loopback_output = 4\n", "", ["playing.loopback_output: found none; allowed: a number with a loopback"]),
        (
            "drive = 2, sense = 3 }\nout",
            "drive = 2, sense = 2 }\nout",
            ["leads.inputs: found { drive = 2, sense = 2 }", "a different input"],
        ),
        ("{ microphone = 1, loopback = 2 }", "{ loopback = 2 }", ["playing.inputs", "microphone"]),
        ("{ drive = 2.0, sense = 1.9 }", "{ drive = 2.0 }", ["leads.input_volts", "sense"]),
        ("output_volts = 1.5\nsense", "output_volts = 0\nsense", ["leads.output_volts: found 0; allowed: 0.01 to 100"]),
        ("output_volts = 1.5\nsense", "output_volts = nan\nsense", ["leads.output_volts", "finite"]),
        ("sense_ohm", "sense_ohms", ["leads.sense_ohms", "did you mean 'sense_ohm'"]),
        ("drive = 2.0", "drive = 2000", ["leads.input_volts.drive: found 2000; allowed: 0.01 to 100"]),
        ("sense_ohm = 10.0", "sense_ohm = 10000", ["leads.sense_ohm: found 10000; allowed: 0.1 to 1000"]),
        ("sense_ohm = 10.0", "sense_ohm = 0,1", ["not valid TOML", "decimal point, not a comma"]),
        ("inverted = true", 'inverted = "no"', ["playing.microphone_inverted: found 'no'; allowed: true or false"]),
        (
            "left = 1, right = 2",
            "left = 1, right = 1",
            ["playing.outputs: found { left = 1, right = 1 }", "of its own"],
        ),
        ("left = 1, right = 2", '"*" = 1, right = 1', ["playing.outputs: found { * = 1, right = 1 }"]),
        ("inputs = 3\n", 'inputs = "3 in"\n', ["device.inputs: found '3 in'; allowed: a whole number: write 3, not"]),
        ('"source"', '"middle"', ["leads.sense_in", "middle", "return"]),
        ("outputs = 4\n", "outputs = 0\n", ["device.outputs: found 0; allowed: 1 or more"]),
        (
            "inputs = { microphone = 1, loopback = 2 }",
            "inputs = { microphone = 2, loopback = 2 }",
            ["playing.inputs", "microphone = 2", "a different input for each role"],
        ),
        ("air_celsius = 21.5", "air_celsius = 294", ["air_celsius", "294"]),
        ("air_celsius = 21.5", "air_celsius =", ["not valid TOML"]),
    ],
)
def test_mistakes_are_told(tmp_path, before, after, words):
    assert before in GOOD
    with pytest.raises(BenchSetupError) as caught:
        load(tmp_path, GOOD.replace(before, after, 1))
    for word in ["bench.toml", *words]:
        assert word in str(caught.value)


def test_a_stage_without_its_table_is_refused(tmp_path):
    settings = load(tmp_path, GOOD[: GOOD.index("[playing]")])
    assert settings.calibration("leads").sense_ohm == 10.0
    with pytest.raises(BenchSetupError, match=r"no table \[playing\]"):
        settings.calibration("playing")


def test_the_simulated_bench(tmp_path):
    settings = load(tmp_path, 'kind = "simulated"\n[simulated]\nseed = 3\nfaults = ["left woofer reversed"]\n')
    assert settings.simulated.seed == 3
    assert settings.simulated.faults == ["left woofer reversed"]
    assert settings.simulated.faster == float("inf")
    with pytest.raises(BenchSetupError, match=r"simulated: found a table; allowed: for kind = 'soundcard' no table"):
        load(tmp_path, GOOD + "[simulated]\nseed = 1\n")


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(BenchSetupError, match="no such file"):
        load_bench_file(tmp_path / "bench.toml")


SOAK = """
[soak]
inputs = { microphone = 1, drive = 2, sense = 3 }
outputs = { left = 1, right = 2 }
input_volts = { microphone = 1.0, drive = 20.0, sense = 2.0 }
output_volts = 1.5
microphone_mv_per_pa = 12.5
sense_ohm = 0.1
sense_channel = "left"
isolated = true
"""


def test_the_soak_may_be_wired_in_its_own_way(tmp_path):
    settings = load(tmp_path, GOOD + SOAK)
    assert settings.wiring("soak") is settings.soak
    assert settings.wiring("playing") is settings.playing
    assert settings.soak.has_sense
    assert settings.soak.isolated
    soak, playing = settings.calibration("soak"), settings.calibration("playing")
    assert (soak.sense_ohm, soak.input_volts["drive"], soak.microphone_v_per_pa) == (0.1, 20.0, 0.0125)
    assert playing.sense_ohm is None


def test_after_the_soak_the_leads_are_wired_as_before(tmp_path):
    settings = load(tmp_path, GOOD + SOAK)
    assert settings.wiring("after") is settings.leads
    assert settings.calibration("after") == settings.calibration("leads")


def test_a_soak_without_coil_inputs(tmp_path):
    text = SOAK.replace(", drive = 2, sense = 3", "").replace(", drive = 20.0, sense = 2.0", "")
    text = text.replace('sense_ohm = 0.1\nsense_channel = "left"\n', "")
    soak = load(tmp_path, GOOD + text).soak
    assert not soak.has_sense
    assert soak.sense_ohm is None


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (", sense = 3", "", ["soak.inputs: found { microphone = 1, drive = 2 }", "both or neither of drive and sense"]),
        ("microphone = 1, ", "", ["soak.inputs: found { drive = 2, sense = 3 }; allowed: microphone"]),
        ("sense_ohm = 0.1\n", "", ["soak.sense_ohm: found none; allowed: given with the inputs drive and sense"]),
        ('sense_channel = "left"\n', "", ["soak.sense_channel: found none"]),
        ('"left"', '"centre"', ["soak.sense_channel: found 'centre'; allowed: one of the outputs: left, right"]),
        ("sense_ohm = 0.1", "sense_ohm = 100", ["soak.sense_ohm: found 100; allowed: 0.01 to 10"]),
        ("sense = 3", "sense = 4", ["soak.inputs.sense: found 4; allowed: 1 to 3: device.inputs = 3"]),
        ("right = 2", "right = 6", ["soak.outputs.right: found 6; allowed: 1 to 4"]),
        ("isolated = true", 'isolated = "yes"', ["soak.isolated", "true or false"]),
    ],
)
def test_mistakes_of_the_soak_are_told(tmp_path, before, after, words):
    assert before in SOAK
    with pytest.raises(BenchSetupError) as caught:
        load(tmp_path, GOOD + SOAK.replace(before, after, 1))
    for word in ["bench.toml", *words]:
        assert word in str(caught.value)


INSTRUMENTS = """
[[instruments]]
name = "logger"
address = "TCPIP::192.168.1.20::5025::SOCKET"
identify = "LOGGER"
setup = ["CONF:TEMP"]
[[instruments.values]]
role = "heat sink"
unit = "celsius"
query = "MEAS? 1"
pick = { field = 2, separator = ";" }
sensor = { kind = "thermocouple k", cold_junction = "terminals" }
[[instruments.values]]
role = "terminals"
unit = "celsius"
query = "MEAS? 2"
sensor = { kind = "ntc", r25_ohm = 10000, beta_k = 3950 }

[[instruments]]
name = "supply"
address = "ASRL/dev/ttyUSB0::INSTR"
baud_rate = 115200
quiet_s = 0.05
[[instruments.values]]
role = "supply current"
unit = "ampere"
query = "I?"
pick = { pattern = "I=(.*)A" }
upper = 5
"""


def test_instruments_are_read(tmp_path):
    logger, supply = load(tmp_path, GOOD + INSTRUMENTS).instruments
    assert (logger.ends_with, logger.is_stream, logger.is_serial) == ("\n", True, False)
    assert (supply.ends_with, supply.is_stream, supply.is_serial) == ("", True, True)
    sink, terminals = logger.values
    assert (sink.cold_junction_role, sink.pick.field, sink.plausible) == ("terminals", 2, (-40.0, 300.0))
    assert (terminals.sensor.beta_k, terminals.cold_junction_role) == (3950.0, None)
    assert supply.values[0].plausible == (float("-inf"), 5.0)


def test_instruments_may_be_asked_on_a_simulated_bench(tmp_path):
    settings = load(tmp_path, 'kind = "simulated"\nvisa_backend = "x.yaml@sim"\n' + INSTRUMENTS)
    assert len(settings.instruments) == 2
    assert settings.visa_backend == "x.yaml@sim"


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("192.168.1.20::5025::SOCKET", "192.168.1.20", ["instruments.[1].address", "full VISA resource string"]),
        ('role = "terminals"', 'role = "heat sink"', ["instruments", "more than one 'heat sink'", "each role once"]),
        ('name = "supply"', 'name = "logger"', ["more than one 'logger'"]),
        (
            '"ASRL/dev/ttyUSB0::INSTR"\nbaud_rate = 115200',
            '"tcpip::192.168.1.20::5025::socket"',
            ["more than one", "one table for each address"],
        ),
        (
            'cold_junction = "terminals"',
            'cold_junction = "sky"',
            ["values.[1].sensor.cold_junction", "'sky'", "terminals"],
        ),
        ('cold_junction = "terminals"', "cold_junction = 400", ["cold_junction"]),
        (', cold_junction = "terminals"', "", ["values.[1].sensor", "'thermocouple k' with kind", "cold_junction"]),
        (", beta_k = 3950", "", ["values.[2].sensor", "r25_ohm and beta_k, or with a, b and c"]),
        ('"thermocouple k"', '"thermocouple j"', ["sensor.kind", "thermocouple k"]),
        ('field = 2, separator = ";"', 'field = 2, pattern = "(.)"', ["values.[1].pick", "both of pattern and field"]),
        ("I=(.*)A", "I=.*A", ["values.[1].pick.pattern", "0 groups", "one group"]),
        ("I=(.*)A", "I=(.*A", ["values.[1].pick.pattern", "a ( that is never closed"]),
        ("baud_rate = 115200", "baudrate = 115200", ["instruments.[2].baudrate", "did you mean 'baud_rate'"]),
        ('identify = "LOGGER"', "baud_rate = 9600", ["instruments.[1].baud_rate: found 9600", "ASRL"]),
        ("quiet_s = 0.05", 'quiet_s = 0.05\nread_termination = "x"', ["[2].quiet_s: found read_termination as well"]),
        ('unit = "ampere"', 'unit = "amps"', ["values.[1].unit: found 'amps'", "'ampere'"]),
        (
            'role = "supply current"',
            'role = "supply.current"',
            ["values.[1].role: found 'supply.current'; allowed: letters"],
        ),
        ("upper = 5", "upper = 5\nlower = 6", ["values.[1].upper: found 5; allowed: more than lower = 6"]),
        ("upper = 5", "scale = 0", ["values.[1].scale: found 0; allowed: any number but 0"]),
        ('unit = "celsius"\nquery = "MEAS? 2"', 'unit = "ohm"\nquery = "MEAS? 2"', ["values.[2].unit", '"celsius"']),
        ("quiet_s = 0.05", "timeout_s = 0", ["instruments.[2].timeout_s: found 0; allowed: 0.05 to 30"]),
    ],
)
def test_mistakes_of_instruments_are_told(tmp_path, before, after, words):
    assert before in INSTRUMENTS
    with pytest.raises(BenchSetupError) as caught:
        load(tmp_path, GOOD + INSTRUMENTS.replace(before, after, 1))
    for word in ["bench.toml", *words]:
        assert word in str(caught.value)


OWN = """
[microphone_device]
host_api = "ALSA"
name = "USB microphone: Audio (hw:2,0)"
inputs = 1
"""


def test_a_microphone_may_be_a_device_of_its_own(tmp_path):
    settings = load(tmp_path, GOOD.replace("loopback = 2 }", "loopback = 1 }", 1) + OWN)
    assert settings.own_inputs(settings.playing) == {"loopback": 1}
    assert settings.own_inputs(settings.leads) == {"drive": 2, "sense": 3}
    wanted = settings.microphone_device.at(settings.device.sample_rate_hz)
    assert (wanted.name, wanted.inputs, wanted.outputs, wanted.sample_rate_hz) == (
        "USB microphone: Audio (hw:2,0)",
        1,
        0,
        48000.0,
    )


def test_the_device_that_plays_then_needs_no_input(tmp_path):
    text = GOOD.replace("inputs = 3\n", "inputs = 0\n", 1).replace(", loopback = 2 }", " }")
    text = text.replace("loopback_output = 4\n", "").replace("loopback = 2.0", "").replace("1.0,  }", "1.0 }")
    leads = text[text.index("[leads]") : text.index("[playing]")]
    settings = load(tmp_path, text.replace(leads, "") + OWN)
    assert settings.own_inputs(settings.playing) == {}
    with pytest.raises(BenchSetupError, match=r"device.inputs: found 0; allowed: 1 or more, unless a table"):
        load(tmp_path, text.replace(leads, ""))
    with pytest.raises(BenchSetupError, match=r"leads.inputs.drive: found 2; allowed: none: device.inputs = 0"):
        load(tmp_path, text + OWN)


def test_the_microphone_s_number_is_one_of_its_own_device(tmp_path):
    with pytest.raises(BenchSetupError, match=r"playing.inputs.microphone: found 2; allowed: 1 to 1: microphone_dev"):
        load(tmp_path, GOOD.replace("microphone = 1, loopback = 2 }", "microphone = 2, loopback = 1 }", 1) + OWN)


def test_a_simulated_bench_has_no_devices_but_may_have_two_clocks(tmp_path):
    settings = load(tmp_path, 'kind = "simulated"\n[simulated]\nmicrophone_ppm = 120\n')
    assert settings.simulated.microphone_ppm == 120
    with pytest.raises(BenchSetupError, match="microphone_device"):
        load(tmp_path, 'kind = "simulated"\n' + OWN)
