"""bench.toml: what it may say, and that mistakes are told by file, key, what was found and what is allowed."""

import pytest

from rig.bench.base import BenchSetupError
from rig.bench.settings import load_bench_file

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
        ("outputs = 4\n", 'outputs = 4\noutput_device = "other"\n', ["device.output_device", "one device"]),
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
    assert not settings.simulated.real_time
    with pytest.raises(BenchSetupError, match=r"simulated: found a table; allowed: for kind = 'soundcard' no table"):
        load(tmp_path, GOOD + "[simulated]\nseed = 1\n")


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(BenchSetupError, match="no such file"):
        load_bench_file(tmp_path / "bench.toml")
