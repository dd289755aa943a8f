"""What an answer holds: a number beyond doubt, or a reason why there is none."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.answers import NoValue, decoded, frozen, number_in, stood, value_of
from rig.bench.instrument_settings import PickSettings, SensorSettings, ValueSettings


def value(**settings):
    return ValueSettings(**{"role": "it", "unit": "celsius", "query": "?", **settings})


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("21.5", 21.5),
        ("+4.15000000E+01", 41.5),
        ("-3.2e0 W", -3.2),
        ("  21.50 °C", 21.5),
        ("21.5C", 21.5),
        ('"21.5"', 21.5),
        (".5", 0.5),
        ("7.", 7.0),
        ("T=21.5 degC", 21.5),
        ("CH1: 21.5", 21.5),
        ("0", 0.0),
        ("VOLT 24.0", 24.0),
    ],
)
def test_numbers(text, number):
    assert number_in(text) == number


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("+1.5E+01,+2.5E+01", "more than one number"),
        ("21.5, 30.1", "more than one number"),
        ("21.5;30.1", "more than one number"),
        ("", "empty"),
        ("   ", "empty"),
        ("+OVLD", "no value"),
        ("OL", "no value"),
        ("O.L", "no value"),
        ("OVERLOAD 5", "no value"),
        ("9.9E37", "over range"),
        ("-9.9E+37", "over range"),
        ("9.91E37", "over range"),
        ("9.90000000E+37", "over range"),
        ("1e400", "over range"),
        ("NaN", "no value"),
        ("+INF", "no value"),
        ("-----", "no value"),
        ("ERROR", "no value"),
        ('-113,"Undefined header error"', "no value"),
        ("Err 5", "no value"),
        ("sensor open", "no value"),
        ("21,5", "decimal comma"),
        ("1.234,5", "decimal comma"),
        ("21,5 °C", "decimal comma"),
        ("12:30:01 21.5", "not a plain number"),
        ("2026-01-31", "not a plain number"),
        ("1.2.3", "not a plain number"),
        ("0x1F", "not a plain number"),
        ("hello", "no number"),
        ("CH1", "no number"),
        ("21.5\x00\x01", "unreadable"),
        ("\xff\xfe21.5", "unreadable"),
    ],
)
def test_what_is_no_number(text, words):
    with pytest.raises(NoValue, match=words):
        number_in(text)


@given(st.floats(-1e30, 1e30))
def test_any_plain_number_is_read_as_it_is(number):
    assert number_in(repr(number)) == number
    assert number_in(f"T={number!r} V") == number


@given(st.text(max_size=30) | st.text("0123456789+-.,eE OVLDnaif;:", max_size=30))
def test_any_text_is_a_finite_number_or_no_value(text):
    try:
        number = number_in(text)
    except NoValue:
        return
    assert math.isfinite(number)
    assert abs(number) < 9.9e37


@given(st.binary(max_size=30))
def test_any_bytes_are_a_text(raw):
    assert isinstance(decoded(raw), str)


def test_ends_are_taken_off():
    assert decoded(b" 21.5\r\n\0") == "21.5"
    assert decoded("21.5 °C".encode("latin-1")) == decoded("21.5 °C".encode()) == "21.5 °C"


@pytest.mark.parametrize(
    ("text", "pick", "number"),
    [
        ("21.50;22.75;OVLD", PickSettings(field=2, separator=";"), 22.75),
        ("1,5", PickSettings(field=2), 5.0),
        ("CH1 U=24.02V I=01.357A", PickSettings(pattern="I=(.*)A"), 1.357),
        ("12:30:01 21.5", PickSettings(pattern=r"\s(\S+)$"), 21.5),
    ],
)
def test_picking(text, pick, number):
    assert number_in(text, pick) == number


@pytest.mark.parametrize(
    ("text", "pick", "words"),
    [
        ("21.50;22,75;OVLD", PickSettings(field=2, separator=";"), "decimal comma"),
        ("21.50;22,75;OVLD", PickSettings(field=3, separator=";"), "no value"),
        ("21.50;", PickSettings(field=2, separator=";"), "no number"),
        ("21.50", PickSettings(field=2), "has 1 fields, not 2"),
        ("U=24", PickSettings(pattern="I=(.*)A"), "does not fit the pattern"),
        ("I=x12A", PickSettings(pattern="I=(.*)A"), "no number"),
        ("I=A", PickSettings(pattern="I=(.*)?A"), "no number"),
    ],
)
def test_picking_nothing(text, pick, words):
    with pytest.raises(NoValue, match=words):
        number_in(text, pick)


def test_scale_and_offset_come_before_the_sensor():
    # A Pt100 behind an instrument that gives kilohm, with 0.5 ohm of leads.
    settings = value(scale=1000.0, offset=-0.5, sensor=SensorSettings(kind="pt100"))
    assert value_of(0.11023, settings) == pytest.approx(25.0, abs=0.02)
    assert value_of(100.0, value(unit="volt", scale=0.1, offset=2.0)) == pytest.approx(12.0)


def test_sensors():
    fixed = SensorSettings(kind="thermocouple k", cold_junction=25.0)
    by_role = SensorSettings(kind="thermocouple k", cold_junction="terminals")
    # Printed voltages of type K: 1.000 mV at 25 degC, 2.023 mV at 50 degC.
    assert value_of(1.023e-3, value(sensor=fixed)) == pytest.approx(50.0, abs=0.03)
    assert value_of(1.023e-3, value(sensor=by_role), 25.0) == pytest.approx(50.0, abs=0.03)
    beta = SensorSettings(kind="ntc", r25_ohm=10000, beta_k=3950)
    three = SensorSettings(kind="ntc", a=1.129148e-3, b=2.34125e-4, c=8.76741e-8)
    assert value_of(10000, value(sensor=beta)) == pytest.approx(25.0)
    assert value_of(10000, value(sensor=three)) == pytest.approx(25.0, abs=0.05)


@pytest.mark.parametrize(
    ("number", "settings", "words"),
    [
        (1e6, {"sensor": SensorSettings(kind="pt100")}, "pt100: found 1e.06 ohm; allowed for a Pt100"),
        (0.0, {"sensor": SensorSettings(kind="ntc", r25_ohm=1e4, beta_k=3950)}, "ntc: found 0 ohm"),
        (0.001, {"sensor": SensorSettings(kind="thermocouple k", cold_junction="it")}, "cold junction"),
        (301.0, {}, "301 celsius is not plausible; allowed: -40 to 300"),
        (-41.0, {}, "not plausible"),
        (6.0, {"unit": "ampere", "upper": 5.0}, "not plausible; allowed: -inf to 5"),
    ],
)
def test_what_no_sensor_gives_is_no_value(number, settings, words):
    with pytest.raises(NoValue, match=words):
        value_of(number, value(**settings))


def stands(samples):
    """The stands after (seconds, heat sink, ambient) samples."""
    sink = ambient = None
    for seconds, at_sink, at_ambient in samples:
        sink, ambient = stood(sink, at_sink, seconds), stood(ambient, at_ambient, seconds)
    return {"heat sink": sink, "ambient": ambient}


def test_a_sensor_that_stands_still_while_another_moves_is_suspect():
    warming = [(5.0 * n, 20.0 + 0.05 * n, 21.4) for n in range(140)]
    found = stands(warming)
    assert "21.4 to the last digit for 12 min, while heat sink moved" in frozen("ambient", found, 695.0)
    assert frozen("heat sink", found, 695.0) == ""


@pytest.mark.parametrize(
    "samples",
    [
        pytest.param([(5.0 * n, 20.0 + 0.05 * n, 21.4) for n in range(110)], id="not for long"),
        pytest.param([(30.0 * n, 20.0 + 0.05 * n, 21.4) for n in range(90)], id="few samples"),
        pytest.param([(5.0 * n, 60.0, 21.4) for n in range(300)], id="nothing moved"),
        pytest.param(
            [(5.0 * n, 20.0 + 0.05 * n, 21.4 + 0.1 * (n % 50 == 0)) for n in range(300)], id="last digit moved"
        ),
    ],
)
def test_no_suspicion(samples):
    assert frozen("ambient", stands(samples), samples[-1][0]) == ""
