"""A workspace with records of several kinds, made once and put right again after each try."""

import shutil
from contextlib import suppress
from pathlib import Path
from unittest import mock

import numpy as np
from builders import MONO_TWO_WAY
from PIL import Image

from hostile.harm import permit
from hostile.promise import Done, kitproof, tree
from rig.calibration.storage import (
    Cause,
    LoopDetails,
    LoopHarmonics,
    LoopResponse,
    MicrophoneDetails,
    SenseDetails,
    Stored,
    save,
)
from rig.design.kit import ArchiveSpec
from rig.run import verify as run_verify
from rig.store import records
from rig.store.homes import run_names
from rig.store.packing import pack_away
from rig.store.records import read_record
from rig.study.new_kit import answers_text
from rig.values.captures import MicrophoneResponse

ARCHIVE = Path(__file__).parents[1] / "archive"
KIT = "shelf-one"
#: Units with a record: of this version; in the stored archive; interrupted in its soak; with captures packed away.
OF_TODAY, OF_BEFORE, INTERRUPTED, PACKED = "SO-0101", "SO-0002", "SO-0102", "SO-0001"
SERIALS = (OF_TODAY, OF_BEFORE, INTERRUPTED, PACKED, "SO-0003")
#: What a folder may be called where people live.
ODD = "Bänke ж 中 [1] #%s 'x' $HOME {a}"
#: A kit that uses what the stored one does not, as lines put into its kit.toml.
SECOND = "shelf-two"
#: A kit that was learnt from a build, with a reference build; stands in grounds of long runs.
LEARNT = "shelf-learnt"
BEFORE_TABLES = """
calibrations = ["daily"]
"""
MORE_TABLES = """
[jig]
floor_m = 1.1
side_wall_m = 1.5
behind_microphone_m = 2.0

[decision]
rule = "guarded"
guard = 0.5

[archive]
captures = "thinned"
keep_one_of = 3

[repeatability.response]
"sensitivity" = { value = 0.1 }

[limits.response."level"]
centre = "prototype.txt"
within = [[500.0, 5000.0, 9.0, 9.0]]
"""
CURVES = """
impedance_curve = { file = "woofer.txt", mounted = "box" }
"""
BENCH = """
kind = "simulated"

[simulated]
seed = 3
ambient_db_spl = 36.0

[maker]
name = "Workshop"
address = "1 Lane"
logo = "logo.png"
"""
#: A real bench, with all that one may have.
CARD_NAME = "bench by the window"
CARD = f"""
kind = "soundcard"
name = "{CARD_NAME}"
air_celsius = 21.0

[device]
host_api = "none"
name = "none"
inputs = 4
outputs = 4

[microphone_device]
host_api = "none"
name = "another"
inputs = 1

[leads]
outputs = {{ "*" = 1 }}
inputs = {{ drive = 1, sense = 2 }}
output_volts = 2.0
input_volts = {{ drive = 2.0, sense = 2.0 }}
sense_ohm = 10.02
sense_in = "return"

[playing]
outputs = {{ box = 1 }}
inputs = {{ microphone = 1, loopback = 4 }}
loopback_output = 3
output_volts = 2.0
input_volts = {{ microphone = 0.5, loopback = 2.0 }}
microphone_mv_per_pa = 12.5

[soak]
outputs = {{ box = 1 }}
inputs = {{ microphone = 1, drive = 1, sense = 2 }}
output_volts = 2.0
input_volts = {{ microphone = 0.5, drive = 20.0, sense = 2.0 }}
sense_ohm = 0.1
sense_channel = "box"
isolated = true

[calibrations]
microphone = 180
without = ["input"]

[[instruments]]
name = "logger"
address = "TCPIP::127.0.0.1::1::SOCKET"
identify = "LOGGER"

[[instruments.values]]
role = "heat sink"
unit = "celsius"
query = "MEAS:TEMP? (@101)"
lower = 0
upper = 120

[[instruments.values]]
role = "ambient"
unit = "celsius"
query = "MEAS:RES? (@102)"
sensor = {{ kind = "pt100" }}
pick = {{ pattern = "R=(.*?)A" }}
offset = -0.4
"""
MICROPHONE = "* what it reads too much\nHz dB degrees\n" + "".join(
    f"{10 * 2**n} {0.1 * n:.2f} {-n}\n" for n in range(12)
)


class Ground:
    """A workspace to do things to.

    Parameters
    ----------
    folder : Path
        An empty folder; the workspace stands in it, and a copy that `mend` takes what was damaged from.
    with_learnt : bool
        Whether it has a kit that was learnt, too.
    """

    def __init__(self, folder: Path, with_learnt: bool = False) -> None:
        self.workspace, self._whole = folder / ODD / "workspace", folder / "whole"
        self.results, self.outside = self.workspace / "results", folder / "outside"
        self.outside.mkdir(parents=True)
        _build(self.workspace)
        if with_learnt:
            _build_learnt(self.workspace)
        shutil.copytree(self.workspace, self._whole, symlinks=True)
        #: What stands in it when it is whole.
        self.whole_files = {self.workspace / name for name in tree(self.workspace)}
        #: The newest run of each unit that has one.
        self.newest = {one: newest_folder(self.workspace, one).name for one in SERIALS if one != INTERRUPTED}

    def run(self, *words: str, typed: str = "") -> Done:
        """A command in this workspace."""
        return kitproof(*words, "--workspace", str(self.workspace), typed=typed)

    def mend(self) -> None:
        """Put back what was damaged, and take away what came."""
        permit(self.workspace)
        now, whole = tree(self.workspace), tree(self._whole)
        for name in sorted(now.keys() | whole.keys(), reverse=True):
            if now.get(name) == whole.get(name):
                continue
            path = self.workspace / name
            if name in now:
                _remove(path)
        for name in sorted(whole):
            path = self.workspace / name
            if whole[name] == "folder":
                path.mkdir(exist_ok=True)
            elif now.get(name) != whole[name] or not path.exists():
                shutil.copy2(self._whole / name, path)
        shutil.rmtree(self.outside)
        self.outside.mkdir()
        shutil.copytree(self.workspace / "packs", self.outside / "packs")


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _build(workspace: Path) -> None:
    shutil.copytree(ARCHIVE / "limits", workspace / "limits")
    shutil.copytree(ARCHIVE / "results", workspace / "results", ignore=shutil.ignore_patterns("SO-0004"))
    for name, text in (("bench.toml", BENCH), ("card.toml", CARD), ("microphone.txt", MICROPHONE)):
        (workspace / name).write_text(text, encoding="utf-8")
    Image.new("RGB", (8, 8)).save(workspace / "logo.png")
    (workspace / "answers.csv").write_text(answers_text(MONO_TWO_WAY), encoding="utf-8")
    for words in (
        ("verify", KIT, OF_TODAY, "--plan", "quick"),
        ("rework", OF_TODAY, "resoldered C3"),
        ("daily", KIT, "--yes"),
    ):
        done = kitproof(*words, "--workspace", str(workspace))
        assert done.status == 0, done
    interrupt(workspace, INTERRUPTED)
    pack_away(read_record(newest_folder(workspace, PACKED)), ArchiveSpec(captures="kept"), workspace / "packs")
    _build_second(workspace)
    _calibrate(workspace)
    assert kitproof("kits", "--workspace", str(workspace)).status == 0
    kitproof("results", "--workspace", str(workspace))


def _build_second(workspace: Path) -> None:
    folder = workspace / "limits" / SECOND
    shutil.copytree(workspace / "limits" / KIT, folder)
    text = (folder / "kit.toml").read_text(encoding="utf-8").replace("shelf-one", SECOND).replace("SO-", "ST-")
    text = text.replace("\n[amplifier]", f"{BEFORE_TABLES}\n[amplifier]", 1).replace("\nnetwork", f"{CURVES}network", 1)
    (folder / "kit.toml").write_text(text + MORE_TABLES, encoding="utf-8")
    record = newest_folder(workspace, OF_TODAY)
    for name, of in (("woofer.txt", "impedance-impedance"), ("prototype.txt", "response-level")):
        rows = (record / "curves" / f"{of}-box.csv").read_text(encoding="utf-8").splitlines()[1:]
        unit = "ohm" if name == "woofer.txt" else "dB"
        pairs = (row.split(",")[:2] for row in rows)
        lines = [f"{hz}\t{value}" for hz, value in pairs if float(value or "nan") == float(value or "nan")]
        (folder / name).write_text("\n".join([f"Hz\t{unit}", *lines]), encoding="utf-8")


def _build_learnt(workspace: Path) -> None:
    folder, serial = workspace / "limits" / LEARNT, "SL-0001"
    shutil.copytree(workspace / "limits" / KIT, folder)
    text = (folder / "kit.toml").read_text(encoding="utf-8").replace(KIT, LEARNT).replace("SO-", "SL-")
    (folder / "kit.toml").write_text(text, encoding="utf-8")
    for words in (
        ("verify", LEARNT, serial, "--plan", "quick"),
        ("learn", LEARNT, serial, "--draws", "300", "--yes"),
        ("reference", LEARNT, serial, "--plan", "quick"),
    ):
        done = kitproof(*words, "--workspace", str(workspace))
        assert done.status < 2, done
    assert (folder / "design.toml").is_file()


def _calibrate(workspace: Path) -> None:
    """Calibrations of the card, of every kind."""
    curve = np.geomspace(10.0, 24000.0, 20)
    flat = np.zeros(20)
    loop = LoopDetails(
        LoopResponse(curve, flat, flat), (480.0,), 48000.0, 1e-5, -100.0, LoopHarmonics(1.0, curve, flat), 1e-5
    )
    response = MicrophoneResponse(curve, flat, flat, "microphone.txt")
    details = (
        *(("sense", "", SenseDetails(curve, flat + 1 + 0j)), ("loopback", "playing", loop), ("output", "playing", {})),
        *(("input", "microphone", {}), ("microphone", "", MicrophoneDetails(94.0, ({"level_db": 94.0},), response))),
    )
    for kind, of, found in details:
        made_at = "2026-11-01T12:00:00+00:00"
        save(workspace, Stored(kind, of, CARD_NAME, made_at, "what", 1.0, "V", 0.01, {}, (Cause("meter", 1.0),), found))


def interrupt(workspace: Path, serial: str, plan: str = "heat") -> None:
    """A run of which all is on the disk but its record, as after a power cut."""
    with mock.patch.object(run_verify.records, "save", side_effect=OSError("power cut")), suppress(AssertionError):
        kitproof("verify", KIT, serial, "--plan", plan, "--workspace", str(workspace))
    assert records.unfinished(workspace)


def newest_folder(workspace: Path, serial: str) -> Path:
    """The folder of the newest run of a unit."""
    home = workspace / "results" / KIT / serial
    return home / run_names(home)[-1]
