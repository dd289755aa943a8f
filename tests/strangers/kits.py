"""The kit of a design: what a builder writes before he has built one, with the drivers' parameters off their sheets.

Windows stand around reference builds; they are as wide as parts of 5 % and drivers of one batch ask for. What hangs on
the sheets (the ping's level, the misfit of the parts) is judged generously.
"""

from pathlib import Path

from rig.design.kit import Kit, load_kit
from strangers.designs import Design, Fitted

#: Half width of the windows around the reference build: impedance in percent, level in decibels.
BASS_PERCENT, PERCENT, SLIDE_PERCENT = 25.0, 12.0, 6.0
BASS_DB, LEVEL_DB, SHIFT_DB = 2.5, 2.0, 1.4
#: A box that is heard where the gate trusts nothing has none.
LEVEL_MASK = "learnt-free-field-level-box.csv"


def kit_toml(design: Design, limits: str = "") -> str:
    """The text of `kit.toml`.

    Parameters
    ----------
    limits : str
        In place of those on impedance, level and parts: those that were learnt.
    """
    positions = "\n".join(
        f'[[positions]]\nname = "{name}"\ndistance_m = 0.5\nangle_deg = {angle:.1f}\n'
        for name, angle in design.positions
    )
    names = ", ".join(f'"{name}"' for name, _ in design.positions)
    electronic = (
        f'filter = {{ kind = "lowpass", hz = {design.lowpass_hz:.1f}, order = 4, alignment = "linkwitz-riley" }}\n'
        if design.lowpass_hz
        else ""
    )
    lowest = min(fitted.sheet.re_ohm for fitted in design.drivers)
    return f"""
name = "{design.name}"
title = "{design.title}"
revision = "A"
serial_pattern = 'ST-\\d{{4}}'
serial_example = "ST-0001"
amplifier = {{ supply_v = 24.0, gain_db = 26.0, load_ohm = 2.0, bridged = true, limit_v = 6.0 }}
levels = {{ leads_quiet_v = 0.03, leads_v = 0.1, playing_quiet_v = 0.1, playing_v = 1.4 }}

[sweeps]
leads = {{ start_hz = 10.0, stop_hz = 20000.0, seconds = 2.0 }}
playing = {{ start_hz = 20.0, stop_hz = 20000.0, seconds = 1.5 }}

{positions}
[stages]
leads = {{ words = "Bare leads.", each = "Clips on {{channel}}." }}
playing = {{ words = "Playing.", each = "Microphone {{position}} of {{channel}}, {{distance}}." }}

[[channels]]
name = "box"
baffle_width_m = {design.baffle_m[0]}
{_box(design)}
{electronic}
{"".join(_driver(fitted) for fitted in design.drivers)}
[checks]
leads = {{}}
impedance = {{}}
parts = {{}}
ping = {{}}
response = {{ positions = [{names}], gate_ms = 5.0 }}
polarity = {{}}

[limits.leads]
"lowest impedance" = {{ lower = {0.5 * lowest:.2f}, upper = 40.0 }}

[limits.ping]
"ping level" = {{ lower = -12.0, upper = 10.0 }}

{limits or windows(design)}
[limits.polarity]
"driver polarity" = {{ lower = 1.0, upper = 1.0 }}
"channel polarity" = {{ lower = 1.0, upper = 1.0 }}
"""


def windows(design: Design, misfit_percent: float = 100.0) -> str:
    """Limits around the reference build, at every position; the misfit of the parts as a few builds had it."""
    return f"""
[limits.impedance.impedance]
around = "reference"
percent = true
slide_percent = {SLIDE_PERCENT}
within = [[20.0, 300.0, {BASS_PERCENT}, {BASS_PERCENT}], [300.0, 20000.0, {PERCENT}, {PERCENT}]]

[limits.response]
{_level(design)}
{_misfit(misfit_percent)}"""


def learnt_limits(design: Design, workspace: Path) -> str:
    """What `kitproof learn` wrote beside the kit, and the reference build where it does not reach."""
    path = workspace / "limits" / design.name / LEVEL_MASK
    level = _level(design)
    if path.exists():
        from_hz = float(path.read_text(encoding="utf-8").splitlines()[1].split(",")[0])
        others = _level(design) if len(design.positions) > 1 else ""
        level = f'"free-field level box" = {{ mask = "{LEVEL_MASK}" }}\n{_level(design, from_hz)}{others}'
    return f"""
[limits.impedance]
"impedance box" = {{ mask = "learnt-impedance-box.csv" }}

[limits.response]
{level}

[limits.parts]
"parts misfit" = {{ around = "design" }}
"""


def _misfit(percent: float) -> str:
    return f"""
[limits.parts]
"parts misfit" = {{ upper = {percent:.2f} }}
"""


def _level(design: Design, mask_from_hz: float | None = None) -> str:
    """Windows at all positions, or those on axis below a mask."""
    low, high = design.judged_hz
    if mask_from_hz is not None:
        high = max(mask_from_hz, 2 ** (1 / 3) * low)
    from_hz, to_hz = design.aligned_hz
    bass_to = min(max(200.0, 2 * low), high)
    level = [[low, bass_to, BASS_DB, BASS_DB]] + ([[bass_to, high, LEVEL_DB, LEVEL_DB]] if high > bass_to else [])
    subject = "level" if mask_from_hz is None else '"level box"'
    aligned = f"align_hz = [{from_hz}, {to_hz}]\nalign_within_db = {SHIFT_DB}\n" if mask_from_hz is None else ""
    return f"""
[limits.response.{subject}]
around = "reference"
{aligned}within = {level}
"""


def write_kit(design: Design, workspace: Path, limits: str = "") -> Kit:
    """Write the kit into a workspace and load it as the rig does."""
    folder = workspace / "limits" / design.name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "kit.toml").write_text(kit_toml(design, limits), encoding="utf-8")
    return load_kit(workspace, design.name)


def _box(design: Design) -> str:
    kind = {"passive": "vented", "open": "none"}.get(design.kind, design.kind)
    if kind == "none":
        return 'box = { kind = "none" }'
    tuning = f", tuning_hz = {design.tuning_hz}" if kind == "vented" else ""
    return f'box = {{ kind = "{kind}", volume_l = {design.volume_l}{tuning}, leakage_q = 10.0 }}'


def _driver(fitted: Fitted) -> str:
    sheet = fitted.sheet
    network = "".join(f'    "{line}",\n' for line in fitted.network)
    return f"""
[[channels.drivers]]
name = "{fitted.name}"
nominal_ohm = {sheet.nominal_ohm:.1f}
re_ohm = {sheet.re_ohm}
le_mh = {sheet.le_mh}
le_exponent = {sheet.le_exponent}
fs_hz = {sheet.fs_hz:.1f}
qms = {sheet.qms}
qes = {sheet.qes}
vas_l = {sheet.vas_l}
sd_cm2 = {sheet.sd_cm2:.1f}
polarity = "{fitted.polarity}"
in_box = {str(fitted.in_box).lower()}
band_hz = [{fitted.band_hz[0]}, {fitted.band_hz[1]}]
up_mm = {fitted.up_mm}
behind_mm = {fitted.behind_mm}
rolloff_hz = {sheet.breakup_hz:.1f}
network = [
{network}]
"""
