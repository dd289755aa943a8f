"""Instruments over real parts: a SCPI instrument on a TCP socket, and the dialogues of pyvisa-sim.

Nothing here depends on how fast the machine is: conditions are waited for, with much time to spare.
"""

import math
import threading
import time
from pathlib import Path

import pytest
from pyvisa import VisaIOError
from pyvisa.constants import StatusCode
from scpi_instrument import ScpiInstrument

from rig.bench import instrument_threads as instruments_module
from rig.bench import visa
from rig.bench.instrument_settings import InstrumentSettings
from rig.bench.instrument_threads import Instruments
from rig.files.errors import BenchSetupError

SIMULATED = f"{Path(__file__).parent / 'bench_instruments.yaml'}@sim"
DEADLINE_S = 30.0
SINK = {"role": "heat sink", "unit": "celsius", "query": "TEMP? 1"}
AMBIENT = {"role": "ambient", "unit": "celsius", "query": "TEMP? 2"}


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch):
    monkeypatch.setattr(instruments_module, "FIRST_PAUSE_S", 0.05)


@pytest.fixture
def instrument():
    made = ScpiInstrument({"*IDN?": "BENCH,LOGGER,17,1.0", "TEMP? 1": "41.5", "TEMP? 2": "21.5"})
    yield made
    made.switch_off()


def settings(address, *values, **more):
    return InstrumentSettings.model_validate({"name": "logger", "address": address, "values": list(values), **more})


def asked(instrument, *values, **more):
    """The TCP instrument, polled fast and given up soon, so that tests take no longer than they must."""
    one = settings(instrument.address, *values, **{"timeout_s": 0.2, **more})
    return Instruments([one], every_s=0.05)


def until(condition, instruments):
    """The answers for which `condition` holds first."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        answers = instruments.latest()
        if condition(answers):
            return answers
        time.sleep(0.01)
    raise AssertionError(f"not within {DEADLINE_S:g} s: {instruments.latest()}")


def values(instruments, *roles):
    """The answers once all these roles have a value."""
    return until(lambda answers: not any(answers[role].is_missing for role in roles), instruments)


def missing(role, *words):
    def holds(answers):
        return answers[role].is_missing and all(word in answers[role].trouble for word in words)

    return holds


def test_values_with_text_time_and_unit(instrument):
    with asked(instrument, SINK, AMBIENT) as instruments:
        answers = values(instruments, "heat sink", "ambient")
    sink = answers["heat sink"]
    assert (sink.value, sink.unit, sink.text, sink.trouble) == (41.5, "celsius", "41.5", "")
    assert answers["ambient"].value == 21.5
    assert 0 < sink.monotonic_s <= time.monotonic()
    assert sink.took_s >= 0


def test_before_the_first_answer_nothing_is_waited_for(instrument):
    instrument.mute = True
    with asked(instrument, SINK, timeout_s=3.0) as instruments:
        answer = instruments.latest()["heat sink"]
        assert answer.is_missing
        assert answer.trouble.startswith("no answer yet: ")
        assert math.isnan(answer.monotonic_s)
        until(missing("heat sink", "no answer yet: waiting for the answer to 'TEMP? 1'"), instruments)


def test_new_values_follow(instrument):
    with asked(instrument, SINK) as instruments:
        values(instruments, "heat sink")
        instrument.answers["TEMP? 1"] = "42.5"
        until(lambda answers: answers["heat sink"].value == 42.5, instruments)


def test_one_question_for_all_values_of_an_answer(instrument):
    instrument.answers["ALL?"] = "41.5;21.5"
    first = {"pick": {"field": 1, "separator": ";"}}
    both = [{**SINK, "query": "ALL?", **first}, {**AMBIENT, "query": "ALL?", "pick": {"field": 2, "separator": ";"}}]
    with asked(instrument, *both) as instruments:
        answers = values(instruments, "heat sink", "ambient")
    assert (answers["heat sink"].value, answers["ambient"].value) == (41.5, 21.5)
    assert answers["heat sink"].monotonic_s == answers["ambient"].monotonic_s


def test_commands_are_sent_whenever_the_link_opens(instrument):
    with asked(instrument, SINK, setup=["CONF:TEMP", "RATE SLOW"]) as instruments:
        values(instruments, "heat sink")
        assert instrument.heard[:3] == ["CONF:TEMP", "RATE SLOW", "TEMP? 1"]
        instrument.hang_up()
        until(
            lambda answers: instrument.heard.count("CONF:TEMP") > 1 and not missing("heat sink")(answers), instruments
        )


def test_identity(instrument):
    with asked(instrument, SINK, identify="logger,17") as instruments:
        values(instruments, "heat sink")
        assert instruments.identities() == {"logger": "BENCH,LOGGER,17,1.0"}
    with asked(instrument, SINK, identify="logger,18") as instruments:
        until(missing("heat sink", "'BENCH,LOGGER,17,1.0' answers", "not 'logger,18'"), instruments)
    assert instrument.heard.count("TEMP? 1") >= 1


def test_another_instrument_at_the_address_gives_no_values(instrument):
    instrument.answers["*IDN?"] = "ANOTHER"
    with asked(instrument, SINK, identify="logger", setup=["OUTPUT ON"]) as instruments:
        until(missing("heat sink", "'ANOTHER' answers"), instruments)
    assert set(instrument.heard) == {"*IDN?"}


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("+OVLD", "no value"),
        ("9.9E37", "over range"),
        ("", "empty"),
        ("41,5", "comma"),
        (b"\x80\x91\x02", "unreadable"),
    ],
)
def test_what_is_no_value_is_missing_and_the_text_is_kept(instrument, answer, words):
    instrument.answers["TEMP? 1"] = answer
    with asked(instrument, SINK, AMBIENT) as instruments:
        answers = until(missing("heat sink", words), instruments)
        if isinstance(answer, str):
            assert answers["heat sink"].text == answer
        # The others of the same instrument go on, and it comes back by itself.
        assert values(instruments, "ambient")["ambient"].value == 21.5
        instrument.answers["TEMP? 1"] = "41.5"
        assert values(instruments, "heat sink")["heat sink"].value == 41.5


def test_a_slow_instrument_is_waited_for(instrument):
    instrument.delay_s = 0.15
    with asked(instrument, SINK, AMBIENT, timeout_s=10.0) as instruments:
        answers = values(instruments, "heat sink", "ambient")
    assert answers["heat sink"].took_s >= 0.15


def test_a_mute_instrument_is_missing_then_lost_then_back(instrument):
    with asked(instrument, SINK) as instruments:
        values(instruments, "heat sink")
        instrument.mute = True
        until(missing("heat sink", "no answer to 'TEMP? 1' within 0.2 s"), instruments)
        until(missing("heat sink", "link lost, 3 failures in a row"), instruments)
        instrument.mute = False
        assert values(instruments, "heat sink")["heat sink"].value == 41.5


def test_an_old_answer_is_missing_though_the_bus_is_still_waited_for(instrument):
    with asked(instrument, SINK, timeout_s=3.0) as instruments:
        values(instruments, "heat sink")
        instrument.mute = True
        answers = until(
            missing("heat sink", "the newest answer is", "waiting for the answer to 'TEMP? 1'"), instruments
        )
        assert answers["heat sink"].text == "41.5"


def test_a_pulled_plug_is_missing_and_comes_back(instrument):
    with asked(instrument, SINK) as instruments:
        values(instruments, "heat sink")
        instrument.switch_off()
        until(missing("heat sink", "has gone"), instruments)
        instrument.switch_on()
        assert values(instruments, "heat sink")["heat sink"].value == 41.5


def test_an_instrument_that_is_switched_on_late_is_found(instrument):
    instrument.switch_off()
    with asked(instrument, SINK) as instruments:
        until(missing("heat sink", "is it on, and the address right?"), instruments)
        instrument.switch_on()
        assert values(instruments, "heat sink")["heat sink"].value == 41.5


def test_what_comes_unasked_is_not_taken_for_the_next_answer(instrument):
    one = settings(instrument.address, SINK)
    manager = visa.manager_of("@py")
    with visa.opened(manager, one) as link:
        assert link.ask("TEMP? 1") == b"41.5\n"
        instrument.say(b"99.9\n99.8\n99.")
        assert link.ask("TEMP? 2") == b"21.5\n"
        assert link.ask("TEMP? 1") == b"41.5\n"
    manager.close()


def test_two_answers_to_one_question_are_none(instrument):
    # It repeats the question before it answers, as some do when nobody has switched that off.
    instrument.answers["TEMP? 1"] = "TEMP? 1\n41.5"
    with asked(instrument, SINK) as instruments:
        until(missing("heat sink", "more than one answer to 'TEMP? 1'"), instruments)


def test_what_comes_unasked_between_question_and_answer_is_not_taken_for_it(instrument):
    one = settings(instrument.address, SINK)
    manager = visa.manager_of("@py")
    with visa.opened(manager, one) as link:
        instrument.delay_s = 0.3
        assert link.ask("TEMP? 1") == b"41.5\n"
        # Heard to talk unasked once, it is listened to for as long as its slowest answer took.
        instrument.say(b"99.9\n")
        assert link.ask("TEMP? 1") == b"41.5\n"
        instrument.answers["TEMP? 1"] = b"99.8\n"
        instrument.after = b"41.5\n"
        with pytest.raises(visa.LinkLost, match="more than one answer"):
            link.ask("TEMP? 1")
    manager.close()


def test_answers_that_always_come_too_late_are_never_taken_for_others(instrument):
    instrument.delay_s = 0.3
    with asked(instrument, SINK, AMBIENT) as instruments:
        until(missing("heat sink", "link lost"), instruments)
        instrument.delay_s = 0.0
        answers = values(instruments, "heat sink", "ambient")
    assert (answers["heat sink"].value, answers["ambient"].value) == (41.5, 21.5)


def test_no_end_of_an_answer_is_no_answer(instrument):
    instrument.end = b""
    with asked(instrument, SINK) as instruments:
        until(missing("heat sink", "nor any since the link was opened", "read_termination"), instruments)


def test_a_flood_is_no_answer(instrument):
    instrument.answers["TEMP? 1"] = "9" * 3000
    with asked(instrument, SINK) as instruments:
        until(missing("heat sink", "1024 bytes without an end"), instruments)


@pytest.mark.parametrize("framing", [{"read_bytes": 4}, {"quiet_s": 0.05}])
def test_answers_without_an_end(instrument, framing):
    instrument.end = b""
    with asked(instrument, SINK, AMBIENT, **framing) as instruments:
        answers = values(instruments, "heat sink", "ambient")
    assert (answers["heat sink"].value, answers["ambient"].value) == (41.5, 21.5)


def test_an_instrument_that_talks_by_itself(instrument):
    stop = threading.Event()

    def talk():
        while not stop.wait(0.02):
            instrument.say(b"41.5\n")

    talking = threading.Thread(target=talk)
    talking.start()
    try:
        with asked(instrument, {**SINK, "query": ""}, timeout_s=5.0) as instruments:
            assert values(instruments, "heat sink")["heat sink"].value == 41.5
    finally:
        stop.set()
        talking.join()
    assert instrument.heard == []


def test_a_thermocouple_with_its_cold_junction_at_another_instrument(instrument):
    other = ScpiInstrument({"TERM?": "25.0"})
    instrument.answers["VOLT?"] = "1.023E-03"
    sensor = {"kind": "thermocouple k", "cold_junction": "terminals"}
    both = [
        settings(instrument.address, {**SINK, "query": "VOLT?", "sensor": sensor}, timeout_s=0.2),
        settings(
            other.address, {"role": "terminals", "unit": "celsius", "query": "TERM?"}, name="other", timeout_s=0.2
        ),
    ]
    try:
        with Instruments(both, every_s=0.05) as instruments:
            answers = values(instruments, "heat sink", "terminals")
            # Printed voltages of type K: 1.000 mV at 25 degC, 2.023 mV at 50 degC.
            assert answers["heat sink"].value == pytest.approx(50.0, abs=0.03)
            other.answers["TERM?"] = "OVLD"
            until(missing("heat sink", "cold junction 'terminals' has no value"), instruments)
    finally:
        other.switch_off()


def test_threads_end_with_the_context(instrument):
    before = set(threading.enumerate())
    with asked(instrument, SINK) as instruments:
        values(instruments, "heat sink")
        owners = [thread for thread in threading.enumerate() if thread.name == "instrument logger"]
        assert len(owners) == 1
        assert owners[0].daemon
    assert owners[0] not in threading.enumerate()
    assert not [thread for thread in set(threading.enumerate()) - before if thread.name.startswith("instrument ")]


def test_simulated_dialogues_on_three_buses():
    logger = {
        "name": "logger",
        "address": "USB0::0x1111::0x2222::17::INSTR",
        "identify": "LOGGER",
        "read_termination": "\n",
        "values": [
            {"role": "heat sink", "unit": "celsius", "query": "MEAS:TEMP? (@101)"},
            {"role": "case", "unit": "celsius", "query": "MEAS:RES? (@102)", "sensor": {"kind": "pt100"}},
            {
                "role": "magnet",
                "unit": "celsius",
                "query": "MEAS:VOLT? (@103)",
                "sensor": {"kind": "thermocouple k", "cold_junction": 0.0},
            },
            {"role": "open", "unit": "celsius", "query": "MEAS:TEMP? (@104)"},
            {"role": "room", "unit": "celsius", "query": "READ?", "pick": {"field": 1, "separator": ";"}},
            {"role": "hall", "unit": "celsius", "query": "READ?", "pick": {"field": 2, "separator": ";"}},
        ],
    }
    supply = {
        "name": "supply",
        "address": "ASRL1::INSTR",
        "read_termination": "\r\n",
        "write_termination": "\r\n",
        "values": [
            {"role": "supply", "unit": "volt", "query": "OUT?", "pick": {"pattern": "U=(.*?)V"}},
            {"role": "supply current", "unit": "ampere", "query": "OUT?", "pick": {"pattern": "I=(.*?)A"}},
        ],
    }
    power = {
        "name": "power",
        "address": "GPIB0::5::INSTR",
        "read_termination": "\n",
        "values": [{"role": "power", "unit": "watt", "query": "POW?", "scale": -1}],
    }
    all_three = [InstrumentSettings.model_validate(table) for table in (logger, supply, power)]
    wanted = {"heat sink": 41.5, "case": 25.0, "magnet": 50.0, "room": 21.5}
    wanted |= {"supply": 24.02, "supply current": 1.357, "power": 3.2}
    with Instruments(all_three, SIMULATED, every_s=0.05) as instruments:
        answers = values(instruments, *wanted)
        assert instruments.identities() == {"logger": "BENCH,LOGGER,17,1.0"}
    assert {role: answers[role].value for role in wanted} == pytest.approx(wanted, abs=0.02)
    assert answers["open"].is_missing
    assert "over range" in answers["open"].trouble
    assert answers["hall"].is_missing
    assert "decimal comma" in answers["hall"].trouble


def test_a_wrong_termination_is_told():
    one = settings("ASRL1::INSTR", {"role": "supply", "unit": "volt", "query": "LINE?"}, timeout_s=0.2)
    with Instruments([one], SIMULATED, every_s=0.05) as instruments:
        until(missing("supply", "no answer to 'LINE?'", "'\\n' (read_termination)"), instruments)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (VisaIOError(StatusCode.error_resource_not_found), "nothing is there: is it on and plugged in"),
        (PermissionError(13, "Permission denied"), "this user may not open it: for a serial port join the group"),
        (Exception("could not open port: [Errno 13] Permission denied: '/dev/x'"), "udev rule"),
        (ConnectionRefusedError(111, "Connection refused"), "is it on, and the address right?"),
        (Exception("could not connect: timed out"), "is it on, and the address right?"),
        (OSError("device reports readiness to read but returned no data"), "ASRL1::INSTR: device reports readiness"),
        (ValueError(), "ASRL1::INSTR: ValueError"),
    ],
)
def test_what_a_backend_raises_is_told_in_words(error, words):
    told = visa.words_of(error, settings("ASRL1::INSTR", SINK))
    assert told.startswith("ASRL1::INSTR: ")
    assert words in told


def test_no_instruments_at_all():
    with Instruments([]) as instruments:
        assert instruments.latest() == {}


@pytest.mark.parametrize(
    ("backend", "words"),
    [("@nowhere", "visa_backend: found '@nowhere'"), ("/nowhere/at/all.yaml@sim", "does not open")],
)
def test_a_backend_that_is_not_there(backend, words):
    one = settings("GPIB0::9::INSTR", SINK)
    with pytest.raises(BenchSetupError, match=words), Instruments([one], backend):
        raise AssertionError("opened")


def test_an_address_that_is_none():
    one = settings("TELEX::9::INSTR", SINK)
    with (
        pytest.raises(BenchSetupError, match="instrument 'logger': address: found 'TELEX::9::INSTR'"),
        Instruments([one]),
    ):
        raise AssertionError("opened")


def test_one_instrument_under_two_addresses():
    one, other = settings("TCPIP::127.0.0.1::9::SOCKET", SINK), settings("TCPIP0::127.0.0.1::9::SOCKET", AMBIENT)
    both = [one, other.model_copy(update={"name": "other"})]
    words = "'logger' and 'other' are both at TCPIP0::127.0.0.1::9::SOCKET"
    with pytest.raises(BenchSetupError, match=words), Instruments(both):
        raise AssertionError("opened")


def test_a_bus_without_its_library(monkeypatch):
    class Backend:
        @staticmethod
        def get_debug_info():
            return {"Version": "0", "ASRL INSTR": ["Please install PySerial (>=3.0) to use this resource type."]}

    monkeypatch.setattr(visa, "get_wrapper_class", lambda name: Backend)
    one = settings("ASRL/dev/ttyUSB0::INSTR", SINK)
    with (
        pytest.raises(BenchSetupError, match=r"library that is not installed: pip install pyserial"),
        Instruments([one]),
    ):
        raise AssertionError("opened")


def test_search_and_talk(instrument):
    found = visa.search(SIMULATED)
    assert ("ASRL1::INSTR", "ASRL1::INSTR") in found.addresses
    assert len(found.addresses) == 3
    one = settings(instrument.address, SINK, timeout_s=0.2)
    assert visa.identity(one) == r"BENCH,LOGGER,17,1.0\n"
    # Seen although it does not end as bench.toml says.
    instrument.end = b"\r"
    assert visa.identity(one) == r"BENCH,LOGGER,17,1.0\r"
    instrument.mute = True
    assert "no answer to '*IDN?'" in visa.identity(one)


def test_a_serial_port_by_the_name_that_stays(tmp_path):
    node = tmp_path / "ttyUSB3"
    node.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "adapter-17").symlink_to(node)
    assert visa.lasting_address(f"ASRL{node}::INSTR", by_id) == f"ASRL{by_id}/adapter-17::INSTR"
    assert visa.lasting_address("ASRL/dev/other::INSTR", by_id) == "ASRL/dev/other::INSTR"
    assert visa.lasting_address("GPIB0::5::INSTR", by_id) == "GPIB0::5::INSTR"
