"""A sound card as a JACK client whose microphone is in a sound calibrator: input 1 hears a tone, the others silence.

Run with the tone's RMS value (full scale 1.0) and its frequency; it says "ready" and ends with its standard input.
"""

import sys

import numpy as np

CHANNELS = 4


def serve(level: float, hz: float) -> None:
    """Be the client until standard input ends."""
    import jack

    client = jack.Client("calibrator", no_start_server=True)
    for number in range(CHANNELS):
        client.inports.register(f"in_{number + 1}")
    heard = [client.outports.register(f"out_{number + 1}") for number in range(CHANNELS)]
    random = np.random.default_rng(1)
    done = 0

    @client.set_process_callback
    def process(frames: int) -> None:
        nonlocal done
        phase = 2 * np.pi * hz / client.samplerate * (done + np.arange(frames))
        heard[0].get_array()[:] = level * np.sqrt(2) * np.sin(phase) + 1e-5 * random.standard_normal(frames)
        for port in heard[1:]:
            port.get_array()[:] = 1e-5 * random.standard_normal(frames)
        done += frames

    with client:
        print("ready", flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    serve(float(sys.argv[1]), float(sys.argv[2]))
