"""The design: kit, channels, soak, limits, the decision rule, and what a reading is uncertain by."""
