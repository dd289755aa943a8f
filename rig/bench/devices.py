"""Which sound device bench.toml means: found by its words and counts, never by its place in a list."""

from collections.abc import Sequence
from dataclasses import dataclass

from rig.files.errors import BenchError

#: Host APIs that resample or mix without telling.
UNFIT_APIS = {
    "MME": "resamples without notice; use Windows WASAPI",
    "Windows DirectSound": "resamples without notice; use Windows WASAPI",
}


@dataclass(frozen=True)
class Device:
    """A sound device as the library lists it."""

    host_api: str
    name: str
    inputs: int
    outputs: int
    #: What the device says it runs at by default.
    sample_rate_hz: float

    def __str__(self) -> str:
        return f"{self.host_api}: {self.name!r} ({self.inputs} in, {self.outputs} out, {self.sample_rate_hz:g} Hz)"


@dataclass(frozen=True)
class WantedDevice:
    """The sound device that bench.toml means, and how it is to be opened: see `settings.DeviceSettings`."""

    host_api: str
    name: str
    inputs: int
    outputs: int
    sample_rate_hz: float
    latency_s: float | None
    block_frames: int


@dataclass(frozen=True)
class ListedDevice:
    """A row for `kitproof devices`."""

    device: Device
    #: Whether bench.toml means this device.
    fits: bool
    #: What keeps it from fitting; empty where it fits or where there is nothing to fit.
    remark: str


def find_device(devices: Sequence[Device], wanted: WantedDevice) -> int:
    """Place in the list of the one device that bench.toml means.

    Raises
    ------
    BenchError
        If none or several match; the message lists what is there.
    """
    matches = [place for place, device in enumerate(devices) if not difference(device, wanted)]
    if len(matches) == 1:
        return matches[0]
    there = "".join(f"\n  {device}" for device in devices) or "\n  nothing"
    asked = f"{wanted.host_api}: {wanted.name!r} ({wanted.inputs} in, {wanted.outputs} out)"
    if matches:
        raise BenchError(
            f"{len(matches)} sound devices match {asked}; unplug all but one, or rename one. There are:{there}"
        )
    raise BenchError(f"no sound device matches {asked}; is it plugged in and switched on? There are:{there}")


def difference(device: Device, wanted: WantedDevice) -> str:
    """Why a device is not the wanted one; empty when it is."""
    if device.host_api in UNFIT_APIS:
        return UNFIT_APIS[device.host_api]
    if device.host_api != wanted.host_api:
        return f"host_api is {wanted.host_api!r} in bench.toml"
    if device.name != wanted.name:
        return f"name is {wanted.name!r} in bench.toml"
    if (device.inputs, device.outputs) != (wanted.inputs, wanted.outputs):
        return f"bench.toml has {wanted.inputs} inputs and {wanted.outputs} outputs"
    return ""
