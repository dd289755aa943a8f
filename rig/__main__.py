"""`python -m rig` is `kitproof`."""


def main() -> None:
    """Run a command."""
    # Only here: the sound process imports the main module again and needs no command.
    from rig.cli import main as run

    run()


if __name__ == "__main__":
    main()
