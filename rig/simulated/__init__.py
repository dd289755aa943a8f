"""The simulated bench: units, rooms, cards, noises and faults, with physics of their own."""
