"""`python -m rig` is `kitproof`."""

import sys


def main() -> None:
    """Run a command."""
    try:
        # Only here: the sound process imports the main module again and needs no command.
        from rig.cli import main as run
    except KeyboardInterrupt:
        # Ctrl-C before any command was there to be stopped.
        if "--json" in sys.argv[1:]:
            print('{"outcome": "void", "stopped": "stopped before anything was done"}')
        print("stopped", file=sys.stderr)
        sys.exit(2)
    run()


if __name__ == "__main__":
    main()
