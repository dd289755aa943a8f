"""What streaming a programme costs: processor time of the rig and of its sound process, and growth of their memory.

    python tests/benchmarks/soak_load.py [seconds] [row_every_s] [frames_a_block]

Plays at true speed through a sound server without hardware to a loudspeaker that is another program, two channels out,
microphone and loopback in, two temperatures from an instrument on a socket, at 48 kHz. The share is of one core; the
first seconds (imports, filters, the first rows) are left out.
"""

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "bench")]

import unit_client
from scpi_instrument import ScpiInstrument
from test_soaking import PROGRAMME
from test_sound_path_soak import KIT

from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench

#: Left out at the beginning.
SETTLING_S = 45.0


def bench(port: int) -> SoundCardBench:
    """Two speakers, microphone and loopback."""
    values = [{"role": role, "unit": "celsius", "query": f"READ? {role}"} for role in ("ambient", "heat sink")]
    settings = BenchSettings(
        kind="soundcard",
        name="load",
        device={"host_api": unit_client.HOST_API, "name": "unit", "inputs": 4, "outputs": 4},
        playing={
            "inputs": {"microphone": 1, "loopback": 2},
            "outputs": {"left": 1, "right": 2},
            "loopback_output": 3,
            "input_volts": {"microphone": 1.0, "loopback": 1.0},
            "output_volts": 1.0,
        },
        instruments=[{"name": "logger", "address": f"TCPIP::127.0.0.1::{port}::SOCKET", "values": values}],
    )
    return SoundCardBench(settings, KIT, cold_s=2.0)


def processor_s(pid: int) -> float:
    """Processor time of a process in user and system, fields 14 and 15 of proc(5)'s stat."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def private_mb(pid: int) -> float:
    """Memory that a process has to itself; the rings, of one size for ever, are shared by both."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="utf-8").splitlines()
    return sum(float(line.split()[1]) for line in lines if line.startswith("Private_")) * 1024 / 1e6


def main() -> None:
    """Stream, and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    every_s = float(sys.argv[2]) if len(sys.argv) > 2 else 5.0
    unit_client.PERIOD_FRAMES = int(sys.argv[3]) if len(sys.argv) > 3 else unit_client.PERIOD_FRAMES
    soak = replace(PROGRAMME, level_v=0.2, path_gain=1.0, seconds=seconds + SETTLING_S, every_s=every_s)
    instrument = ScpiInstrument({"READ? ambient": "21.5", "READ? heat sink": "42.5"})
    began: tuple[float, ...] = ()
    events, rows = [], 0
    with unit_client.sound_server(), unit_client.running_unit(unit_client.UnitSettings()):
        rig = bench(instrument.port)
        rig.refuse([soak])
        with rig.session(), rig.stage("soak") as player:
            assert rig._shared is not None
            pids = (os.getpid(), rig._shared[0].pid or 0)
            for row in player.soak(soak):
                now = (time.monotonic(), *(processor_s(pid) for pid in pids), *(private_mb(pid) for pid in pids))
                if not began and row.seconds >= SETTLING_S:
                    began = now
                rows += bool(began)
                events += [row.event] if row.event else []
    instrument.switch_off()
    took, rig_s, sound_s, *_ = (end - start for end, start in zip(now, began, strict=True))
    print(f"{took:.0f} s of streaming in blocks of {unit_client.PERIOD_FRAMES} frames, {rows} rows")
    print(f"events: {'; '.join(events) or 'none'}")
    print(f"rig {100 * rig_s / took:.2f} %, sound process {100 * sound_s / took:.2f} % of one core")
    print(f"together {100 * (rig_s + sound_s) / took:.2f} % of one core (aim: under 10 %)")
    print(f"private memory: rig {began[3]:.2f} -> {now[3]:.2f} MB, sound process {began[4]:.2f} -> {now[4]:.2f} MB")


if __name__ == "__main__":
    main()
