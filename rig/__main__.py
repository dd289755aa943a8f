"""`python -m rig` is `kitproof`."""

from rig.cli import main

if __name__ == "__main__":
    main()
