"""Where hardware, simulated or real, is spoken to. Knows requests and captures, never a check."""
