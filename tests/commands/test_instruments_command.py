"""The command that asks instruments: what it prints, and its exit statuses."""

import json
import sys
import warnings
from pathlib import Path

import pytest

from rig import cli
from rig.bench import visa

YAML = Path(__file__).parents[1] / "bench" / "bench_instruments.yaml"
BENCH = f"""
kind = "simulated"
visa_backend = '{YAML}@sim'

[[instruments]]
name = "logger"
address = "USB0::0x1111::0x2222::17::INSTR"
read_termination = "\\n"
[[instruments.values]]
role = "heat sink"
unit = "celsius"
query = "MEAS:TEMP? (@101)"

[[instruments]]
name = "supply"
address = "ASRL1::INSTR"
identify_query = ""
read_termination = "\\r\\n"
write_termination = "\\r\\n"
[[instruments.values]]
role = "supply current"
unit = "ampere"
query = "OUT?"
pick = {{ pattern = "I=(.*?)A" }}
"""


def kitproof(monkeypatch, *words):
    monkeypatch.setattr(sys, "argv", ["kitproof", *words])
    with pytest.raises(SystemExit) as left:
        cli.main()
    return left.value.code


@pytest.fixture
def bench(tmp_path, monkeypatch):
    file = tmp_path / "bench.toml"
    file.write_text(BENCH, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return file


def test_what_each_says_and_what_would_be_logged(bench, monkeypatch, capsys):
    assert kitproof(monkeypatch, "instruments", "--json") == 0
    logger, supply = json.loads(capsys.readouterr().out)["instruments"]
    assert (logger["name"], logger["identity"]) == ("logger", r"BENCH,LOGGER,17,1.0\n")
    assert supply["identity"] == ""
    sink, current = logger["values"][0], supply["values"][0]
    assert (sink["role"], sink["value"], sink["unit"], sink["trouble"]) == ("heat sink", 41.5, "celsius", "")
    assert (current["value"], current["answer"]) == (1.357, "CH1 U=24.02V I=01.357A")
    assert kitproof(monkeypatch, "instruments") == 0
    shown = capsys.readouterr().out
    for words in ("heat sink", "41.5 celsius", "1.357 ampere", "BENCH,LOGGER"):
        assert words in shown


def test_a_missing_value_ends_with_status_4_and_the_errors_say_why(bench, monkeypatch, capsys):
    bench.write_text(BENCH.replace("(@101)", "(@104)"), encoding="utf-8")
    assert kitproof(monkeypatch, "instruments", "--json", "--seconds", "0.5") == 4
    printed = capsys.readouterr()
    assert printed.err == "no value of 'heat sink': '+9.90000000E+37': over range\n"
    sink = json.loads(printed.out)["instruments"][0]["values"][0]
    assert sink["value"] is None
    assert sink["trouble"] == "'+9.90000000E+37': over range"
    assert kitproof(monkeypatch, "instruments", "--seconds", "0.5") == 4
    assert "missing" in capsys.readouterr().out


def test_search_writes_tables_for_the_bench_file(bench, monkeypatch, capsys):
    assert kitproof(monkeypatch, "instruments", "--search") == 0
    shown = capsys.readouterr().out
    assert 'address = "ASRL1::INSTR"' in shown
    assert "[[instruments.values]]" in shown
    assert "cannot be searched for" in shown
    assert kitproof(monkeypatch, "instruments", "--search", "--json") == 0
    addresses = [found["address"] for found in json.loads(capsys.readouterr().out)["addresses"]]
    assert addresses == ["ASRL1::INSTR", "GPIB0::5::INSTR", "USB0::0x1111::0x2222::17::0::INSTR"]


def test_a_socket_that_a_library_leaves_unclosed_is_no_remark(monkeypatch):
    class Leaky:
        def list_resources(self, query):
            warnings.warn("unclosed <socket.socket fd=3>", ResourceWarning, stacklevel=1)
            warnings.warn("the search of USB needs another library", UserWarning, stacklevel=1)
            return ()

        def close(self):
            pass

    monkeypatch.setattr(visa, "manager_of", lambda backend: Leaky())
    remarks = " ".join(visa.search("@py").remarks)
    assert "the search of USB needs another library" in remarks
    assert "unclosed" not in remarks


def test_no_instruments_is_a_matter_of_the_bench_file(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert kitproof(monkeypatch, "instruments") == 3
    assert "there are no [[instruments]]; kitproof instruments --search" in capsys.readouterr().err
    assert kitproof(monkeypatch, "instruments", "--bench", "other.toml") == 3
    assert "other.toml: there is no such file" in capsys.readouterr().err
