"""The folders under `results/`: records and all that is read back from them."""
