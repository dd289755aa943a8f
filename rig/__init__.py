"""Kitproof: proves each copy of a small loudspeaker kit against its design."""

import os

# Before anything loads a library for linear algebra: matrices here are small, so that its threads only get in each
# other's way (tests/checks/test_heat_check.py takes twice the processor time with two), and a sum must not hang on how
# many of them added it up.
for _library in ("OMP", "OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
