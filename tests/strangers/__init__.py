"""Strangers: loudspeaker units of foreign physics, since no lumped model describes a real driver.

Nothing here shares code with the rig's own model; a test reads the imports. The rig is met in two places only: its
loader loads the kits (`kits.py`), and units stand on its simulated bench (`bench.py`). `sound_path.py` makes filters of
a unit, for the sound path.

    designs.py      what the builder's kit says: sheets, networks, box
    population.py   one unit: the sheets' errors of a seed, the spread of a serial, its faults
    driver.py, enclosure.py, network.py    a unit's parts as elements of a net
    nodal.py        the net solved over frequency
    stepping.py     the same net stepped through time
    air.py          from moving surfaces to a microphone: baffle edges, floor and walls
"""
