"""The page at the bench: what a browser shows of a run, and the keys, scans and buttons that answer it."""
