"""Hum and noise: what is heard with the amplifier on and nothing playing.

Silence is recorded in front of each box. Mains hum is looked for as lines at the multiples of a frequency near 50 or
60 Hz, whichever is there; lines stand out of a room's noise long before their level does. Hiss is the level of the
upper bands. A room that is louder than the kit allows makes the broad-band readings void, and says by how much and in
which band: the rig cannot know whether the room or the amplifier makes that noise.

Uncertainty: the microphone's calibration; how much a level of noise varies from one time to the next; of hum, the noise
in its lines.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field

from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import pressure_db, with_parts
from rig.files.tables import Table
from rig.signals import defects
from rig.signals.arrays import Singles
from rig.signals.bands import band_edges_hz, nominal_hz
from rig.signals.quiet import HARMONICS, Hum, band_levels_db, mains_hum
from rig.signals.uncertainty import noise_level_db, sum_level_noise_db, sum_of_powers_db
from rig.signals.weighting import a_weighted_level_db_spl, a_weighting_db
from rig.values.captures import Capture, Untrusted, once_per_capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import acoustic_response, quiet_part, sweep_layout

NAME = "hum_and_noise"
TITLE = "Hum and noise at rest"
GATE = False

NOISE = "noise"
HUM = "hum"
HISS = "hiss"
NOISE_BANDS = "noise bands"
RESTS_ON = RestsOn(("microphone",), {"playing": (), "speaker lead": (), "microphone gain": (), "microphone place": ()})
TERMS = {
    NOISE: "Level in front of the box with the amplifier on and nothing playing, weighted as the ear hears.",
    HUM: "Level of the mains frequency and its multiples with nothing playing.",
    HISS: "Level of the noise at high frequencies with nothing playing.",
    NOISE_BANDS: "The noise at rest, in bands of a third of an octave.",
}


#: A live input's noise does not become so much less from one moment to the next (common practice, no source).
SUPPRESSED_DB = 10.0

Band = Annotated[list[float], Field(min_length=2, max_length=2)]


class Settings(Table):
    """Settings of the check."""

    seconds: Annotated[float, Field(ge=1, le=20)] = 2.0
    hiss_hz: Band = [2000.0, 10000.0]
    #: Hiss that is so much louder at one box than at the quietest is that box's own.
    stands_out_db: Annotated[float, Field(gt=0)] = 3.0
    #: A room louder than this, A-weighted, makes noise and hiss void.
    room_below_dba: float = 45.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """Silence in front of each box, and the sweep that proves that the microphone there is alive."""
    place = kit.positions[0].name
    silences = [kit.silence(channel.name, place, settings.seconds) for channel in kit.channels]
    return silences + [kit.sweep("playing", channel.name, channel.name, place) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Noise level, hum and hiss at each box, and the bands of the noise."""
    require_live_microphone(captures)
    require_live_silence(captures, settings)
    silences = [capture for capture in captures if capture.request.is_silence]
    quietest_db = min(rest_noise(capture, *settings.hiss_hz).hiss_db for capture in silences)
    readings: list[Reading] = []
    curves: list[Curve] = []
    for capture in silences:
        of_box, bands = noise_of_box(capture, quietest_db, settings)
        readings += of_box
        curves.append(bands)
    return CheckReadings(tuple(readings), tuple(curves))


def noise_of_box(capture: Capture, quietest_db: float, settings: Settings) -> tuple[list[Reading], Curve]:
    """Noise, hiss and hum at one box, and the bands of the noise; `quietest_db` is the hiss at the quietest box."""
    box, found = capture.request.at, rest_noise(capture, *settings.hiss_hz)
    mids, levels, hum = found.mids, found.levels, found.hum
    uncalibrated = "" if capture.calibration.microphone_v_per_pa else "the microphone is not calibrated"
    trouble = uncalibrated or too_loud(mids, levels, found.noise_dba, settings)
    # The room hisses alike at every box. What stands out at one is that box's; else it is this much at most.
    is_own_hiss = found.hiss_db > quietest_db + settings.stands_out_db
    has_hum = np.isfinite(hum.mains_hz)
    said = f"{hum.level_db:.0f} dB SPL at multiples of {hum.mains_hz:.1f} Hz" if has_hum else ""
    readings = (
        Reading(NOISE, box, found.noise_dba, "dB(A)", trouble=trouble, at_most=True),
        Reading(HISS, box, found.hiss_db, "dB SPL", trouble=trouble, at_most=not is_own_hiss),
        Reading(HUM, box, hum.level_db, "dB SPL", trouble=uncalibrated, said=said, at_most=not has_hum),
    )
    everywhere = np.ones(mids.size, dtype=np.bool_)
    unit = "dB" if uncalibrated else "dB SPL"
    bands = Curve(NOISE_BANDS, box, mids, levels, unit, everywhere, method="1/3 octave, silence")
    u_db, noise = pressure_db(capture.calibration), noise_parts(mids, levels, hum, found.seconds, settings)
    return (
        [with_parts(each, {"calibration": u_db, "noise": noise[each.quantity]}) for each in readings],
        with_parts(bands, {"calibration": u_db, "noise": noise[NOISE_BANDS]}),
    )


@dataclass(frozen=True, eq=False)
class _RestNoise:
    """What one recording of silence holds."""

    seconds: float
    #: Third-octave bands, shape (bands,).
    mids: Floats
    levels: Floats
    noise_dba: float
    hiss_db: float
    hum: Hum


@once_per_capture
def rest_noise(capture: Capture, *hiss_hz: float) -> _RestNoise:
    """Levels and hum of a recording of silence; found once."""
    pressure, rate_hz = capture.pascal()[quiet_part(capture)], capture.sample_rate_hz
    return _RestNoise(
        pressure.size / rate_hz,
        *band_levels_db(pressure, rate_hz, 31.5, 16000.0),
        float(a_weighted_level_db_spl(pressure - np.mean(pressure), rate_hz)),
        hiss_level_db(pressure, rate_hz, hiss_hz),
        mains_hum(pressure, rate_hz),
    )


def noise_parts(mids: Floats, levels: Floats, hum: Hum, seconds: float, settings: Settings) -> dict[str, ArrayLike]:
    """How much each level varies from one time to the next."""
    lower, upper = band_edges_hz(mids, 3)
    bands = noise_level_db(upper - lower, seconds)
    hiss = (lower < settings.hiss_hz[1]) & (upper > settings.hiss_hz[0])
    power, weighted = 10 ** (levels / 10), 10 ** ((levels + a_weighting_db(mids)) / 10)
    lines = 10 ** (hum.line_db / 10)
    # Without lines it is the noise at so many frequencies that is heard.
    nothing = float(noise_level_db(HARMONICS / seconds, seconds))
    return {
        NOISE_BANDS: bands,
        NOISE: sum_of_powers_db(weighted, bands),
        HISS: sum_of_powers_db(power[hiss], bands[hiss]),
        HUM: sum_level_noise_db(lines, 10 ** (hum.floor_db / 10)) if lines.size else nothing,
    }


def require_live_microphone(captures: Sequence[Capture]) -> None:
    """A dead microphone hears silence everywhere: it must have heard a sweep, and silence for as long as was asked.

    Raises
    ------
    Untrusted
        If not.
    """
    for capture in captures:
        request = capture.request
        if request.is_silence and capture.samples.shape[1] < request.seconds * capture.sample_rate_hz:
            raise Untrusted(f"only {capture.samples.shape[1]} samples came back ({request})")
        if not request.is_silence and not np.isfinite(acoustic_response(capture).arrival_s):
            raise Untrusted(f"the microphone heard no sweep, so its silence proves nothing ({request})")


def require_live_silence(captures: Sequence[Capture], settings: Settings) -> None:
    """Silences are those of one live input: none holds samples of another, and each box's hisses as much as the short
    silence before its sweep did.

    Raises
    ------
    Untrusted
        If not.
    """
    silences = [capture for capture in captures if capture.request.is_silence]
    rows = [capture.samples[capture.inputs.index("microphone"), quiet_part(capture)] for capture in silences]
    everything = np.concatenate(rows)
    if defects.repeated(everything, everything.size):
        raise Untrusted("two silences hold the same samples: the sound driver handed out an old recording")
    before = {c.request.at: c for c in captures if not c.request.is_silence}
    for capture, row in zip(silences, rows, strict=True):
        swept = before.get(capture.request.at)
        if swept is None:
            continue
        plan = sweep_layout(swept)
        # What the sound before it leaves in the room is gone by the middle.
        short = swept.samples[swept.inputs.index("microphone"), plan.mark_before // 2 : plan.mark_before]
        levels = [upper_level_db(piece, capture.sample_rate_hz, settings) for piece in (short, row)]
        less_db = levels[0] - levels[1]
        if less_db > SUPPRESSED_DB:
            raise Untrusted(
                f"the silence at {capture.request.at} is {less_db:.0f} dB quieter in its upper bands than "
                "the moment before the sweep there: something suppresses noise, or it is no recording of that input"
            )


def upper_level_db(row: Singles, rate_hz: float, settings: Settings) -> float:
    """Level of the upper bands that the noise is seldom below, in dB of any reference: the lower quartile over time."""
    step = round(0.02 * rate_hz)
    blocks = row[: row.size // step * step].reshape(-1, step).astype(np.float64)
    power = np.abs(np.fft.rfft(blocks * np.hanning(step), axis=1)) ** 2
    frequency_hz = np.fft.rfftfreq(step, 1 / rate_hz)
    inside = (frequency_hz > settings.hiss_hz[0]) & (frequency_hz < settings.hiss_hz[1])
    return float(10 * np.log10(max(float(np.percentile(power[:, inside].sum(axis=1), 25)), 1e-30)))


def hiss_level_db(pressure_pa: Floats, rate_hz: float, hiss_hz: Sequence[float]) -> float:
    """Level of the upper bands together."""
    levels = band_levels_db(pressure_pa, rate_hz, *hiss_hz)[1]
    return float(10 * np.log10(np.sum(10 ** (levels / 10))))


def too_loud(mids: np.ndarray, levels: np.ndarray, noise_dba: float, settings: Settings) -> str:
    """By how much the room is too loud, and in which band most; empty when it is not."""
    over_db = noise_dba - settings.room_below_dba
    if over_db <= 0:
        return ""
    worst = int(np.argmax(levels + a_weighting_db(mids)))
    return (
        f"{over_db:.1f} dB too loud for this check, most of it in the band at {nominal_hz(mids[worst]):g} Hz: "
        "wait for quiet; if it stays when the amplifier is switched off, it is the room"
    )
